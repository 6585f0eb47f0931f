"""Where a component above half the sampling rate shows up, and what of a spectrum may be such a guest."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from .quantiles import row_medians

FloatArray = npt.NDArray[np.float64]


def folded_hz(frequency_hz: float | FloatArray, rate_hz: float) -> FloatArray:
    """Frequency [shape like frequency_hz, 0 to rate / 2] at which sampling at ``rate_hz`` shows a component.

    >>> float(folded_hz(120.0, 200.0))
    80.0
    """
    around = np.mod(np.asarray(frequency_hz, dtype=np.float64), rate_hz)
    return np.asarray(np.minimum(around, rate_hz - around))


def orders_folding_onto(
    line_hz: float, rate_hz: float, within_hz: float, *, most_multiples: int = 6
) -> list[tuple[int, float]]:
    """Multiples of a line above half the rate that fold back to within ``within_hz`` of the line itself.

    (multiple, its true frequency) for multiples 2 to ``most_multiples``: the harmonics an engine really has.
    """
    guests: list[tuple[int, float]] = []
    for multiple in range(2, most_multiples + 1):
        true_hz = multiple * line_hz
        around = true_hz % rate_hz
        if true_hz > rate_hz / 2.0 and abs(min(around, rate_hz - around) - line_hz) <= within_hz:
            guests.append((multiple, true_hz))
    return guests


@dataclass(frozen=True, slots=True)
class EdgeLine:
    """The strongest line close to half the rate: its band, and its amplitude as a part of the strongest."""

    low_hz: float
    high_hz: float
    share: float


def line_near_the_edge(
    density: FloatArray, low_hz: FloatArray, high_hz: FloatArray, rate_hz: float, edge_share: float, stand_out: float
) -> EdgeLine | None:
    """The strongest line in the top ``edge_share`` of the band up to half the rate, or None without one.

    ``density`` [shape=(n_band,), (SI)**2/Hz] of bands from ``low_hz`` to ``high_hz``. A line stands out by a
    factor ``stand_out`` over the median density of the bands there: a flat floor, however high, has none.
    """
    top = np.flatnonzero(low_hz >= (1.0 - edge_share) * rate_hz / 2.0)
    if top.size < 3 or density.max() <= 0.0:
        return None
    usual = float(row_medians(density[top]))
    best = int(top[np.argmax(density[top])])
    if density[best] <= stand_out * usual:
        return None
    power = density * (high_hz - low_hz)
    share = float(np.sqrt(power[best] / power.max()))
    return EdgeLine(float(low_hz[best]), float(high_hz[best]), share)
