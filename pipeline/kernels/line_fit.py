"""How large a line is, where it lies, and how certain both are.

One frequency for all axes of a position; each axis is fitted there with the window's own shape, by least squares
over the three bins about the line, the floor taken out.

References
----------
D. C. Rife, R. R. Boorstyn, IEEE Trans. Inf. Theory IT-20, 591-598, 1974 (least uncertainty of a line).
P. D. Welch, IEEE Trans. Audio Electroacoust. AU-15, 70-73, 1967 (overlapping segments).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from .lines import LineSpectrum, line_offsets
from .windows import WindowLike, cosine_coefficients, cosine_window, line_response

FloatArray = npt.NDArray[np.float64]
ComplexArray = npt.NDArray[np.complex128]
IntArray = npt.NDArray[np.int64]

FIT_BINS = 1
"""Bins on either side of the highest that the amplitude is fitted to."""
BAND_BINS = 3
"""Bins on either side that hold a line's power when it wanders by a bin or so."""


@dataclass(frozen=True, slots=True)
class FoundLine:
    """One line: mean frequency, amplitude per axis (peak), standard uncertainties, floor.

    ``floor_density`` [shape=(n_axis,), one-sided mean square per Hz]. ``excess_width``: power in the seven bins
    about the line over that of a steady line of the same height (1 when steady and alone), ``width_std`` its
    standard uncertainty; ``beating``: scatter of the segments over what noise explains.
    """

    bin: int
    frequency_hz: float
    frequency_std_hz: float
    amplitude: FloatArray
    amplitude_std: FloatArray
    band_amplitude: FloatArray
    floor_density: FloatArray
    excess_width: float
    width_std: float
    beating: float


def measured_lines(spectrum: LineSpectrum, floor: FloatArray, bins: Sequence[int] | IntArray) -> list[FoundLine]:
    """The lines whose highest bins are given.

    Parameters
    ----------
    floor
        [shape=(n_axis, n_f)] expected noise power, see ``noise_floor``.
    bins
        [shape=(n_line,)] highest bins, each with ``FIT_BINS`` neighbours on either side.

    Returns
    -------
    list
        In the order of ``bins``. Uncertainty of an amplitude: the larger of what the floor and what the scatter of
        the segments gives, never below sqrt(S / T).

    Raises
    ------
    ValueError
        A bin that has no neighbour on both sides.
    """
    at = np.asarray(bins, dtype=np.int64)
    n_f = spectrum.auto.shape[1]
    if at.size == 0:
        return []
    if at.min() < FIT_BINS or at.max() >= n_f - FIT_BINS:
        msg = f"line at bin {int(at.min())} or {int(at.max())} of {n_f}: wanted a neighbour on either side"
        raise ValueError(msg)
    offset = line_offsets(spectrum, floor, at)
    # what a steady line shows in the bins about it; fit, widths and scatter are all held against it
    shape = line_response(spectrum.window, np.arange(-BAND_BINS, BAND_BINS + 1) - offset[:, None])
    about = shape[:, BAND_BINS - FIT_BINS : BAND_BINS + FIT_BINS + 1]
    square = _fitted_square(spectrum, floor, at, about)
    here = floor[:, at]
    density = here / (2.0 * spectrum.enbw_hz)
    std = np.maximum(_amplitude_std(spectrum, here, square, at, about), np.sqrt(density / spectrum.used_s))
    amplitude = np.sqrt(np.maximum(square, 0.0))
    width, width_std, smear, band = _widths(spectrum, floor, at, offset, shape)
    offset_std = np.hypot(_offset_std(spectrum, here, square, offset), smear / np.sqrt(spectrum.n_effective))
    beating = _beating(spectrum, here, square, at, about)
    return [
        FoundLine(
            bin=int(at[k]),
            frequency_hz=float((at[k] + offset[k]) * spectrum.bin_hz),
            frequency_std_hz=float(offset_std[k] * spectrum.bin_hz),
            amplitude=amplitude[:, k].copy(),
            amplitude_std=std[:, k].copy(),
            band_amplitude=band[:, k].copy(),
            floor_density=density[:, k].copy(),
            excess_width=float(width[k]),
            width_std=float(width_std[k]),
            beating=float(beating[k]),
        )
        for k in range(at.size)
    ]


def measured_line(spectrum: LineSpectrum, floor: FloatArray, at: int) -> FoundLine:
    """One line; see ``measured_lines``."""
    return measured_lines(spectrum, floor, [at])[0]


