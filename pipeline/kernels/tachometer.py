"""Speed and angle from tachometer pulses."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.ndimage import percentile_filter

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]

MOST_MISSED = 0.25
"""Share of pulses that may have slipped between two samples; beyond it the distance of two is itself a guess."""

PLACED_SPEED = 0.002
"""Relative standard deviation of a speed from misplaced pulses: half the wander of a usual idle."""


@dataclass(frozen=True)
class Pulses:
    """Instants of a tachometer's pulses [shape=(n_pulse,), s], rising, and how surely one of them is placed.

    ``placement_std_s`` is the standard uncertainty of one instant; ``missed`` the share of the pulses that fell
    between two samples and were put in where they must have been.
    """

    times_s: FloatArray
    placement_std_s: float
    missed: float


def recorded_pulses(times_s: FloatArray, values: FloatArray) -> Pulses:
    """The pulses of a tachometer's record: a waveform, or bare instants where the values tell nothing.

    An edge steeper than the samples is placed to one of their steps ``h`` only, so evenly that its standard
    uncertainty is ``h / sqrt(12)``; one that passes less than half the height in a step lies on a line between them,
    to a tenth of that (7.5 samples of a sine: 0.01 steps).
    Bare instants are as sure as the decimals they are written with.

    A pulse (or the gap before it) that lasts a single sample may be followed by one that fell between two: where
    the next one comes 1.5 usual distances later or more, those in between are put in evenly. Longer pulses are
    never missed, so the gap of a wheel that lacks a tooth stays.
    """
    if not _tells(values):
        return Pulses(np.asarray(times_s, dtype=np.float64), _written_to(times_s) / np.sqrt(12.0), 0.0)
    up, found = _rises(times_s, values)
    step = times_s[up + 1] - times_s[up]
    steep = np.clip(2.0 * (values[up + 1] - values[up]) / np.ptp(values) - 1.0, 0.1, 1.0)
    placed = float(np.sqrt(np.mean((step * steep) ** 2) / 12.0)) if up.size else 0.0
    whole = _with_missed(found, _short_beside(up, values))
    return Pulses(whole, placed, 1.0 - found.size / whole.size if whole.size else 0.0)


def _tells(values: FloatArray) -> bool:
    return bool(values.size and np.all(np.isfinite(values)) and np.ptp(values) > 0)


def _rises(times_s: FloatArray, values: FloatArray) -> tuple[npt.NDArray[np.intp], FloatArray]:
    """Samples before the rising crossings of half height, and the crossings on a straight line between samples."""
    middle = 0.5 * (values.min() + values.max())
    up = np.flatnonzero((values[:-1] < middle) & (values[1:] >= middle))
    share = (middle - values[up]) / (values[up + 1] - values[up])
    return up, np.asarray(times_s[up] + share * (times_s[up + 1] - times_s[up]))


def _written_to(times_s: FloatArray) -> float:
    """Step of the coarsest decimals, 1 s to 1 us, that hold all instants; 0 where none of them does."""
    for decimals in range(7):
        counts = times_s * 10.0**decimals
        if np.all(np.abs(counts - np.rint(counts)) < 1e-3):
            return float(10.0**-decimals)
    return 0.0


def _short_beside(up: npt.NDArray[np.intp], values: FloatArray) -> BoolArray:
    """Whether the pulse or the gap on both sides of a distance lasted one sample [shape=(n_pulse - 1,)]."""
    middle = 0.5 * (values.min() + values.max())
    high = values >= middle
    after = np.minimum(up + 2, values.size - 1)
    short = ~high[after] | high[np.maximum(up - 1, 0)]
    return np.asarray(short[:-1] & short[1:])


def _with_missed(found: FloatArray, may_miss: BoolArray) -> FloatArray:
    """Pulses with those put in that fell between two samples [shape=(n_pulse,)]."""
    if found.size < 3 or not may_miss.any():
        return found
    apart = np.diff(found)
    # the usual distance is one of the short ones: the long ones hold a missed pulse
    usual = percentile_filter(apart, 25, size=9, mode="nearest")
    times = np.where(may_miss, np.maximum(np.rint(apart / usual), 1.0), 1.0)
    place = np.concatenate([[0.0], np.cumsum(times)])
    return np.asarray(np.interp(np.arange(place[-1] + 1.0), place, found))


def shows_pulses(times_s: FloatArray, values: FloatArray) -> bool:
    """Whether a tachometer's record holds three pulses, and not too many of them fell between its samples.

    A waveform that never moves holds none. Values that are all alike are taken for the pulses' own times unless these
    lie on one grid, as samples do and no engine's pulses.
    """
    if _tells(values):
        pulses = recorded_pulses(times_s, values)
        return bool(pulses.times_s.size >= 3 and pulses.missed <= MOST_MISSED)
    steps = np.diff(times_s)
    return bool(times_s.size >= 3 and np.all(steps > 0) and np.ptp(steps) > 1e-6 * np.mean(steps))


def pulse_speed(
    times_s: FloatArray, pulses_per_revolution: float = 1.0, placement_std_s: float = 0.0
) -> tuple[FloatArray, FloatArray]:
    """Times and speeds (revolutions per second) at a tachometer's ``n_pulse`` pulses [shape=(n,)] each.

    Constant angular acceleration over each three pulses: the angle is a parabola through them, its slope at
    the middle pulse is the speed there; the end pulses take the slope of their neighbour's parabola.

    Where pulses are placed too coarsely for that, ``placement_std_s``, instants are smoothed over as many pulses as
    make the speed sure to 0.2 %, and the speed is that between each two (n = n_pulse - 1). So it is attached to the
    same instants that it was made from and keeps the count of revolutions: three pulses misplaced by half a
    millisecond each, 7.5 ms apart, read 0.5 % high on average.

    Raises
    ------
    ValueError
        Fewer than three pulses, or times that do not rise.

    References
    ----------
    K. R. Fyfe, E. D. S. Munck, "Analysis of computed order tracking", Mech. Syst. Signal Process. 11(2),
    187-205, 1997.
    """
    _check_pulses(times_s)
    step = 1.0 / pulses_per_revolution
    span = _span(times_s, placement_std_s)
    if span > 1:
        smooth = _smoothed(times_s.astype(float), span)
        return 0.5 * (smooth[1:] + smooth[:-1]), step / np.diff(smooth)
    before, after = np.diff(times_s)[:-1], np.diff(times_s)[1:]
    middle = step * (before / after + after / before) / (before + after)
    bend = step * (1.0 / after - 1.0 / before) / (before + after)
    first = middle[0] - 2.0 * bend[0] * before[0]
    last = middle[-1] + 2.0 * bend[-1] * after[-1]
    return times_s.astype(float), np.concatenate([[first], middle, [last]])


def pulse_speed_std(times_s: FloatArray, placement_std_s: float) -> float:
    """Relative standard deviation of the speeds of ``pulse_speed`` that misplaced pulses cause."""
    return float(_step_std(times_s, placement_std_s) / max(_span(times_s, placement_std_s), 1) ** 1.5)


def _step_std(times_s: FloatArray, placement_std_s: float) -> float:
    """The same of one step between two pulses."""
    return float(np.sqrt(2.0) * placement_std_s / np.median(np.diff(times_s)))


def _span(times_s: FloatArray, placement_std_s: float) -> int:
    """Pulses (an odd number) of each of two means in turn that make a speed sure to ``PLACED_SPEED``."""
    # a step is then the distance of two means of so many pulses over so many steps: variance 2 / n**3
    wanted = (_step_std(times_s, placement_std_s) / PLACED_SPEED) ** (2.0 / 3.0)
    span = int(min(np.ceil(wanted), (times_s.size - 1) // 4))
    return span + 1 if span > 1 and span % 2 == 0 else span


def _smoothed(times_s: FloatArray, span: int) -> FloatArray:
    """Instants [shape=(n_pulse,)] after two means over ``span`` pulses in turn.

    Beyond the ends they go on as the parabola through the outermost pulses does (constant angular acceleration).
    """
    n_fit = min(times_s.size, 4 * span + 1)
    before = times_s[0] - _further(times_s[0] - times_s[:n_fit], span - 1)[::-1]
    after = times_s[-1] + _further((times_s[-n_fit:] - times_s[-1])[::-1], span - 1)
    mean = np.full(span, 1.0 / span)
    long = np.concatenate([before, times_s, after]) - times_s[0]
    return np.asarray(np.convolve(np.convolve(long, mean, "valid"), mean, "valid") + times_s[0])


def _further(back_s: FloatArray, n: int) -> FloatArray:
    """``n`` further instants of a series [shape=(n,)], by a parabola through those it already had, last one first."""
    steps = np.diff(np.polyval(np.polyfit(-np.arange(back_s.size), back_s, 2), np.arange(n + 1.0)))
    # no engine halves or doubles its speed in so few pulses; misplaced ones may seem to
    usual = -back_s[-1] / (back_s.size - 1)
    return np.asarray(np.cumsum(np.clip(steps, 0.5 * usual, 2.0 * usual)))


def pulse_instants(times_s: FloatArray, revolutions: FloatArray, pulses_per_revolution: float = 1.0) -> FloatArray:
    """Instants [shape like revolutions] at which the shaft has turned so far, counted from the first pulse.

    The angle is the parabola through the three pulses around the wanted angle (Fyfe and Munck 1997, constant
    angular acceleration), solved for time.

    Raises
    ------
    ValueError
        Fewer than three pulses, times that do not rise, or angles outside the pulses.
    """
    _check_pulses(times_s)
    wanted = np.asarray(revolutions, dtype=float) * pulses_per_revolution
    if wanted.size and (wanted.min() < 0.0 or wanted.max() > times_s.size - 1):
        msg = f"angles must lie within the pulses, 0 to {(times_s.size - 1) / pulses_per_revolution!r} revolutions"
        raise ValueError(msg)
    middle = np.clip(np.rint(wanted).astype(int), 1, times_s.size - 2)
    before = times_s[middle] - times_s[middle - 1]
    after = times_s[middle + 1] - times_s[middle]
    slope = (before / after + after / before) / (before + after)
    bend = (1.0 / after - 1.0 / before) / (before + after)
    turned = wanted - middle
    # the root of bend t^2 + slope t = turned that goes to turned / slope as bend goes to 0
    root = np.sqrt(np.maximum(slope**2 + 4.0 * bend * turned, 0.0))
    return np.asarray(times_s[middle] + 2.0 * turned / (slope + root))


def _check_pulses(times_s: FloatArray) -> None:
    if times_s.size < 3 or not np.all(np.diff(times_s) > 0):
        msg = f"a tachometer needs three or more pulses at rising times, found {times_s.size!r}"
        raise ValueError(msg)
