"""Lines of an averaged spectrum: the floor below them, and which peaks are lines.

All spectra here are mean squared peak amplitudes (see ``spectra``). The floor is taken from a low quantile of
overlapping stretches of bins, so that lines do not lift it; a peak is a line when noise would make one as high
in fewer than ``false_lines`` spectra.

References
----------
E. B. Wilson, M. M. Hilferty, Proc. Natl. Acad. Sci. 17, 684-688, 1931 (quantiles of an averaged power).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt
from scipy import special

from .interpolation import two_bins_offset
from .prominence import standing_out, summits
from .windows import WindowLike, cosine_coefficients, line_response

FloatArray = npt.NDArray[np.float64]

FLOOR_QUANTILE = 1.0 / 3.0
"""Lines that fill a quarter of the bins move this quantile of the noise to a 44 % one, the median to 67 %."""
FLOOR_BINS = 48
FLOOR_CELLS = 576
"""Bins times independent averages behind each value of the floor: it is then right to some 6 %."""


ROUNDING_FLOOR = 1e-28
"""Of the highest bin: what rounding alone leaves in double precision, and the least floor of a silent spectrum."""
TINY = float(np.finfo(np.float64).tiny)
LEAST_VALLEY = 0.1
"""Nepers of power by which a valley must part two peaks, however steady they are."""
IMAGES_TOGETHER = 64
"""Lines whose side lobes are worked out in one go: one by one their calls cost more than their arithmetic."""
LEAK_BINS = 24
"""Reach of the side lobes looked at: under Hann 100 dB below the line."""


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


def noise_floor(
    auto: FloatArray, n_effective: float, skip: int = 2, free: npt.NDArray[np.bool_] | None = None,
    at: int | None = None,
) -> FloatArray:  # fmt: skip
    """Expected noise power in every bin [shape of ``auto``, (n_axis, n_f)], or in one of them [shape=(n_axis, 1)].

    Parameters
    ----------
    n_effective
        Independent averages: fixes how far the quantile lies below the mean.
    skip
        Bins at the low end that hold the window's image of the mean.
    free
        [shape=(n_f,)] False where a known line covers the noise.
    at
        The only bin wanted; the stretches away from it are then left aside.
    """
    n_f = auto.shape[-1]
    skip = min(skip, max(n_f - 1, 0))
    size = max(min(_floor_bins(n_effective), n_f - skip), 1)
    starts, places = _stretches(n_f, skip, size)
    bins = np.arange(n_f) if at is None else np.array([at])
    if at is not None:
        before = max(int(np.searchsorted(starts + 0.5 * (size - 1), at)) - 1, 0)
        starts, places = starts[before : before + 2], places[before : before + 2]
    over_share = _low_over_share(auto.take(places, axis=1), n_effective, None if free is None else free.take(places))
    # a dead axis gets the floor of rounding of the liveliest, and its square must not underflow
    least = max(ROUNDING_FLOOR * float(auto.max()), 1e-140)
    level = np.log(np.maximum(over_share, least))
    centres = starts + 0.5 * (size - 1)
    found = np.empty((level.shape[0], bins.size))
    for axis, row in zip(level, found, strict=True):
        row[:] = np.interp(bins, centres, axis)
    return np.exp(found, out=found)


@lru_cache(maxsize=4)
def _stretches(n_f: int, skip: int, size: int) -> tuple[npt.NDArray[np.intp], npt.NDArray[np.intp]]:
    """First bins of the overlapping stretches of a spectrum, and all bins of each [shape=(n, size)]; read-only."""
    starts = np.unique(np.append(np.arange(skip, n_f - size + 1, max(size // 2, 1)), n_f - size))
    places = starts[:, None] + np.arange(size)
    for kept in (starts, places):
        kept.setflags(write=False)
    return starts, places


def _low_over_share(
    stretches: FloatArray, n_effective: float, free: npt.NDArray[np.bool_] | None
) -> FloatArray:
    """Low quantile of each stretch over what it is of the mean [shape=(n_axis, n_stretch)], of free bins alone."""
    size = stretches.shape[-1]
    # rows as short as these are sorted in a third of the time that finding several ranks takes
    if free is None:
        rank = round(FLOOR_QUANTILE * (size - 1))
        return np.asarray(np.sort(stretches, axis=-1)[:, :, rank] / _noise_share(size, n_effective))
    count = np.count_nonzero(free, axis=1)
    # a stretch that lines cover nearly whole keeps all its bins: an upper bound is better than none
    count[count < size // 6] = size
    used = np.where(free | (count == size)[:, None], stretches, np.inf)
    ranks = np.rint(FLOOR_QUANTILE * (count - 1)).astype(np.int64)
    shares = [_noise_share(n, n_effective) for n in count.tolist()]
    return np.asarray(np.sort(used, axis=-1)[:, np.arange(count.size), ranks] / shares)


@lru_cache(maxsize=256)
def _noise_share(count: int, n_effective: float) -> float:
    """What the low quantile of ``count`` bins of noise is of its mean: most stretches have as many as the next."""
    share = (round(FLOOR_QUANTILE * (count - 1)) + 0.5) / count
    return float(special.chdtri(2.0 * n_effective, 1.0 - share) / (2.0 * n_effective))


def lines_and_floor(
    spectrum: LineSpectrum, false_lines: float = 0.01
) -> tuple[npt.NDArray[np.int64], FloatArray]:
    """Highest bins of the lines, strongest first, and the floor between them.

    Twice: the lines of a first floor are kept out of the second, or many orders would lift the floor they are
    measured against.
    """
    skip = len(cosine_coefficients(spectrum.window))
    floor = noise_floor(spectrum.auto, spectrum.n_effective, skip)
    bins = line_bins(spectrum, floor, false_lines)
    if bins.size:
        floor = noise_floor(spectrum.auto, spectrum.n_effective, skip, _free_of_lines(spectrum, floor, bins))
        bins = line_bins(spectrum, floor, false_lines)
    return bins, floor


def _free_of_lines(
    spectrum: LineSpectrum, floor: FloatArray, bins: npt.NDArray[np.int64]
) -> npt.NDArray[np.bool_]:
    """Bins that no line's main lobe or side lobe of a tenth of the floor reaches."""
    n_f = spectrum.auto.shape[1]
    offset = line_offsets(spectrum, floor, bins)
    near = np.arange(-LEAK_BINS, LEAK_BINS + 1)
    image = line_response(spectrum.window, near - offset[:, None]) ** 2
    image /= line_response(spectrum.window, offset)[:, None] ** 2
    over = np.max(spectrum.auto[:, bins] / floor[:, bins], axis=0)
    covered = (image * over[:, None] > 0.1) | (np.abs(near) <= 4)
    places = bins[:, None] + near
    inside = covered & (places >= 0) & (places < n_f)
    free = np.ones(n_f, dtype=np.bool_)
    free[places[inside]] = False
    return free


