"""Slow channels beside a fast signal: what a logged temperature or speed was over the stretches that were used."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class SlowSummary:
    """Mean over time, least and greatest value inside the stretches; ``covered`` the share of time that was logged."""

    mean: float
    least: float
    greatest: float
    covered: float


def slow_summary(times_s: FloatArray, values: FloatArray, stretches: Sequence[tuple[float, float]]) -> SlowSummary:
    """Summary of a slowly sampled quantity over stretches of another clock's seconds.

    Between its samples the quantity is taken to go straight, before the first and after the last one it is held.
    The mean is over time, not over samples: a logger that writes when something changes writes most of its samples
    where it changes. As logged counts what lies no further than a usual step (the median) beyond the first or last
    sample.

    Parameters
    ----------
    times_s, values
        [shape=(n,)], rising times; values that are not finite are left out.
    stretches
        (start, stop) in the same seconds.

    Raises
    ------
    ValueError
        Arrays of different length, times that fall, or stretches without duration.

    >>> slow_summary(np.array([0.0, 10.0]), np.array([60.0, 70.0]), [(0.0, 4.0)]).mean
    62.0
    """
    if times_s.shape != values.shape or np.any(np.diff(times_s) < 0):
        msg = f"{values.size} values at {times_s.size} instants: wanted one each, at times that do not fall"
        raise ValueError(msg)
    if not stretches or any(stop <= start for start, stop in stretches):
        msg = f"stretches {list(stretches)!r}: wanted one or more, each with start before stop"
        raise ValueError(msg)
    known = np.isfinite(values) & np.isfinite(times_s)
    at, known_values = times_s[known], values[known]
    if at.size == 0:
        return SlowSummary(np.nan, np.nan, np.nan, 0.0)
    step = float(np.median(np.diff(at))) if at.size > 1 else 0.0
    area = logged = total = 0.0
    ends: list[float] = []
    for start, stop in stretches:
        inside = (at > start) & (at < stop)
        instants = np.concatenate([[start], at[inside], [stop]])
        levels = np.interp(instants, at, known_values)
        area += float(np.sum(0.5 * (levels[1:] + levels[:-1]) * np.diff(instants)))
        ends += [float(levels.min()), float(levels.max())]
        total += stop - start
        logged += max(0.0, min(stop, at[-1] + step) - max(start, at[0] - step))
    return SlowSummary(area / total, min(ends), max(ends), logged / total)


def thinned(values: FloatArray, n_mean: int) -> FloatArray:
    """Means of ``n_mean`` values each [shape=(ceil(n / n_mean),)]; the last may be of fewer. NaN values are left out.

    >>> thinned(np.array([1.0, 3.0, 5.0]), 2)
    array([2., 5.])
    """
    starts = np.arange(0, values.size, n_mean)
    known = np.isfinite(values)
    sums = np.add.reduceat(np.where(known, values, 0.0), starts)
    counts = np.add.reduceat(known.astype(float), starts)
    return np.asarray(np.divide(sums, counts, out=np.full(sums.size, np.nan), where=counts > 0))
