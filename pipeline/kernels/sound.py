"""Sound: frequency weightings A and C of IEC 61672-1, levels re 20 micropascal, time-weighted and equivalent."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import partial
from typing import Literal, get_args

import numpy as np
import numpy.typing as npt

from .filter_fit import AnalogueWeighting, FittedFilter, fitted_filter

FloatArray = npt.NDArray[np.float64]
ComplexArray = npt.NDArray[np.complex128]
SoundWeighting = Literal["A", "C"]
SOUND_WEIGHTINGS: tuple[SoundWeighting, ...] = get_args(SoundWeighting)

REFERENCE_PRESSURE = 20e-6
"""Pa; levels in air are relative to it (ISO 1683)."""

BAND_HZ = (10.0, 20_000.0)
"""What IEC 61672-1 tabulates; in it the digital filters keep to the analogue response, as far as the rate lets them."""

TIME_CONSTANT_S = {"F": 0.125, "S": 1.0}
"""Exponential time weightings of IEC 61672-1, clause 5.8."""

_REFERENCE_HZ = 1000.0
_TAPS, _DELAY = 48, 16
"""Within 0.2 dB up to 0.42 of any rate; half of both leaves 0.5 dB, a third of what the standard allows."""
_LEAST_SQUARE = 1e-300


def pole_frequencies() -> tuple[float, float, float, float]:
    """Pole frequencies f1 to f4 of the weightings, Hz: f1 and f4 twice each, f2 and f3 in A alone.

    References
    ----------
    IEC 61672-1:2013, Annex E, equations E.1 to E.6: C is half power down at 10**1.5 and 10**3.9 Hz and 0 dB at
    1 kHz; A adds a first-order high pass each at (3 -+ sqrt 5)/2 times 10**2.45 Hz.

    >>> [round(f, 1) for f in pole_frequencies()]
    [20.6, 107.7, 737.9, 12194.2]
    """
    low, high, half, square = 10.0**1.5, 10.0**3.9, 0.5**0.5, _REFERENCE_HZ**2
    c = (low * high) ** 2
    b = (square + c / square - half * (low**2 + high**2)) / (1.0 - half)
    root = float(np.sqrt(b * b - 4.0 * c))
    middle = 10.0**2.45
    return (
        float(np.sqrt((-b - root) / 2.0)), 0.5 * (3.0 - 5.0**0.5) * middle, 0.5 * (3.0 + 5.0**0.5) * middle,
        float(np.sqrt((-b + root) / 2.0)),
    )  # fmt: skip


def sound_weighting(frequency_hz: npt.ArrayLike, weighting: SoundWeighting = "A") -> ComplexArray:
    """Complex response of a frequency weighting [shape like frequency_hz], 1 in size at 1 kHz.

    Raises
    ------
    ValueError
        If the weighting is not known.

    References
    ----------
    IEC 61672-1:2013, Annex E.

    >>> round(float(20 * np.log10(abs(sound_weighting(100.0)))), 1)
    -19.1
    """
    n_zeros, poles = _zeros_poles(weighting)
    s = 2j * np.pi * np.asarray(frequency_hz, dtype=np.float64)
    response: ComplexArray = s**n_zeros / np.prod([s - pole for pole in poles], axis=0)
    reference = 2j * np.pi * _REFERENCE_HZ
    at_reference = abs(reference**n_zeros / np.prod([reference - pole for pole in poles]))
    return np.asarray(response / at_reference)


def _zeros_poles(weighting: str) -> tuple[int, list[complex]]:
    """Zeros at standstill, and poles in rad/s."""
    if weighting not in SOUND_WEIGHTINGS:
        raise ValueError(f"weighting {weighting!r} is not known; allowed: {', '.join(SOUND_WEIGHTINGS)}")
    f1, f2, f3, f4 = pole_frequencies()
    chosen = (f1, f1, f2, f3, f4, f4) if weighting == "A" else (f1, f1, f4, f4)
    return (4 if weighting == "A" else 2), [complex(-2.0 * np.pi * f) for f in chosen]


def sound_filter(weighting: SoundWeighting, fs: float) -> FittedFilter:
    """Digital filter of a weighting for a sampling rate ``fs`` (Hz), good up to its ``upper_hz``.

    Raises
    ------
    ValueError
        If the weighting is not known, or the rate is too low for any of its band.
    """
    n_zeros, poles = _zeros_poles(weighting)
    response = partial(sound_weighting, weighting=weighting)
    return fitted_filter(AnalogueWeighting(response, poles, n_zeros, *BAND_HZ, n_taps=_TAPS, delay=_DELAY), fs)


def settling_s(weighting: SoundWeighting = "A") -> float:  # noqa: ARG001  both share their slowest poles
    """Seconds after which a filter has forgotten how it started, to 1e-12: its slowest poles are a pair at f1."""
    return 32.0 / (2.0 * np.pi * pole_frequencies()[0])


def sound_level(mean_square: npt.ArrayLike) -> FloatArray:
    """Level of a mean square pressure (Pa**2) [shape like it], dB re 20 micropascal; silence reads -2906 dB.

    >>> round(float(sound_level(1.0024**2)), 2)
    94.0
    """
    square = np.maximum(np.asarray(mean_square, dtype=np.float64), _LEAST_SQUARE)
    return np.asarray(10.0 * np.log10(square / REFERENCE_PRESSURE**2))


def level_std(mean_square: npt.ArrayLike, std: npt.ArrayLike) -> FloatArray:
    """Standard uncertainty of a level, dB, from that of its mean square; to first order."""
    share = np.asarray(std) / np.maximum(np.asarray(mean_square, dtype=np.float64), _LEAST_SQUARE)
    return np.asarray(10.0 / np.log(10.0) * share)


def summed_level(levels: npt.ArrayLike) -> float:
    """Level of independent sounds together [shape=(n,), dB]: their mean squares add.

    >>> round(summed_level([60.0, 60.0]), 2)
    63.01
    """
    return float(10.0 * np.log10(np.sum(10.0 ** (np.asarray(levels, dtype=np.float64) / 10.0))))


@dataclass
class TimeWeighting:
    """Exponentially averaged squares of consecutive blocks (F or S); cutting them elsewhere changes nothing.

    IEC 61672-1, clause 5.8: a low pass of first order with a real pole at ``-1/tau_s`` on the squared pressure.
    """

    fs: float
    tau_s: float
    n_channel: int
    _state: FloatArray = field(init=False)

    def __post_init__(self) -> None:
        self._state = np.zeros((self.n_channel, 1))

    def push(self, squares: FloatArray) -> FloatArray:
        """Averaged squares [shape=(n_channel, n)] of the next squares [same shape]."""
        from scipy.signal import lfilter  # late: its import takes half a second

        keep = float(np.exp(-1.0 / (self.fs * self.tau_s)))
        averaged, self._state = lfilter([1.0 - keep], [1.0, -keep], squares, axis=-1, zi=self._state)
        return np.asarray(averaged)


@dataclass
class SquareSums:
    """Sums of squares over all that counts, and over whole slices of it for the scatter of the mean square.

    Slices lie at multiples of ``n_slice`` of the run's own count, so that parts of a run that meet at such a multiple
    merge to the same slices; what a slice lacks at either end keeps it out of the scatter, not out of the sums.
    """

    n_channel: int
    n_slice: int
    n: int = 0
    n_slices: int = 0

    def __post_init__(self) -> None:
        self.square, self.slices, self.slices_squared = (np.zeros(self.n_channel) for _ in range(3))
        self._part, self._next, self._whole = np.zeros(self.n_channel), -1, False

    def push(self, squares: FloatArray, first: int) -> None:
        """Take the next squares [shape=(n_channel, n)]; ``first`` is the first one's place in its run."""
        if first != self._next:
            self._part, self._whole = np.zeros(self.n_channel), first % self.n_slice == 0
        n, at = squares.shape[-1], 0
        while at < n:
            take = min(self.n_slice - (first + at) % self.n_slice, n - at)
            piece = squares[:, at : at + take].sum(axis=-1)
            self.square, self._part, at = self.square + piece, self._part + piece, at + take
            if (first + at) % self.n_slice == 0:
                self._end_slice()
        self.n, self._next = self.n + n, first + n

    def _end_slice(self) -> None:
        if self._whole:
            mean = self._part / self.n_slice
            self.n_slices += 1
            self.slices, self.slices_squared = self.slices + mean, self.slices_squared + mean**2
        self._part, self._whole = np.zeros(self.n_channel), True

    def merge(self, other: SquareSums) -> None:
        """Take over the sums of a later part."""
        self.n, self.n_slices = self.n + other.n, self.n_slices + other.n_slices
        self.square, self.slices = self.square + other.square, self.slices + other.slices
        self.slices_squared = self.slices_squared + other.slices_squared
        self._part, self._next, self._whole = other._part, other._next, other._whole

    def mean_square(self) -> FloatArray:
        """Mean square per channel [shape=(n_channel,)]; NaN of nothing."""
        return self.square / self.n if self.n else np.full(self.n_channel, np.nan)

    def mean_square_std(self) -> FloatArray:
        """Standard uncertainty of the mean square, from the scatter of whole slices; NaN below two."""
        n = self.n_slices
        if n < 2:
            return np.full(self.n_channel, np.nan)
        variance = np.maximum(self.slices_squared / n - (self.slices / n) ** 2, 0.0) * n / (n - 1)
        return np.asarray(np.sqrt(variance / n))
