"""Two load states in one capture: a compressor, a fan or an alternator comes on for minutes.

A series of level or speed is split at the best single threshold. Two states are found only where the two
sides are far apart for the scatter within them, differ by enough to matter, and each lasts: a drift, a wander
or a hunting idle also has two halves, but not two levels. For a straight drift the distance of the halves is
3.5 times the scatter within them, for a Gaussian 2.7, for a sine 4.1.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from math import log1p, sqrt

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class StateRule:
    """``distance``: between the states, in scatters within them. ``shortest_s``: of a piece of either state.

    ``least_step``: relative difference of the two levels that matters. ``change_s``: a load is switched, so
    most of the step (``abrupt``) must be seen between the ``shortest_s / 2`` before and after a change, this
    much left out between them; a drift is not a change of state.
    """

    distance: float = 4.5
    shortest_s: float = 10.0
    least_step: float = 0.15
    change_s: float = 4.0
    abrupt: float = 0.6


@dataclass(frozen=True, slots=True)
class TwoStates:
    """Pieces of the two states, (start, stop) each, and their levels (geometric means)."""

    low: list[tuple[float, float]]
    high: list[tuple[float, float]]
    low_level: float
    high_level: float
    distance: float

    def longest(self) -> tuple[list[tuple[float, float]], list[tuple[float, float]]]:
        """(the state that lasts longer in all, the other)."""
        seconds = [sum(stop - start for start, stop in pieces) for pieces in (self.low, self.high)]
        return (self.low, self.high) if seconds[0] >= seconds[1] else (self.high, self.low)


def best_split(values: FloatArray) -> tuple[float, float]:
    """Threshold that leaves the least square scatter within both sides, and the distance of their means in
    pooled standard deviations within them (Otsu 1979, between-class variance at its greatest).
    """
    ordered = np.sort(values)
    n = len(ordered)
    if n < 2 or ordered[0] == ordered[-1]:
        return float(ordered[0]) if n else 0.0, 0.0
    count = np.arange(1, n)
    running = (ordered - ordered.mean()).cumsum()[:-1]
    between = running**2 * (1.0 / count + 1.0 / (n - count)) / n
    between[ordered[1:] == ordered[:-1]] = -1.0
    at = int(between.argmax())
    low, high = ordered[: at + 1], ordered[at + 1 :]
    means = float(low.mean()), float(high.mean())
    below, above = low - means[0], high - means[1]
    scatter = sqrt(float(below @ below + above @ above) / n)
    threshold = 0.5 * float(ordered[at] + ordered[at + 1])
    return threshold, (means[1] - means[0]) / scatter if scatter > 0 else float("inf")


def two_states(time_s: FloatArray, level: FloatArray, rule: StateRule) -> TwoStates | None:
    """The two states of a positive series [shape=(n,) each, NaN where unknown] in time order, or None.

    Levels are compared as logarithms. A spell on the other side shorter than ``shortest_s`` is no state: if
    such spells make up a twentieth of the series or more (a hunting idle), there are no states at all.
    """
    known = np.isfinite(level) & (level > 0)
    times, values = time_s[known], np.log(level[known])
    least_step = log1p(rule.least_step)
    # the means of two halves are no farther apart than the outermost values
    if len(values) < 4 or values.max() - values.min() < least_step:
        return None
    threshold, distance = best_split(values)
    above = values > threshold
    step = float(values[above].mean() - values[~above].mean()) if above.any() and not above.all() else 0.0
    if distance < rule.distance or step < least_step:
        return None
    return _pieces(times, values, above, rule, distance)


def _pieces(
    times: FloatArray, values: FloatArray, above: BoolArray, rule: StateRule, distance: float
) -> TwoStates | None:
    edges = np.flatnonzero(np.diff(above.astype(np.int8))) + 1
    firsts = np.concatenate([[0], edges])
    lasts = np.concatenate([edges, [len(times)]]) - 1
    half = 0.5 * float(np.median(np.diff(times)))
    found: dict[bool, list[tuple[float, float]]] = {False: [], True: []}
    brief = 0.0
    for first, last in zip(firsts, lasts, strict=True):
        start, stop = float(times[first]) - half, float(times[last]) + half
        if stop - start >= rule.shortest_s:
            found[bool(above[first])].append((start, stop))
        else:
            brief += stop - start
    if not found[False] or not found[True] or brief > 0.05 * (times[-1] - times[0]):
        return None
    means = [float(values[above == side].mean()) for side in (False, True)]
    if not _switched(times, values, found, means[1] - means[0], rule):
        return None
    return TwoStates(found[False], found[True], float(np.exp(means[0])), float(np.exp(means[1])), distance)


def _switched(
    times: FloatArray,
    values: FloatArray,
    found: dict[bool, list[tuple[float, float]]],
    step: float,
    rule: StateRule,
) -> bool:
    """Whether the level goes over in one move at every change between pieces of the two states."""
    pieces = sorted((*piece, side) for side in (False, True) for piece in found[side])
    away, length = rule.change_s / 2.0, rule.shortest_s / 2.0
    for (_, stop, side), (start, _, other) in pairwise(pieces):
        if side == other:
            continue
        before = values[(times > stop - away - length) & (times < stop - away)]
        after = values[(times > start + away) & (times < start + away + length)]
        move = float(after.mean() - before.mean()) if before.size and after.size else 0.0
        if (move if other else -move) < rule.abrupt * step:
            return False
    return True
