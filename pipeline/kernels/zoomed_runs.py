"""What several runs look like zoomed, gathered from blocks and from other workers, whole or part by part.

A capture of a minute is kept whole. In a record of hours, parts of fixed length are handed out as soon as they
are complete, so that what is kept does not grow; the parts lie on the run's own grid of frames, and so do not
depend on how the record was cut.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .zoom import ComplexArray, FloatArray, Zoom, ZoomPlan


@dataclass(frozen=True)
class ZoomedRun:
    """A run, or a part of one: outputs from frame ``first`` on, and sums of short pieces.

    ``baseband`` [shape=(n_centre, n_channel, n_out)]; ``hop_sum``, ``hop_square`` [shape=(n_channel, n_hop)]:
    sum and sum of squares of the samples of each whole hop, from hop ``first_hop`` on; the part speaks for the
    samples ``start ... stop - 1`` of the run. Without any hop where the runs are gathered without ``levels``.
    """

    first: int
    baseband: ComplexArray
    first_hop: int
    hop_sum: FloatArray
    hop_square: FloatArray
    start: int
    stop: int

    @property
    def n_out(self) -> int:
        """Outputs per centre and channel."""
        return int(self.baseband.shape[-1])


class ZoomedRuns:
    """Gathers the zoom of several runs.

    ``part_frames`` is the length of the parts that ``ready`` hands out; None keeps every run whole. ``levels``:
    whether the sums of hops are wanted.
    """

    def __init__(
        self, plan: ZoomPlan, n_channel: int, part_frames: int | None = None, *, levels: bool = True
    ) -> None:
        self.plan = plan
        self.n_channel = n_channel
        self.part_frames = part_frames
        self.levels = levels
        self._live: dict[int, tuple[Zoom, FloatArray]] = {}
        self._pieces: dict[int, list[ZoomedRun]] = {}

    def push(self, run: int, first: int, values: FloatArray) -> None:
        """Take samples [shape=(n_channel, n)] of a run from its index ``first`` on, in order."""
        if run not in self._live:
            self._live[run] = Zoom(self.plan, self.n_channel, first), np.empty((self.n_channel, 0))
            self._pieces.setdefault(run, [])
        zoom, rest = self._live[run]
        frame, hop = zoom.frame, self.plan.hop
        out = zoom.push(values)
        start, stop = first - rest.shape[-1], first + values.shape[-1]
        sums = squares = np.empty((self.n_channel, 0))
        if self.levels:
            whole = np.concatenate([rest, values], axis=-1) if rest.shape[-1] else values
            n_hop = whole.shape[-1] // hop
            rows = whole[:, : n_hop * hop].reshape(self.n_channel, n_hop, hop)
            # each row by itself, whatever stands about it: a product of matrices is faster, but rounds by the cut
            sums, squares = np.einsum("chk->ch", rows), np.einsum("chk,chk->ch", rows, rows)
            self._live[run] = zoom, np.array(whole[:, n_hop * hop :])
        self._pieces[run].append(ZoomedRun(frame, out, start // hop, sums, squares, start, stop))

    def merge(self, other: ZoomedRuns) -> None:
        """Take over the later part of the same pass; overlapping frames are taken once."""
        for run, pieces in other._pieces.items():
            self._pieces.setdefault(run, []).extend(pieces)
            # what follows belongs to the later part: its filter holds the samples that are still needed
            self._live[run] = other._live[run]

    def ready(self) -> list[tuple[int, ZoomedRun]]:
        """Hand out, and forget, the parts that are complete, with their runs."""
        if self.part_frames is None:
            return []
        handed = []
        for run, pieces in self._pieces.items():
            if sum(piece.n_out for piece in pieces) < self.part_frames:
                continue
            kept: list[ZoomedRun] = []
            for chunk in _chunks(pieces):
                parts, left = self._divided(chunk)
                handed += [(run, part) for part in parts]
                kept += left
            self._pieces[run] = kept
        return handed

    def rest(self) -> list[tuple[int, ZoomedRun]]:
        """Whole runs, or what was left of them, joined; parts without any output are left out."""
        chunks = [(run, chunk) for run, pieces in sorted(self._pieces.items()) for chunk in _chunks(pieces)]
        return [(run, chunk) for run, chunk in chunks if self.part_frames is None or chunk.n_out]

    def _divided(self, chunk: ZoomedRun) -> tuple[list[ZoomedRun], list[ZoomedRun]]:
        """Complete parts of a chunk, and what lies before and after them."""
        n = self.part_frames or 1
        low, high = -(-chunk.first // n), (chunk.first + chunk.n_out) // n
        if high <= low:
            return [], [chunk]
        left = [] if chunk.first == low * n else [self._cut(chunk, chunk.first, low * n)]
        parts = [self._cut(chunk, k * n, (k + 1) * n) for k in range(low, high)]
        return parts, [*left, self._cut(chunk, high * n, None)]

    def _cut(self, chunk: ZoomedRun, first: int, stop: int | None) -> ZoomedRun:
        """Frames ``first ... stop - 1`` of a chunk (None: to its end) and the samples they speak for."""
        hop, half = self.plan.hop, (self.plan.length - self.plan.hop) // 2
        start = chunk.start if first == chunk.first else first * hop + half
        end = chunk.stop if stop is None else stop * hop + half
        low = max(0, start // hop - chunk.first_hop)
        high = chunk.hop_sum.shape[-1] if stop is None else -(-end // hop) - chunk.first_hop
        frames = slice(first - chunk.first, None if stop is None else stop - chunk.first)
        return ZoomedRun(
            first, chunk.baseband[..., frames].copy(), chunk.first_hop + low, chunk.hop_sum[:, low:high].copy(),
            chunk.hop_square[:, low:high].copy(), start, end,
        )  # fmt: skip


def _chunks(pieces: list[ZoomedRun]) -> list[ZoomedRun]:
    """Pieces joined where one goes on from the other, frames and hops taken once."""
    chunks: list[list[ZoomedRun]] = []
    frame = -1
    for piece in sorted(pieces, key=lambda item: (item.first, item.first_hop)):
        if piece.first > frame or not chunks:
            chunks.append([])
        chunks[-1].append(piece)
        frame = max(frame, piece.first + piece.n_out) if len(chunks[-1]) > 1 else piece.first + piece.n_out
    return [_joined(chunk) for chunk in chunks]


def _joined(pieces: list[ZoomedRun]) -> ZoomedRun:
    if len(pieces) == 1:
        return pieces[0]
    frame, hop = pieces[0].first, pieces[0].first_hop
    outs, sums, squares = [], [], []
    for piece in pieces:
        skip = max(0, frame - piece.first)
        outs.append(piece.baseband[..., skip:])
        frame += outs[-1].shape[-1]
        skip = max(0, hop - piece.first_hop)
        sums.append(piece.hop_sum[:, skip:])
        squares.append(piece.hop_square[:, skip:])
        hop += sums[-1].shape[-1]
    return ZoomedRun(
        pieces[0].first, np.concatenate(outs, axis=-1), pieces[0].first_hop, np.concatenate(sums, axis=-1),
        np.concatenate(squares, axis=-1), pieces[0].start, max(piece.stop for piece in pieces),
    )  # fmt: skip