def _floor_bins(n_effective: float) -> int:
    return max(FLOOR_BINS, round(FLOOR_CELLS / n_effective))


def line_threshold(n_effective: float, n_bins: int, false_lines: float) -> float:
    """How far above the floor noise rises in one of ``n_bins`` bins with probability ``false_lines``.

    The floor itself is uncertain by some 1.7 / sqrt(bins x averages); the threshold is raised by two of these.
    """
    freedom = 2.0 * n_effective
    height = float(special.chdtri(freedom, false_lines / max(n_bins, 1)) / freedom)
    return height * (1.0 + 3.4 / float(np.sqrt(min(_floor_bins(n_effective), max(n_bins, 1)) * n_effective)))


def line_bins(spectrum: LineSpectrum, floor: FloatArray, false_lines: float = 0.01) -> npt.NDArray[np.int64]:
    """Bins of the peaks that are lines, strongest (summed over axes) first [shape=(n_line,)].

    A peak must rise above the threshold on one axis at least, stand out of the valley beside it by three times
    its own uncertainty (so that a wandering line is one), and exceed the side lobes of the stronger lines.
    """
    skip = len(cosine_coefficients(spectrum.window)) + 1
    ratio = spectrum.auto / floor
    height = ratio.max(axis=0)
    threshold = line_threshold(spectrum.n_effective, ratio.size, false_lines)
    stand_out = np.minimum(LEAST_VALLEY + 3.0 * np.sqrt(2.0) * _relative_error(spectrum), np.log(threshold))
    total = np.log(np.maximum(ratio.sum(axis=0), TINY))
    peaks = summits(total)
    peaks = peaks[(peaks >= skip) & (peaks < total.size - 1) & (height[peaks] > threshold)]
    peaks = standing_out(total, peaks, stand_out)
    strongest = peaks[np.argsort(-spectrum.auto[:, peaks].sum(axis=0), kind="stable")]
    return _beyond_leakage(spectrum, floor, strongest, threshold)


def _relative_error(spectrum: LineSpectrum) -> FloatArray:
    """Relative standard error of the averaged power of all axes [shape=(n_f,)]: small where a line is steady."""
    noise = np.full(spectrum.auto.shape[1], 1.0 / np.sqrt(spectrum.n_effective))
    if spectrum.scatter is None:
        return noise
    total = np.maximum(spectrum.auto.sum(axis=0), TINY)
    return np.asarray(spectrum.scatter.sum(axis=0) / total / np.sqrt(spectrum.n_effective), dtype=np.float64)


def _beyond_leakage(
    spectrum: LineSpectrum, floor: FloatArray, bins: npt.NDArray[np.int64], threshold: float
) -> npt.NDArray[np.int64]:
    """Keep bins that rise above floor and side lobes (with their crests, 6 dB) of the lines kept before.

    What rises above the side lobes of all lines before it is kept whatever became of those; only the others are gone
    through one by one.
    """
    level, clear = spectrum.auto.take(bins, axis=1), threshold * floor.take(bins, axis=1)
    places = bins + line_offsets(spectrum, floor, bins)
    full = level / line_response(spectrum.window, places - bins) ** 2
    kept = np.ones(bins.size, dtype=np.bool_)
    for first in range(0, bins.size, IMAGES_TOGETHER):
        stop = min(first + IMAGES_TOGETHER, bins.size)
        images = line_response(spectrum.window, bins[first:stop] - places[:stop, None]) ** 2
        # of each line on those after it
        images[first:] = np.triu(images[first:], 1)
        most = (full[:, :stop] * kept[:stop]) @ images
        doubtful = ~(level[:, first:stop] > clear[:, first:stop] + 4.0 * most).any(axis=0)
        for k in (np.flatnonzero(doubtful) + first).tolist():
            leak = (full[:, :k] * kept[:k]) @ images[:k, k - first]
            kept[k] = k == 0 or (level[:, k] > clear[:, k] + 4.0 * leak).any()
    return bins[kept]


def line_offsets(spectrum: LineSpectrum, floor: FloatArray, bins: npt.NDArray[np.int64]) -> FloatArray:
    """Where lines lie, in bins from their highest bins [shape=(n_line,)], from the floor-free power of all axes."""
    near = bins[:, None] + np.arange(-1, 2)
    power = np.maximum(spectrum.auto.take(near, axis=1) - floor.take(near, axis=1), 0.0).sum(axis=0)
    clear = power[:, 1] > 0.0
    if not clear.all():
        power[~clear] = 1.0
    return np.where(clear, np.clip(two_bins_offset(np.sqrt(power), spectrum.window), -0.6, 0.6), 0.0)
