"""Amplitude of an engine order: the line is stopped by the speed track, its band's energy counted.

Energy in a band, less the floor's share, does not care about the phase: an imperfect track, or a fast wander
that it cannot follow, spreads the line inside the band and takes nothing away. A coherent sum would read low.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
import numpy.typing as npt
from scipy import fft

from .neighbours import Beat, Squares, beats, line_alone
from .order_floor import HANN_CELLS, floor_beside
from .sidebands import Sides, Stopped, sides
from .stopped_orders import StoppedRun, last_cell
from .windows import hann_within

FloatArray = npt.NDArray[np.float64]
ComplexArray = npt.NDArray[np.complex128]


@dataclass(frozen=True)
class BandPlan:
    """Half widths in Hz: the band counted, and from where to where the floor is taken (either side).

    ``widest_hz``: how far the band may be widened for the sake of a neighbour; a pair of engine orders at
    equal distances on either side would beat as one.
    """

    rate_hz: float
    half_band_hz: float
    floor_from_hz: float
    floor_to_hz: float
    widest_hz: float


@dataclass(frozen=True)
class OrderEnergy:
    """What the band holds, per channel, all runs together.

    ``square`` [shape=(n_channel,)]: squared peak amplitude, floor and neighbours removed (may be negative in
    noise); ``total`` [shape=(n_channel,)] the same with the neighbours, ``by_total`` the derivative of one by
    the other and ``beat_variance`` what the neighbours' own uncertainty adds to the variance of ``square``;
    ``floor`` [shape=(n_channel,)]: one-sided floor density, mean square per Hz of the real signal;
    ``low_density`` [shape=(n_channel, n_channel)]: two-sided density near 0 Hz of the band's instantaneous
    squared amplitude, and ``n_low`` the cells it is averaged over; ``seconds`` used.
    """

    square: FloatArray
    total: FloatArray
    by_total: FloatArray
    beat_variance: FloatArray
    beats: tuple[Beat, ...]
    floor: FloatArray
    low_density: FloatArray
    n_low: int
    seconds: float
    half_band_hz: float
    floor_band_hz: float

    def square_variance(self, amplitude: FloatArray) -> FloatArray:
        """Variance [shape=(n_channel,)] of ``square`` from the floor, for a line of this peak amplitude.

        From a one-sided floor density S over T: line times noise ``4 A**2 S / T``; noise times noise ``8 S**2
        half_band / T``; the floor itself, judged over a band W beside the line with a Hann window, ``(4 S
        half_band)**2 (35/18) / (W T)``.
        """
        s, half = self.floor, self.half_band_hz
        beside = np.maximum(self.total - self.square, 0.0)
        judged = (4.0 * s * half) ** 2 * HANN_CELLS / max(self.floor_band_hz, 1.0 / self.seconds)
        of_total = (4.0 * (amplitude**2 + beside) * s + 8.0 * s**2 * half + judged) / self.seconds
        return np.asarray(self.by_total**2 * of_total + self.beat_variance)

    def line_noise_variance(self, amplitude: FloatArray) -> FloatArray:
        """The part of the variance of ``total`` that also shows as scatter over time [shape=(n_channel,)]."""
        s, beside = self.floor, np.maximum(self.total - self.square, 0.0)
        return np.asarray((4.0 * (amplitude**2 + beside) * s + 8.0 * s**2 * self.half_band_hz) / self.seconds)

    def noise_square_std(self) -> FloatArray:
        """Standard deviation of ``square`` where there is no line [shape=(n_channel,)]."""
        half = self.half_band_hz
        judged = (4.0 * half) ** 2 * HANN_CELLS / max(self.floor_band_hz, 1.0 / self.seconds)
        return self.floor * math.sqrt((8.0 * half + judged) / self.seconds)

    def floor_relative_std(self) -> float:
        """Relative standard uncertainty of a channel's ``floor``, from the cells it was judged on."""
        return float(np.sqrt(HANN_CELLS / max(self.floor_band_hz * self.seconds, 1.0)))

    def pulled_hz(self) -> float:
        """Standard uncertainty of the line's mean frequency, where its path could not tell it from its neighbours.

        Short frames see line and neighbour as one, at most at their centre of power; the path may lie anywhere
        from the line to there.
        """
        shares = [(away_hz, share**2 / (1.0 + share**2)) for away_hz, share, _ in self.neighbours()]
        return float(np.sqrt(sum((away_hz * share) ** 2 for away_hz, share in shares) / 3.0))

    def neighbours(self) -> tuple[tuple[float, float, str], ...]:
        """Distance in Hz, amplitude over the line's (all channels), and clock of each neighbour in the band."""
        line = float(np.maximum(self.square, 0.0).sum()) if self.beats else 0.0
        if line <= 0.0:
            return ()
        own = np.maximum(self.square, 1e-300)
        # each channel's beat is twice the product of both lines' amplitudes there
        return tuple(
            (beat.away_hz, float(np.sqrt(np.sum(np.minimum(beat.square / (4.0 * own), own)) / line)), beat.clock)
            for beat in self.beats
        )


