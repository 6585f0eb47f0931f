"""How an order's cycles run against time: its mean rate, and what is left of the angle beside it.

Beats, sides and following are each asked of the same run again and again; what they need of its clock is made once.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
ComplexArray = npt.NDArray[np.complex128]


@dataclass(frozen=True)
class Pace:
    """Instants of a run and the order's cycles at them, relative to any constant frequency [shape=(n,) each]."""

    time_s: FloatArray
    cycles: FloatArray

    @cached_property
    def span_s(self) -> float:
        """Seconds covered, the last step included."""
        n = self.time_s.size
        return float((self.time_s[-1] - self.time_s[0]) * n / max(1, n - 1))

    @cached_property
    def mean_rate_hz(self) -> float:
        """Cycles per second from end to end."""
        return float((self.cycles[-1] - self.cycles[0]) / (self.time_s[-1] - self.time_s[0]))

    @cached_property
    def strayed(self) -> FloatArray:
        """Cycles beyond those of the mean rate [shape=(n,)]."""
        return np.asarray(self.cycles - self.mean_rate_hz * self.time_s)

    @cached_property
    def strayed_phasor(self) -> ComplexArray:
        """Unit phasor of the cycles beyond those of the mean rate [shape=(n,)]."""
        return np.asarray(np.exp(2j * np.pi * self.strayed))

    @cached_property
    def angle_s(self) -> FloatArray:
        """The cycles scaled to seconds at the mean rate [shape=(n,)]."""
        return np.asarray(self.time_s[0] + (self.cycles - self.cycles[0]) / self.mean_rate_hz)

    @cached_property
    def even_angle_s(self) -> FloatArray:
        """As many instants of that clock at even distances [shape=(n,)]."""
        return np.linspace(self.angle_s[0], self.angle_s[-1], self.angle_s.size)
