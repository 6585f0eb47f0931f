"""Floor beside an order's band: the level of noise there, whatever lines stand in it.

A line that sticks out of the floor is cut off cell by cell; but an accessory whose speed wanders raises the floor
about it by less than any cut. So the surroundings are parted, and parts higher than chance allows are left out.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from .quantiles import row_medians, row_quantiles

FloatArray = npt.NDArray[np.float64]

FLOOR_CLIP = 5.0
"""Cells above this many times the floor are left out of it; 0.7 % of a floor's own cells are."""
KEPT = 1.0 - FLOOR_CLIP / float(np.expm1(FLOOR_CLIP))
"""What such a cut leaves of an exponential distribution's mean."""
LN_2 = float(np.log(2.0))
MOST_PARTS = 16
LEAST_CELLS = 40
"""A part of fewer cells, all channels together, scatters by a fifth and more, and lopsidedly."""
TOO_HIGH = 3.5
"""Standard deviations by which a part may lie above the others' mean: under two in a thousand do by chance, with the
lopsidedness of so few cells."""
HANN_CELLS = 35.0 / 18.0
"""Neighbouring cells of a Hann window are alike: this many tell as much as one apart."""


@dataclass(frozen=True)
class FloorBeside:
    """Density of the floor per channel [shape=(n_channel,)] and the share of the surroundings it was judged on."""

    density: FloatArray
    share: float


def clipped_mean_floor(cells: FloatArray) -> FloatArray:
    """Mean of exponentially distributed cells [shape=(n_channel, n)] without those that stick out.

    Starts at the median; then twice the mean of the cells below ``FLOOR_CLIP`` times the floor, corrected by
    what such a cut takes from an exponential distribution.
    """
    floor = row_medians(cells) / LN_2
    for _ in range(3):
        before, floor = floor, _clipped_mean(cells, floor)
        # where the same cells stay, the next mean is the same
        if (floor == before).all():
            break
    return np.asarray(floor)


def _part_means(ordered: FloatArray, floor: FloatArray, starts: npt.NDArray[np.intp]) -> FloatArray:
    """``_clipped_mean`` of every part [shape=(n_channel, n_part)], all of them in one pass."""
    below = (ordered < FLOOR_CLIP * floor[:, None]).astype(np.float64)
    held = np.add.reduceat(ordered * below, starts, axis=-1)
    count = np.add.reduceat(below, starts, axis=-1)
    return np.asarray(held / np.maximum(count, 1.0) / KEPT)


def _clipped_mean(cells: FloatArray, floor: FloatArray) -> FloatArray:
    below = (cells < FLOOR_CLIP * floor[:, None]).astype(np.float64)
    return np.asarray(np.vecdot(cells, below) / np.maximum(below.sum(axis=-1), 1.0) / KEPT)


def floor_beside(cells: FloatArray, offset_hz: FloatArray) -> FloorBeside:
    """The floor over the parts of the surroundings that no other line raises.

    Parameters
    ----------
    cells
        Density cells beside the band, Hann window [shape=(n_channel, n)].
    offset_hz
        Where each lies [shape=(n,)]; parts are neighbouring cells.

    Notes
    -----
    The quantile at 40 % of the parts starts the mean; then parts up to ``TOO_HIGH`` standard deviations above
    it belong to it. A floor that slopes by less than some 40 % over half a minute's surroundings keeps all parts.
    """
    floor = clipped_mean_floor(cells)
    n_parts = min(MOST_PARTS, cells.size // LEAST_CELLS, offset_hz.size // 8)
    if n_parts < 4:
        return FloorBeside(floor, 1.0)
    # one run's cells stand in order already
    rising = bool((offset_hz[1:] >= offset_hz[:-1]).all())
    ordered = cells if rising else cells[:, np.argsort(offset_hz, kind="stable")]
    sizes, starts = _even_parts(offset_hz.size, n_parts)
    level = _part_means(ordered, floor, starts)
    most = 1.0 + TOO_HIGH * np.sqrt(HANN_CELLS / (cells.shape[0] * sizes))
    high = (1.0 / np.maximum(floor, 1e-300)) @ level / floor.size
    kept = _usual_parts(high, most)
    if all(kept) or not any(kept):
        return FloorBeside(floor, 1.0)
    used = ordered[:, np.repeat(kept, sizes)]
    return FloorBeside(clipped_mean_floor(used), used.shape[-1] / offset_hz.size)


def _usual_parts(high: FloatArray, most: FloatArray) -> list[bool]:
    """Per part, whether its level ``high`` is below ``most`` times the others' mean."""
    middle = float(row_quantiles(high, 0.4))
    # plain numbers: arrays of sixteen cost more in calls
    level, limit = high.tolist(), most.tolist()
    kept: list[bool] = []
    for _ in range(3):
        before, kept = kept, [one < middle * by for one, by in zip(level, limit, strict=True)]
        if kept == before or not any(kept):
            break
        middle = sum(itertools.compress(level, kept)) / sum(kept)
    return kept


@lru_cache(maxsize=8)
def _even_parts(n: int, n_parts: int) -> tuple[npt.NDArray[np.intp], npt.NDArray[np.intp]]:
    """Sizes of parts as even as whole cells can be, the larger ones first, and where each begins; read-only."""
    sizes = np.full(n_parts, n // n_parts)
    sizes[: n % n_parts] += 1
    starts = np.cumsum(sizes) - sizes
    for kept in (sizes, starts):
        kept.setflags(write=False)
    return sizes, starts
