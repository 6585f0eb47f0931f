"""Samples that the first pass over a long capture made slower, kept on disk for the second pass.

At 51.2 kHz reading and decimating are a third of the work, and both passes want the same result. What is kept is a
sixteenth of the samples, in double precision: the second pass reads the very numbers it would have made.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Self

import numpy as np

from ..contracts import (
    Accumulator,
    Block,
    ChainSchema,
    Context,
    Estimator,
    ProductSpec,
    SignalSpec,
    Stage,
    StageSettings,
    ThrumlineError,
    Transform,
)
from .samples import CaptureSamples, Run

KEPT = "kept samples"
"""Name of the product."""

LEAST_STRIDE = 4
"""Samples of the capture for each one kept, at the least: with fewer, writing them costs what it saves."""


class KeptLost(ThrumlineError):
    """A file of kept samples is gone or too short: its worker has ended."""


def stride_of(signal: SignalSpec, transforms: Sequence[Transform[Any]]) -> int:
    """Samples of the signal for each one that comes out of the transforms; 1 where that is no whole number."""
    schema = ChainSchema(signal)
    for transform in transforms:
        schema = transform.schema(schema)
    after = schema.signal
    if not (signal.uniform and after.uniform and signal.rate_hz and after.rate_hz):
        return 1
    ratio = signal.rate_hz / after.rate_hz
    return round(ratio) if ratio > 1.0 and abs(ratio - round(ratio)) < 1e-9 * ratio else 1


def worth_keeping(samples: CaptureSamples, stages: Sequence[Stage[Any]]) -> bool:
    """Whether a first pass of these stages hands on so few samples that the second one should not make them again."""
    transforms = [stage for stage in stages if isinstance(stage, Transform)]
    return len(samples.runs) == 1 and stride_of(samples.signal, transforms) >= LEAST_STRIDE


@dataclass(frozen=True, slots=True)
class KeptPiece:
    """Consecutive samples of all channels in a file: count of the first one, how many, where in the file."""

    path: Path
    first: int
    n: int
    offset: int


@dataclass(frozen=True, slots=True)
class Kept:
    """What was kept of a capture of a single run: description, instant of sample 0, pieces in order."""

    signal: SignalSpec
    start_s: float
    pieces: tuple[KeptPiece, ...]

    @property
    def whole(self) -> bool:
        """Whether the pieces follow each other without a hole, from sample 0."""
        stops = [0, *(piece.first + piece.n for piece in self.pieces)]
        return bool(self.pieces) and all(p.first == stop for p, stop in zip(self.pieces, stops, strict=False))

    def drop(self) -> None:
        """Remove the files; those that are gone already are no matter."""
        for path in {piece.path for piece in self.pieces}:
            path.unlink(missing_ok=True)


class KeepSamples(Estimator[StageSettings]):
    """Watches the end of a first pass and writes what comes there to a file. In no recipe: how, not what, is run."""

    name = "keep_samples"
    makes = KEPT
    numeric_version = 1

    def __init__(self, path: Path) -> None:
        super().__init__(StageSettings())
        self.path = path

    def schema(self, incoming: ChainSchema) -> ChainSchema:
        """Adds the kept samples."""
        return incoming.plus(ProductSpec(KEPT, ("channel", "time"), ""))

    def open(self, signal: SignalSpec, context: Context, products: Mapping[str, Any]) -> Accumulator:  # noqa: ARG002
        """A fresh file."""
        return _Keeper(signal, self.path)


class _Keeper(Accumulator):
    """Appends blocks to one file; it is opened for each, since this crosses to another process."""

    def __init__(self, signal: SignalSpec, path: Path) -> None:
        self._signal, self._path = signal, path
        self._pieces: list[KeptPiece] = []
        self._start_s: float | None = None
        self._n_bytes = 0
        self._failed = False

    def accumulate(self, block: Block) -> None:
        """Write the samples and remember where. A disk that fails costs the second pass its short cut, no more."""
        if self._failed:
            return
        if self._start_s is None:
            self._start_s = block.start_s - block.first / block.rate_hz
        try:
            with self._path.open("ab") as file:
                np.ascontiguousarray(block.values, dtype=np.float64).tofile(file)
        except OSError:
            self._failed = True
            return
        self._pieces.append(KeptPiece(self._path, block.first, block.n, self._n_bytes))
        self._n_bytes += block.values.nbytes

    def merge(self, other: Self) -> None:
        """Take over the pieces of a later part."""
        self._pieces += other._pieces
        self._failed = self._failed or other._failed
        self._start_s = other._start_s if self._start_s is None else self._start_s

    def finish(self) -> Kept:
        """All pieces in order; none where one could not be written."""
        pieces = () if self._failed else tuple(sorted(self._pieces, key=lambda piece: piece.first))
        n = pieces[-1].first + pieces[-1].n if pieces else 0
        rate_hz = self._signal.rate_hz or 1.0
        signal = replace(self._signal, duration_s=n / rate_hz)
        return Kept(signal, self._start_s or 0.0, pieces)


class KeptSamples:
    """Kept samples with the face that a pass wants of a capture's: one run on a uniform clock."""

    def __init__(self, kept: Kept) -> None:
        self._kept = kept
        self.signal = kept.signal
        self.n_samples = kept.pieces[-1].first + kept.pieces[-1].n
        self.runs = (Run(0, self.n_samples),)
        self._rate_hz = kept.signal.rate_hz or 1.0

    def index_at(self, time_s: float) -> int:
        """Index of the first sample at or after an instant (to a millionth of a sample)."""
        return int(np.clip(np.ceil((time_s - self._kept.start_s) * self._rate_hz - 1e-6), 0, self.n_samples))

    def blocks(self, run: Run, number: int, counted_from: int | None = None) -> Iterator[Block]:
        """The run's samples, piece by piece, counted from its start (or another sample). Raises KeptLost."""
        origin = run.start if counted_from is None else counted_from
        for piece in self._kept.pieces:
            first, stop = max(piece.first, run.start), min(piece.first + piece.n, run.stop)
            if stop > first:
                values = self._read(piece)[:, first - piece.first : stop - piece.first]
                start_s = self._kept.start_s + first / self._rate_hz
                yield Block(values, number, first - origin, start_s, self._rate_hz)

    def _read(self, piece: KeptPiece) -> np.ndarray[Any, np.dtype[np.float64]]:
        n_channel = len(self.signal.channels)
        try:
            values = np.fromfile(piece.path, np.float64, n_channel * piece.n, offset=piece.offset)
        except OSError as error:
            raise KeptLost(f"samples kept in {piece.path.name}", found=str(error)) from error
        if values.size != n_channel * piece.n:
            raise KeptLost(f"samples kept in {piece.path.name}", found="fewer than were written")
        return values.reshape(n_channel, piece.n)
