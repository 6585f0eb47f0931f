"""Frequency and amplitude of a line between bins, from the bins around it.

Offsets are in bins from the highest bin k, positive upward, within half a bin without noise. Exact for one
steady line: ``hann_two_bins`` and ``hann_three_bins`` (long windows), ``candan`` (rectangle, any length),
``two_bins`` (any cosine window). Biased, with the bias stated: ``padded_parabola``.

References
----------
T. Grandke, IEEE Trans. Instrum. Meas. IM-32, 350-355, 1983, eq. 12 (two bins, Hann). E. Jacobsen, P.
Kootsookos, IEEE Signal Process. Mag. 24(3), 123-125, 2007. C. Candan, IEEE Signal Process. Lett. 20(9),
913-916, 2013 (rectangle, exact).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt
import scipy.fft

from .windows import COEFFICIENTS, WindowLike, coherent_gain, cosine_coefficients, cosine_window, line_response

FloatArray = npt.NDArray[np.float64]
ComplexArray = npt.NDArray[np.complex128]

PARABOLA_BIAS: dict[int, tuple[float, float]] = {
    1: (0.016, 3.79),
    2: (0.00163, 0.159),
    4: (0.000195, 0.00924),
    8: (2.41e-05, 0.000568),
}
"""Largest bias of the parabola through log magnitudes under Hann, by zero padding: frequency in bins of 1/T,
amplitude in percent (too high)."""


@dataclass(frozen=True, slots=True)
class BinLine:
    """A line between bins: offset from the middle bin given, and height, in whatever the bins were scaled to."""

    offset: FloatArray
    height: FloatArray


def hann_two_bins(magnitudes: npt.ArrayLike) -> BinLine:
    """Grandke's formula from the highest bin and its higher neighbour.

    Parameters
    ----------
    magnitudes
        [shape=(..., 3)] |X| at k - 1, k, k + 1, scaled to amplitude.
    """
    below, middle, above = _three(np.asarray(magnitudes, dtype=np.float64))
    up = above >= below
    ratio = np.where(up, above, below) / middle
    offset = (2.0 * ratio - 1.0) / (ratio + 1.0)
    height = middle / np.sinc(offset) * (1.0 - offset**2)
    return BinLine(np.where(up, offset, -offset), np.asarray(height))


def hann_three_bins(spectrum: npt.ArrayLike) -> BinLine:
    """Offset from three complex Hann bins [shape=(..., 3)], scaled to amplitude; exact for long windows.

    The bins must be of one transform (phases count), of a window that starts with the frame.
    """
    below, middle, above = _three(np.asarray(spectrum, dtype=np.complex128))
    offset = np.real(2.0 * (below - above) / (2.0 * middle - below - above))
    height = np.abs(middle) / np.sinc(offset) * (1.0 - offset**2)
    return BinLine(np.asarray(offset), np.asarray(height))


def jacobsen(spectrum: npt.ArrayLike) -> FloatArray:
    """Offset from three complex bins [shape=(..., 3)] without a window; biased for short frames."""
    below, middle, above = _three(np.asarray(spectrum, dtype=np.complex128))
    return np.asarray(np.real((below - above) / (2.0 * middle - below - above)), dtype=np.float64)


def candan(spectrum: npt.ArrayLike, n: int) -> BinLine:
    """Offset and height from three complex bins [shape=(..., 3)] of a rectangular frame of n samples.

    Candan 2013: atan of the corrected Jacobsen ratio; exact for one complex tone without noise.
    """
    q = np.pi / n
    offset = np.arctan(np.tan(q) / q * jacobsen(spectrum) * q) / q
    middle = np.abs(np.asarray(spectrum)[..., 1])
    return BinLine(np.asarray(offset), np.asarray(middle / np.abs(line_response("rectangle", offset, n))))


def two_bins(magnitudes: npt.ArrayLike, window: WindowLike, n: int | None = None) -> BinLine:
    """Offset and height for any cosine window, from the ratio of the highest bin to its higher neighbour.

    Solves W(1 - x) / W(x) = ratio, from a table and four secant steps, where the ratio is monotone;
    exact for one line whose mirror image is far. Noise may put x slightly below 0 (its neighbour is
    then lower than any line's), except without a window, where the ratio turns. ``n`` None takes the limit of
    long windows.

    Parameters
    ----------
    magnitudes
        [shape=(..., 3)] |X| at k - 1, k, k + 1, scaled to amplitude.

    Raises
    ------
    ValueError
        The window's ratio does not tell offsets apart.
    """
    values = np.asarray(magnitudes, dtype=np.float64)
    offset = two_bins_offset(values, window, n)
    height = values[..., 1] / np.abs(line_response(window, np.abs(offset), n))
    return BinLine(offset, np.asarray(height))


def two_bins_offset(magnitudes: FloatArray, window: WindowLike, n: int | None = None) -> FloatArray:
    """The offset that ``two_bins`` finds [shape of ``magnitudes`` without its last axis], without the height."""
    below, middle, above = _three(magnitudes)
    terms = cosine_coefficients(window)
    offsets, ratios, slopes = _ratio_table(terms, n)
    up = above >= below
    ratio = np.clip(np.where(up, above, below) / middle, ratios[0], ratios[-1])
    if n is None and terms == COEFFICIENTS["hann"]:
        # what the secant steps arrive at under a long Hann window, whose ratio is (1 + x) / (2 - x)
        offset = (2.0 * ratio - 1.0) / (ratio + 1.0)
        return np.where(up, offset, -offset)
    offset = np.interp(ratio, ratios, offsets)
    slope = np.interp(offset, offsets, slopes)
    for _ in range(4):
        found = np.abs(line_response(terms, 1.0 - offset, n)) / np.abs(line_response(terms, offset, n))
        offset = np.clip(offset + (ratio - found) / slope, offsets[0], offsets[-1])
    return np.where(up, offset, -offset)


def log_parabola(magnitudes: npt.ArrayLike) -> BinLine:
    """Vertex of the parabola through the log magnitudes of three bins [shape=(..., 3)]; see PARABOLA_BIAS."""
    below, middle, above = np.log(np.stack(_three(np.asarray(magnitudes, dtype=np.float64))))
    offset = 0.5 * (below - above) / (below - 2.0 * middle + above)
    return BinLine(np.asarray(offset), np.asarray(np.exp(middle - 0.25 * (below - above) * offset)))


def padded_parabola(frame: npt.ArrayLike, factor: int = 4, window: WindowLike = "hann") -> tuple[float, float]:
    """Highest line of one frame [shape=(n,)] by zero padding and a log parabola.

    Returns
    -------
    tuple
        Position in bins of 1/T from 0 Hz, and peak amplitude. Bias under Hann as in PARABOLA_BIAS.

    Raises
    ------
    ValueError
        A padding factor below 1.
    """
    if factor < 1:
        msg = f"zero padding by {factor!r}: wanted 1 or more"
        raise ValueError(msg)
    values = np.asarray(frame, dtype=np.float64)
    samples = cosine_window(window, values.size)
    spectrum = np.abs(scipy.fft.rfft(values * samples, factor * values.size))
    spectrum *= 2.0 / (coherent_gain(samples) * values.size)
    at = 1 + int(np.argmax(spectrum[1:-1]))
    line = log_parabola(spectrum[at - 1 : at + 2])
    return (at + float(line.offset)) / factor, float(line.height)


def _three(bins: npt.NDArray[np.generic]) -> tuple[FloatArray, FloatArray, FloatArray]:
    if bins.shape[-1:] != (3,):
        msg = f"bins of shape {bins.shape}: wanted three in the last axis"
        raise ValueError(msg)
    return bins[..., 0], bins[..., 1], bins[..., 2]  # type: ignore[return-value]


@lru_cache(maxsize=4)
def _ratio_table(terms: tuple[float, ...], n: int | None) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Offsets, the ratio of the higher neighbour to the middle bin there, as far down as it is monotone; its slope."""
    offsets = np.linspace(-0.25, 0.75, 401)
    ratio = np.abs(line_response(terms, 1.0 - offsets, n)) / np.abs(line_response(terms, offsets, n))
    rising = np.diff(ratio) > 0.0
    if not np.all(rising[100:]):
        msg = "the window's ratio of neighbouring bins is not monotone: offsets cannot be told from it"
        raise ValueError(msg)
    first = 0 if np.all(rising) else 100
    table = offsets[first:], ratio[first:], np.gradient(ratio[first:], offsets[first:])
    for column in table:
        column.setflags(write=False)
    return table
