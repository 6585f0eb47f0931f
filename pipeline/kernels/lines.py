"""Lines of an averaged spectrum: the floor below them, which peaks are lines, how large, how certain.

All spectra here are mean squared peak amplitudes (see ``spectra``). The floor is taken from a low quantile of
overlapping stretches of bins, so that lines do not lift it; a peak is a line when noise would make one as high
in fewer than ``false_lines`` spectra.

References
----------
E. B. Wilson, M. M. Hilferty, Proc. Natl. Acad. Sci. 17, 684-688, 1931 (quantiles of an averaged power).
D. C. Rife, R. R. Boorstyn, IEEE Trans. Inf. Theory IT-20, 591-598, 1974 (least uncertainty of a line).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import signal, special

from .interpolation import two_bins
from .windows import WindowLike, cosine_coefficients, cosine_window, line_response

FloatArray = npt.NDArray[np.float64]

FLOOR_QUANTILE = 1.0 / 3.0
"""Lines that fill a quarter of the bins move this quantile of the noise to a 44 % one, the median to 67 %."""
FLOOR_BINS = 48
FLOOR_CELLS = 576
"""Bins times independent averages behind each value of the floor: it is then right to some 6 %."""
FIT_BINS = 1
"""Bins on either side of the highest that the amplitude is fitted to."""


@dataclass(frozen=True, slots=True)
class LineSpectrum:
    """What lines are looked for in: one position's axes.

    ``auto`` [shape=(n_axis, n_f), squared peak amplitude], ``scatter`` [same shape] or None, bin distance,
    ``enbw_hz``, averages that count for noise and for a steady line, seconds used, overlap (share), window.
    """

    auto: FloatArray
    scatter: FloatArray | None
    bin_hz: float
    enbw_hz: float
    n_segments: int
    n_effective: float
    n_coherent: float
    used_s: float
    overlap: float = 0.5
    window: WindowLike = "hann"


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


def noise_floor(auto: FloatArray, n_effective: float, skip: int = 2) -> FloatArray:
    """Expected noise power in every bin [shape of ``auto``, (n_axis, n_f)].

    Parameters
    ----------
    n_effective
        Independent averages: fixes how far the quantile lies below the mean.
    skip
        Bins at the low end that hold the window's image of the mean.
    """
    n_f = auto.shape[-1]
    skip = min(skip, max(n_f - 1, 0))
    size = max(min(_floor_bins(n_effective), n_f - skip), 1)
    starts = np.unique(np.append(np.arange(skip, n_f - size + 1, max(size // 2, 1)), n_f - size))
    stretches = auto[:, starts[:, None] + np.arange(size)]
    rank = round(FLOOR_QUANTILE * (size - 1))
    low = np.partition(stretches, rank, axis=-1)[..., rank]
    share = (rank + 0.5) / size
    level = np.log(np.maximum(low / _quantile_share(n_effective, share), np.finfo(np.float64).tiny))
    centres, bins = starts + 0.5 * (size - 1), np.arange(n_f)
    return np.asarray(np.exp(np.stack([np.interp(bins, centres, axis) for axis in level])), dtype=np.float64)


def _floor_bins(n_effective: float) -> int:
    return max(FLOOR_BINS, round(FLOOR_CELLS / n_effective))


def _quantile_share(n_effective: float, quantile: float) -> float:
    """A quantile of an averaged power, over its mean."""
    return float(special.chdtri(2.0 * n_effective, 1.0 - quantile) / (2.0 * n_effective))


def line_threshold(n_effective: float, n_bins: int, false_lines: float) -> float:
    """How far above the floor noise rises in one of ``n_bins`` bins with probability ``false_lines``.

    The floor itself is uncertain by some 1.7 / sqrt(bins x averages); the threshold is raised by two of these.
    """
    freedom = 2.0 * n_effective
    height = float(special.chdtri(freedom, false_lines / max(n_bins, 1)) / freedom)
    return height * (1.0 + 3.4 / float(np.sqrt(min(_floor_bins(n_effective), max(n_bins, 1)) * n_effective)))


def line_bins(spectrum: LineSpectrum, floor: FloatArray, false_lines: float = 0.01) -> npt.NDArray[np.int64]:
    """Bins of the peaks that are lines, strongest (summed over axes) first [shape=(n_line,)].

    A peak must rise above the threshold on one axis at least, stand out of the valley beside it by more than
    averaged noise does, and exceed the side lobes of the stronger lines.
    """
    skip = len(cosine_coefficients(spectrum.window)) + 1
    ratio = spectrum.auto / floor
    height = ratio.max(axis=0)
    threshold = line_threshold(spectrum.n_effective, ratio.size, false_lines)
    stand_out = min(3.0 * np.sqrt(2.0 / spectrum.n_effective), np.log(threshold))
    total = np.log(np.maximum(ratio.sum(axis=0), np.finfo(np.float64).tiny))
    peaks, _ = signal.find_peaks(total, prominence=stand_out)
    peaks = peaks[(peaks >= skip) & (peaks < total.size - 1) & (height[peaks] > threshold)]
    strongest = peaks[np.argsort(-spectrum.auto[:, peaks].sum(axis=0), kind="stable")]
    return _beyond_leakage(spectrum, floor, strongest, threshold)


def _beyond_leakage(
    spectrum: LineSpectrum, floor: FloatArray, bins: npt.NDArray[np.int64], threshold: float
) -> npt.NDArray[np.int64]:
    """Keep bins that rise above floor and side lobes (with their crests, 6 dB) of the lines kept before."""
    kept: list[int] = []
    leak = np.zeros_like(floor)
    reach = np.arange(spectrum.auto.shape[1], dtype=np.float64)
    for at in bins:
        level = spectrum.auto[:, at]
        if kept and not np.any(level > threshold * floor[:, at] + 4.0 * leak[:, at]):
            continue
        kept.append(int(at))
        offset = _offset(spectrum, floor, int(at))
        image = line_response(spectrum.window, reach - at - offset) ** 2
        leak += np.outer(level / line_response(spectrum.window, offset) ** 2, image)
    return np.array(kept, dtype=np.int64)


def _offset(spectrum: LineSpectrum, floor: FloatArray, at: int) -> float:
    """Where the line lies, in bins from the bin ``at``, from the floor-free power of all axes."""
    power = np.maximum(spectrum.auto[:, at - 1 : at + 2] - floor[:, at - 1 : at + 2], 0.0).sum(axis=0)
    if power[1] <= 0.0:
        return 0.0
    return float(np.clip(two_bins(np.sqrt(power), spectrum.window).offset, -0.6, 0.6))


def measured_line(spectrum: LineSpectrum, floor: FloatArray, at: int) -> FoundLine:
    """Frequency, amplitudes and uncertainties of the line whose highest bin is ``at``.

    The frequency is that of the power of all axes; each axis is fitted there with the window's own shape, by
    least squares over three bins, the floor taken out. Uncertainty: the larger of what the floor and what the
    scatter of the segments gives, never below sqrt(S / T).

    Raises
    ------
    ValueError
        A bin that has no neighbour on both sides.
    """
    n_f = spectrum.auto.shape[1]
    if not FIT_BINS <= at < n_f - FIT_BINS:
        msg = f"line at bin {at} of {n_f}: wanted a neighbour on either side"
        raise ValueError(msg)
    offset = _offset(spectrum, floor, at)
    near = np.arange(at - FIT_BINS, at + FIT_BINS + 1)
    shape = line_response(spectrum.window, near - at - offset) ** 2
    clear = spectrum.auto[:, near] - floor[:, near]
    square = clear @ shape / (shape @ shape)
    here = floor[:, at]
    amplitude = np.sqrt(np.maximum(square, 0.0))
    density = here / (2.0 * spectrum.enbw_hz)
    std = _amplitude_std(spectrum, here, square, at, offset)
    width, width_std = _excess_width(spectrum, floor, at, offset)
    return FoundLine(
        bin=at,
        frequency_hz=(at + offset) * spectrum.bin_hz,
        frequency_std_hz=_offset_std(spectrum, here, square, offset) * spectrum.bin_hz,
        amplitude=amplitude,
        amplitude_std=np.maximum(std, np.sqrt(density / spectrum.used_s)),
        band_amplitude=_band_amplitude(spectrum, floor, at),
        floor_density=density,
        excess_width=width,
        width_std=width_std,
        beating=_beating(spectrum, here, square, at, offset),
    )


def _amplitude_std(
    spectrum: LineSpectrum, floor: FloatArray, square: FloatArray, at: int, offset: float
) -> FloatArray:
    """From the floor (its linear and its squared part) and from the segments, whichever is larger."""
    gain, spread = _fit_gains(spectrum.window, offset)
    level = np.maximum(square, 0.0)
    variance = 2.0 * level * floor * gain / spectrum.n_coherent + floor**2 * spread / spectrum.n_effective
    if spectrum.scatter is not None:
        response = float(line_response(spectrum.window, offset)) ** 2
        seen = (spectrum.scatter[:, at] / response) ** 2 / spectrum.n_effective
        variance = np.maximum(variance, seen)
    # where the line is lost in its own uncertainty the square's deviation bounds that of the root
    return np.asarray(np.sqrt(variance) / (2.0 * np.sqrt(np.maximum(level, np.sqrt(variance)))))


def _fit_gains(window: WindowLike, offset: float) -> tuple[float, float]:
    """Noise gains of the three-bin fit: variance of the amplitude per floor / 2, of its square per floor**2."""
    steps = np.arange(-FIT_BINS, FIT_BINS + 1) - offset
    shape = line_response(window, steps)
    between = noise_correlation(window)
    lag = np.abs(np.arange(shape.size)[:, None] - np.arange(shape.size)[None, :])
    rho = between[lag]
    total = float(np.sum(shape**4)) ** 2
    linear = float(shape**3 @ rho @ shape**3) / total
    squared = float(shape**2 @ rho**2 @ shape**2) / total
    return linear, squared


def noise_correlation(window: WindowLike) -> FloatArray:
    """Correlation of the noise in bins 0, 1, 2 ... apart, phases referred to the frame's middle; Hann 1, 2/3, 1/6."""
    terms = np.array(cosine_coefficients(window))
    line = np.concatenate([0.5 * terms[:0:-1], terms[:1], 0.5 * terms[1:]])
    product = np.convolve(line, line)
    middle = product.size // 2
    correlation = product[middle:] / product[middle]
    return np.concatenate([correlation, np.zeros(2 * FIT_BINS + 1)])


