"""One pass over the samples: transforms and estimators in order, whole or cut into parts that merge exactly."""

from __future__ import annotations

import math
import traceback
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from ..contracts import (
    Accumulator,
    Block,
    BlockFlow,
    ChainSchema,
    Context,
    Estimator,
    Fitness,
    SignalSpec,
    Stage,
    ThrumlineError,
    Transform,
)
from .samples import PassSamples, Run


class StageFault(ThrumlineError):
    """A stage needs a product whose own stage failed, or raised itself."""


class Products(dict[str, Any]):
    """Products by name; asking for one that failed raises StageFault naming the stage at fault."""

    def __init__(self) -> None:
        super().__init__()
        self.failed: dict[str, str] = {}
        self.faults: dict[str, str] = {}

    def __missing__(self, name: str) -> Any:
        cause = self.failed.get(name, "no stage of the recipe makes it")
        raise StageFault(f"product {name!r} is missing", found=cause)

    def note_fault(self, stage: Stage[Any], error: Exception, *, makes: str) -> str:
        """Keep why a product is missing, in one line for readers and whole for whoever mends the stage."""
        cause = f"stage {stage.name!r}: {type(error).__name__}: {error}"
        self.failed[makes] = cause
        self.faults[stage.name] = "".join(traceback.format_exception(error))
        return cause


@dataclass(frozen=True, slots=True)
class Piece:
    """What a pass goes over without a break: samples of one run, and the instants that count (None = all)."""

    run: Run
    window: tuple[float, float] | None = None


@dataclass(frozen=True, slots=True)
class Part:
    """A share of one piece: from ``start`` up to ``stop``, counted from the piece's first sample that counts."""

    piece: int
    start: int
    stop: int | None


@dataclass(slots=True)
class Watcher:
    """An estimator at work, or the fault that ended it, and the frames it sees."""

    stage: Estimator[Any]
    accumulator: Accumulator | None
    length: int = 1
    hop: int = 1
    error: Exception | None = None
    begin: int = 0
    end: int | None = None
    per_sample: float = 1.0
    """Samples that reach this estimator for each sample of the capture."""

    def share(self, part: Part) -> None:
        """Take the frames that start in this part: whole frames, each in one part only."""
        self.begin = self._frame_at(part.start)
        self.end = None if part.stop is None else self._frame_at(part.stop) + self.length - self.hop

    def _frame_at(self, sample: int) -> int:
        """Where the frame that a sample of the capture falls into starts, in the samples seen here."""
        return int(sample * self.per_sample) // self.hop * self.hop

    def watch(self, block: Block) -> None:
        """Take what of the block lies in this watcher's share; a fault ends this watcher alone."""
        if self.accumulator is None:
            return
        inside = cut(block, self.begin - block.first, None if self.end is None else self.end - block.first)
        if inside is None:
            return
        try:
            self.accumulator.accumulate(inside)
        except Exception as error:  # noqa: BLE001  a stranger's stage may raise anything
            self.accumulator, self.error = None, error

    def take_over(self, other: Watcher) -> None:
        """Merge what another worker gathered on a later part."""
        self.error = self.error or other.error
        if self.error is not None or self.accumulator is None or other.accumulator is None:
            self.accumulator = None
            return
        try:
            self.accumulator.merge(other.accumulator)
        except Exception as error:  # noqa: BLE001
            self.accumulator, self.error = None, error

    def finish_into(self, products: Products) -> None:
        """Make the product, or note why there is none."""
        try:
            if self.error is not None:
                raise self.error
            assert self.accumulator is not None
            products[self.stage.makes] = self.accumulator.finish()
        except Exception as error:  # noqa: BLE001
            products.note_fault(self.stage, error, makes=self.stage.makes)


