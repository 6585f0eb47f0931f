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
