"""Amplitude of an engine order: the line is stopped by the speed track, its band's energy counted.

Energy in a band, less the floor's share, does not care about the phase: an imperfect track, or a fast wander
that it cannot follow, spreads the line inside the band and takes nothing away. A coherent sum would read low.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import fft

FloatArray = npt.NDArray[np.float64]
ComplexArray = npt.NDArray[np.complex128]

FLOOR_CLIP = 5.0
"""Cells above this many times the floor are left out of it; 0.7 % of a floor's own cells are."""


def revolutions(time_s: FloatArray, track_time_s: FloatArray, speed_hz: FloatArray) -> FloatArray:
    """Revolutions since the track's first instant [shape like time_s]: the speed runs straight between its points.

    Before the first and after the last point the speed is held. Lost points (NaN) are bridged.
    """
    known = np.isfinite(speed_hz)
    at, speed = track_time_s[known], speed_hz[known]
    total = np.concatenate([[0.0], np.cumsum(0.5 * (speed[1:] + speed[:-1]) * np.diff(at))])
    left = np.clip(np.searchsorted(at, time_s, side="right") - 1, 0, at.size - 1)
    here = np.interp(time_s, at, speed)
    # a trapezium from the point on the left; outside the track both its sides are the held speed
    return np.asarray(total[left] + 0.5 * (speed[left] + here) * (time_s - at[left]))


def stopped(baseband: ComplexArray, time_s: FloatArray, center_hz: float, cycles: FloatArray) -> ComplexArray:
    """The baseband [shape=(n_channel, n)] turned back by the order's cycles: the order stands still at 0 Hz.

    ``time_s`` [shape=(n,)] counts from where the zoom's phase is 0; ``cycles`` [shape=(n,)] of the order.
    """
    return np.asarray(baseband * np.exp(-2j * np.pi * np.mod(cycles - center_hz * time_s, 1.0)))


@dataclass(frozen=True)
class BandPlan:
    """Half widths in Hz: the band counted, and from where to where the floor is taken (either side)."""

    rate_hz: float
    half_band_hz: float
    floor_from_hz: float
    floor_to_hz: float


@dataclass(frozen=True)
class OrderEnergy:
    """What the band holds, per channel, all runs together.

    ``square`` [shape=(n_channel,)]: squared peak amplitude with the floor removed (may be negative in noise);
    ``floor`` [shape=(n_channel,)]: one-sided floor density, mean square per Hz of the real signal;
    ``low_density`` [shape=(n_channel, n_channel)]: two-sided density near 0 Hz of the band's instantaneous
    squared amplitude, and ``n_low`` the cells it is averaged over; ``seconds`` used.
    """

    square: FloatArray
    floor: FloatArray
    low_density: FloatArray
    n_low: int
    seconds: float
    half_band_hz: float
    floor_band_hz: float

    def square_variance(self, amplitude: FloatArray) -> FloatArray:
        """Variance [shape=(n_channel,)] of ``square`` from the floor, for a line of this peak amplitude.

        From a one-sided floor density S over T: line times noise ``4 A**2 S / T``; noise times noise ``8 S**2
        half_band / T``; the floor itself, judged over a band W beside the line with a Hann window, ``(4 S
        half_band)**2 (35/18) / (W T)``.
        """
        s, half = self.floor, self.half_band_hz
        judged = (4.0 * s * half) ** 2 * (35.0 / 18.0) / max(self.floor_band_hz, 1.0 / self.seconds)
        return np.asarray((4.0 * amplitude**2 * s + 8.0 * s**2 * half + judged) / self.seconds)

    def noise_square_std(self) -> FloatArray:
        """Standard deviation of ``square`` where there is no line [shape=(n_channel,)]."""
        return np.asarray(np.sqrt(self.square_variance(np.zeros_like(self.floor))))