def order_energy(runs: list[StoppedRun], plan: BandPlan) -> OrderEnergy:
    """Energy of an order in its band, floor and neighbours removed, from the stopped baseband of each run.

    The band is widened where a neighbour would straddle its edge.

    Parameters
    ----------
    runs
        Stopped baseband [complex; the modulus of a steady line is its peak amplitude].
    plan
        Widths of the band and of the floor's surroundings.

    Notes
    -----
    A record whose ends differ by a jump j, taken as periodic, leaks ``|j|**2 / (2 pi**2 half_band T)`` out of
    the band; this is put back. A line that the track has stopped well has no such jump.
    """
    plan = _clear_of_neighbours(runs, plan)
    seconds = sum(run.time_s.size for run in runs) / plan.rate_hz
    squares = [Squares(_band_square(run, plan.half_band_hz, plan), run.pace) for run in runs]
    found, rest = beats(squares, plan.half_band_hz)
    # a beat cut off in mid-cycle has a mean of its own, which is none of the energy's
    steady = [item.values.sum(axis=-1) + left.values.sum(axis=-1) for item, left in zip(squares, rest, strict=True)]
    held = sum(steady) / plan.rate_hz / seconds
    total, floor, floor_band_hz = _without_floor(held, runs, plan)
    leaked = sum(_jump_square(run, plan) for run in runs) / (2.0 * np.pi**2 * plan.half_band_hz * seconds)
    total = total + leaked
    found = _by_both_sides(found, runs, plan, total, floor)
    alone = line_alone(total, found)
    density, n_low = _low_density([item.values for item in rest], plan)
    return OrderEnergy(
        alone.square, total, alone.by_total, alone.beat_variance, tuple(found), floor, density, n_low, seconds,
        plan.half_band_hz, floor_band_hz,
    )  # fmt: skip


def order_presence(runs: list[StoppedRun], plan: BandPlan) -> OrderEnergy:
    """What the band holds, to tell whether an order is there: as ``order_energy``, but cheaper.

    Neighbours are not looked for, and the scatter is taken to be the floor's.
    """
    seconds = sum(run.time_s.size for run in runs) / plan.rate_hz
    held = sum(_held_square(run, plan) * run.time_s.size for run in runs) / plan.rate_hz / seconds
    total, floor, floor_band_hz = _without_floor(np.asarray(held), runs, plan)
    none = np.zeros_like(total)
    energy = OrderEnergy(
        total, total, np.ones_like(total), none, (), floor, np.zeros((total.size,) * 2), 1, seconds,
        plan.half_band_hz, floor_band_hz,
    )  # fmt: skip
    line = np.sqrt(np.maximum(total, energy.noise_square_std()))
    return replace(energy, low_density=np.diag(energy.line_noise_variance(line) * seconds))


def amplitude_over_time(
    run: StoppedRun, floor: FloatArray, plan: BandPlan, step_s: float
) -> tuple[FloatArray, FloatArray]:
    """Peak amplitude of an order in steps of time: instants [shape=(n_step,)], values [shape=(n_channel, n_step)].

    The root of the band's mean square over each step less the floor's share (one-sided density,
    [shape=(n_channel,)]); where the floor is the larger it carries a minus sign. So the mean of ``a * abs(a)`` stays
    that of the order: set to nothing, weak orders would read 7 to 10 % high. Neighbours are not taken out.
    """
    width = max(1, min(run.time_s.size, round(step_s * plan.rate_hz)))
    n_step = run.time_s.size // width
    square = _band_square(run, plan.half_band_hz, plan)[:, : n_step * width].reshape(floor.size, n_step, width)
    noise = 4.0 * plan.half_band_hz * floor[:, None]
    time_s = np.einsum("tk->t", run.time_s[: n_step * width].reshape(n_step, width)) / width
    left = np.einsum("ctk->ct", square) / width - noise
    return np.asarray(time_s), np.copysign(np.sqrt(np.abs(left)), left)


