"""Speed of a run-up or coast-down from the firing line itself, between the speeds it began and ended with.

Where a speed moves threefold, other orders and accessories pass through the same frequencies, and the strongest line of
a moment is no guide. What tells the firing line is that it is at the first speed when the record begins, at the last
when it ends, and does not jump: of all paths that do so the one of most power is taken.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.ndimage import median_filter

from .cheapest_path import cheapest_path
from .line_confidence import offsets_with_confidence
from .logged_speed import refined_offsets
from .natural_spline import NaturalSpline
from .rival_line import LEAST_POWER
from .speed_track import (
    HOPS_PER_FRAME,
    NEARLY,
    ComplexArray,
    FloatArray,
    FollowedLine,
    IntArray,
    LinePath,
    PhaseTrack,
    Spectrogram,
    floor_levels,
    noise_path_excess,
    refined_path,
    spectrogram,
)

ENDS_WITHIN = 0.12
"""First and last speed are read off a dial, and the record begins and ends a moment before or after."""
SPANS = (0.5, 0.8, 1.3)
"""Frame lengths tried, times one over the root of the sweep's rate: a line that moves by r Hz a second crosses
``r T**2`` cells of a frame of length T."""
FLOOR_BINS = 31
REFINED_CELLS = 2.0
"""The path is made exact within so many cells of its frames."""
CLEAR_CELLS = 4.0
NEXT_LINE = 0.4
"""Share of the way to the next half order within which the path is made exact."""
CERTAIN_SIGMA = 8.0
MOST_BACK = 0.15
"""A driver's foot and a gear change are no sweep any more; wander is 3 % at the most, and noise in the path less."""
LED = 1.0 / 40.0
"""Share of a record that tells how its sweep goes on beyond the last output."""
STEEPEST_BINS = 3
"""In a hop; an even sweep moves by 0.1 to 0.8 of a bin in frames of these lengths."""
END_FRAMES = 8
"""Frames, two lengths of them, that tell how a sweep goes on before the first and after the last."""


@dataclass(frozen=True)
class Swept:
    """A line that was followed through a sweep.

    ``offsets`` per run, from the zoom's centre, with the confidence in it [shape=(n,)] each; ``figures`` of the line;
    ``mean_excess`` and ``needed_excess`` as for any followed line; ``lost`` share of the time.
    """

    offsets: list[tuple[FloatArray, FloatArray]]
    figures: dict[str, float]
    mean_excess: float
    needed_excess: float
    lost: float
    ends_excess: tuple[float, float]
    """Mean power over the floor's in the first and in the last ``END_FRAMES`` frames."""
    needed_at_ends: float
    turned_back: float
    """Greatest share by which the path went back on its way: one that changes to another order must."""

    @property
    def found(self) -> bool:
        """Whether it is a line at all, from the first speed to the last without a turn, and could be made exact."""
        whole = self.mean_excess >= self.needed_excess and min(self.ends_excess) >= self.needed_at_ends
        return bool(self.offsets) and whole and self.turned_back <= MOST_BACK


@dataclass(frozen=True)
class _Cells:
    """Whitened spectra of all runs at one frame length; ``floor`` [shape=(n_channel,)] they were held against."""

    runs: list[Spectrogram]
    frame_s: float
    floor: FloatArray


def swept_lines(
    runs: tuple[ComplexArray, ...], rate_hz: float, centre_hz: float, ends_hz: tuple[float, float], apart_hz: float
) -> list[Swept]:
    """The line that goes from the first to the last frequency, and a rival that does so too where there is one.

    Parameters
    ----------
    runs
        Baseband of each run [shape=(n_channel, n), complex] about ``centre_hz``, in order.
    rate_hz
        Its rate.
    ends_hz
        Frequency of the line as the first run begins and as the last one ends, each to ``ENDS_WITHIN``.
    apart_hz
        How near the next line of the same engine comes: half an order at the slower end.
    """
    shown = [_cells(runs, rate_hz, centre_hz, ends_hz, frame_s) for frame_s in _frame_lengths(runs, rate_hz, ends_hz)]
    tried = [_followed(cells) for cells in shown]
    gained = [(line.mean_excess - line.noise_excess) / line.frame_s for line in tried]
    best = max(index for index, gain in enumerate(gained) if gain >= NEARLY * max(gained) or gain == max(gained))
    first, cells = tried[best], shown[best]
    lines = [first]
    second = _followed(_emptied(cells, first.paths))
    n_channel = first.floor.size
    if second.mean_excess - n_channel >= LEAST_POWER * (first.mean_excess - n_channel):
        lines.append(second)
    falling = ends_hz[1] < ends_hz[0]
    return [_refined(runs, rate_hz, centre_hz, line, apart_hz, falling=falling) for line in lines]


