"""Captures with closed forms: steady sines and white noise of a stated density."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from .components import FloatArray, TrueLine, noise_of_density
from .simulator import SimulatedCapture


def steady_sines(
    lines: Sequence[tuple[float, Sequence[float], Sequence[float]]], rate_hz: float, duration_s: float
) -> SimulatedCapture:
    """Sines that never change: each line is (hertz, peak m s-2 per channel, phase rad per channel)."""
    time_s = np.arange(round(duration_s * rate_hz)) / rate_hz
    kept = tuple(
        TrueLine("fixed", hertz, np.asarray(peaks) * np.exp(1j * np.asarray(phases)))
        for hertz, peaks, phases in lines
    )
    samples = np.zeros((len(kept[0].phasor), len(time_s)))
    for line in kept:
        angle = 2 * np.pi * line.ratio * time_s
        samples += np.abs(line.phasor)[:, None] * np.sin(angle + np.angle(line.phasor)[:, None])
    return _still(time_s, samples, kept, rate_hz)


def steady_sine(
    frequency_hz: float,
    amplitude: float = 1.0,
    *,
    rate_hz: float = 800.0,
    duration_s: float = 42.0,
    phase_rad: float = 0.0,
    n_channel: int = 1,
) -> SimulatedCapture:
    """One sine ``amplitude * sin(2 pi f t + phase)`` in m s-2, alike on every channel."""
    line = (frequency_hz, [amplitude] * n_channel, [phase_rad] * n_channel)
    return steady_sines([line], rate_hz, duration_s)


def two_sines(
    first: tuple[float, float],
    second: tuple[float, float],
    *,
    rate_hz: float = 800.0,
    duration_s: float = 42.0,
) -> SimulatedCapture:
    """Two sines on one channel, each (hertz, peak m s-2), both starting at phase zero."""
    lines = [(hertz, [peak], [0.0]) for hertz, peak in (first, second)]
    return steady_sines(lines, rate_hz, duration_s)


def white_noise(
    density: float | Sequence[float],
    seed: int,
    *,
    rate_hz: float = 800.0,
    duration_s: float = 42.0,
) -> SimulatedCapture:
    """Gaussian white noise with a one-sided root density of ``density`` m s-2/sqrt(Hz), one channel each."""
    densities = np.atleast_1d(np.asarray(density, dtype=np.float64))
    n = round(duration_s * rate_hz)
    samples = noise_of_density(n, rate_hz, densities, np.random.default_rng(seed))
    return _still(np.arange(n) / rate_hz, samples, (), rate_hz)


def _still(
    time_s: FloatArray, samples: FloatArray, lines: tuple[TrueLine, ...], rate_hz: float
) -> SimulatedCapture:
    speed = np.full(len(time_s), np.nan)
    truth = {"lines": [{"kind": "fixed", "ratio": line.ratio, "peak": line.amplitude.tolist()} for line in lines]}
    return SimulatedCapture(time_s, samples, speed, np.ones(len(time_s)), lines, rate_hz, truth)
