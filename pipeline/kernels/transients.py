"""Taps and slams: sudden energy away from the lines of a running engine.

Every band of the short-time spectrum is compared with its own median over time, so a line counts no more
than the floor beside it, and a line that is steady, however strong, counts for nothing. Bands whose power
hardly scatters carry a line; they are kept apart from the rest, because a single tone's sway must not hide
in, or pass for, what happens away from it. A tap that rings at the line's own frequency has a sudden onset,
and a sudden onset has energy away from any frequency.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]

EXPONENTIAL_LOG_STD = float(np.pi / np.sqrt(6.0))
"""Standard deviation of the logarithm of an exponentially distributed power (noise in one bin)."""


@dataclass(frozen=True, slots=True)
class BurstRule:
    """When a frame is part of a burst. ``rise_db`` and ``rise_scatters``: how far a group of bands must stand
    above its median, in dB and in its own robust scatter, both. ``line_rise_db``: the same for bands that
    carry a line. ``back_db``: below this the level is back. ``least_rms``: root of the summed excess power
    over all channels and bands that is worth cutting [SI]. ``least_share``: the same as a part of the usual
    level.
    """

    rise_db: float = 6.0
    rise_scatters: float = 7.0
    line_rise_db: float = 6.0
    back_db: float = 3.0
    least_rms: float = 0.5e-3 * 9.80665
    least_share: float = 0.05
    bands_per_group: int = 6


@dataclass(frozen=True, slots=True)
class BurstScores:
    """Per group of bands and frame: rise over the group's median [dB, shape=(n_group, n_frame)], its robust
    scatter over time [dB, shape=(n_group,)], which groups are lines; excess rms per frame [shape=(n_frame,)]
    and the usual level (rms over all channels and bands).
    """

    rise_db: FloatArray
    scatter_db: FloatArray
    is_line: BoolArray
    excess_rms: FloatArray
    usual_rms: float


def burst_scores(
    bands: npt.NDArray[np.floating], widths_hz: FloatArray, floor: FloatArray, bands_per_group: int
) -> BurstScores:
    """Scores of frames from band densities [shape=(n_channel, n_frame, n_band), (SI)**2/Hz].

    ``widths_hz`` [shape=(n_band,)]; ``floor`` [shape=(n_channel,), (SI)**2/Hz] is a density below which
    nothing is believed (the converter's own noise), added to every band, so that a channel resting on one
    code does not make its first stirring an event.
    """
    power = np.asarray(bands, dtype=np.float64) + floor[:, None, None]
    usual = np.median(power, axis=1)
    ratio = np.log(power / usual[:, None, :])
    scatter = 1.4826 * np.median(np.abs(ratio), axis=1)
    line_band = np.median(scatter, axis=0) < 0.5 * EXPONENTIAL_LOG_STD
    rows, lines = [], []
    for first in range(0, len(widths_hz), bands_per_group):
        members = np.arange(first, min(first + bands_per_group, len(widths_hz)))
        for is_line in (False, True):
            chosen = members[line_band[members] == is_line]
            if chosen.size:
                rows.append(ratio[:, :, chosen].mean(axis=(0, 2)))
                lines.append(is_line)
    score = np.asarray(rows) * (10.0 / np.log(10.0))
    score -= np.median(score, axis=1, keepdims=True)
    robust = 1.4826 * np.median(np.abs(score), axis=1)
    excess = np.einsum("cfb,b->f", np.maximum(power - usual[:, None, :], 0.0), widths_hz)
    # noise alone exceeds its median half of the time; only what goes beyond that is excess
    excess = np.sqrt(np.maximum(excess - np.median(excess), 0.0))
    level = float(np.sqrt(np.einsum("cb,b->", usual, widths_hz)))
    return BurstScores(score, robust, np.asarray(lines, dtype=np.bool_), excess, level)


def burst_frames(scores: BurstScores, rule: BurstRule) -> list[tuple[int, int]]:
    """Bursts as (first frame, last frame): from where the level rises to the last frame before it is back."""
    if scores.rise_db.shape[1] == 0:
        return []
    least = np.where(scores.is_line, rule.line_rise_db, rule.rise_db)
    height = np.maximum(least, rule.rise_scatters * scores.scatter_db)[:, None]
    heavy = scores.excess_rms > max(rule.least_rms, rule.least_share * scores.usual_rms)
    rises = np.any(scores.rise_db > height, axis=0) & heavy
    back = np.maximum(rule.back_db, 0.5 * height)
    raised = np.any(scores.rise_db > back, axis=0)
    return _grown(rises, raised | rises)


def _grown(seeds: BoolArray, region: BoolArray) -> list[tuple[int, int]]:
    """Connected pieces of ``region`` that hold a seed; one frame below does not part two pieces."""
    bridged = region.copy()
    bridged[1:-1] |= region[:-2] & region[2:]
    edges = np.flatnonzero(np.diff(np.concatenate([[False], bridged, [False]]).astype(np.int8)))
    pieces = zip(edges[0::2], edges[1::2] - 1, strict=True)
    return [(int(first), int(last)) for first, last in pieces if seeds[first : last + 1].any()]
