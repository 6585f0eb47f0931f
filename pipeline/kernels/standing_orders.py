"""Which orders stand out of an averaged order spectrum, and how high they are between its cells."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from .interpolation import hann_two_bins
from .prominence import standing_out, summits
from .quantiles import row_medians

FloatArray = npt.NDArray[np.float64]

LOWEST = 0.25
"""Below a quarter of an order stands the drift of a run, and no order of an engine."""

TIMES_FLOOR = 5.0
"""Times the median of an order on either side. Noise in a single frame of one axis, the worst there is, reached 4 times
in 28 spectra of a thousand and 5 times in none.
"""

LEAST_DIP = 1.33
"""Ratio to the higher of the dips beside it: two equal lines two cells apart leave a dip of 1.41 between them."""


def standing_orders(orders: FloatArray, amplitude: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Orders that stand out and their amplitudes, highest first [shape=(n,)] each.

    ``amplitude`` [shape=(n_order,), any unit] root mean squares of Hann frames over evenly spaced ``orders``; cells
    that are no numbers count for nothing. Between cells order and height are those of the two-bin formula, exact for
    an order of its own.

    >>> cells = np.arange(200) / 32
    >>> hann = 2.0 * np.interp(np.abs(cells - 2.0) * 32, [0, 1, 2], [1.0, 0.5, 0.0]) + 1e-3
    >>> [round(float(v[0]), 2) for v in standing_orders(cells, hann)]
    [2.0, 2.0]
    """
    known = np.flatnonzero(np.isfinite(amplitude))
    if known.size < 5:
        return np.empty(0), np.empty(0)
    at, height = orders[known], np.asarray(amplitude[known], dtype=np.float64)
    floor = _median_about(height, min(round(1.0 / float(at[1] - at[0])), known.size - 1))
    level = np.log(np.maximum(height, np.finfo(np.float64).tiny))
    peaks = summits(level)
    peaks = peaks[(height[peaks] > TIMES_FLOOR * floor[peaks]) & (at[peaks] >= LOWEST)]
    peaks = standing_out(level, peaks, np.full(level.size, np.log(LEAST_DIP)))
    line = hann_two_bins(np.stack([height[peaks - 1], height[peaks], height[peaks + 1]], axis=-1))
    found = at[peaks] + line.offset * (at[1] - at[0])
    by_height = np.argsort(-line.height, kind="stable")
    return found[by_height], line.height[by_height]


def _median_about(values: FloatArray, reach: int) -> FloatArray:
    """Median of the cells up to ``reach`` away on either side, mirrored at the ends: repeated, an end that is low by
    chance would be its own floor.
    """
    mirrored = np.pad(values, reach, mode="symmetric")
    return row_medians(np.lib.stride_tricks.sliding_window_view(mirrored, 2 * reach + 1))