def clipped_mean_floor(cells: FloatArray) -> FloatArray:
    """Mean of exponentially distributed cells [shape=(n_channel, n)] without those that stick out.

    Starts at the median; then twice the mean of the cells below ``FLOOR_CLIP`` times the floor, corrected by
    what such a cut takes from an exponential distribution.
    """
    floor = np.median(cells, axis=-1) / np.log(2.0)
    kept = 1.0 - FLOOR_CLIP / np.expm1(FLOOR_CLIP)
    for _ in range(3):
        below = cells < FLOOR_CLIP * floor[:, None]
        floor = np.sum(cells * below, axis=-1) / np.maximum(below.sum(axis=-1), 1) / kept
    return np.asarray(floor)


def order_energy(runs: tuple[ComplexArray, ...], plan: BandPlan) -> OrderEnergy:
    """Energy of an order in its band, floor removed, from the stopped baseband of each run.

    Parameters
    ----------
    runs
        Stopped baseband [shape=(n_channel, n), complex; peak amplitude is the modulus of a steady line].
    plan
        Widths of the band and of the floor's surroundings.

    Notes
    -----
    The rectangular record of T seconds leaks ``1 / (pi**2 half_band T)`` of the line's energy out of the
    band; this is put back.
    """
    n_channel = runs[0].shape[0]
    square, density = np.zeros(n_channel), np.zeros((n_channel, n_channel))
    cells, n_low, seconds = [], 0, 0.0
    for run in runs:
        span = run.shape[-1] / plan.rate_hz
        spectrum = fft.fft(run, axis=-1) / run.shape[-1]
        frequency = fft.fftfreq(run.shape[-1], 1.0 / plan.rate_hz)
        spectrum[:, np.abs(frequency) > plan.half_band_hz] = 0.0
        square += span * np.sum(np.abs(spectrum) ** 2, axis=-1)
        own, n_own = _low_density(spectrum, span, plan)
        density += span * own
        n_low += n_own
        seconds += span
        cells.append(_floor_cells(run, plan))
    floor = clipped_mean_floor(np.concatenate(cells, axis=-1))
    # cells of a record of span T are 1/T wide: this is the band's width as its cells cover it
    inside = sum(_n_inside(run.shape[-1], plan) for run in runs) / seconds
    leak = 1.0 + len(runs) / (np.pi**2 * plan.half_band_hz * seconds)
    return OrderEnergy(
        (square / seconds - floor * inside) * leak, 0.5 * floor, density / seconds, n_low, seconds,
        plan.half_band_hz, 2.0 * (plan.floor_to_hz - plan.floor_from_hz),
    )  # fmt: skip


def _n_inside(n: int, plan: BandPlan) -> int:
    """Cells the band holds in a record of ``n`` samples."""
    return int(np.sum(np.abs(fft.fftfreq(n, 1.0 / plan.rate_hz)) <= plan.half_band_hz))


def _floor_cells(run: ComplexArray, plan: BandPlan) -> FloatArray:
    """Density cells beside the band [shape=(n_channel, n_cell), |baseband|**2 per Hz], Hann window."""
    window = np.hanning(run.shape[-1] + 2)[1:-1]
    power = np.abs(fft.fft(run * window, axis=-1)) ** 2 / (np.sum(window**2) * plan.rate_hz)
    away = np.abs(fft.fftfreq(run.shape[-1], 1.0 / plan.rate_hz))
    return np.asarray(power[:, (away > plan.floor_from_hz) & (away <= plan.floor_to_hz)])


def _low_density(spectrum: ComplexArray, span: float, plan: BandPlan) -> tuple[FloatArray, int]:
    """Two-sided cross density of the squared amplitude near 0 Hz [shape=(n_channel, n_channel)], and cells."""
    squared = np.abs(fft.ifft(spectrum, axis=-1) * spectrum.shape[-1]) ** 2
    changing = fft.fft(squared - squared.mean(axis=-1, keepdims=True), axis=-1) / squared.shape[-1]
    n_low = max(1, min(int(LOW_HZ * span), int(0.25 * plan.half_band_hz * span), spectrum.shape[-1] // 4))
    low = changing[:, 1 : n_low + 1]
    return np.asarray((low @ low.conj().T).real * span / max(1, low.shape[-1])), low.shape[-1]


LOW_HZ = 0.4
"""Scatter is judged on changes slower than this: an amplitude that forgets itself in 0.4 s is white below."""
