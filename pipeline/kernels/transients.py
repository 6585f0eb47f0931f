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

from .quantiles import medians_and_deviations, row_medians

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]

CHANNELS_TOGETHER = 3
EXPONENTIAL_LOG_STD = float(np.pi / np.sqrt(6.0))
"""Standard deviation of the logarithm of an exponentially distributed power (noise in one bin)."""


@dataclass(frozen=True, slots=True)
class BurstRule:
    """When a frame is part of a burst.

    A row of the scores (a group of bands, single frames or a few in a row) must stand above its median by
    ``rise_scatters`` of its own robust scatters, and by ``rise_db`` where it covers all bands away from
    lines, by ``line_rise_db`` where it carries a line. The level is back below ``back_share`` of that height.
    ``least_rms``: root of the summed excess power over all channels and bands that is worth cutting [SI];
    ``least_share``: the same as a part of the usual level. A lull is a fall by ``fall_db`` (and by
    ``rise_scatters``) of a line or of all bands away from lines over ``fall_frames`` or more.
    """

    rise_scatters: float = 6.0
    rise_db: float = 2.5
    line_rise_db: float = 6.0
    back_share: float = 0.5
    least_rms: float = 0.5e-3 * 9.80665
    least_share: float = 0.05
    bands_per_group: int = 6
    frames_in_row: int = 4
    fall_db: float = 10.0
    fall_frames: int = 8


@dataclass(frozen=True, slots=True)
class BurstScores:
    """Rows of scores: groups of bands, each by single frames and by means over a few frames in a row.

    Rise over the row's median [dB, shape=(n_row, n_frame)], its robust scatter over time [dB,
    shape=(n_row,)], which rows are lines; excess rms per frame [shape=(n_frame,)] and the usual level (rms
    over all channels and bands).
    """

    rise_db: FloatArray
    scatter_db: FloatArray
    is_line: BoolArray
    excess_rms: FloatArray
    usual_rms: float


def burst_scores(
    bands: npt.NDArray[np.floating],
    usual: FloatArray,
    floor: FloatArray,
    widths_hz: FloatArray,
    is_line: BoolArray,
    rule: BurstRule,
) -> BurstScores:
    """Scores of frames from band densities [shape=(n_channel, n_frame, n_band), (SI)**2/Hz].

    ``usual`` [shape=(n_channel, n_band)] is the median of ``bands`` over time; ``is_line``, ``widths_hz``
    [shape=(n_band,)]. ``floor`` [shape=(n_channel,), (SI)**2/Hz, > 0] is added to every band: the converter's own
    noise, without which a resting channel's first stirring would be an event. Logarithms are averaged rather than
    powers: the logarithm of noise power has a short upper tail, so a threshold in scatters is rarely passed by
    chance.
    """
    n_channel, n_frame, n_band = bands.shape
    ratio, excess = np.zeros((n_frame, n_band)), np.zeros(n_frame)
    product = np.ones((n_frame, n_band))
    expected = usual + floor[:, None]
    for channel in range(n_channel):  # one after the other: a record of hours holds millions of these
        rise = bands[channel] * (1.0 / expected[channel])
        rise += floor[channel] / expected[channel]
        product *= rise
        power = expected[channel] * widths_hz
        excess += np.maximum(rise, 1.0, out=rise) @ power - power.sum()
        # one logarithm for a few channels: the product of more might leave the range of numbers
        if channel % CHANNELS_TOGETHER == CHANNELS_TOGETHER - 1 or channel == n_channel - 1:
            ratio += np.log(product, out=product)
            product[...] = 1.0
    shares, lines = _groups(is_line, rule.bands_per_group)
    single = (shares @ ratio.T) * (10.0 / np.log(10.0) / n_channel)
    score = np.concatenate([single, _in_a_row(single, rule.frames_in_row)])
    usual_score, robust = medians_and_deviations(score)
    score -= usual_score[:, None]
    # noise exceeds its median half of the time; only what goes beyond that is excess
    excess = np.sqrt(np.maximum(excess - row_medians(excess), 0.0))
    level = float(np.sqrt(np.sum(expected @ widths_hz)))
    return BurstScores(score, 1.4826 * robust, np.concatenate([lines, lines]), excess, level)


