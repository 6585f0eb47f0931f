"""Angle domain: a signal on equal steps of the crankshaft's angle, and its order spectrum.

For run-ups and for looking at many orders at once. Band-limit and decimate first: the interpolation here is
exact only well below the sampling rate.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy import fft
from scipy.interpolate import make_interp_spline

FloatArray = npt.NDArray[np.float64]

SPLINE_SHARE = 0.25
"""A quintic spline is within 0.1 % up to a quarter of the sampling rate."""


def even_angles(time_s: FloatArray, turns: FloatArray, per_revolution: int) -> tuple[FloatArray, FloatArray]:
    """Instants at equal steps of angle, and the turns there [shape=(n_angle,)] each.

    ``turns`` [shape=(n,)] at ``time_s`` must rise; between them the angle is taken as a cubic of time.

    Raises
    ------
    ValueError
        Turns that do not rise, or fewer than six samples.
    """
    if turns.size < 6 or not np.all(np.diff(turns) > 0):
        msg = f"the angle must rise over six or more samples, found {turns.size!r}"
        raise ValueError(msg)
    first = np.ceil(turns[0] * per_revolution - 1e-9)
    count = int(np.floor(turns[-1] * per_revolution + 1e-9) - first) + 1
    wanted = (first + np.arange(count)) / per_revolution
    return np.asarray(make_interp_spline(turns, time_s, k=3)(wanted)), np.asarray(wanted)


def on_angle(values: FloatArray, time_s: FloatArray, turns: FloatArray, per_revolution: int) -> FloatArray:
    """A signal resampled to equal steps of angle [shape=(..., n_angle)] from [shape=(..., n)].

    A quintic spline through the samples: amplitudes within 0.1 % up to ``SPLINE_SHARE`` of the rate.
    """
    instants, _ = even_angles(time_s, turns, per_revolution)
    spline = make_interp_spline(time_s, values, k=5, axis=-1)
    return np.asarray(spline(np.clip(instants, time_s[0], time_s[-1])))


def order_spectrum(on_angles: FloatArray, per_revolution: int) -> tuple[FloatArray, FloatArray]:
    """Orders [shape=(n_order,)] and peak amplitudes [shape=(..., n_order)] with a Hann window.

    A steady order of peak A on a cell reads A; M revolutions resolve 1/M of an order, and orders reach half
    the samples per revolution. Cut to whole cycles (two revolutions for four strokes) before calling, and the
    half orders stand on cells.
    """
    n = on_angles.shape[-1]
    window = 0.5 - 0.5 * np.cos(2.0 * np.pi * np.arange(n) / n)
    spectrum = fft.rfft(on_angles * window, axis=-1)
    return fft.rfftfreq(n, 1.0 / per_revolution), 2.0 * np.abs(spectrum) / window.sum()


def whole_cycles(on_angles: FloatArray, per_revolution: int, revolutions_per_cycle: int = 2) -> FloatArray:
    """The longest leading part that holds whole cycles [shape=(..., n_whole)]."""
    cycle = per_revolution * revolutions_per_cycle
    return on_angles[..., : on_angles.shape[-1] // cycle * cycle]