def pooled_energy(parts: list[OrderEnergy]) -> OrderEnergy:
    """Energies of several parts of one record as one: each counts by its duration."""
    if len(parts) == 1:
        return parts[0]
    seconds = sum(part.seconds for part in parts)
    shares = [part.seconds / seconds for part in parts]

    def mean(name: str) -> FloatArray:
        return np.asarray(sum(share * getattr(part, name) for share, part in zip(shares, parts, strict=True)))

    return OrderEnergy(
        square=mean("square"), total=mean("total"), by_total=mean("by_total"),
        beat_variance=np.asarray(sum(s**2 * p.beat_variance for s, p in zip(shares, parts, strict=True))),
        beats=max(parts, key=lambda part: len(part.beats)).beats, floor=mean("floor"), low_density=mean("low_density"),
        n_low=sum(part.n_low for part in parts), seconds=seconds, half_band_hz=float(mean("half_band_hz")),
        floor_band_hz=float(mean("floor_band_hz")),
    )  # fmt: skip


def follows_speed(runs: list[StoppedRun], floor: FloatArray) -> bool:
    """Whether a line is sharper on the track's angle than in plain time, and stands where the track says.

    A line of fixed frequency that happens to lie near an order is smeared by the stopping; an order is
    gathered by it. Channels are weighed over their own floor (one-sided density, [shape=(n_channel,)]).
    """
    still, moving, weight = 0.0, 0.0, 1.0 / floor
    for run in runs:
        free = run.values * (hann_within(run.time_s.size) * run.pace.strayed_phasor)
        went = fft.fft(free, axis=-1, overwrite_x=True)
        still += float(np.max(weight @ _power(run.transforms.tapered[:, [0, 1, 2, -1, -2]])))
        moving += float(np.max(weight @ _power(np.asarray(went))))
    return still >= 0.7 * moving


def _without_floor(
    held: FloatArray, runs: list[StoppedRun], plan: BandPlan
) -> tuple[FloatArray, FloatArray, float]:
    """Mean square held in the band less the floor's share, the floor's one-sided density, and the Hz it rests on."""
    found = [_floor_cells(run, plan) for run in runs]
    cells, at = found[0] if len(found) == 1 else (np.concatenate(part, axis=-1) for part in zip(*found, strict=True))
    beside = floor_beside(cells, at)
    # cells of a record of span T are 1/T wide: this is the band's width as its cells cover it
    inside = sum(2 * last_cell(run.time_s.size, plan.half_band_hz, plan.rate_hz) + 1 for run in runs) * plan.rate_hz
    total = held - beside.density * inside / sum(run.time_s.size for run in runs)
    return total, 0.5 * beside.density, beside.share * 2.0 * (plan.floor_to_hz - plan.floor_from_hz)


def _held_square(run: StoppedRun, plan: BandPlan) -> FloatArray:
    """Mean square in the band [shape=(n_channel,)]."""
    n, plain = run.time_s.size, run.transforms.plain
    last = last_cell(n, plan.half_band_hz, plan.rate_hz)
    sides = (_power(plain[:, : last + 1]).sum(axis=-1), _power(plain[:, n - last :]).sum(axis=-1))
    return np.asarray((sides[0] + sides[1]) / n**2)


def _clear_of_neighbours(runs: list[StoppedRun], plan: BandPlan) -> BandPlan:
    """The plan with a band that holds each near neighbour wholly or not at all.

    A neighbour is as wide as the line itself, but weaker: what it may leave on the other side of the edge is
    counted against the line's energy, and a tail's energy falls with the cube of the distance. A fixed
    frequency is as wide as the line's wander.
    """
    widest = max(plan.half_band_hz, min(plan.widest_hz, plan.floor_to_hz / 1.5))
    squares = [Squares(_band_square(run, widest, plan), run.pace) for run in runs]
    found, _ = beats(squares, widest)
    half = plan.half_band_hz
    if not found:
        return replace(plan, floor_from_hz=_floor_begins(half, plan))
    wander = max(float(np.std(np.gradient(run.cycles, run.time_s))) for run in runs)
    mean_square = sum(item.values.mean(axis=-1) for item in squares) / len(squares)
    for beat in sorted(found, key=lambda item: abs(item.away_hz)):
        away = abs(beat.away_hz)
        share = float(np.sqrt(np.sum(beat.square / (4.0 * mean_square)) / np.sum(mean_square)))
        own = plan.half_band_hz * min(1.0, share) ** (2.0 / 3.0) + (2.0 * wander if beat.clock == "time" else 0.0)
        if away < plan.half_band_hz:
            # so near, the phase track has followed the beat in part and left images at its multiples
            own = max(own, away * min(2.0, 4.0 * share))
        if away < half + own:
            half = max(half, away + own)
    half = min(half, widest)
    return replace(plan, half_band_hz=half, floor_from_hz=_floor_begins(half, plan))


def _floor_begins(half_band_hz: float, plan: BandPlan) -> float:
    """From where on the floor is taken beside a band of this half width."""
    return max(plan.floor_from_hz, min(1.3 * half_band_hz, 0.85 * plan.floor_to_hz))


