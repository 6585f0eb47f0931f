"""Every n-th sample of a band-limited signal, streaming: a cascade of short filters run as matrix products.

Flat within 0.01 dB up to 0.8 of the new Nyquist frequency; what lies above that frequency comes through at least
80 dB down. Taking a rate down in steps lets all filters but the last be short: each has only to keep clear of what
the steps after it cannot take out. Every output depends on the run alone, so cutting changes nothing.

References
----------
J. F. Kaiser, "Nonrecursive digital filter design using the I0-sinh window function", 1974 (window and length).
R. E. Crochiere and L. R. Rabiner, "Optimum FIR digital filter implementations for decimation, interpolation, and
narrow-band filtering", IEEE Trans. ASSP 23, 1975 (decimation in steps).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from .kaiser import kaiser_lowpass

FloatArray = npt.NDArray[np.float64]
AnyArray = npt.NDArray[Any]

PASS_BAND = 0.8
"""Of the new Nyquist frequency: flat within 0.01 dB."""
STOP_BAND_DB = 90.0
"""Design value of every step; 80 dB is what is promised."""
OUTPUTS_IN_ROW = 16
"""Outputs that one row of a matrix product makes (half as many for short filters): fewer waste the product's speed,
more its work on zeros."""
SMALL_PRODUCT = 200_000
"""Multiplications below which linear algebra libraries stay on one thread (see the zoom's)."""


@dataclass(frozen=True, slots=True)
class Step:
    """One filter of the cascade: every ``factor``-th output of ``taps`` [shape=(2 * half + 1,)]."""

    factor: int
    taps: FloatArray

    @property
    def half(self) -> int:
        """Samples an output draws on at either side."""
        return len(self.taps) // 2


@dataclass(frozen=True, slots=True)
class DecimationPlan:
    """The steps from ``rate_hz`` to ``rate_hz / factor``; ``half`` input samples are drawn on at either side."""

    rate_hz: float
    factor: int
    steps: tuple[Step, ...]
    half: int

    @property
    def out_rate_hz(self) -> float:
        """Rate of the outputs."""
        return self.rate_hz / self.factor


def decimation_plan(rate_hz: float, factor: int) -> DecimationPlan:
    """Steps that take every ``factor``-th sample.

    Raises
    ------
    ValueError
        A rate that is not above zero, or a factor below 2.
    """
    if not (np.isfinite(rate_hz) and rate_hz > 0.0) or factor < 2:
        msg = f"decimation of {rate_hz!r} Hz by {factor!r}: wanted a rate above 0 and a whole factor of at least 2"
        raise ValueError(msg)
    steps, rate, half, stride = [], rate_hz, 0, 1
    nyquist = 0.5 * rate_hz / factor
    for by in step_factors(factor):
        # what folds onto anything below the last Nyquist frequency has to go
        stop, passed = rate / by - nyquist, PASS_BAND * nyquist
        n_half = int(np.ceil((STOP_BAND_DB - 7.95) / (14.36 * (stop - passed) / rate) / 2.0))
        steps.append(Step(by, kaiser_lowpass(2 * n_half + 1, 0.5 * (passed + stop), rate, STOP_BAND_DB)))
        half, stride, rate = half + n_half * stride, stride * by, rate / by
    return DecimationPlan(rate_hz, factor, tuple(steps), half)


def step_factors(factor: int) -> tuple[int, ...]:
    """Factors of the steps: primes, largest first, two twos as one four while a smaller step is left for the end.

    >>> step_factors(16), step_factors(20)
    ((4, 2, 2), (5, 2, 2))
    """
    primes, rest, by = [], factor, 2
    while rest > 1:
        if rest % by:
            by += 1
        else:
            primes.append(by)
            rest //= by
    twos = primes.count(2)
    fours = max(0, twos - 1) // 2 if twos == len(primes) or twos > 2 else 0
    return tuple(sorted([4] * fours + [2] * (twos - 2 * fours) + [p for p in primes if p > 2], reverse=True))


class Decimator:
    """Streams one run through the steps: output m lies on the run's sample ``m * factor``.

    Before its first sample and after its last a run goes on at that sample's value, so that a constant stays one.
    """

    def __init__(self, plan: DecimationPlan) -> None:
        self.plan = plan
        self._filters = [_StepFilter(step) for step in plan.steps]
        self._last: FloatArray | None = None
        self._next_in = self._next_out = 0

    def restart(self, first: int = 0) -> int:
        """Begin a run, or a part of one that starts at its sample ``first``; gives the index of the first output.

        The first ``half`` samples of a later part are only a margin: outputs within them are not those of the run.
        """
        self._next_out, self._next_in, self._last = -(-first // self.plan.factor), first, None
        return self._next_out

    def push(self, values: AnyArray) -> FloatArray:
        """Take the run's next samples [shape=(n_channel, n), any kind of number]; give the outputs they complete."""
        if values.shape[-1] == 0:
            return np.empty((values.shape[0], 0))
        if self._last is None:
            self._begin(values)
        self._last = values[:, -1:].astype(np.float64)
        self._next_in += values.shape[-1]
        return self._through(values)

    def flush(self) -> FloatArray:
        """Outputs up to the run's last sample."""
        if self._last is None:
            return np.empty((0, 0))
        wanted = -(-self._next_in // self.plan.factor) - self._next_out
        beyond = self.plan.half + sum(f.n_row for f in self._filters) * self.plan.factor + self.plan.factor
        made = self._through(np.broadcast_to(self._last, (self._last.shape[0], beyond)))[:, : max(wanted, 0)]
        self.restart()
        return made

    def _begin(self, values: AnyArray) -> None:
        """Put the filters at the outputs that the first one draws on, and the run's first value before it."""
        at = self._next_out
        for one in reversed(self._filters):
            at = one.restart(at)
        for one in self._filters[1:]:
            one.hold(np.empty((values.shape[0], 0)))
        # a later part may start off the grid: then its first samples come before all that is drawn on
        before = self._next_in - at
        first = np.repeat(values[:, :1].astype(np.float64), max(before, 0), axis=-1)
        self._filters[0].hold(first, skip=max(-before, 0))

    def _through(self, values: AnyArray) -> FloatArray:
        made: AnyArray = values
        for one in self._filters:
            made = one.push(made)
        self._next_out += made.shape[-1]
        return made


class _StepFilter:
    """One step at work. Rows of the input times one matrix give each row's share in the outputs it belongs to."""

    def __init__(self, step: Step) -> None:
        self._step = step
        self._n_out = OUTPUTS_IN_ROW // 2 if step.factor > 2 else OUTPUTS_IN_ROW
        self.n_row = self._n_out * step.factor
        self._n_sub = -(-(len(step.taps) + (self._n_out - 1) * step.factor) // self.n_row)
        matrix = np.zeros((self._n_sub * self.n_row, self._n_out))
        for output in range(self._n_out):
            matrix[output * step.factor : output * step.factor + len(step.taps), output] = step.taps
        # the shares of one row in the outputs of the row at which they begin, of the one before it, and so on
        self._matrices = matrix.reshape(self._n_sub, self.n_row, self._n_out)
        self._held: FloatArray = np.empty((0, 0))
        self._skip = 0

    def restart(self, output: int) -> int:
        """The next output is this one; the first sample it draws on is given back."""
        return output * self._step.factor - self._step.half

    def hold(self, values: FloatArray, skip: int = 0) -> None:
        """Begin with samples before those that will be pushed, or with how many of the latter come too early."""
        self._held, self._skip = values, skip

    def push(self, values: AnyArray) -> FloatArray:
        """Outputs completed by these samples, a row's worth at a time; the rest is held."""
        drop = min(self._skip, values.shape[-1])
        values, self._skip = values[:, drop:], self._skip - drop
        n_held = self._held.shape[-1]
        total = n_held + values.shape[-1]
        n_out = max(0, total // self.n_row - self._n_sub + 1)
        made = np.empty((values.shape[0], n_out, self._n_out))
        left = np.empty((values.shape[0], total - n_out * self.n_row))
        line = np.empty(total)
        # channel by channel in one workspace: what a product reads was written into the cache just before
        for channel, row in enumerate(values):
            line[:n_held], line[n_held:] = self._held[channel] if n_held else (), row
            if n_out:
                self._filter(line, made[channel])
            left[channel] = line[n_out * self.n_row :]
        self._held = left
        return made.reshape(values.shape[0], -1)

    def _filter(self, line: FloatArray, made: FloatArray) -> None:
        """Outputs of one channel [shape=(n_row, outputs)], in products small enough for one thread."""
        n_sub, n_rows = self._n_sub, len(made) + self._n_sub - 1
        rows = line[: n_rows * self.n_row].reshape(n_rows, self.n_row)
        step = max(1, SMALL_PRODUCT // self._matrices[0].size)
        share = np.empty((min(step, len(made)), self._n_out))
        for first in range(0, len(made), step):
            out = made[first : first + step]
            np.matmul(rows[first : first + len(out)], self._matrices[0], out=out)
            for sub in range(1, n_sub):
                at = first + sub
                out += np.matmul(rows[at : at + len(out)], self._matrices[sub], out=share[: len(out)])
