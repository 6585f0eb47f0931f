"""Speed and angle from tachometer pulses."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]


def pulse_times(times_s: FloatArray, values: FloatArray) -> FloatArray:
    """Instants of a tachometer's pulses [shape=(n_pulse,)]: rising crossings of half height of its waveform.

    Where the values tell nothing (all alike, or not all finite) each time is itself a pulse. Crossings are
    placed on a straight line between the samples.
    """
    if values.size == 0 or np.ptp(values) == 0 or not np.all(np.isfinite(values)):
        return np.asarray(times_s, dtype=np.float64)
    middle = 0.5 * (values.min() + values.max())
    up = np.flatnonzero((values[:-1] < middle) & (values[1:] >= middle))
    share = (middle - values[up]) / (values[up + 1] - values[up])
    return np.asarray(times_s[up] + share * (times_s[up + 1] - times_s[up]))


def shows_pulses(times_s: FloatArray, values: FloatArray) -> bool:
    """Whether a tachometer's record holds three pulses: a waveform that never moves holds none.

    Values that are all alike are taken for the pulses' own times unless these lie on one grid, as samples do and no
    engine's pulses.
    """
    if values.size and np.all(np.isfinite(values)) and np.ptp(values) > 0:
        return bool(pulse_times(times_s, values).size >= 3)
    steps = np.diff(times_s)
    return bool(times_s.size >= 3 and np.all(steps > 0) and np.ptp(steps) > 1e-6 * np.mean(steps))


def pulse_speed(times_s: FloatArray, pulses_per_revolution: float = 1.0) -> tuple[FloatArray, FloatArray]:
    """Times and speeds (revolutions per second) at the tachometer's pulses [shape=(n,)] each.

    Constant angular acceleration over each three pulses: the angle is a parabola through them, its slope at
    the middle pulse is the speed there; the end pulses take the slope of their neighbour's parabola.

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
    before, after = np.diff(times_s)[:-1], np.diff(times_s)[1:]
    middle = step * (before / after + after / before) / (before + after)
    bend = step * (1.0 / after - 1.0 / before) / (before + after)
    first = middle[0] - 2.0 * bend[0] * before[0]
    last = middle[-1] + 2.0 * bend[-1] * after[-1]
    return times_s.astype(float), np.concatenate([[first], middle, [last]])


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
