"""Medians and quantiles along the last axis, for the small arrays of one capture.

The general routines of numpy spend most of their time on arguments there: 175 microseconds on a quantile of three
rows of 336 numbers that sort in 11. Numbers must be finite: unlike there, a NaN is not handed on.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]


def row_medians(values: npt.NDArray[np.floating]) -> FloatArray:
    """Median along the last axis [shape of ``values`` without it]; of an even number the mean of the middle two.

    Raises
    ------
    ValueError
        Rows without a number.

    Examples
    --------
    >>> row_medians(np.array([[4.0, 1.0, 3.0, 2.0]])).tolist()
    [2.5]
    """
    n = _length(values)
    middle = n // 2
    parted = np.partition(values, middle, axis=-1)
    high = parted[..., middle]
    if n % 2:
        return np.asarray(high, dtype=np.float64)
    return np.asarray(0.5 * (parted[..., :middle].max(axis=-1) + high), dtype=np.float64)


def medians_and_deviations(values: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Median along the last axis, and the median of the distances from it [shape of ``values`` without it, each].

    One sort gives both: the k nearest values to the median stand side by side, so the k-th least distance is the least
    over all rows of k neighbours of the distance of the farther end.

    Raises
    ------
    ValueError
        Rows without a number.

    Examples
    --------
    >>> [float(part) for part in medians_and_deviations(np.array([1.0, 2.0, 4.0, 8.0, 16.0]))]
    [4.0, 3.0]
    """
    n = _length(values)
    ordered = np.sort(values, axis=-1)
    middle = n // 2
    odd = n % 2 == 1
    medians = ordered[..., middle].copy() if odd else 0.5 * (ordered[..., middle - 1] + ordered[..., middle])
    ordered -= medians[..., None]
    wanted = (middle + 1,) if odd else (middle, middle + 1)
    # of k neighbours the first is the farther one below the median, the last above it
    least = [np.maximum(-ordered[..., : n - k + 1], ordered[..., k - 1 :]).min(axis=-1) for k in wanted]
    return np.asarray(medians), np.asarray(least[0] if odd else 0.5 * (least[0] + least[1]))


def two_sided_medians(half: FloatArray, n: int) -> FloatArray:
    """Median of all ``n`` cells of spectra of real values, from their cells at 0 Hz and above [shape=(n_row,)].

    ``half`` [shape=(n_row, n // 2 + 1)]: all cells stand twice but the first and, where ``n`` is even, the last.

    Examples
    --------
    >>> two_sided_medians(np.array([[9.0, 1.0, 2.0, 4.0, 8.0]]), 8).tolist()
    [3.0]
    """
    alone = half[:, [0, -1]] if n % 2 == 0 else half[:, :1]
    twice = half[:, 1 : n // 2 + n % 2]
    middle = twice.shape[-1] // 2
    if middle < 1 or middle + 1 >= twice.shape[-1]:
        return row_medians(np.concatenate([half, twice], axis=-1))
    parted = np.partition(twice, middle, axis=-1)
    low, own, high = parted[:, :middle].max(axis=-1), parted[:, middle], parted[:, middle + 1 :].min(axis=-1)
    # of what stands twice, the cells that may be in the middle when those that stand alone are put among them
    if twice.shape[-1] % 2 == 0:
        near = (low, low, own, own) if n % 2 == 0 else (low, own)
    else:
        near = (low, own, own, high) if n % 2 == 0 else (own, own)
    return row_medians(np.concatenate([alone, np.stack(near, axis=-1)], axis=-1))


def row_quantiles(values: npt.NDArray[np.floating], share: float) -> FloatArray:
    """Quantile along the last axis [shape of ``values`` without it], straight between the two values beside it.

    Raises
    ------
    ValueError
        Rows without a number, or a share outside 0 to 1.
    """
    n = _length(values)
    if not 0.0 <= share <= 1.0:
        msg = f"quantile at {share!r}: wanted a share between 0 and 1"
        raise ValueError(msg)
    place = share * (n - 1)
    at = min(int(place), max(n - 2, 0))
    ordered = np.sort(values, axis=-1)
    low, high = ordered[..., at], ordered[..., min(at + 1, n - 1)]
    part = place - at
    # counted from the nearer side, as numpy does: exact at both ends
    between = low + (high - low) * part if part < 0.5 else high - (high - low) * (1.0 - part)
    return np.asarray(between, dtype=np.float64)


def _length(values: npt.NDArray[np.floating]) -> int:
    n = int(values.shape[-1])
    if n == 0:
        msg = f"values of shape {values.shape}: wanted at least one in the last axis"
        raise ValueError(msg)
    return n
