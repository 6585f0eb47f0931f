"""Neighbours inside an order's band: found by their beat with the line, and taken out of its energy.

Two lines A and a in one band make its squared amplitude ``A**2 + a**2 + 2 A a cos(beat)``. The beat is a line
of its own in the squared amplitude, on a clock that needs no phase of the track: crank angle for an accessory
(constant ratio to the speed), plain time against the angle for a fixed frequency. A steady part m and beats
of amplitude b give ``A**4 - m A**2 + sum(b**2) / 4 = 0``; of its roots the line, the stronger, is the upper.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property, lru_cache
from typing import Literal

import numpy as np
import numpy.typing as npt
from scipy import fft
from scipy.ndimage import median_filter
from scipy.special import gammaincc, gammainccinv, gammaincinv

from .pace import Pace
from .quantiles import row_medians, two_sided_medians
from .windows import hann_within

FloatArray = npt.NDArray[np.float64]
ComplexArray = npt.NDArray[np.complex128]

Clock = Literal["angle", "time"]
CLOCKS: tuple[Clock, Clock] = ("angle", "time")

STICKS_OUT = 14.0
"""A beat must be this unlikely by chance, in natural logarithms: one cell in a million is, and one in a thousand
where the surroundings slope by half. In one channel that is 14 times the power around it, in three that scatter
independently 6.9 times."""
AROUND = 41
FLOOR_CELLS = 4.0
"""Cells above this many times the median do not tell how alike the channels scatter: a beat moves them all."""
BEST_KNOWN = 0.005
"""Relative standard uncertainty of a beat's amplitude however far it stands out: what of it lies in images outside
the band. Chosen so that the normalised errors of lines 40 dB up with neighbours spread by one."""
LEAST_CELLS = 8
"""Fewer cells tell nothing of what is usual among them."""
MOST = 5
SLOWEST_CELLS = 2.0
"""Beats slower than this many cycles over the record cannot be told from a drift of the line itself."""


@dataclass(frozen=True)
class Beat:
    """One beat: its clock, frequency, and amplitude per channel.

    ``away_hz``: distance from the line (sign unknown for ``angle``, where it is that at the mean speed);
    ``square`` [shape=(n_channel,)]: mean over the runs of its squared amplitude, noise removed;
    ``variance`` [shape=(n_channel,)] of its amplitude.
    """

    clock: Clock
    away_hz: float
    square: FloatArray
    variance: FloatArray


@dataclass(frozen=True)
class Squares:
    """Squared amplitude of one run [shape=(n_channel, n)], and how the line's cycles run against time."""

    values: FloatArray
    pace: Pace


def beats(runs: list[Squares], highest_hz: float) -> tuple[list[Beat], list[Squares]]:
    """Beats of the line with neighbours up to ``highest_hz`` away, strongest first, and what is left without.

    Parameters
    ----------
    runs
        Squared amplitude in the band along each run; ``cycles`` may be relative to any constant frequency.
    highest_hz
        Half the band.
    """
    means = [run.values.sum(axis=-1) / run.values.shape[-1] for run in runs]
    left = [Squares(run.values - mean[:, None], run.pace) for run, mean in zip(runs, means, strict=True)]
    spans = [run.pace.span_s for run in runs]
    level = np.asarray(sum(span * mean for span, mean in zip(spans, means, strict=True)) / sum(spans))
    found: list[Beat] = []
    for _ in range(MOST):
        cells = [_beat_cells(left, clock, highest_hz, level) for clock in CLOCKS]
        if not any(one.may_stand_out for one in cells):
            break
        angle, time = (_strongest(one) for one in cells)
        # where speed hardly wanders both clocks show the same: the angle's is the likelier cause
        best = time if time.excess > 1.2 * angle.excess else angle
        if best.unlikely < STICKS_OUT:
            break
        beat, left = _taken_out(left, best.clock, best.away_hz, 1.0 / highest_hz)
        if np.any(beat.square > 0) and not _known(beat, found, 1.5 / max(spans)):
            found.append(beat)
    return found, left


def _known(beat: Beat, found: list[Beat], close_hz: float) -> bool:
    """Whether a weaker beat is what was left of a stronger one, or that of two neighbours with each other."""
    for i, one in enumerate(found):
        if abs(abs(beat.away_hz) - abs(one.away_hz)) < 0.5 * close_hz:
            return True
        for other in found[:i]:
            for away in (abs(one.away_hz) + abs(other.away_hz), abs(abs(one.away_hz) - abs(other.away_hz))):
                if abs(abs(beat.away_hz) - away) < close_hz:
                    return True
    return False