def line_bands(scatter: FloatArray) -> BoolArray:
    """Bands that carry a line [shape=(n_band,)]: their power scatters less than half as much as noise does.

    ``scatter`` [shape=(n_channel, n_band)]: standard deviation of the logarithm of the power over time.
    """
    return np.asarray(row_medians(scatter.T) < 0.5 * EXPONENTIAL_LOG_STD, dtype=np.bool_)


def _groups(is_line: BoolArray, per_group: int) -> tuple[FloatArray, BoolArray]:
    """Groups of bands: neighbours in sixes, bands with and without a line apart, then all without.

    The share of each band in a group's mean [shape=(n_group, n_band)], and which groups are lines.
    """
    n_band = len(is_line)
    members = np.zeros((2 * -(-n_band // per_group) + 1, n_band))
    bands = np.arange(n_band)
    members[2 * (bands // per_group) + is_line, bands] = 1.0
    members[-1] = ~is_line
    counts = members.sum(axis=1)
    there = counts > 0.0
    lines = np.arange(len(members)) % 2 == 1
    return members[there] / counts[there, None], lines[there]


def _in_a_row(score: FloatArray, n: int) -> FloatArray:
    """Means over ``n`` frames, the frame being the second of them; the ends repeat their last value."""
    before, n_frame = (n - 1) // 2, score.shape[1]
    padded = np.empty((len(score), n_frame + n - 1))
    padded[:, :before] = score[:, :1]
    padded[:, before : before + n_frame] = score
    padded[:, before + n_frame :] = score[:, -1:]
    total = padded[:, :n_frame].copy()
    for later in range(1, n):
        total += padded[:, later : later + n_frame]
    total /= n
    return total


def burst_frames(scores: BurstScores, rule: BurstRule) -> list[tuple[int, int]]:
    """Bursts as (first frame, last frame): from where the level rises to the last frame before it is back."""
    heavy = scores.excess_rms > max(rule.least_rms, rule.least_share * scores.usual_rms)
    if not heavy.any():
        return []
    least = np.where(scores.is_line, rule.line_rise_db, rule.rise_db)
    height = np.maximum(least, rule.rise_scatters * scores.scatter_db)[:, None]
    rises = np.any(scores.rise_db > height, axis=0) & heavy
    return _grown(rises, np.any(scores.rise_db > rule.back_share * height, axis=0)) if rises.any() else []


def lull_frames(scores: BurstScores, rule: BurstRule) -> list[tuple[int, int]]:
    """Where the machine fell silent, (first frame, last frame): not yet started, stalled, switched off early."""
    n_row = len(scores.is_line) // 2
    if scores.rise_db.shape[1] == 0 or n_row == 0:
        return []
    watched = np.append(np.flatnonzero(scores.is_line[: n_row - 1]), n_row - 1)
    depth = np.maximum(rule.fall_db, rule.rise_scatters * scores.scatter_db[watched])[:, None]
    fallen = np.any(scores.rise_db[watched] < -depth, axis=0)
    # no piece is longer than its frames and the single ones between them
    if 2 * np.count_nonzero(fallen) <= rule.fall_frames:
        return []
    return [pair for pair in _grown(fallen, fallen) if pair[1] - pair[0] + 1 >= rule.fall_frames]


def _grown(seeds: BoolArray, region: BoolArray) -> list[tuple[int, int]]:
    """Connected pieces of ``region`` that hold a seed; one frame below does not part two pieces."""
    bridged = region.copy()
    bridged[1:-1] |= region[:-2] & region[2:]
    edges = np.flatnonzero(np.diff(np.concatenate([[False], bridged, [False]]).astype(np.int8)))
    pieces = zip(edges[0::2], edges[1::2] - 1, strict=True)
    return [(int(first), int(last)) for first, last in pieces if seeds[first : last + 1].any()]
