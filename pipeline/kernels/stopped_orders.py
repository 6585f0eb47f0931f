"""Orders that the speed track has stopped: each stands still at 0 Hz, and what is read of it is read from there."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
import numpy.typing as npt
from scipy import fft

from .pace import Pace
from .windows import hann_within

FloatArray = npt.NDArray[np.float64]
ComplexArray = npt.NDArray[np.complex128]


def revolutions(time_s: FloatArray, track_time_s: FloatArray, speed_hz: FloatArray) -> FloatArray:
    """Revolutions since the track's first instant [shape like time_s]: the speed runs straight between its points.

    Before the first and after the last point the speed is held. Lost points (NaN) are bridged.
    """
    known = np.isfinite(speed_hz)
    at, speed = track_time_s[known], speed_hz[known]
    total = np.concatenate([[0.0], np.cumsum(0.5 * (speed[1:] + speed[:-1]) * np.diff(at))])
    left = np.maximum(np.searchsorted(at, time_s, side="right") - 1, 0)
    here = np.interp(time_s, at, speed)
    # a trapezium from the point on the left; outside the track both its sides are the held speed
    return np.asarray(total[left] + 0.5 * (speed[left] + here) * (time_s - at[left]))


def stopped(
    baseband: ComplexArray, time_s: FloatArray, center_hz: float | FloatArray, cycles: FloatArray
) -> ComplexArray:
    """The baseband [shape=(n_channel, n)] turned back by the order's cycles: the order stands still at 0 Hz.

    ``time_s`` [shape=(n,)] counts from where the zoom's phase is 0; ``cycles`` [shape=(n,)] of the order. Several
    orders at once have an axis before the others, in ``center_hz`` [shape=(n_order,)] as well.
    """
    away = cycles - np.multiply.outer(center_hz, time_s)
    return np.asarray(baseband * np.exp(-2j * np.pi * (away - np.rint(away)))[..., None, :])


@dataclass(frozen=True)
class Transforms:
    """Transform of a run, plain and under a Hann window [shape of the run's values each]."""

    plain: ComplexArray
    tapered: ComplexArray

    @classmethod
    def of(cls, values: ComplexArray) -> Transforms:
        """Of values whose last axis is time; orders and channels alike in one go."""
        tapered = values * hann_within(values.shape[-1])
        return cls(np.asarray(fft.fft(values, axis=-1)), np.asarray(fft.fft(tapered, axis=-1, overwrite_x=True)))


@dataclass(frozen=True)
class StoppedRun:
    """One run of an order's baseband that the track has stopped [shape=(n_channel, n)].

    ``time_s``, ``cycles`` [shape=(n,)]: instants, and the order's cycles relative to any constant frequency. Its
    transforms are kept, and what its band holds: floor, following, beats and sides are read from the same few.
    """

    values: ComplexArray
    time_s: FloatArray
    cycles: FloatArray
    made: Transforms | None = None
    """Its transforms, where they were made together with other orders'."""
    held: dict[int, ComplexArray] = field(default_factory=dict, compare=False)
    """By the last cell of a band, what the band holds."""

    @cached_property
    def transforms(self) -> Transforms:
        """Its transforms."""
        return self.made or Transforms.of(self.values)

    @cached_property
    def pace(self) -> Pace:
        """How its cycles run against time."""
        return Pace(self.time_s, self.cycles)

    def in_band(self, half_band_hz: float, rate_hz: float) -> ComplexArray:
        """What the band holds over time [shape=(n_channel, n)]."""
        last = last_cell(self.time_s.size, half_band_hz, rate_hz)
        if last not in self.held:
            plain = self.transforms.plain
            cells = np.zeros_like(plain)
            cells[:, : last + 1] = plain[:, : last + 1]
            cells[:, cells.shape[-1] - last :] = plain[:, cells.shape[-1] - last :]
            self.held[last] = np.asarray(fft.ifft(cells, axis=-1, overwrite_x=True))
        return self.held[last]


def stopped_orders(values: ComplexArray, time_s: FloatArray, cycles: FloatArray) -> list[StoppedRun]:
    """The runs of several orders [shape=(n_order, n_channel, n)], transformed together; ``cycles`` by order too."""
    made = Transforms.of(values)
    return [
        StoppedRun(own, time_s, along, Transforms(plain, tapered))
        for own, along, plain, tapered in zip(values, cycles, made.plain, made.tapered, strict=True)
    ]


def last_cell(n: int, half_band_hz: float, rate_hz: float) -> int:
    """Last cell of the band in a transform of ``n`` samples, counted from 0 Hz either way."""
    return min(int(half_band_hz * n / rate_hz), (n - 1) // 2)
