"""Zoom: the complex baseband of narrow bands of a real multi-channel signal, streamed block by block.

Everything about orders happens in a few tens of hertz around a line; after this step it is cheap. The
filter is applied on frames counted from the run's first sample, so that cutting the run anywhere, or
computing its parts apart, gives the same outputs.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
import numpy.typing as npt

from .kaiser import kaiser_lowpass

FloatArray = npt.NDArray[np.float64]
ComplexArray = npt.NDArray[np.complex128]
AnyArray = npt.NDArray[Any]

STOP_DB = 90.0
"""Ripple and rejection: images of a line 40 dB above the floor must stay below the floor."""


@dataclass(frozen=True)
class ZoomPlan:
    """Filters and common rate of a zoom into bands around several centres.

    ``taps`` [shape=(n_centre, length), complex]: frame ``k`` of the output is the sum of ``taps`` times the
    samples ``k * hop ... k * hop + length - 1``, doubled, so that ``A cos(2 pi f t + p)`` becomes
    ``A exp(j (2 pi (f - centre) t + p))`` for ``t`` counted from the run's first sample.
    """

    rate_hz: float
    centers_hz: tuple[float, ...]
    half_widths_hz: tuple[float, ...]
    hop: int
    taps: ComplexArray

    @property
    def length(self) -> int:
        """Samples a frame spans."""
        return int(self.taps.shape[-1])

    @property
    def out_rate_hz(self) -> float:
        """Rate of the baseband."""
        return self.rate_hz / self.hop

    @property
    def delay_s(self) -> float:
        """Instant of output 0, counted from the run's first sample."""
        return 0.5 * (self.length - 1) / self.rate_hz

    def n_out(self, n: int) -> int:
        """Valid outputs of a run of ``n`` samples."""
        return max(0, (n - self.length) // self.hop + 1)


def zoom_plan(
    rate_hz: float,
    centers_hz: tuple[float, ...],
    half_widths_hz: tuple[float, ...],
    *,
    oversampling: float = 2.0,
) -> ZoomPlan:
    """Plan of a zoom: pass bands ``centre +- half width`` flat to 3e-5, all that folds into them 90 dB down.

    Parameters
    ----------
    rate_hz
        Sampling rate of the signal.
    centers_hz, half_widths_hz
        Centre and half the pass band of each band; a band must keep away from 0 Hz, where gravity stands, by
        more than nothing, and end at or below half the rate.
    oversampling
        Output rate over twice the widest half width, at least 1.2.

    Raises
    ------
    ValueError
        A band that does not lie between 0 and half the sampling rate.

    References
    ----------
    J. F. Kaiser, "Nonrecursive digital filter design using the I0-sinh window function", 1974 (window and
    length); the zero at 0 Hz is ours: gravity stands 60 dB and more above a line.
    """
    return _planned(float(rate_hz), tuple(centers_hz), tuple(half_widths_hz), oversampling)


@lru_cache(maxsize=4)
def _planned(
    rate_hz: float, centers_hz: tuple[float, ...], half_widths_hz: tuple[float, ...], oversampling: float
) -> ZoomPlan:
    """Kept for the few one capture asks for more than once, and a study from one capture to the next."""
    _check_bands(rate_hz, centers_hz, half_widths_hz, oversampling)
    hop = max(1, int(rate_hz / (2.0 * max(half_widths_hz) * oversampling)))
    steps = [
        min(rate_hz / hop - 2.0 * half, center - half)
        for center, half in zip(centers_hz, half_widths_hz, strict=True)
    ]
    length = int(np.ceil((STOP_DB - 7.95) / (2.285 * 2.0 * np.pi * min(steps) / rate_hz))) + 1
    length = max(1, -(-length // hop)) * hop
    cutoffs = [half + 0.5 * step for half, step in zip(half_widths_hz, steps, strict=True)]
    taps = _taps(rate_hz, centers_hz, cutoffs, length)
    taps.setflags(write=False)
    return ZoomPlan(rate_hz, centers_hz, half_widths_hz, hop, taps)


def still_plan(rate_hz: float, half_width_hz: float) -> ZoomPlan:
    """Plan for lines that were already turned to 0 Hz: a low pass, doubled as a zoom's taps are.

    For orders of a run-up, which sweep too far for a band of their own: mix by the order's angle first, then
    zoom the complex result. Flat to 3e-5 up to ``half_width_hz``, 90 dB down from twice that.
    """
    hop = max(1, int(rate_hz / (4.0 * half_width_hz)))
    length = int(np.ceil((STOP_DB - 7.95) / (2.285 * 2.0 * np.pi * half_width_hz / rate_hz))) + 1
    length = max(1, -(-length // hop)) * hop
    low = kaiser_lowpass(length, min(1.5 * half_width_hz, 0.499 * rate_hz), rate_hz, STOP_DB)
    return ZoomPlan(rate_hz, (0.0,), (half_width_hz,), hop, 2.0 * low[None].astype(np.complex128))


def _check_bands(
    rate_hz: float, centers_hz: tuple[float, ...], half_widths_hz: tuple[float, ...], oversampling: float
) -> None:
    if min(half_widths_hz) <= 0 or oversampling < 1.2:
        msg = f"zoom: half widths {half_widths_hz!r} Hz must be > 0 and oversampling {oversampling!r} >= 1.2"
        raise ValueError(msg)
    for center, half in zip(centers_hz, half_widths_hz, strict=True):
        if center <= half or center + half > rate_hz / 2:
            msg = f"zoom: band {center!r} +- {half!r} Hz must lie between 0 and half the rate, {rate_hz / 2!r} Hz"
            raise ValueError(msg)


def _taps(rate_hz: float, centers_hz: Sequence[float], cutoffs_hz: Sequence[float], length: int) -> ComplexArray:
    """Low-pass taps moved to each centre, doubled for a real signal, with an exact zero at 0 Hz."""
    low = kaiser_lowpass(length, np.minimum(cutoffs_hz, 0.499 * rate_hz), rate_hz, STOP_DB)
    taps = 2.0 * low * _phasors(np.array(centers_hz) / rate_hz, 0, length)
    # 0 Hz lies in the stop band: what is taken out here is below 1e-4 of the gain
    return np.asarray(taps - low * (taps.sum(axis=-1) / low.sum(axis=-1))[:, None])


def _phasors(cycles: FloatArray, first: int, n: int) -> ComplexArray:
    """exp(-j 2 pi cycles k) for k = first ... first + n - 1 [shape=(cycles.size, n)], each to rounding.

    Products of one in every ``STRIDE`` and of those in between: an exponential costs ten times a product.
    """
    coarse = first + STRIDE * np.arange(-(-n // STRIDE))
    outer, inner = (
        np.exp(-2j * np.pi * np.mod(cycles[:, None] * steps, 1.0)) for steps in (coarse, np.arange(STRIDE))
    )
    return np.asarray((outer[:, :, None] * inner[:, None, :]).reshape(cycles.size, -1)[:, :n])


STRIDE = 32


class Zoom:
    """Streams one run of a signal through a zoom plan; valid outputs only.

    ``push`` takes the next samples [shape=(n_channel, n)] and gives the outputs that became complete
    [shape=(n_centre, n_channel, n_out), complex]. ``first`` is the index of the first sample in the run's own
    count; it must be a multiple of the hop so that the frames stay on the run's grid.
    """

    def __init__(self, plan: ZoomPlan, n_channel: int, first: int = 0) -> None:
        if first % plan.hop:
            msg = f"zoom: a part must start on the grid of {plan.hop} samples, found first sample {first!r}"
            raise ValueError(msg)
        self.plan = plan
        self.n_channel = n_channel
        self.frame = first // plan.hop
        self._rest: FloatArray = np.empty((n_channel, 0))

    def push(self, values: FloatArray) -> ComplexArray:
        """Baseband outputs completed by these samples [shape=(n_centre, n_channel, n_out)]."""
        plan = self.plan
        data = np.concatenate([self._rest, values], axis=-1) if self._rest.shape[-1] else values
        n_out = plan.n_out(data.shape[-1])
        if n_out == 0:
            self._rest = np.array(data)
            return np.empty((len(plan.centers_hz), self.n_channel, 0), dtype=np.complex128)
        out = np.multiply(_frame_sums(plan, data, n_out), self._turn(n_out), order="C")
        self._rest = np.array(data[:, n_out * plan.hop :])
        self.frame += n_out
        return np.asarray(out)

    def _turn(self, n_out: int) -> ComplexArray:
        """exp(-j 2 pi centre t) at each frame's first sample [shape=(n_centre, 1, n_out)]."""
        cycles = np.array(self.plan.centers_hz) * self.plan.hop / self.plan.rate_hz
        return _phasors(cycles, self.frame, n_out)[:, None, :]


SMALL_PRODUCT = 200_000
"""Multiplications below which linear algebra libraries stay on one thread. Larger products, cut up, are as fast
on an idle machine, and on a busy one do not wait for threads that get no turn (measured: 7.5 to 3.2 ms of CPU)."""

LEAST_ROWS = 16
"""Rows a product takes however long they are: one by one, each would have all the taps read again."""


def _frame_sums(plan: ZoomPlan, data: AnyArray, n_out: int) -> ComplexArray:
    """Taps times the samples of each frame [shape=(n_centre, n_channel, n_out)].

    Every ``length // hop``-th frame begins where the one before it ends, so that these lie side by side in memory as
    the rows of a matrix: as many products as frames overlap make them all, and nothing is added up between.
    """
    n_channel, n_together = data.shape[0], plan.length // plan.hop
    # real samples take real and imaginary part of the taps side by side, which is how a complex number lies in memory
    columns = np.ascontiguousarray(plan.taps.T)
    columns = columns if np.iscomplexobj(data) else columns.view(np.float64)
    out = np.empty((n_channel, n_out, columns.shape[1]), dtype=columns.dtype)
    # few enough rows at a time that samples are still near when the next frames want them
    together = n_together * max(LEAST_ROWS, SMALL_PRODUCT // columns.size)
    for first in range(0, n_out, together):
        stop = min(first + together, n_out)
        for begin in range(first, min(first + n_together, stop)):
            wanted = out[:, begin:stop:n_together]
            count, at = wanted.shape[1], begin * plan.hop
            frames = data[:, at : at + count * plan.length].reshape(n_channel, count, plan.length)
            np.matmul(frames, columns, out=wanted)
    return np.asarray(out.view(np.complex128).transpose(2, 0, 1))


def baseband(plan: ZoomPlan, values: FloatArray) -> ComplexArray:
    """Baseband of a whole run at once [shape=(n_centre, n_channel, n_out)] from [shape=(n_channel, n)]."""
    return Zoom(plan, values.shape[0]).push(values)