def _fitted_square(spectrum: LineSpectrum, floor: FloatArray, at: IntArray, about: FloatArray) -> FloatArray:
    """Squared amplitudes [shape=(n_axis, n_line)]; below 0 where the floor is higher.

    ``about`` [shape=(n_line, 3)]: what a steady line shows in the bins of the fit.
    """
    near = at[:, None] + np.arange(-FIT_BINS, FIT_BINS + 1)
    shape = about**2
    clear = spectrum.auto.take(near, axis=1) - floor.take(near, axis=1)
    return np.asarray(np.einsum("alk,lk->al", clear, shape) / np.sum(shape**2, axis=1), dtype=np.float64)


def _amplitude_std(
    spectrum: LineSpectrum, floor: FloatArray, square: FloatArray, at: IntArray, about: FloatArray
) -> FloatArray:
    """From the floor (its linear and its squared part) and from the segments, whichever is larger."""
    gain, spread = _fit_gains(spectrum.window, about)
    level = np.maximum(square, 0.0)
    variance = 2.0 * level * floor * gain / spectrum.n_coherent + floor**2 * spread / spectrum.n_effective
    if spectrum.scatter is not None:
        response = about[:, FIT_BINS] ** 2
        variance = np.maximum(variance, (spectrum.scatter[:, at] / response) ** 2 / spectrum.n_effective)
    # where the line is lost in its own uncertainty the square's deviation bounds that of the root
    return np.asarray(np.sqrt(variance) / (2.0 * np.sqrt(np.maximum(level, np.sqrt(variance)))))