def swept_range(ends_hz: tuple[float, float]) -> tuple[float, float]:
    """Lowest and highest frequency a line may have on its way."""
    return min(ends_hz) * (1.0 - ENDS_WITHIN), max(ends_hz) * (1.0 + ENDS_WITHIN)


def _frame_lengths(
    runs: tuple[ComplexArray, ...], rate_hz: float, ends_hz: tuple[float, float]
) -> list[float]:
    rate = _rate(runs, rate_hz, ends_hz)
    longest = max(run.shape[-1] for run in runs) / rate_hz
    return [float(np.clip(span / np.sqrt(rate), 8.0 / rate_hz, longest / 4.0)) for span in SPANS]


def _rate(runs: tuple[ComplexArray, ...], rate_hz: float, ends_hz: tuple[float, float]) -> float:
    """Hz a second of an even sweep."""
    seconds = sum(run.shape[-1] for run in runs) / rate_hz
    return float(max(abs(ends_hz[1] - ends_hz[0]), 1.0) / seconds)


def _cells(
    runs: tuple[ComplexArray, ...], rate_hz: float, centre_hz: float, ends_hz: tuple[float, float], frame_s: float
) -> _Cells:
    """Whitened short spectra of all runs, kept to the sweep, with what no path may touch ruled out at the ends."""
    low, high = swept_range(ends_hz)
    pass_hz = max(centre_hz - low, high - centre_hz)
    floor = np.mean([floor_levels(run, rate_hz, pass_hz) for run in runs], axis=0)
    shown = []
    for run in runs:
        cells = spectrogram(run, rate_hz, frame_s, pass_hz, floor)
        inside = (cells.offset_hz + centre_hz >= low) & (cells.offset_hz + centre_hz <= high)
        shown.append(replace(cells, power=cells.power[:, inside], offset_hz=cells.offset_hz[inside]))
    usual = np.median(np.concatenate([cells.power for cells in shown]), axis=0)
    # a line that sweeps is in any one cell for a moment only, one that stays there is taken for floor
    usual = np.maximum(usual, median_filter(usual, min(FLOOR_BINS, usual.size), mode="nearest"))
    usual /= max(floor.size - 1.0 / 3.0, 0.5)
    shown = [replace(cells, power=cells.power / usual) for cells in shown]
    # the first and the last frame are half a frame and the zoom's delay away from the ends of the record
    moved_hz = _rate(runs, rate_hz, ends_hz) * 1.5 * frame_s
    shown[0] = _held(shown[0], 0, ends_hz[0] - centre_hz, ENDS_WITHIN * ends_hz[0] + moved_hz)
    shown[-1] = _held(shown[-1], -1, ends_hz[1] - centre_hz, ENDS_WITHIN * ends_hz[1] + moved_hz)
    return _Cells(shown, frame_s, np.asarray(floor))


def _held(cells: Spectrogram, frame: int, offset_hz: float, within_hz: float) -> Spectrogram:
    """A path that is elsewhere in this frame collects nothing at all."""
    away = np.abs(cells.offset_hz - offset_hz) > within_hz
    power = cells.power.copy()
    power[frame, away] = 0.0
    return replace(cells, power=power)


def _followed(cells: _Cells) -> FollowedLine:
    paths = tuple(refined_path(run, _path(run)) for run in cells.runs)
    excess = np.concatenate([path.excess for path in paths])
    n_bin = max(run.offset_hz.size for run in cells.runs)
    noise = noise_path_excess(n_bin, cells.floor.size)
    return FollowedLine(paths, cells.frame_s, float(excess.mean()), noise, n_bin, excess.size, cells.floor)


