"""Standard uncertainty of an order's amplitude: from the floor at the line, and from its own scatter.

The floor alone gives sqrt(S/T). An amplitude that itself wanders (load, combustion) adds its long-run variance
over T; neighbouring instants are alike, so the number of independent ones is less than the number of segments.
The long-run variance is the density of the squared amplitude near 0 Hz, which counts all of that at once.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from .order_tracking import OrderEnergy

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True)
class AmplitudeCovariance:
    """Covariance of the amplitudes of several channels.

    ``floor`` [shape=(n_channel,)]: variance from the floor, independent between channels; ``scatter``
    [shape=(n_channel, n_channel)]: observed covariance, floor included, known from ``n_low`` cells.
    """

    floor: FloatArray
    scatter: FloatArray
    n_low: int

    def std(self, gradient: FloatArray) -> float:
        """Standard uncertainty of the combination whose derivatives by the amplitudes are ``gradient``."""
        floor = float(gradient**2 @ self.floor)
        observed = float(gradient @ self.scatter @ gradient)
        return math.sqrt(floor + believed_excess(observed, floor, self.n_low))

    @property
    def stds(self) -> list[float]:
        """Standard uncertainty of each channel's own amplitude."""
        own = zip(self.floor.tolist(), np.diagonal(self.scatter).tolist(), strict=True)
        return [math.sqrt(floor + believed_excess(observed, floor, self.n_low)) for floor, observed in own]


def believed_excess(observed: float, floor: float, n_low: int) -> float:
    """What a scatter shows beyond the floor's, shrunk by how well it is known.

    An observed variance from ``n_low`` cells has a relative standard deviation of ``1/sqrt(n_low)``; an
    excess of that size is expected by chance and is mostly not believed: ``e * e**2 / (e**2 + chance**2)``.
    """
    excess = max(0.0, observed - floor)
    chance = floor / math.sqrt(max(n_low, 1))
    if excess == 0.0:
        return 0.0
    return float(excess**3 / (excess**2 + chance**2))


def amplitude_covariance(amplitude: FloatArray, energy: OrderEnergy) -> AmplitudeCovariance:
    """Covariance of amplitudes read from a band's energy.

    Parameters
    ----------
    amplitude
        Peak amplitudes [shape=(n_channel,)], above 0.
    energy
        What the band holds.

    Notes
    -----
    Variances of squared amplitudes over ``(2 A)**2``. The part from line times noise becomes S/T, the
    variance below which no reading can be (Cramer-Rao).
    """
    floor = energy.square_variance(amplitude) / (4.0 * amplitude**2)
    carried = energy.by_total / (2.0 * amplitude)
    scatter = energy.low_density * (carried[:, None] * carried / energy.seconds)
    # the scatter near 0 Hz shows the line's own noise; how well floor and neighbours are known stands beside it
    known = floor - energy.line_noise_variance(amplitude) * carried**2
    scatter.flat[:: floor.size + 1] += np.maximum(known, 0.0)
    return AmplitudeCovariance(floor, scatter, energy.n_low)