class Pass:
    """Stages of one pass over the pieces of one capture."""

    def __init__(
        self, stages: Sequence[Stage[Any]], samples: PassSamples, context: Context, products: Mapping[str, Any],
        pieces: Sequence[Piece],
    ) -> None:  # fmt: skip
        self.samples, self.pieces = samples, pieces
        self.stages = [stage for stage in stages if isinstance(stage, Transform | Estimator)]
        self._signal, self._context, self._products = samples.signal, context, products
        self._selected = any(isinstance(product, Fitness) for product in products.values())

    @property
    def watches(self) -> bool:
        """Whether any estimator wants to see samples."""
        return any(isinstance(stage, Estimator) for stage in self.stages)

    @property
    def divisible(self) -> bool:
        """Whether parts may start anywhere: every transform can begin within a run, given its halo."""
        return all(stage.divisible(signal) for stage, signal in self._transforms())

    def _transforms(self) -> Iterator[tuple[Transform[Any], SignalSpec]]:
        """Each transform and the signal it receives."""
        schema = ChainSchema(self._signal, selected=self._selected)
        for stage in self.stages:
            if isinstance(stage, Transform):
                yield stage, schema.signal
                schema = stage.schema(schema)

    @property
    def _halo(self) -> int:
        """Samples of the capture that the transforms need on either side of a part."""
        seconds = sum(stage.halo_s(signal) for stage, signal in self._transforms())
        return math.ceil(seconds * (self._signal.rate_hz or 0.0)) + 1 if seconds else 0

    def parts(self, n_samples: int) -> list[Part]:
        """The whole pass as parts of about ``n_samples`` samples, in order."""
        parts: list[Part] = []
        for number, piece in enumerate(self.pieces):
            count = self._counting(piece)
            n = max(1, round(count / n_samples)) if self.divisible else 1
            edges = [round(count * k / n) for k in range(n)]
            stops: list[int | None] = [*edges[1:], None]
            parts += [Part(number, edge, stop) for edge, stop in zip(edges, stops, strict=True)]
        return parts

    def run(self, parts: Sequence[Part] | None = None) -> list[Watcher]:
        """Go over the parts (all by default) and return the estimators as they stand, not finished."""
        slots = self._opened(in_parts=parts is not None)
        watchers = [slot for slot in slots if isinstance(slot, Watcher)]
        if watchers:
            for part in parts if parts is not None else [Part(i, 0, None) for i in range(len(self.pieces))]:
                for watcher in watchers:
                    watcher.share(part)
                line = _Line(slots, self.pieces[part.piece].window, self._origins(part, slots))
                line.feed(self._blocks(part, watchers))
        return watchers

    def _origins(self, part: Part, slots: Sequence[BlockFlow | Watcher]) -> list[int] | None:
        """Per slot, the count of the first sample that counts, which a part that starts later does not see."""
        piece = self.pieces[part.piece]
        if part.start == 0 and part.stop is None:
            return None
        before = self._bounds(piece)[0] - piece.run.start
        origins, transformed = [], False
        for slot in slots:
            rate = slot.per_sample if isinstance(slot, Watcher) else 1.0
            # a millionth of a sample, as where stretches are cut
            origins.append(math.ceil(before * rate - 1e-6) if transformed else before)
            transformed = transformed or isinstance(slot, BlockFlow)
        return origins

    def _opened(self, *, in_parts: bool) -> list[BlockFlow | Watcher]:
        schema = ChainSchema(self._signal, selected=self._selected)
        slots: list[BlockFlow | Watcher] = []
        here = self._context
        for stage in self.stages:
            if here.signal is not schema.signal:
                here = replace(self._context, signal=schema.signal)
            if isinstance(stage, Transform):
                slots.append(stage.open(schema.signal, here))
                schema = stage.schema(schema)
            else:
                watcher = _opened_watcher(stage, here, self._products, in_parts=in_parts)
                watcher.per_sample = _ratio(schema.signal, self._signal)
                slots.append(watcher)
        return slots

    def _counting(self, piece: Piece) -> int:
        return self._bounds(piece)[1] - self._bounds(piece)[0]

    def _bounds(self, piece: Piece) -> tuple[int, int]:
        """Samples of the capture that count in this piece."""
        if piece.window is None:
            return piece.run.start, piece.run.stop
        first = max(piece.run.start, self.samples.index_at(piece.window[0]))
        return first, max(first, min(piece.run.stop, self.samples.index_at(piece.window[1])))

    def _blocks(self, part: Part, watchers: Sequence[Watcher]) -> Iterable[Block]:
        """Blocks of the part, with the margin that the longest frame needs beyond its end."""
        piece = self.pieces[part.piece]
        if part.start == 0 and part.stop is None:
            return self.samples.blocks(piece.run, part.piece)
        origin = self._bounds(piece)[0]
        first = origin + min(math.floor(watcher.begin / watcher.per_sample) for watcher in watchers)
        last = piece.run.stop
        if part.stop is not None:
            needed = (math.ceil(w.end / w.per_sample) for w in watchers if w.end is not None)
            last = min(last, origin + max(needed) + self._halo)
        share = Run(max(piece.run.start, first - self._halo), last)
        return self.samples.blocks(share, part.piece, counted_from=piece.run.start)