def _path(cells: Spectrogram) -> IntArray:
    """The best path [shape=(n_frame,), bins] of a line that moves steadily.

    Power counts in full up to what makes a line certain, beyond that by its logarithm: of two certain lines the
    stronger one is taken, but must not be worth a jump, since jumping is what tells that a path has changed lines.
    """
    n = cells.n_channel
    certain = n + CERTAIN_SIGMA * np.sqrt(n)
    beyond = np.log(np.maximum(cells.power, certain) / certain)
    return cheapest_path(np.sqrt(certain * np.minimum(cells.power, certain)) + 1.5 * beyond, STEEPEST_BINS)


def _emptied(cells: _Cells, paths: tuple[LinePath, ...]) -> _Cells:
    """The same with nothing but floor about a line that was followed."""
    runs = []
    for run, path in zip(cells.runs, paths, strict=True):
        near = np.abs(run.offset_hz[None] - path.offset_hz[:, None]) < CLEAR_CELLS / cells.frame_s
        runs.append(replace(run, power=np.where(near, float(run.n_channel), run.power)))
    return replace(cells, runs=runs)


def _along(path: LinePath, n: int, rate_hz: float) -> FloatArray:
    """Offset at every output [shape=(n,)]: a spline through the path, and a straight line beyond its ends."""
    t = np.arange(n) / rate_hz
    if path.time_s.size < 2 * END_FRAMES:
        return np.asarray(np.interp(t, path.time_s, path.offset_hz))
    along = NaturalSpline(path.time_s, path.offset_hz)(t)
    for beyond, frames in ((t < path.time_s[0], slice(END_FRAMES)), (t > path.time_s[-1], slice(-END_FRAMES, None))):
        along[beyond] = np.polyval(np.polyfit(path.time_s[frames], path.offset_hz[frames], 1), t[beyond])
    return np.asarray(along)


def prolonged(
    time_s: FloatArray, values: FloatArray, first_s: float, last_s: float
) -> tuple[FloatArray, FloatArray]:
    """A track with one point more at either end [shape=(n + 2,)] each, where a straight line through it leads.

    A zoom has no output for the first and last moment of a record, in which a sweep goes on as beside it.
    """
    ends, led_s = [], LED * (last_s - first_s)
    for at, near in ((first_s, time_s <= time_s[0] + led_s), (last_s, time_s >= time_s[-1] - led_s)):
        ends.append(float(np.polyval(np.polyfit(time_s[near], values[near], 1), at)))
    return np.concatenate([[first_s], time_s, [last_s]]), np.concatenate([ends[:1], values, ends[1:]])


def _turned_back(paths: tuple[LinePath, ...], centre_hz: float, *, falling: bool) -> float:
    hertz = centre_hz + np.concatenate([path.offset_hz for path in paths])
    rising = hertz[::-1] if falling else hertz
    return float(np.max(1.0 - rising / np.maximum.accumulate(rising)))


def _refined(
    runs: tuple[ComplexArray, ...], rate_hz: float, centre_hz: float, line: FollowedLine, apart_hz: float, *,
    falling: bool,
) -> Swept:
    """The path made exact by the phase that is left along it; without offsets where nothing is left."""
    lost = float(np.mean(np.concatenate(line.lost)))
    given = [_along(path, run.shape[-1], rate_hz) for path, run in zip(line.paths, runs, strict=True)]
    # not so far that the next half order could be taken for the line
    within_hz = min(REFINED_CELLS / line.frame_s, NEXT_LINE * apart_hz)
    refined = refined_offsets(runs, rate_hz, given, centre_hz, within_hz)
    ends = (float(line.paths[0].excess[:END_FRAMES].mean()), float(line.paths[-1].excess[-END_FRAMES:].mean()))
    # the frames overlap: eight of them tell as much as two that do not
    at_ends = line.noise_excess + 2.0 * float(np.sqrt(line.floor.size * HOPS_PER_FRAME / END_FRAMES))
    measure = (
        line.mean_excess, line.needed_excess, lost, ends, at_ends,
        _turned_back(line.paths, centre_hz, falling=falling),
    )  # fmt: skip
    if refined is None:
        return Swept([], {}, *measure)
    offsets, figures = refined
    tracks = [PhaseTrack(np.cumsum(offset) / rate_hz, offset, True, 0) for offset in offsets]
    sure = offsets_with_confidence(runs, rate_hz, line, tracks)
    return Swept(sure, figures, *measure)
