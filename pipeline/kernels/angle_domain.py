"""Angle domain: a signal on equal steps of the crankshaft's angle, and its order spectrum.

For run-ups and for looking at many orders at once. Band-limit and decimate first: the interpolation here is
exact only well below the sampling rate.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt
from scipy import fft

FloatArray = npt.NDArray[np.float64]

SPLINE_SHARE = 0.25
"""A quintic spline is within 0.1 % up to a quarter of the sampling rate."""


def _spline(at: FloatArray, values: FloatArray, degree: int) -> Callable[[FloatArray], FloatArray]:
    """A spline through the values along their last axis."""
    from scipy.interpolate import make_interp_spline  # late: a third of a second to import, and only run-ups want it

    made: Callable[[FloatArray], FloatArray] = make_interp_spline(at, values, k=degree, axis=-1)
    return made


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
    return np.asarray(_spline(turns, time_s, 3)(wanted)), np.asarray(wanted)


def on_angle(values: FloatArray, time_s: FloatArray, turns: FloatArray, per_revolution: int) -> FloatArray:
    """A signal resampled to equal steps of angle [shape=(..., n_angle)] from [shape=(..., n)].

    A quintic spline through the samples: amplitudes within 0.1 % up to ``SPLINE_SHARE`` of the rate.
    """
    instants, _ = even_angles(time_s, turns, per_revolution)
    spline = _spline(time_s, values, 5)
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


@dataclass(frozen=True, slots=True)
class OrderFrames:
    """Frames of a whole number of revolutions, cut out of frames of ``length`` samples every ``hop`` samples.

    At the slowest speed a frame of samples just holds the revolutions, at the fastest two neighbours share half of
    them: in between it holds more, and those in its middle are taken. Which frames there are depends on samples
    alone, never on where a stream was cut.
    """

    rate_hz: float
    revolutions: int
    slowest_hz: float
    fastest_hz: float
    highest_order: float

    @property
    def length(self) -> int:
        """Samples of a frame: the revolutions at the slowest speed, and two steps of angle beyond either end."""
        return int(np.ceil(self.revolutions * self.rate_hz / self.slowest_hz)) + 8

    @property
    def hop(self) -> int:
        """Samples from frame to frame: half the revolutions at the fastest speed."""
        return max(1, int(0.5 * self.revolutions * self.rate_hz / self.fastest_hz))

    @property
    def per_revolution(self) -> int:
        """Steps of angle in a revolution: at no speed coarser than the samples, so that nothing folds."""
        return int(np.ceil(self.rate_hz / self.slowest_hz))

    @property
    def orders(self) -> FloatArray:
        """Orders of the spectrum [shape=(n_order,)], ``1 / revolutions`` apart."""
        highest = min(self.highest_order, 0.5 * self.per_revolution)
        return np.arange(int(highest * self.revolutions + 1e-9) + 1) / self.revolutions


@dataclass(slots=True)
class OrderSpectrumSum:
    """Sums of order spectra; adding frames in another order or elsewhere changes nothing but the last digits.

    ``power`` [shape=(n_channel, n_order)] sum of squared peak amplitudes, ``count`` [shape=(n_order,)] frames in it,
    ``n_short`` frames that held too few revolutions or a speed that was not known all along.
    """

    frames: OrderFrames
    n_channel: int
    power: FloatArray = field(init=False)
    count: npt.NDArray[np.int64] = field(init=False)
    n_short: int = 0

    def __post_init__(self) -> None:
        n_order = self.frames.orders.size
        self.power, self.count = np.zeros((self.n_channel, n_order)), np.zeros(n_order, dtype=np.int64)

    def add(self, values: npt.NDArray[np.floating], time_s: FloatArray, turns: FloatArray) -> None:
        """Take one frame of samples [shape=(n_channel, length)] with its instants and turns [shape=(length,) each]."""
        plan = self.frames
        n = plan.revolutions * plan.per_revolution
        spare = turns[-1] - turns[0] - plan.revolutions
        if not (np.isfinite(spare) and spare > 2.0 / plan.per_revolution and np.all(np.diff(turns) > 0.0)):
            self.n_short += 1
            return
        first = int(np.searchsorted(turns, turns[0] + 0.5 * spare - 1.0 / plan.per_revolution, side="right")) - 1
        last = int(np.searchsorted(turns, turns[-1] - 0.5 * spare + 1.0 / plan.per_revolution)) + 1
        inner = slice(max(first, 0), last)
        on = on_angle(np.asarray(values[:, inner], float), time_s[inner], turns[inner], plan.per_revolution)[:, :n]
        if on.shape[-1] < n:
            self.n_short += 1
            return
        _, amplitude = order_spectrum(on - on.mean(axis=-1, keepdims=True), plan.per_revolution)
        # beyond a quarter of the rate the spline takes away; faster frames know nothing of the highest orders
        speed = plan.revolutions / (time_s[inner][-1] - time_s[inner][0])
        n_known = min(self.count.size, int(SPLINE_SHARE * plan.rate_hz / speed * plan.revolutions) + 1)
        self.power[:, :n_known] += amplitude[:, :n_known] ** 2
        self.count[:n_known] += 1

    def merge(self, other: OrderSpectrumSum) -> None:
        """Add what was gathered over other frames of the same plan."""
        self.power += other.power
        self.count += other.count
        self.n_short += other.n_short

    def amplitude(self) -> FloatArray:
        """Root of the mean square of the peak amplitudes [shape=(n_channel, n_order)]; NaN where no frame reached."""
        with np.errstate(invalid="ignore", divide="ignore"):
            return np.sqrt(np.where(self.count > 0, self.power / self.count, np.nan))
