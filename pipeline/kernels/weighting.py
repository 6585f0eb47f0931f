"""Frequency weightings of ISO 2631-1 (Wk, Wd, Wc, Wf): the analogue response and digital filters that keep to it.

``filter_fit`` says how the digital filters are made.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import partial
from typing import Literal, get_args

import numpy as np
import numpy.typing as npt

from .filter_fit import AnalogueWeighting, FittedFilter, fitted_filter

FloatArray = npt.NDArray[np.float64]
ComplexArray = npt.NDArray[np.complex128]
Weighting = Literal["Wk", "Wd", "Wc", "Wf"]
WEIGHTINGS: tuple[Weighting, ...] = get_args(Weighting)

BAND_HZ: dict[str, tuple[float, float]] = {"Wk": (0.5, 80.0), "Wd": (0.5, 80.0), "Wc": (0.5, 80.0), "Wf": (0.1, 0.5)}
"""Bands of use (ISO 2631-1, clause 5.5): in them the digital filters keep to the analogue response."""


@dataclass(frozen=True, slots=True)
class WeightingParameters:
    """Corner frequencies (Hz) and quality factors of one weighting; infinite stages are 1."""

    f1: float
    f2: float
    f3: float
    f4: float
    q4: float
    f5: float = np.inf
    q5: float = 1.0
    f6: float = np.inf
    q6: float = 1.0


PARAMETERS: dict[str, WeightingParameters] = {
    "Wk": WeightingParameters(0.4, 100.0, 12.5, 12.5, 0.63, 2.37, 0.91, 3.35, 0.91),
    "Wd": WeightingParameters(0.4, 100.0, 2.0, 2.0, 0.63),
    "Wc": WeightingParameters(0.4, 100.0, 8.0, 8.0, 0.63),
    "Wf": WeightingParameters(0.08, 0.63, np.inf, 0.25, 0.86, 0.0625, 0.8, 0.1, 0.8),
}
"""ISO 2631-1:1997 Table A.1, ISO 8041-1:2017 Table 3."""


def analogue_response(frequency_hz: npt.ArrayLike, weighting: Weighting) -> ComplexArray:
    """Complex response of a weighting [shape like frequency_hz], product of its four stages.

    Raises
    ------
    ValueError
        If the weighting is not known.

    References
    ----------
    ISO 2631-1:1997, Annex A; ISO 8041-1:2017, clause 5.6.

    >>> round(abs(float(abs(analogue_response(40.0, "Wk")))), 5)
    0.3144
    """
    zeros, poles, gain = _analogue_zpk(weighting)
    s = 2j * np.pi * np.asarray(frequency_hz, dtype=np.float64)
    above = np.prod([s - z for z in zeros], axis=0) if len(zeros) else np.ones_like(s)
    below = np.prod([s - p for p in poles], axis=0)
    response: ComplexArray = gain * above / below
    return response


def noise_bandwidth_hz(weighting: Weighting, fs: float) -> float:
    """Width of a band without weighting that lets as much white noise through up to half the sampling rate, Hz."""
    frequency = np.geomspace(1e-3, 0.5 * fs, 20_000)
    return float(np.trapezoid(np.abs(analogue_response(frequency, weighting)) ** 2, frequency))


def _analogue_zpk(weighting: str) -> tuple[list[complex], list[complex], float]:
    if weighting not in PARAMETERS:
        raise ValueError(f"weighting {weighting!r} is not known; allowed: {', '.join(PARAMETERS)}")
    p = PARAMETERS[weighting]
    w1, w2, w4 = (2 * np.pi * f for f in (p.f1, p.f2, p.f4))
    zeros: list[complex] = [0.0, 0.0]
    poles = [*_pair(w1, np.sqrt(0.5)), *_pair(w2, np.sqrt(0.5)), *_pair(w4, p.q4)]
    gain = w2**2 * w4**2
    if np.isfinite(p.f3):
        zeros.append(-2 * np.pi * p.f3)
        gain /= 2 * np.pi * p.f3
    if np.isfinite(p.f5):
        zeros += _pair(2 * np.pi * p.f5, p.q5)
        poles += _pair(2 * np.pi * p.f6, p.q6)
    return zeros, poles, float(gain)


def _pair(omega: float, q: float) -> list[complex]:
    """Both roots of ``1 + s/(q w) + (s/w)**2``."""
    roots = np.roots([1.0 / omega**2, 1.0 / (q * omega), 1.0])
    return [complex(root) for root in roots]


def weighting_filter(weighting: Weighting, fs: float) -> FittedFilter:
    """Digital filter for a sampling rate, with its largest relative error over the band of use.

    Raises
    ------
    ValueError
        If the rate is below 2.5 times the lower end of the band of use.
    """
    zeros, poles, _ = _analogue_zpk(weighting)
    standstill = sum(zero == 0 for zero in zeros)
    analogue = AnalogueWeighting(
        partial(analogue_response, weighting=weighting), poles, standstill, *BAND_HZ[weighting]
    )
    try:
        return fitted_filter(analogue, fs)
    except ValueError as error:
        raise ValueError(f"{weighting}: {error}") from None


@dataclass
class ExposureGauge:
    """Running sums of a weighted signal: rms, peak, MTVV (running rms over ``tau_s``), VDV; per channel.

    MTVV is the largest linear running rms (ISO 2631-1, clause 6.3.1, equation 2) at every sample.
    """

    fs: float
    n_channel: int
    tau_s: float = 1.0
    n: int = 0
    square: FloatArray = field(init=False)
    fourth: FloatArray = field(init=False)
    peak: FloatArray = field(init=False)
    running_peak: FloatArray = field(init=False)
    _window: FloatArray = field(init=False)

    def __post_init__(self) -> None:
        self.square, self.fourth = np.zeros(self.n_channel), np.zeros(self.n_channel)
        self.peak, self.running_peak = np.zeros(self.n_channel), np.zeros(self.n_channel)
        self._window = np.zeros((self.n_channel, 0))

    @property
    def n_window(self) -> int:
        """Samples of the running window."""
        return max(1, round(self.tau_s * self.fs))

    def push(self, weighted: FloatArray) -> None:
        """Take the next weighted samples [shape=(n_channel, n)] of one run."""
        squares = weighted**2
        self.n += weighted.shape[-1]
        self.square += squares.sum(axis=-1)
        self.fourth += (squares**2).sum(axis=-1)
        self.peak = np.maximum(self.peak, np.abs(weighted).max(axis=-1, initial=0.0))
        joined = np.concatenate([self._window, squares], axis=-1)
        if joined.shape[-1] >= self.n_window:
            sums = np.cumsum(joined, axis=-1)
            full = sums[:, self.n_window - 1 :]
            full[:, 1:] -= sums[:, : full.shape[-1] - 1]
            self.running_peak = np.maximum(self.running_peak, full.max(axis=-1) / self.n_window)
        self._window = joined[:, max(0, joined.shape[-1] - self.n_window + 1) :]

    def end_run(self) -> None:
        """Forget the running window: the next samples do not follow the last ones."""
        self._window = np.zeros((self.n_channel, 0))

    def merge(self, other: ExposureGauge) -> None:
        """Take over the sums of another run."""
        self.n += other.n
        self.square, self.fourth = self.square + other.square, self.fourth + other.fourth
        self.peak = np.maximum(self.peak, other.peak)
        self.running_peak = np.maximum(self.running_peak, other.running_peak)
        self.end_run()

    def rms(self) -> FloatArray:
        """Root mean square per channel."""
        return np.sqrt(self.square / max(self.n, 1))

    def mtvv(self) -> FloatArray:
        """Largest running rms per channel; the rms where the record is shorter than the window."""
        return np.where(self.running_peak > 0, np.sqrt(self.running_peak), self.rms())

    def vdv(self) -> FloatArray:
        """Fourth-power dose per channel, m/s^1.75."""
        return (self.fourth / self.fs) ** 0.25

    @property
    def duration_s(self) -> float:
        """Seconds taken."""
        return self.n / self.fs
