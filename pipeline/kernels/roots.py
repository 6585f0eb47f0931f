"""The root of a function between two bounds."""

from __future__ import annotations

from collections.abc import Callable
from math import copysign

Point = tuple[float, float]
"""A place and the function there."""

_MOST_STEPS = 200
"""Brent's method needs a dozen; halving alone would need a hundred for any bounds of this program."""


def brent_root(
    function: Callable[[float], float], low: float, high: float, *, xtol: float = 2e-12, rtol: float = 9e-16
) -> float:
    """Where ``function`` changes its sign between ``low`` and ``high``, within ``xtol + rtol * |root|``.

    Written out: ``scipy.optimize`` takes a tenth of a second to import, which a run would pay at its very end, alone.

    >>> round(brent_root(lambda x: x * x - 2.0, 0.0, 2.0), 9)
    1.414213562

    Raises
    ------
    ValueError
        The same sign at both bounds.

    References
    ----------
    R. P. Brent, Algorithms for Minimization without Derivatives, 1973, chapter 4, procedure zero.
    """
    # the three points of the method: the one before, the best so far, the one across the root from it
    last, best = (low, float(function(low))), (high, float(function(high)))
    across = last
    if last[1] * best[1] > 0.0:
        raise ValueError(f"a change of sign is wanted, found {last[1]!r} at {low!r} and {best[1]!r} at {high!r}")
    step = before = best[0] - last[0]
    for _ in range(_MOST_STEPS):
        if abs(across[1]) < abs(best[1]):
            last, best, across = best, across, best
        least = (xtol + rtol * abs(best[0])) / 2.0
        half = (across[0] - best[0]) / 2.0
        if best[1] == 0.0 or abs(half) < least:
            break
        step, before = _next_step(last, best, across, step, before, least)
        last = best
        place = best[0] + (step if abs(step) > least else copysign(least, half))
        best = (place, float(function(place)))
        if (best[1] > 0.0) == (across[1] > 0.0):
            across, step = last, best[0] - last[0]
            before = step
    return float(best[0])


def _next_step(
    last: Point, best: Point, across: Point, step: float, before: float, least: float
) -> tuple[float, float]:
    """The step from the best point, and the one to hold the next against: by interpolation, or half the way across."""
    half = (across[0] - best[0]) / 2.0
    if abs(before) < least or abs(last[1]) <= abs(best[1]):
        return half, half
    slope = best[1] / last[1]
    if last[0] == across[0]:
        top, bottom = 2.0 * half * slope, 1.0 - slope
    else:
        ratio, rest = last[1] / across[1], best[1] / across[1]
        top = slope * (2.0 * half * ratio * (ratio - rest) - (best[0] - last[0]) * (rest - 1.0))
        bottom = (ratio - 1.0) * (rest - 1.0) * (slope - 1.0)
    top, bottom = abs(top), -bottom if top > 0.0 else bottom
    if 2.0 * top < min(3.0 * half * bottom - abs(least * bottom), abs(before * bottom)):
        return top / bottom, step
    return half, half