def _offset_std(spectrum: LineSpectrum, floor: FloatArray, square: FloatArray, offset: float) -> float:
    """Standard uncertainty of the frequency in bins: noise of the two highest bins through their ratio."""
    level = np.maximum(square, 0.0)
    power = float(level.sum())
    if power <= 0.0:
        return 0.5
    x = abs(offset)
    near, far = (float(v) for v in line_response(spectrum.window, [x, 1.0 - x]))
    ratio = far / near
    noise = float(level @ floor) / power**2 / (2.0 * _independent_offsets(spectrum, x, ratio))
    noise += float(floor @ floor) / power**2 / (4.0 * spectrum.n_effective)
    step = 1e-4
    ends = line_response(spectrum.window, [1.0 - x - step, x + step, 1.0 - x + step, x - step])
    slope = float(ends[0] / ends[1] - ends[2] / ends[3]) / (2.0 * step)
    rho = float(noise_correlation(spectrum.window)[1])
    variance = noise * (1.0 + ratio**2 - 2.0 * rho * ratio) / near**2 / slope**2
    return float(min(np.sqrt(variance), 0.5))


def _independent_offsets(spectrum: LineSpectrum, x: float, ratio: float) -> float:
    """Segments that count for the frequency: its error in overlapping segments is correlated negatively.

    In the line's own frame the ratio of two bins weighs a frame's noise with the complex weight w(t) (exp(2 pi j
    (1 - x) t) - ratio exp(-2 pi j x t)), t from the middle in frames; its correlation with itself a hop later
    decides.
    """
    n = 256
    middle = (np.arange(n) - 0.5 * n) / n
    weight = cosine_window(spectrum.window, n) * (
        np.exp(2j * np.pi * (1.0 - x) * middle) - ratio * np.exp(-2j * np.pi * x * middle)
    )
    hop = max(round((1.0 - spectrum.overlap) * n), 1)
    count, total = spectrum.n_segments, 1.0
    for lag in range(1, min((n - 1) // hop, count - 1) + 1):
        shared = float(np.vdot(weight[lag * hop :], weight[: n - lag * hop]).real / np.vdot(weight, weight).real)
        total += 2.0 * (1.0 - lag / count) * shared
    return count / max(total, 0.01)


def _band(spectrum: LineSpectrum, at: int) -> slice:
    return slice(max(at - 3, 0), min(at + 4, spectrum.auto.shape[1]))


def _band_amplitude(spectrum: LineSpectrum, floor: FloatArray, at: int) -> FloatArray:
    """Amplitude of one sine with the power of the seven bins about the line, floor removed [shape=(n_axis,)]."""
    band = _band(spectrum, at)
    power = np.sum(spectrum.auto[:, band] - floor[:, band], axis=1) * spectrum.bin_hz / spectrum.enbw_hz
    return np.asarray(np.sqrt(np.maximum(power, 0.0)), dtype=np.float64)


def _excess_width(spectrum: LineSpectrum, floor: FloatArray, at: int, offset: float) -> tuple[float, float]:
    band = _band(spectrum, at)
    steps = np.arange(band.start, band.stop) - at - offset
    shape = line_response(spectrum.window, steps) ** 2
    clear = (spectrum.auto[:, band] - floor[:, band]).sum(axis=0)
    inner = np.abs(steps) < 1.0
    height = float(clear[inner] @ shape[inner] / (shape[inner] @ shape[inner]))
    if height <= 0.0:
        return 1.0, 1.0
    noise = float(floor[:, at].sum())
    expected = height * shape
    variance = float(np.sum((2.0 * expected * noise + noise**2) / spectrum.n_effective))
    return float(clear.sum()) / float(expected.sum()), float(np.sqrt(variance)) / float(expected.sum())


def _beating(spectrum: LineSpectrum, floor: FloatArray, square: FloatArray, at: int, offset: float) -> float:
    """Relative scatter of the segments' power beyond what the floor explains (0 for a steady line)."""
    if spectrum.scatter is None:
        return 0.0
    axis = int(np.argmax(square / floor))
    level = float(max(square[axis], 0.0)) * float(line_response(spectrum.window, offset)) ** 2
    own = float(floor[axis])
    noise = 2.0 * level * own + own**2
    left = float(spectrum.scatter[axis, at]) ** 2 - noise * (1.0 + 3.0 / np.sqrt(spectrum.n_effective))
    return float(np.sqrt(max(left, 0.0)) / max(level, own))


def harmonic_groups(
    frequency_hz: Sequence[float], std_hz: Sequence[float], slack_hz: float, most: int = 32
) -> list[list[tuple[int, int]]]:
    """Lines that are whole multiples of a line among them.

    Returns
    -------
    list of list of tuple
        Per group (index of the line, multiple), fundamental first; groups of at least three lines, largest
        first; a line belongs to one group only.
    """
    frequency, std = np.asarray(frequency_hz, dtype=np.float64), np.asarray(std_hz, dtype=np.float64)
    free = set(range(frequency.size))
    groups: list[list[tuple[int, int]]] = []
    while True:
        candidates = [_multiples(frequency, std, base, free, slack_hz, most) for base in sorted(free)]
        best = max(candidates, key=len, default=[])
        if len(best) < 3:
            return groups
        groups.append(best)
        free -= {index for index, _ in best}


def _multiples(
    frequency: FloatArray, std: FloatArray, base: int, free: set[int], slack_hz: float, most: int
) -> list[tuple[int, int]]:
    if frequency[base] <= 0.0:
        return []
    group = []
    for index in sorted(free, key=lambda i: float(frequency[i])):
        multiple = round(float(frequency[index] / frequency[base]))
        room = slack_hz + 3.0 * np.hypot(std[index], multiple * std[base])
        # a fundamental known too loosely would have every line for its multiple
        certain = 1 <= multiple <= most and room < 0.1 * frequency[base]
        if certain and abs(frequency[index] - multiple * frequency[base]) <= room:
            group.append((index, multiple))
    return group


def sideband_pairs(
    frequency_hz: Sequence[float], std_hz: Sequence[float], carrier: int, slack_hz: float, reach_hz: float
) -> list[tuple[int, int, float]]:
    """Lines at equal distances below and above a carrier.

    Returns
    -------
    list of tuple
        (index below, index above, distance in Hz), nearest first; within ``reach_hz`` of the carrier.
    """
    frequency = np.asarray(frequency_hz, dtype=np.float64)
    distance = frequency - frequency[carrier]
    below = [int(i) for i in np.flatnonzero((distance < 0) & (distance >= -reach_hz))]
    above = [int(i) for i in np.flatnonzero((distance > 0) & (distance <= reach_hz))]
    pairs = []
    for low in below:
        for high in above:
            room = slack_hz + 3.0 * np.hypot(std_hz[low], std_hz[high])
            if abs(distance[low] + distance[high]) <= room:
                pairs.append((low, high, float(0.5 * (distance[high] - distance[low]))))
    return sorted(pairs, key=lambda pair: pair[2])