def _ratio(there: SignalSpec, here: SignalSpec) -> float:
    """Samples of one signal for each of another."""
    return there.rate_hz / here.rate_hz if there.rate_hz and here.rate_hz else 1.0


def _opened_watcher(
    stage: Estimator[Any], context: Context, products: Mapping[str, Any], *, in_parts: bool
) -> Watcher:
    try:
        # a whole pass needs no grid, and to say it a stage plans as much as to open
        length, hop = stage.grid(context.signal, context, products) if in_parts else (1, 1)
        return Watcher(stage, stage.open(context.signal, context, products), length, hop)
    except Exception as error:  # noqa: BLE001
        return Watcher(stage, None, error=error)


class _Line:
    """The slots of a pass while one piece goes through them."""

    def __init__(
        self, slots: Sequence[BlockFlow | Watcher], window: tuple[float, float] | None, origins: list[int] | None
    ) -> None:
        self.slots, self._window = slots, window
        self._origin = {} if origins is None else dict(enumerate(origins))

    def feed(self, blocks: Iterable[Block]) -> None:
        """All blocks, then what the transforms still hold."""
        for block in blocks:
            self._through(block, 0)
        for i, slot in enumerate(self.slots):
            if isinstance(slot, BlockFlow):
                for block in slot.flush():
                    self._through(block, i + 1)

    def _through(self, block: Block, at: int) -> None:
        for i in range(at, len(self.slots)):
            slot = self.slots[i]
            if isinstance(slot, BlockFlow):
                for made in slot.push(block):
                    # a transform may hand on a copy with other values: the counts are then no longer theirs
                    self._through(made.without_counts(), i + 1)
                return
            inside = self._inside(block, i)
            if inside is not None:
                slot.watch(inside)

    def _inside(self, block: Block, at: int) -> Block | None:
        """The part of the block inside the window, counted from the first sample that counts."""
        if self._window is None:
            return block
        first, last = (_count_before(block, instant) for instant in self._window)
        inside = cut(block, first, last)
        if inside is None:
            return None
        return inside.counted_from(self._origin.setdefault(at, inside.first))


def cut(block: Block, first: int, last: int | None) -> Block | None:
    """Samples first..last of a block as a block, or None where there are none; counts stay as they are."""
    first, last = max(first, 0), block.n if last is None else min(last, block.n)
    if last <= first:
        return None
    if first == 0 and last == block.n:
        return block
    return block.cut(first, last)


def _count_before(block: Block, time_s: float) -> int:
    """How many samples of the block lie before an instant (to a millionth of a sample)."""
    if block.times_s is not None:
        return int(block.times_s.searchsorted(time_s - 1e-6 / block.rate_hz))
    exact = (time_s - block.start_s) * block.rate_hz - 1e-6
    return min(max(int(-(-exact // 1)), 0), block.n)
