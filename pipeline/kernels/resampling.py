"""Band-limited conversion of a uniform clock to another rate, streaming, with stated pass and stop bands.

A Kaiser-windowed sinc, flat within 0.01 dB up to 0.8 of the lower Nyquist frequency; images, and aliases of what
lies above that Nyquist frequency, at least 80 dB down. Ratios of few phases are tabulated and run polyphase.
Every output depends on the run alone, so cutting changes nothing.

References
----------
J. F. Kaiser, in Kuo and Kaiser, System Analysis by Digital Computer, 1966, ch. 7 (window and its length).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction

import numpy as np
import numpy.typing as npt
from scipy import special

from .kaiser import kaiser_beta

FloatArray = npt.NDArray[np.float64]

PASS_BAND = 0.8
"""Of the lower Nyquist frequency: flat within 0.01 dB."""
STOP_BAND_DB = 90.0
"""Design value; 80 dB is what is promised."""
MOST_PHASES = 2048
FEW_PHASES = 256
LARGEST_TABLE = 1 << 21


@dataclass(frozen=True, slots=True)
class ConversionPlan:
    """A Kaiser-windowed sinc for one pair of rates (Hz).

    ``half_s`` is the reach of the impulse response on either side; ``ratio`` the exact ratio of the rates when
    it has few enough phases to be tabulated, else None.
    """

    rate_in: float
    rate_out: float
    half_s: float
    beta: float
    cut_hz: float
    ratio: Fraction | None

    @property
    def taps(self) -> int:
        """Input samples that one output draws on."""
        return 2 * int(np.ceil(self.half_s * self.rate_in))


def conversion_plan(rate_in: float, rate_out: float) -> ConversionPlan:
    """The filter that takes ``rate_in`` to ``rate_out``.

    Raises
    ------
    ValueError
        A rate is not a finite number above zero.
    """
    for name, rate in (("rate_in", rate_in), ("rate_out", rate_out)):
        if not (np.isfinite(rate) and rate > 0.0):
            msg = f"{name} {rate!r} Hz: wanted a finite number above 0"
            raise ValueError(msg)
    nyquist = 0.5 * min(rate_in, rate_out)
    transition = (1.0 - PASS_BAND) * nyquist
    # Kaiser's estimate of the length, in seconds of impulse response
    span_s = (STOP_BAND_DB - 7.95) / (14.36 * transition)
    ratio = Fraction(rate_out / rate_in).limit_denominator(MOST_PHASES)
    exact = abs(float(ratio) * rate_in / rate_out - 1.0) < 1e-14 and ratio.numerator <= MOST_PHASES
    return ConversionPlan(
        rate_in=rate_in,
        rate_out=rate_out,
        half_s=0.5 * span_s + 1.0 / rate_in,
        beta=kaiser_beta(STOP_BAND_DB),
        cut_hz=nyquist - 0.5 * transition,
        ratio=ratio if exact else None,
    )


def conversion_response(plan: ConversionPlan, lag_s: npt.ArrayLike) -> FloatArray:
    """Weight of an input sample that lies ``lag_s`` seconds from the output instant [shape of ``lag_s``]."""
    lag = np.asarray(lag_s, dtype=np.float64)
    inside = np.clip(1.0 - (lag / plan.half_s) ** 2, 0.0, None)
    taper = special.i0(plan.beta * np.sqrt(inside)) / special.i0(plan.beta)
    width = 2.0 * plan.cut_hz / plan.rate_in
    return np.asarray(width * np.sinc(2.0 * plan.cut_hz * lag) * taper * (inside > 0.0), dtype=np.float64)


class RateConverter:
    """Converts the blocks of one run from one uniform rate to another.

    Output sample m lies at m / rate_out seconds after the run's first sample. Near the ends of a run, where the
    impulse response reaches beyond it, the weights present are scaled to keep a constant constant.
    """

    def __init__(self, plan: ConversionPlan) -> None:
        self.plan = plan
        self._half = plan.taps // 2
        self._table = self._phases()
        self._held: FloatArray | None = None
        self._held_first = self._next_out = 0

    def restart(self, first: int = 0) -> int:
        """Begin a run, or a later part of one that starts at its sample ``first``; give the first output."""
        self._held, self._held_first = None, first
        self._next_out = self._outputs_before(first)
        return self._next_out

    def push(self, values: FloatArray) -> FloatArray:
        """Take the run's next samples [shape=(n_channel, n)]; give the outputs they complete."""
        joined = values if self._held is None else np.concatenate([self._held, values], axis=-1)
        self._held = joined
        stop_in = self._held_first + joined.shape[-1]
        # an output needs all samples of its reach
        ready = self._outputs_before(stop_in - self._half)
        return self._emit(ready)

    def flush(self) -> FloatArray:
        """Outputs up to the run's last sample, made from the samples there are."""
        if self._held is None:
            return np.zeros((0, 0))
        last = self._held_first + self._held.shape[-1] - 1
        made = self._emit(self._outputs_before(last + 1e-9) if last >= 0 else 0, final=True)
        self.restart()
        return made

    def _outputs_before(self, position: float) -> int:
        """Outputs whose input position (in samples) is below ``position``."""
        plan = self.plan
        if plan.ratio is not None:
            exact = Fraction(position) * plan.ratio
            return max(-((-exact.numerator) // exact.denominator), 0)
        return max(int(np.ceil(position * (plan.rate_out / plan.rate_in))), 0)

    def _emit(self, stop: int, *, final: bool = False) -> FloatArray:
        held = self._held
        assert held is not None
        start = self._next_out
        if stop <= start:
            return np.zeros((held.shape[0], 0))
        made = np.empty((held.shape[0], stop - start))
        for begin, end, whole in self._portions(start, stop):
            make = self._by_phase if whole else self._gathered
            made[:, begin - start : end - start] = make(held, begin, end)
        self._next_out = stop
        if not final:
            self._drop()
        return made

    def _portions(self, start: int, stop: int) -> Iterator[tuple[int, int, bool]]:
        """Outputs in portions that fit the cache; True where all samples are held and phases are few."""
        assert self._held is not None
        inner = outer = start
        if self._table is not None and self._table.shape[0] <= FEW_PHASES:
            held_stop = self._held_first + self._held.shape[-1]
            inner = min(max(self._outputs_before(self._held_first + self._half), start), stop)
            outer = min(max(self._outputs_before(held_stop - self._half), inner), stop)
        small = max((1 << 18) // self.plan.taps, 1)
        spans = ((start, inner, small, False), (inner, outer, 1 << 16, True), (outer, stop, small, False))
        for first, last, step, whole in spans:
            for begin in range(first, last, step):
                yield begin, min(begin + step, last), whole

    def _drop(self) -> None:
        assert self._held is not None
        keep = max(int(self._position(np.array([self._next_out]))[0][0]) - self._half, self._held_first)
        self._held = self._held[:, keep - self._held_first :].copy()
        self._held_first = keep

    def _position(self, outputs: npt.NDArray[np.int64]) -> tuple[npt.NDArray[np.int64], FloatArray]:
        """Input sample at or before each output, and how far (in samples) the output lies after it."""
        plan = self.plan
        if plan.ratio is not None:
            whole, rest = np.divmod(outputs * plan.ratio.denominator, plan.ratio.numerator)
            return whole, rest / plan.ratio.numerator
        exact = outputs * (plan.rate_in / plan.rate_out)
        whole = np.floor(exact).astype(np.int64)
        return whole, exact - whole

    def _phases(self) -> FloatArray | None:
        ratio = self.plan.ratio
        if ratio is None or ratio.numerator * self.plan.taps > LARGEST_TABLE:
            return None
        return self._weights(np.arange(ratio.numerator) / ratio.numerator)

    def _weights(self, rest: FloatArray) -> FloatArray:
        """Weights [shape=(n, taps)] of samples -half + 1 ... half about each output."""
        lag = np.arange(-self._half + 1, self._half + 1)[None, :] - rest[:, None]
        weights = conversion_response(self.plan, lag / self.plan.rate_in)
        # a constant comes through exactly, whatever the phase
        return np.asarray(weights / weights.sum(axis=1, keepdims=True), dtype=np.float64)

    def _gathered(self, held: FloatArray, begin: int, end: int) -> FloatArray:
        """Outputs of any ratio; samples beyond the run count as missing."""
        outputs = np.arange(begin, end, dtype=np.int64)
        whole, rest = self._position(outputs)
        if self._table is not None and self.plan.ratio is not None:
            weights = self._table[(outputs * self.plan.ratio.denominator) % self.plan.ratio.numerator]
        else:
            weights = self._weights(rest)
        at = whole[:, None] + np.arange(-self._half + 1, self._half + 1)[None, :] - self._held_first
        missing = (at < 0) | (at >= held.shape[-1])
        if missing.any():
            weights = np.where(missing, 0.0, weights)
            weights = weights / weights.sum(axis=1, keepdims=True)
            at = np.clip(at, 0, held.shape[-1] - 1)
        return np.stack([np.einsum("ij,ij->i", channel[at], weights) for channel in held])


    def _by_phase(self, held: FloatArray, begin: int, end: int) -> FloatArray:
        """Outputs of each phase from a strided view: no index array, and the sums run at memory speed."""
        plan = self.plan
        assert self._table is not None
        assert plan.ratio is not None
        whole, _ = self._position(np.arange(begin, end, dtype=np.int64))
        made = np.empty((held.shape[0], whole.size))
        for k in range(min(plan.ratio.numerator, whole.size)):
            n = len(range(k, whole.size, plan.ratio.numerator))
            first = int(whole[k]) - self._half + 1 - self._held_first
            weights = self._table[(begin + k) * plan.ratio.denominator % plan.ratio.numerator]
            for channel, values in enumerate(held):
                step = values.strides[0]
                windows = np.lib.stride_tricks.as_strided(
                    values[first:], (n, plan.taps), (plan.ratio.denominator * step, step), writeable=False
                )
                made[channel, k :: plan.ratio.numerator] = np.einsum("ij,j->i", windows, weights)
        return made
