"""How steady a speed track is: relative scatter over everything used, and drift."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Steadiness:
    """Mean speed, its standard deviation and its drift over the whole time, both as parts of the mean."""

    mean: float
    wander: float
    drift: float
    n: int


def steadiness(time_s: FloatArray, speed: FloatArray, used: BoolArray) -> Steadiness | None:
    """Steadiness of a track [shape=(n,) each] over the points ``used``; None below two points.

    Wander is the standard deviation (divisor n) about the mean, slow drift included; drift is the slope of
    the least-squares line times the time between first and last point.

    >>> steadiness(np.arange(4.0), np.array([9.0, 11.0, 9.0, 11.0]), np.ones(4, bool)).wander
    0.1
    """
    chosen = used & np.isfinite(speed)
    times, values = time_s[chosen], speed[chosen]
    if len(values) < 2:
        return None
    mean = float(np.mean(values))
    if mean <= 0.0:
        return None
    centred = times - np.mean(times)
    spread = float(np.sum(centred**2))
    slope = float(np.sum(centred * values)) / spread if spread > 0 else 0.0
    return Steadiness(mean, float(np.std(values)) / mean, slope * float(np.ptp(times)) / mean, len(values))


def within(time_s: FloatArray, stretches: list[tuple[float, float]]) -> BoolArray:
    """Which instants lie in one of the stretches [shape like time_s]."""
    inside = np.zeros(len(time_s), dtype=np.bool_)
    for start, stop in stretches:
        inside |= (time_s >= start) & (time_s < stop)
    return inside


def binned_means(time_s: FloatArray, values: FloatArray, bin_s: float) -> tuple[FloatArray, FloatArray]:
    """Middle and mean of consecutive bins of ``bin_s`` from the first instant on; NaN where a bin is empty.

    A track finer than its own resolution scatters by its noise; averaged to a second that is no wander.

    >>> binned_means(np.array([0.0, 0.5, 1.0, 3.2]), np.array([1.0, 3.0, 5.0, 7.0]), 1.0)[1]
    array([ 2.,  5., nan,  7.])
    """
    if len(time_s) == 0:
        return time_s, values
    at = np.floor((time_s - time_s[0]) / bin_s + 1e-9).astype(np.int64)
    known = np.isfinite(values)
    n = int(at[-1]) + 1
    counts = np.bincount(at[known], minlength=n)
    sums = np.bincount(at[known], weights=values[known], minlength=n)
    means = np.full(n, np.nan)
    np.divide(sums, counts, out=means, where=counts > 0)
    return time_s[0] + (np.arange(n) + 0.5) * bin_s, means
