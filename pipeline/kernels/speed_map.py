"""Amplitude against speed: short spectra gathered by the speed they were taken at, and a track cut into speed bins."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import fft

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class SpeedBins:
    """Bins of equal width: ``first_hz`` is the middle of the first one (revolutions per second)."""

    first_hz: float
    width_hz: float
    n: int

    @property
    def middles_hz(self) -> FloatArray:
        """Middles of the bins [shape=(n,)]."""
        return np.asarray(self.first_hz + self.width_hz * np.arange(self.n), dtype=np.float64)

    def index_of(self, speed_hz: FloatArray) -> IntArray:
        """Bin of each speed [shape like speed_hz], -1 where it is unknown or outside."""
        known = np.where(np.isfinite(speed_hz), speed_hz, self.first_hz - 2.0 * self.width_hz)
        index = np.floor((known - self.first_hz) / self.width_hz + 0.5).astype(np.int64)
        return np.where((index < 0) | (index >= self.n), -1, index)


def speed_bins(speed_hz: FloatArray, width_hz: float, most: int) -> SpeedBins:
    """Bins that hold all known speeds, wider than asked where more than ``most`` would be needed.

    Middles are whole multiples of the width, so that two run-ups of one study have the same bins.

    Raises
    ------
    ValueError
        No speed is known.

    >>> speed_bins(np.array([9.8, 30.2]), 1.0, 200)
    SpeedBins(first_hz=10.0, width_hz=1.0, n=21)
    """
    known = speed_hz[np.isfinite(speed_hz)]
    if known.size == 0:
        msg = "no speed is known"
        raise ValueError(msg)
    low, high = float(known.min()), float(known.max())
    width = width_hz * max(1.0, np.ceil((high - low) / width_hz / (most - 1))) if most > 1 else high - low + width_hz
    first, last = np.floor(low / width + 0.5), np.floor(high / width + 0.5)
    return SpeedBins(float(first * width), float(width), int(last - first) + 1)


class SpeedMapSum:
    """Sums of short spectra by speed bin; adding frames in another order or elsewhere changes nothing."""

    def __init__(self, n_channel: int, bins: SpeedBins, length: int, rate_hz: float, n_frequency: int) -> None:
        n = np.arange(length)
        self.window = 0.5 - 0.5 * np.cos(2.0 * np.pi * n / length)
        self.bins, self.rate_hz, self.length = bins, rate_hz, length
        self.frequency = fft.rfftfreq(length, 1.0 / rate_hz)[:n_frequency]
        self.power = np.zeros((n_channel, bins.n, self.frequency.size))
        self.count = np.zeros(bins.n, dtype=np.int64)

    def add(self, frames: npt.NDArray[np.floating], speed_hz: FloatArray) -> None:
        """Take frames [shape=(n_channel, n_frame, length)] and the speed at the middle of each [shape=(n_frame,)]."""
        index = self.bins.index_of(speed_hz)
        used = np.flatnonzero(index >= 0)
        # some frames at a time: a block may hold thousands
        for start in range(0, used.size, 64):
            chosen = used[start : start + 64]
            part = frames[:, chosen]
            flat = part - part.mean(axis=-1, keepdims=True)
            spectrum = fft.rfft(flat * self.window, axis=-1)[..., : self.frequency.size]
            np.add.at(self.power.swapaxes(0, 1), index[chosen], (spectrum.real**2 + spectrum.imag**2).swapaxes(0, 1))
        np.add.at(self.count, index[used], 1)

    def merge(self, other: SpeedMapSum) -> None:
        """Take over what another worker summed."""
        self.power = self.power + other.power
        self.count = self.count + other.count

    def amplitude(self) -> FloatArray:
        """Root mean square over the frames of a bin of the peak amplitude [shape=(n_channel, n_speed, n_frequency)].

        A steady sine of peak A on a cell reads A; NaN in a bin that no frame fell into.
        """
        scale = 2.0 / self.window.sum()
        with np.errstate(invalid="ignore", divide="ignore"):
            mean = self.power / self.count[None, :, None]
        return np.asarray(scale * np.sqrt(np.where(self.count[None, :, None] > 0, mean, np.nan)))


@dataclass(frozen=True, slots=True)
class BinnedTrack:
    """An amplitude by speed bin: ``square`` [shape=(n_channel, n_bin)] mean squares, ``scatter`` their standard error.

    ``count`` [shape=(n_bin,)] the steps in each bin; bins without any are left out, ``index`` says which stay.
    """

    index: IntArray
    square: FloatArray
    scatter: FloatArray
    count: IntArray


def binned_track(speed_hz: FloatArray, amplitude: FloatArray, bins: SpeedBins) -> BinnedTrack:
    """Mean squares of an amplitude track [shape=(n_channel, n_step)] in speed bins.

    A negative amplitude stands for a square below zero, where the floor taken out was the larger; a bin's mean is
    held at zero.

    The standard error is zero in bins of one step, where nothing is known of the scatter.
    """
    index = bins.index_of(speed_hz)
    filled = np.unique(index[index >= 0])
    squares, errors, counts = [], [], []
    for number in filled:
        inside = amplitude[:, index == number] * np.abs(amplitude[:, index == number])
        n = inside.shape[-1]
        squares.append(np.maximum(inside.mean(axis=-1), 0.0))
        errors.append(inside.std(axis=-1, ddof=1) / np.sqrt(n) if n > 1 else np.zeros(amplitude.shape[0]))
        counts.append(n)
    empty = np.empty((0, amplitude.shape[0]))
    return BinnedTrack(
        filled.astype(np.int64), np.array(squares or empty).T, np.array(errors or empty).T,
        np.array(counts, dtype=np.int64),
    )  # fmt: skip