def _jump_square(run: StoppedRun, plan: BandPlan) -> FloatArray:
    """Squared difference between a run's two ends [shape=(n_channel,)], a quarter of the band's period each."""
    n_end = max(1, min(run.time_s.size // 4, int(plan.rate_hz / (4.0 * plan.half_band_hz))))
    jump = (run.values[:, -n_end:].sum(axis=-1) - run.values[:, :n_end].sum(axis=-1)) / n_end
    return _power(jump)


def _by_both_sides(
    found: list[Beat], runs: list[StoppedRun], plan: BandPlan, total: FloatArray, floor: FloatArray
) -> list[Beat]:
    """The beats, those made by two neighbours at equal distances as large as both would be without each other.

    Such a pair may as well be a modulation of the line itself, whose energy is the line's: half of what the pair
    changes goes into the uncertainty, so that 95 % hold either.
    """
    followed = [beat for beat in found if beat.clock == "angle"]
    if not followed or np.any(total <= 0.0):
        return found
    held = [Stopped(run.in_band(plan.half_band_hz, plan.rate_hz), run.time_s, run.cycles) for run in runs]
    weight = total / floor / np.sum(total / floor)
    pairs = [sides(held, weight, beat.away_hz, 1.0 / plan.half_band_hz) for beat in followed]
    strongest = max(pair.strongest(weight) for pair in pairs)
    made, places = list(found), [at for at, beat in enumerate(found) if beat.clock == "angle"]
    for at, beat, pair in zip(places, followed, pairs, strict=True):
        if pair.both(weight, strongest):
            others = [one for one in found if one is not beat]
            made[at] = _of_pair(beat, line_alone(total, others).square, pair)
    return made


def _of_pair(beat: Beat, without: FloatArray, pair: Sides) -> Beat:
    """A beat as two neighbours of these shares make it; ``without``: squared amplitude, only the others taken out."""
    share = np.maximum(pair.square.sum(axis=0) - 2.0 * pair.noise, 0.0)
    line = without / (1.0 + share)
    square = 4.0 * line**2 * share
    either = (0.5 * (np.sqrt(square) - np.sqrt(beat.square))) ** 2
    return replace(beat, square=square, variance=2.0 * line**2 * pair.noise + either)


def _band_square(run: StoppedRun, half_band_hz: float, plan: BandPlan) -> FloatArray:
    """Squared amplitude of what the band holds, over time [shape=(n_channel, n)]."""
    return _power(run.in_band(half_band_hz, plan.rate_hz))


def _power(values: ComplexArray) -> FloatArray:
    """Squared modulus [shape of ``values``]; by way of the modulus a root would be drawn for nothing."""
    return np.asarray(values.real**2 + values.imag**2)


def _floor_cells(run: StoppedRun, plan: BandPlan) -> tuple[FloatArray, FloatArray]:
    """Density cells beside the band [shape=(n_channel, n_cell), |baseband|**2 per Hz], Hann window; their offsets."""
    n, tapered = run.time_s.size, run.transforms.tapered
    first, last = (int(edge_hz * n / plan.rate_hz) for edge_hz in (plan.floor_from_hz, plan.floor_to_hz))
    below, above = min(last, n // 2), min(last, (n - 1) // 2)
    beside = np.concatenate([tapered[:, n - below : n - first], tapered[:, first + 1 : above + 1]], axis=-1)
    at = np.concatenate([np.arange(-below, -first), np.arange(first + 1, above + 1)])
    return _power(beside) / (_hann_energy(n) * plan.rate_hz), at * (plan.rate_hz / n)


@lru_cache(maxsize=8)
def _hann_energy(n: int) -> float:
    return float(np.sum(hann_within(n) ** 2))


def _low_density(squares: list[FloatArray], plan: BandPlan) -> tuple[FloatArray, int]:
    """Two-sided cross density of the squared amplitude near 0 Hz [shape=(n_channel, n_channel)], and cells."""
    total, n_low, seconds = np.zeros((squares[0].shape[0],) * 2), 0, 0.0
    for values in squares:
        n = values.shape[-1]
        span = n / plan.rate_hz
        changing = fft.rfft(values - (values.sum(axis=-1) / n)[:, None], axis=-1) / n
        own = max(1, min(int(LOW_HZ * span), int(0.5 * plan.half_band_hz * span), n // 4))
        low = changing[:, 1 : own + 1]
        total += span * (low @ low.conj().T).real * span / max(1, low.shape[-1])
        n_low += low.shape[-1]
        seconds += span
    return np.asarray(total / seconds), n_low


LOW_HZ = 0.4
"""Scatter is judged on changes slower than this: an amplitude that forgets itself in 0.4 s is white below."""
