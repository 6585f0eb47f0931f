"""How steady a speed track is: relative scatter over everything used, and drift."""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt

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
    mean = float(values.mean())
    if mean <= 0.0:
        return None
    centred, departure = times - times.mean(), values - mean
    spread = float(centred @ centred)
    slope = float(centred @ departure) / spread if spread > 0 else 0.0
    wander = sqrt(float(departure @ departure) / len(values))
    return Steadiness(mean, wander / mean, slope * float(times.max() - times.min()) / mean, len(values))


def within(time_s: FloatArray, stretches: list[tuple[float, float]]) -> BoolArray:
    """Which instants lie in one of the stretches [shape like time_s]."""
    inside = np.zeros(len(time_s), dtype=np.bool_)
    for start, stop in stretches:
        inside |= (time_s >= start) & (time_s < stop)
    return inside


def binned_means(time_s: FloatArray, values: FloatArray, bin_s: float) -> tuple[FloatArray, FloatArray]:
    """Middle and mean of consecutive bins of ``bin_s`` from the first instant on; NaN where a bin is empty.

    ``time_s`` [shape=(n,)] in order, ``values`` [shape=(..., n)], NaN where unknown. A track finer than its own
    resolution scatters by its noise; averaged to a second that is no wander.

    >>> binned_means(np.array([0.0, 0.5, 1.0, 3.2]), np.array([1.0, 3.0, 5.0, 7.0]), 1.0)[1]
    array([ 2.,  5., nan,  7.])
    """
    if len(time_s) == 0:
        return time_s, values
    at = np.floor((time_s - time_s[0]) / bin_s + 1e-9).astype(np.int64)
    firsts = np.concatenate(([0], np.flatnonzero(at[1:] != at[:-1]) + 1))
    known = np.isfinite(values)
    if known.all():
        sums = np.add.reduceat(values, firsts, axis=-1)
        counts = np.concatenate((firsts[1:], [len(at)])) - firsts
    else:
        sums = np.add.reduceat(np.where(known, values, 0.0), firsts, axis=-1)
        counts = np.add.reduceat(known, firsts, axis=-1, dtype=np.float64)
        counts[counts == 0.0] = np.nan
    n = int(at[-1]) + 1
    means = np.full((*values.shape[:-1], n), np.nan)
    means[..., at[firsts]] = sums / counts
    return time_s[0] + (np.arange(n) + 0.5) * bin_s, means
