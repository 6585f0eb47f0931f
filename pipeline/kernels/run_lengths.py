"""Runs of a condition in a stream: how long, how many samples, exact wherever the stream is cut."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

BoolArray = npt.NDArray[np.bool_]
IndexArray = npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class RunTally:
    """What a stretch of a boolean stream holds, so that two stretches can be joined exactly.

    ``n`` samples in all; ``head`` and ``tail`` the lengths of the runs that touch its two ends (both ``n``
    when every sample is true); ``inside`` counts samples of closed runs of at least ``minimum``,
    ``longest`` the longest closed run.
    """

    minimum: int
    n: int = 0
    head: int = 0
    tail: int = 0
    inside: int = 0
    longest: int = 0

    @property
    def total(self) -> int:
        """Samples in runs of at least ``minimum``, the ends taken as closed."""
        ends = (self.head,) if self.head == self.n else (self.head, self.tail)
        return self.inside + sum(end for end in ends if end >= self.minimum)

    @property
    def greatest(self) -> int:
        """The longest run, the ends taken as closed."""
        return max(self.longest, self.head, self.tail)

    def then(self, later: RunTally, *, joined: bool = True) -> RunTally:
        """Both stretches as one; with ``joined`` False no run goes over the seam (a gap lies there).

        A tally keeps only what is open at its own two ends, so a gap closes both sides of the seam.
        """
        if self.n == 0 or later.n == 0:
            return later if self.n == 0 else self
        seam = (self.tail + later.head,) if joined else (self.tail, later.head)
        whole_first, whole_last = self.head == self.n, later.head == later.n
        closed = [] if joined and (whole_first or whole_last) else list(seam)
        if not joined:
            closed = ([] if whole_first else [self.tail]) + ([] if whole_last else [later.head])
        return RunTally(
            self.minimum,
            self.n + later.n,
            self.n + later.head if joined and whole_first else self.head,
            later.n + self.tail if joined and whole_last else later.tail,
            self.inside + later.inside + sum(run for run in closed if run >= self.minimum),
            max(self.longest, later.longest, *closed, 0),
        )


def run_tally(mask: BoolArray, minimum: int) -> RunTally:
    """Tally of one stretch [shape=(n,)].

    >>> run_tally(np.array([True, False, True, True, True, False]), 3).total
    3
    """
    return tally_of_places(np.flatnonzero(mask), len(mask), minimum)


def tally_of_places(true: IndexArray, n: int, minimum: int) -> RunTally:
    """Tally of a stretch of ``n`` samples of which those at the indices ``true`` (in order) are true.

    >>> tally_of_places(np.array([0, 2, 3, 4]), 6, 3).total
    3
    """
    if not true.size:
        return RunTally(minimum, n)
    lengths, _ = _runs_of(true)
    head = int(lengths[0]) if true[0] == 0 else 0
    tail = int(lengths[-1]) if true[-1] == n - 1 else 0
    closed = lengths[bool(head) : len(lengths) - bool(tail)]
    if len(closed) < 2:
        only = int(closed[0]) if len(closed) else 0
        return RunTally(minimum, n, head, tail, only if only >= minimum else 0, only)
    return RunTally(minimum, n, head, tail, int(closed[closed >= minimum].sum()), int(closed.max()))


def any_longer(mask: BoolArray, length: int) -> bool:
    """Whether more than ``length`` samples in a row are true: the mask laid over itself a few times says so.

    >>> any_longer(np.array([True, True, False, True]), 1), any_longer(np.array([True, True, False, True]), 2)
    (True, False)
    """
    reach = 1
    while reach <= length and mask.size:
        shift = min(reach, length + 1 - reach)
        mask = mask[:-shift] & mask[shift:]
        reach += shift
    return bool(mask.any())


def run_starts(mask: BoolArray) -> tuple[IndexArray, IndexArray]:
    """Lengths and first indices of the runs of true samples [shape=(n_run,) each]."""
    # by the indices of true samples, which are few wherever this is used, not by the edges of the mask
    return _runs_of(np.flatnonzero(mask))


def _runs_of(true: IndexArray) -> tuple[IndexArray, IndexArray]:
    """Lengths and starts of the runs in indices in order."""
    if true.size < 2:
        return np.ones_like(true), true
    breaks = np.flatnonzero(true[1:] - true[:-1] > 1)
    starts = true[np.concatenate(([0], breaks + 1))]
    stops = true[np.concatenate((breaks, [true.size - 1]))] + 1
    return stops - starts, starts