@dataclass(frozen=True)
class _Candidate:
    """The cell that sticks out most on one clock: by how much, how unlikely by chance (-ln), and where."""

    excess: float
    unlikely: float
    clock: Clock
    away_hz: float


@dataclass(frozen=True)
class _RunCells:
    """One run's cells in the band [shape=(n_channel, n)], each channel's level among all cells, and its weight."""

    inside: ComplexArray
    level: FloatArray
    weight: FloatArray

    @cached_property
    def power(self) -> FloatArray:
        """Power of the channels over their own levels, weighed and summed [shape=(n,)]."""
        return np.asarray((self.weight / self.level) @ (self.inside.real**2 + self.inside.imag**2))

    @cached_property
    def products(self) -> float:
        """Sum of the products of weights, two channels counted by their squared coherence away from what sticks out.

        An amplitude that wanders moves all channels alike, and they are then no better than one.
        """
        total = (1.0 / self.level) @ (self.inside.real**2 + self.inside.imag**2)
        calm = self.inside[:, total <= FLOOR_CELLS * row_medians(total)] / np.sqrt(self.level)[:, None]
        cross = np.abs(calm @ calm.conj().T) ** 2
        own = np.maximum(np.sqrt(np.diag(cross)), 1e-100)
        return float(np.sum(np.outer(self.weight, self.weight) * cross / np.outer(own, own)))


@dataclass(frozen=True)
class _BeatCells:
    """Weighed power on one clock [shape=(n,)], its ratio to the median around, and what it was made of.

    ``first`` is the number of the first cell, counted from 0 Hz, ``step_hz`` how far apart they are. Too near to 0 Hz
    for a beat, the ratio is 0; where hardly any other cell is left, there is none.
    """

    clock: Clock
    power: FloatArray
    ratio: FloatArray
    first: int
    step_hz: float
    runs: tuple[_RunCells, ...]

    @property
    def may_stand_out(self) -> bool:
        """Whether its highest cell is unlikely enough if all channels scatter independently: in no way more so."""
        return bool(self.ratio.size and self.ratio.max() >= _least_ratio(self.n_most))

    @property
    def n_most(self) -> int:
        """Channels of all runs: as many parts as can scatter independently."""
        return sum(run.weight.size for run in self.runs)


@lru_cache(maxsize=8)
def _least_ratio(n_parts: int) -> float:
    """Power over the median from which on a cell of ``n_parts`` parts sticks out, less what rounding may change.

    The fewer the parts, the higher it is: more of the same power over the median is then chance.
    """
    least = float(gammainccinv(n_parts, np.exp(-STICKS_OUT)) / gammaincinv(n_parts, 0.5))
    return least * (1.0 - 1e-6)


