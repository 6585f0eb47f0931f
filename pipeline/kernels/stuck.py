"""A channel that hangs: how long one value is repeated, and whether that is more than coarseness."""

from __future__ import annotations

from dataclasses import dataclass, field
from math import isfinite
from typing import Any

import numpy as np
import numpy.typing as npt

from .run_lengths import RunTally, any_longer, run_tally

AnyArray = npt.NDArray[Any]


@dataclass(frozen=True, slots=True)
class EqualRuns:
    """Neighbours that agree, in one stretch of one channel.

    ``pairs`` tallies "this sample equals the next" over the ``n - 1`` pairs of neighbours; ``n_equal`` counts
    them; ``step`` is the least difference between neighbours that differ (inf while there is none).
    """

    n: int = 0
    first: float = 0.0
    last: float = 0.0
    pairs: RunTally = field(default_factory=lambda: RunTally(1))
    n_equal: int = 0
    step: float = float("inf")

    @property
    def longest(self) -> int:
        """Samples in the longest row of equal values."""
        return self.pairs.greatest + 1 if self.n else 0

    def then(self, later: EqualRuns, *, joined: bool = True) -> EqualRuns:
        """Both stretches as one; over a gap (``joined`` False) nothing is compared."""
        if self.n == 0 or later.n == 0:
            return self if self.n else later
        agree = joined and self.last == later.first
        across = abs(later.first - self.last) if joined and not agree else float("inf")
        return EqualRuns(
            self.n + later.n,
            self.first,
            later.last,
            self.pairs.then(run_tally(np.array([agree]), 1)).then(later.pairs),
            self.n_equal + int(agree) + later.n_equal,
            min(self.step, across, later.step),
        )


def equal_runs(values: AnyArray, known_step: float = np.inf, known_longest: int = 0) -> EqualRuns:
    """Rows of equal values in one stretch [shape=(n,)], of values or of native counts.

    ``known_step`` and ``known_longest`` (the least difference and the longest closed row of agreeing pairs so far) only
    save work: where nothing in this stretch goes beyond them, ``step`` may stay at inf and ``pairs.longest`` at 0.

    >>> equal_runs(np.array([0.0, 2.0, 2.0, 2.0, 3.0])).longest
    3
    """
    if len(values) == 0:
        return EqualRuns()
    agree = values[1:] == values[:-1]
    n_equal = int(np.count_nonzero(agree))
    alike = n_equal == len(agree) or (isfinite(known_step) and known_step <= _least_possible(values))
    step = np.inf if alike else _least_step(values, agree)
    if known_longest and n_equal < len(agree) and not any_longer(agree, known_longest):
        head = int(np.argmin(agree)) if agree[0] else 0
        tail = int(np.argmin(agree[::-1])) if agree[-1] else 0
        pairs = RunTally(1, len(agree), head, tail, n_equal - head - tail)
    else:
        pairs = run_tally(agree, 1)
    return EqualRuns(len(values), float(values[0]), float(values[-1]), pairs, n_equal, step)


def _least_step(values: AnyArray, agree: npt.NDArray[np.bool_]) -> float:
    if values.dtype.kind in "iu":
        differences = _whole_differences(values)
        # as unsigned numbers less one, no difference at all is the greatest there is
        unsigned = differences.view(f"u{differences.itemsize}")
        unsigned -= 1
        return float(int(unsigned.min()) + 1)
    steps = np.abs(values[1:] - values[:-1])
    np.copyto(steps, steps.max(), where=agree)
    return float(steps.min())


def _whole_differences(values: AnyArray) -> AnyArray:
    """Sizes of the differences of neighbouring counts, in a width that they do not wrap around in."""
    narrow = values.dtype.itemsize < 4 or int(values.max()) - int(values.min()) < 2**31
    wide = np.int32 if narrow and values.dtype != np.uint32 else np.int64
    differences = np.subtract(values[1:], values[:-1], dtype=wide, casting="unsafe")
    return np.abs(differences, out=differences)


def _least_possible(values: AnyArray) -> float:
    """What no difference of these values lies below: counts differ by multiples of their lowest bit in use."""
    if values.dtype.kind not in "iu":
        return 0.0
    bits = int(np.bitwise_or.reduce(values ^ values[0]))
    return float(bits & -bits) if bits else np.inf


def hangs(longest_s: float, lively_level: float, step: float, least_s: float) -> bool:
    """True where a channel that otherwise moves by more than a converter step stood still for too long.

    ``lively_level``: level the channel reaches in its livelier frames (rms); a level under one ``step`` is a
    quiet channel seen through a coarse converter, which may rest on one code for as long as it likes.
    """
    return longest_s >= least_s and isfinite(step) and lively_level > step