def _fit_gains(window: WindowLike, about: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Noise gains of the three-bin fit: variance of the amplitude per floor / 2, of its square per floor**2."""
    near = np.arange(-FIT_BINS, FIT_BINS + 1)
    rho = noise_correlation(window)[np.abs(near[:, None] - near)]
    square, cube = about**2, about**3
    total = np.sum(square**2, axis=1) ** 2
    linear = np.vecdot(cube @ rho, cube) / total
    squared = np.vecdot(square @ rho**2, square) / total
    return linear, squared


def noise_correlation(window: WindowLike) -> FloatArray:
    """Correlation of the noise in bins 0, 1, 2 ... apart, phases referred to the frame's middle; Hann 1, 2/3, 1/6."""
    return _noise_correlation(cosine_coefficients(window))


@lru_cache(maxsize=4)
def _noise_correlation(coefficients: tuple[float, ...]) -> FloatArray:
    terms = np.array(coefficients)
    line = np.concatenate([0.5 * terms[:0:-1], terms[:1], 0.5 * terms[1:]])
    product = np.convolve(line, line)
    middle = product.size // 2
    correlation = np.concatenate([product[middle:] / product[middle], np.zeros(2 * FIT_BINS + 1)])
    correlation.setflags(write=False)
    return correlation


def _offset_std(
    spectrum: LineSpectrum, floor: FloatArray, square: FloatArray, offset: FloatArray
) -> FloatArray:
    """Standard uncertainty of the frequency in bins: noise of the two highest bins through their ratio."""
    level = np.maximum(square, 0.0)
    power = level.sum(axis=0)
    safe = np.where(power > 0.0, power, 1.0)
    x = np.abs(offset)
    step = 1e-4
    places = np.array([x, 1.0 - x, 1.0 - x - step, x + step, 1.0 - x + step, x - step])
    near, far, *ends = line_response(spectrum.window, places)
    ratio = far / near
    noise = np.sum(level * floor, axis=0) / safe**2 / (2.0 * _independent_offsets(spectrum, x, ratio))
    noise += np.sum(floor**2, axis=0) / safe**2 / (4.0 * spectrum.n_effective)
    slope = (ends[0] / ends[1] - ends[2] / ends[3]) / (2.0 * step)
    rho = float(noise_correlation(spectrum.window)[1])
    variance = noise * (1.0 + ratio**2 - 2.0 * rho * ratio) / near**2 / slope**2
    return np.where(power > 0.0, np.minimum(np.sqrt(variance), 0.5), 0.5)


def _independent_offsets(spectrum: LineSpectrum, x: FloatArray, ratio: FloatArray) -> FloatArray:
    """Segments that count for the frequency: its error in overlapping segments is correlated negatively.

    In the line's own frame the ratio of two bins weighs a frame's noise with the complex weight w(t) (exp(2 pi j
    (1 - x) t) - ratio exp(-2 pi j x t)), t from the middle in frames; its correlation with itself a hop later
    decides. The factor exp(-2 pi j x t) taken out of it is there a turn alone, and the rest three sums that no line
    changes.
    """
    hop = max(round((1.0 - spectrum.overlap) * LAG_SAMPLES), 1)
    turned, crossed, plain = _lag_sums(cosine_coefficients(spectrum.window), hop)
    shared = turned[:, None] - ratio * crossed[:, None] + ratio**2 * plain[:, None]
    count, total = spectrum.n_segments, np.ones(x.size)
    for lag in range(1, min(shared.shape[0], count)):
        turn = np.exp((2j * np.pi * lag * hop / LAG_SAMPLES) * x)
        total += 2.0 * (1.0 - lag / count) * np.real(turn * shared[lag]) / np.real(shared[0])
    return np.asarray(count / np.maximum(total, 0.01), dtype=np.float64)


LAG_SAMPLES = 128
"""Samples of a frame that the correlation of overlapping frames is summed on."""


@lru_cache(maxsize=4)
def _lag_sums(coefficients: tuple[float, ...], hop: int) -> tuple[ComplexArray, ComplexArray, ComplexArray]:
    """Sums over a frame that overlaps itself 0, 1, 2 ... hops later [shape=(n_lag,) each], read-only.

    Of w(t + lag) w(t) times conj(e(t + lag)) e(t), conj(e(t + lag)) + e(t) and 1, where e(t) = exp(2 pi j t).
    """
    turn = np.exp(2j * np.pi * (np.arange(LAG_SAMPLES) - 0.5 * LAG_SAMPLES) / LAG_SAMPLES)
    window = cosine_window(coefficients, LAG_SAMPLES)
    sums = []
    for lag in range(0, LAG_SAMPLES, hop):
        both = window[lag:] * window[: LAG_SAMPLES - lag]
        later, now = turn[lag:].conj(), turn[: LAG_SAMPLES - lag]
        sums.append([both @ (later * now), both @ (later + now), both.sum()])
    columns = np.array(sums, dtype=np.complex128).T
    columns.setflags(write=False)
    return columns[0], columns[1], columns[2]


def _widths(
    spectrum: LineSpectrum, floor: FloatArray, at: IntArray, offset: FloatArray, steady: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Excess width, its standard uncertainty, smear in bins [shape=(n_line,)], band amplitudes [shape=(n_axis,
    n_line)]. The smear is the standard deviation of the line's place, where its width is beyond its noise. ``steady``
    [shape=(n_line, 7)] is what a steady line shows in the bins about it.
    """
    near = np.arange(-BAND_BINS, BAND_BINS + 1)
    bins = at[:, None] + near
    inside = (bins >= 0) & (bins < spectrum.auto.shape[1])
    bins = np.clip(bins, 0, spectrum.auto.shape[1] - 1)
    clear = (spectrum.auto.take(bins, axis=1) - floor.take(bins, axis=1)) * inside
    steps = near - offset[:, None]
    shape = steady**2 * inside
    inner = shape * (np.abs(steps) < 1.0)
    total = clear.sum(axis=0)
    height = np.sum(total * inner, axis=1) / np.sum(inner**2, axis=1)
    expected = np.maximum(height, 0.0)[:, None] * shape
    noise = floor[:, at].sum(axis=0)[:, None]
    deviation = np.sqrt(np.sum((2.0 * expected * noise + noise**2) / spectrum.n_effective, axis=1))
    whole = expected.sum(axis=1)
    safe = np.where(whole > 0.0, whole, 1.0)
    band = np.sqrt(np.maximum(clear.sum(axis=2), 0.0) * spectrum.bin_hz / spectrum.enbw_hz)
    lost = whole <= 0.0
    width = np.where(lost, 1.0, total.sum(axis=1) / safe)
    width_std = np.where(lost, 1.0, deviation / safe)
    second = np.sum(total * steps**2, axis=1) / np.where(lost, 1.0, np.maximum(total.sum(axis=1), whole))
    second -= np.sum(shape * steps**2, axis=1) / np.sum(shape, axis=1)
    smear = np.where(width > 1.0 + 3.0 * width_std, np.sqrt(np.maximum(second, 0.0)), 0.0)
    return width, width_std, smear, band


def _beating(
    spectrum: LineSpectrum, floor: FloatArray, square: FloatArray, at: IntArray, about: FloatArray
) -> FloatArray:
    """Relative scatter of the segments' power beyond what the floor explains (0 for a steady line)."""
    lines = np.arange(at.size)
    axis = np.argmax(square / floor, axis=0)
    own = floor[axis, lines]
    level = np.maximum(square[axis, lines], 0.0) * about[:, FIT_BINS] ** 2
    if spectrum.scatter is None:
        return np.zeros(at.size)
    noise = (2.0 * level * own + own**2) * (1.0 + 3.0 / np.sqrt(spectrum.n_effective))
    left = spectrum.scatter[axis, at] ** 2 - noise
    return np.asarray(np.sqrt(np.maximum(left, 0.0)) / np.maximum(level, own), dtype=np.float64)