def _beat_cells(runs: Sequence[Squares], clock: Clock, highest_hz: float, level: FloatArray) -> _BeatCells:
    """Cells of a clock up to ``highest_hz``, and how far each is above its surroundings.

    A channel counts by how far a beat would stand out in it: its mean ``level`` squared over its noise.
    """
    longest_s = max(run.pace.span_s for run in runs)
    time_s = runs[0].pace.time_s
    rate = (time_s.size - 1) / (time_s[-1] - time_s[0])
    n_fft = fft.next_fast_len(int(2 * longest_s * rate) + 2)
    last = min(int(highest_hz * n_fft / rate), (n_fft - 1) // 2)
    first = 0 if clock == "angle" else -last
    cells = tuple((_angle_cells if clock == "angle" else _time_cells)(run, n_fft, last, level) for run in runs)
    power = np.asarray(sum(one.power for one in cells))
    slowest = _first_from(SLOWEST_CELLS / longest_s, rate / n_fft)
    too_slow = slice(max(1 - slowest - first, 0), min(slowest - first, power.size))
    ratio = np.empty(0)
    if power.size - (too_slow.stop - too_slow.start) >= LEAST_CELLS:
        # judged against the median of some twenty cells around: within them a modulated line's spectrum is flat
        ratio = power / np.maximum(median_filter(power, size=AROUND, mode="reflect"), 1e-300)
        ratio[too_slow] = 0.0
    return _BeatCells(clock, power, ratio, first, rate / n_fft, cells)


def _first_from(frequency_hz: float, step_hz: float) -> int:
    """Number of the first cell that does not lie below a frequency."""
    number = max(int(frequency_hz / step_hz) - 1, 0)
    while number * step_hz < frequency_hz:
        number += 1
    return number


def _angle_cells(run: Squares, n_fft: int, last: int, level: FloatArray) -> _RunCells:
    """Cells from 0 Hz up on the clock of the crank: real values on even angles have no other side."""
    pace = run.pace
    values = np.stack([np.interp(pace.even_angle_s, pace.angle_s, channel) for channel in run.values])
    cells = fft.rfft(values * hann_within(values.shape[-1]), n_fft, axis=-1)
    power = cells.real**2 + cells.imag**2
    return _weighed(cells[:, : last + 1], two_sided_medians(power, n_fft), pace.span_s, level)


def _time_cells(run: Squares, n_fft: int, last: int, level: FloatArray) -> _RunCells:
    """Cells on either side of 0 Hz on the clock of time against the crank's."""
    turned = run.values * (run.pace.strayed_phasor.conj() * hann_within(run.values.shape[-1]))
    cells = fft.fft(turned, n_fft, axis=-1)
    # transforms begin at 0 Hz; what lies below it comes last
    inside = np.concatenate([cells[:, n_fft - last :], cells[:, : last + 1]], axis=-1)
    return _weighed(inside, row_medians(cells.real**2 + cells.imag**2), run.pace.span_s, level)


def _weighed(inside: ComplexArray, scale: FloatArray, span_s: float, level: FloatArray) -> _RunCells:
    scale = np.maximum(scale, 1e-300)
    share = level**2 / scale
    weight = span_s * share / max(float(share.sum()), 1e-300)
    return _RunCells(inside, scale, weight)


def _strongest(cells: _BeatCells) -> _Candidate:
    """The strongest beat on a clock, over its surroundings.

    The sum over channels and runs scatters as a gamma variable of as many parts as scatter independently.
    """
    products = sum(run.products for run in cells.runs)
    if cells.ratio.size == 0 or products <= 0.0:
        return _Candidate(0.0, 0.0, cells.clock, 0.0)
    n_parts = min(max(1.0, sum(float(run.weight.sum()) for run in cells.runs) ** 2 / products), float(cells.n_most))
    found = int(np.argmax(cells.ratio))
    excess = float(cells.ratio[found] * gammaincinv(n_parts, 0.5) / n_parts)
    near = slice(max(0, found - 3), found + 4)
    # what is not allowed has no ratio
    peak = near.start + int(np.argmax(np.where(cells.ratio[near] > 0.0, cells.power[near], 0.0)))
    chance = float(gammaincc(n_parts, n_parts * excess))
    away_hz = _refined(cells, peak)
    return _Candidate(excess, -float(np.log(max(chance, 1e-300))), cells.clock, away_hz)


def _refined(cells: _BeatCells, peak: int) -> float:
    """Frequency of a peak between the cells, by a parabola through log power."""
    shift, power = 0.0, cells.power
    if peak not in (0, power.size - 1):
        low, mid, high = np.log(power[peak - 1 : peak + 2] + 1e-300)
        bend = min(low - 2.0 * mid + high, -1e-9)
        shift = float(np.clip(0.5 * (low - high) / bend, -0.5, 0.5))
    return float((cells.first + peak) * cells.step_hz + shift * cells.step_hz)


def _taken_out(
    runs: list[Squares], clock: Clock, frequency: float, edge_s: float
) -> tuple[Beat, list[Squares]]:
    """Fit the beat to each run by least squares; the beat, and the runs without it.

    ``edge_s`` at either end of a run, where the band's filter rings, have no say in the fit.
    """
    n_channel = runs[0].values.shape[0]
    left, square, variance, seconds = [], np.zeros(n_channel), np.zeros(n_channel), 0.0
    for run in runs:
        angle, time_s, span_s = _beat_angle(run.pace, clock, frequency), run.pace.time_s, run.pace.span_s
        inner = slice(*np.searchsorted(time_s, [time_s[0] + edge_s, time_s[-1] - edge_s]))
        if angle[inner].size < time_s.size // 2:
            inner = slice(None)
        basis = np.stack([np.cos(angle), np.sin(angle), np.ones_like(angle)])
        used = basis[:, inner]
        # normal equations of three nearly orthogonal functions; einsum keeps to one thread, lstsq does not
        squares = np.einsum("in,jn->ij", used, used)
        fit = np.linalg.solve(squares, np.einsum("in,cn->ic", used, run.values[:, inner]))
        rest = run.values - fit[0][:, None] * basis[0] - fit[1][:, None] * basis[1]
        # each of the two fitted amplitudes has twice the power of a cell of noise as its variance
        cell = _cell_power_near(rest[:, inner], angle[inner])
        square += span_s * np.maximum(np.sum(fit[:2] ** 2, axis=0) - 4.0 * cell, 0.0)
        variance += span_s**2 * 2.0 * cell
        seconds += span_s
        left.append(Squares(rest, run.pace))
    return Beat(clock, frequency, square / seconds, variance / seconds**2), left


def _beat_angle(pace: Pace, clock: Clock, frequency: float) -> FloatArray:
    """The beat's angle in radians [shape=(n,)]."""
    if clock == "angle":
        return np.asarray(2.0 * np.pi * frequency * pace.angle_s)
    return np.asarray(2.0 * np.pi * (pace.strayed + frequency * pace.time_s))


def _cell_power_near(rest: FloatArray, angle: FloatArray) -> FloatArray:
    """Power in a cell of the two-sided spectrum of what is left, the mean of a few either side of the beat."""
    cells = np.arange(-6, 7)
    cells = cells[np.abs(cells) > 1]
    turns = np.exp(-1j * (angle[None] + 2.0 * np.pi * cells[:, None] * np.arange(angle.size) / angle.size))
    sums = np.einsum("cn,kn->ck", rest, turns)
    return np.asarray(np.mean(np.abs(sums) ** 2, axis=-1) / angle.size**2)


@dataclass(frozen=True)
class LineAlone:
    """Squared amplitude of the line without its neighbours, and how errors carry over to it.

    ``by_total`` [shape=(n_channel,)]: its derivative by the band's whole energy; ``beat_variance``
    [shape=(n_channel,)]: what the uncertainty of the beats adds to its variance.
    """

    square: FloatArray
    by_total: FloatArray
    beat_variance: FloatArray


def line_alone(total: FloatArray, found: list[Beat]) -> LineAlone:
    """The upper root of ``A**4 - total A**2 + sum(b**2) / 4`` per channel [shape=(n_channel,)]."""
    if not found:
        return LineAlone(total, np.ones_like(total), np.zeros_like(total))
    squares = np.stack([beat.square for beat in found])
    # neighbours that add up to the line's own energy leave no telling: held just short of that
    inside = np.maximum(total**2 - squares.sum(axis=0), (0.1 * total) ** 2)
    root = np.sqrt(inside)
    square = np.where(total > 0, 0.5 * (total + root), total)
    by_total = np.where(total > 0, 0.5 * (1.0 + np.abs(total) / np.maximum(root, 1e-300)), 1.0)
    variance = np.stack([beat.variance + (BEST_KNOWN**2) * beat.square for beat in found]) + _shared(found, total)
    by_beat = 0.5 * np.sqrt(squares) / np.maximum(root, 1e-300)
    return LineAlone(square, by_total, np.sum(by_beat**2 * variance, axis=0))


SAME_HZ = 0.05
"""Beats this close are one: a cell and a half of half a minute."""


def _shared(found: list[Beat], total: FloatArray) -> FloatArray:
    """Variance [shape=(n_beat, n_channel)] of beats that two other lines' own beat falls upon.

    Neighbours a and b beat with each other by ``2 a b``; where that stands at the place of a beat with the line
    (two neighbours at one and two steps), the phases that decide whether it adds are not known.
    """
    extra = np.zeros((len(found), total.size))
    for k, beat in enumerate(found):
        for i, one in enumerate(found):
            for other in found[:i]:
                places = (abs(one.away_hz) + abs(other.away_hz), abs(abs(one.away_hz) - abs(other.away_hz)))
                if min(abs(abs(beat.away_hz) - place) for place in places) < SAME_HZ:
                    extra[k] += one.square * other.square / (8.0 * np.maximum(total, 1e-150) ** 2)
    return extra
