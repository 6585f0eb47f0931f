"""Digital filters that keep to an analogue response at the sampling rate in use, and the stream that applies them.

A bilinear filter bends the frequency axis: it is 14 % off at 80 Hz when sampled at 500 Hz, and it has lost the whole
of its last half octave. Here the analogue poles are mapped exactly (``exp(p/fs)``), zeros at standstill stay where
they are, and a short numerator is fitted to what is left of the analogue response over the band of use.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
ComplexArray = npt.NDArray[np.complex128]

USABLE_SHARE = 0.42
"""Of the sampling rate: up to here the fit keeps to the analogue response, above it the numerator has no room."""

_LEAST_ABOVE = 0.02
"""Response above the band of use below which only the absolute error counts."""


@dataclass(frozen=True, slots=True)
class AnalogueWeighting:
    """An analogue weighting: its complex response to Hz, its poles (rad/s), how many zeros it has at standstill,
    the band in which it is used (Hz), and how it is fitted.

    The fitted numerator has ``n_taps`` taps and may lag by ``delay`` samples: a delay changes no rms and makes the
    fit far better.
    """

    response: Callable[[FloatArray], ComplexArray]
    poles: Sequence[complex]
    n_standstill: int
    low_hz: float
    high_hz: float
    n_taps: int = 24
    delay: int = 8


@dataclass(frozen=True, slots=True)
class FittedFilter:
    """A digital filter: recursive sections and a numerator.

    ``upper_hz`` is how far it keeps to the analogue one, ``largest_error`` its largest relative error up to there.
    """

    sos: FloatArray
    numerator: FloatArray
    upper_hz: float
    largest_error: float


def fitted_filter(weighting: AnalogueWeighting, fs: float) -> FittedFilter:
    """Digital filter for a sampling rate ``fs`` (Hz), with its largest relative error over the band of use.

    Raises
    ------
    ValueError
        If ``USABLE_SHARE`` of the rate is below 2.5 times the lower end of the band of use.
    """
    upper = min(weighting.high_hz, USABLE_SHARE * fs)
    if upper < 2.5 * weighting.low_hz:
        least = 2.5 * weighting.low_hz / USABLE_SHARE
        raise ValueError(f"a sampling rate above {least:.3g} Hz is needed, found {fs:g} Hz")
    digital_poles = np.exp(np.array(weighting.poles) / fs)
    zeros = [1.0] * weighting.n_standstill  # a high pass keeps its zeros at standstill
    from scipy.signal import zpk2sos  # late: few recipes weigh, and the import takes half a second

    sos = zpk2sos(zeros, digital_poles, 1.0)
    numerator, error = _fitted_numerator(weighting, fs, zeros, digital_poles, upper)
    return FittedFilter(np.asarray(sos), numerator, upper, error)


def _fitted_numerator(
    weighting: AnalogueWeighting, fs: float, zeros: list[float], poles: ComplexArray, upper: float
) -> tuple[FloatArray, float]:
    """Taps that bring poles and standstill zeros to the analogue response, by weighted least squares."""
    low = weighting.low_hz
    frequency = np.concatenate([np.geomspace(low / 4, upper, 600), np.geomspace(low, 0.49 * fs, 900)])
    z = np.exp(-2j * np.pi * frequency / fs)
    recursive = np.prod([1 - zero * z for zero in zeros], axis=0) / np.prod([1 - pole * z for pole in poles], axis=0)
    wanted = weighting.response(frequency) * z**weighting.delay
    taps = np.arange(weighting.n_taps)
    # relative where the band is used; above it only small against the band, so that no other frequency leaks in
    scale = np.where(frequency <= upper, np.abs(wanted), np.maximum(np.abs(wanted), _LEAST_ABOVE))
    design = (recursive / scale)[:, None] * z[:, None] ** taps
    target = wanted / scale
    rows = np.concatenate([design.real, design.imag])
    numerator = np.linalg.lstsq(rows, np.concatenate([target.real, target.imag]), rcond=1e-13)[0]
    made = np.abs(design @ numerator)
    inside = (frequency >= low) & (frequency <= upper)
    return numerator, float(np.max(np.abs(made[inside] - 1.0)))


def filter_response(design: FittedFilter, frequency_hz: npt.ArrayLike, fs: float) -> ComplexArray:
    """Complex response of a digital filter at given frequencies [shape like frequency_hz]."""
    z = np.exp(-2j * np.pi * np.asarray(frequency_hz, dtype=np.float64) / fs)
    powers = np.stack([np.ones_like(z), z, z * z])
    sections = [
        np.tensordot(row[:3], powers, axes=1) / np.tensordot(row[3:], powers, axes=1) for row in design.sos
    ]
    taps = np.sum(design.numerator[:, None] * z.ravel()[None] ** np.arange(design.numerator.size)[:, None], axis=0)
    response: ComplexArray = np.prod(sections, axis=0) * taps.reshape(z.shape)
    return response


@dataclass
class WeightedStream:
    """Filters consecutive blocks; cutting them elsewhere changes nothing (state is carried)."""

    design: FittedFilter
    n_channel: int
    _sections: FloatArray = field(init=False)
    _tail: FloatArray = field(init=False)

    def __post_init__(self) -> None:
        self._sections = np.zeros((self.design.sos.shape[0], self.n_channel, 2))
        self._tail = np.zeros((self.n_channel, len(self.design.numerator) - 1))

    def push(self, block: FloatArray) -> FloatArray:
        """Weighted samples [shape=(n_channel, n)] of the next block [same shape]."""
        from scipy.signal import sosfilt  # late: see fitted_filter

        if block.shape[-1] == 0:
            return block
        recursive, self._sections = sosfilt(self.design.sos, block, axis=-1, zi=self._sections)
        joined = np.concatenate([self._tail, recursive], axis=-1)
        taps = self.design.numerator
        self._tail = joined[:, joined.shape[-1] - len(taps) + 1 :]
        return np.stack([np.convolve(row, taps, "valid") for row in joined])
