"""Band-limited resampling onto a uniform clock, streaming, with a stated pass band and stop band.

Two kernels. ``RateConverter``: uniform clock to another rate by a Kaiser-windowed sinc, flat within 0.01 dB up
to 0.8 of the lower Nyquist frequency, images and aliases of what lies above that Nyquist frequency at least
80 dB down. ``GridResampler``: stamped samples to a uniform grid at (about) their own mean rate; each output is
the linear combination of the nearest 64 samples that errs least, in the mean square, over a flat band up to
0.85 of the Nyquist frequency. Every output depends on the run alone, so cutting changes nothing.

References
----------
J. F. Kaiser, in Kuo and Kaiser, System Analysis by Digital Computer, 1966, ch. 7 (window and its length).
J. L. Yen, IRE Trans. Circuit Theory CT-3, 251-257, 1956 (least-squares interpolation of uneven samples).
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

import numpy as np
import numpy.typing as npt
from scipy import signal, special

FloatArray = npt.NDArray[np.float64]

PASS_BAND = 0.8
"""Of the lower Nyquist frequency: flat within 0.01 dB."""
STOP_BAND_DB = 90.0
"""Design value; 80 dB is what is promised."""
MOST_PHASES = 2048
GRID_BAND = 0.85
GRID_TAPS = 64
GRID_GROUP = 16
"""Neighbouring outputs that share one set of samples, and so one factorisation."""
GRID_PRIOR = ((1.0, 1.0), (30.0, 0.25), (1000.0, 0.0625))
"""Power and share of the band of the spectra assumed: flat, and more below, as vibration has it, so that where
accuracy must be given up it is given up at high frequencies first."""
GRID_RIDGES = (1e-9, 1e-7, 1e-6, 1e-5, 1e-4, 1e-3, 1e-2, 1e-1)
GRID_NOISE_GAIN = 40.0
GRID_END_GAIN = 4.0
GRID_END_SAMPLES = 8
"""Largest sums of squared weights, inside a run and with fewer than so many samples on one side. At the ends and
beside wide holes the exact solution would magnify noise a hundredfold; the next ridge is then taken, which gives
up accuracy at high frequencies."""
GRID_BATCH = 32
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
        beta=float(signal.kaiser_beta(STOP_BAND_DB)),
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
        step = max((1 << 18) // self.plan.taps, 1)
        for begin in range(start, stop, step):
            end = min(begin + step, stop)
            made[:, begin - start : end - start] = self._block(held, begin, end)
        self._next_out = stop
        if not final:
            self._drop()
        return made

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

    def _block(self, held: FloatArray, begin: int, end: int) -> FloatArray:
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


class GridResampler:
    """Puts the stamped samples of one run onto a uniform grid: output m at first stamp + m / rate.

    Weights of the nearest samples solve ``(G + ridge) w = g`` with G and g the correlations of a flat spectrum
    up to ``GRID_BAND`` of the Nyquist frequency: the interpolator with the least mean square error over that
    band, at the smallest ridge that does not magnify noise. A stamp that does not advance is averaged with the one
    before it.

    Raises
    ------
    ValueError
        A rate that is not a finite number above zero.
    """

    def __init__(self, rate_hz: float) -> None:
        if not (np.isfinite(rate_hz) and rate_hz > 0.0):
            msg = f"rate_hz {rate_hz!r}: wanted a finite number above 0"
            raise ValueError(msg)
        self.rate_hz = rate_hz
        self._reach = GRID_TAPS // 2
        self.restart()

    def restart(self) -> None:
        """Begin a new run."""
        self._times: FloatArray = np.zeros(0)
        self._values: FloatArray | None = None
        self._counts: FloatArray = np.zeros(0)
        self._origin: float | None = None
        self._next_out = 0

    @property
    def origin_s(self) -> float | None:
        """Instant of output 0 of this run: its first stamp."""
        return self._origin

    def push(self, values: FloatArray, times_s: FloatArray) -> FloatArray:
        """Take the run's next samples [shape=(n_channel, n)] and stamps [shape=(n,)]; give finished outputs."""
        if times_s.size == 0:
            return np.zeros((values.shape[0], 0))
        self._join(values, times_s)
        # the newest stamp may still take on equal ones, so it does not serve yet
        settled = self._times.size - 1
        if settled < GRID_TAPS:
            return np.zeros((values.shape[0], 0))
        return self._emit(self._groups_before(self._times[settled - self._reach]) * GRID_GROUP, settled)

    def flush(self) -> FloatArray:
        """Outputs up to the run's last stamp."""
        if self._values is None:
            return np.zeros((0, 0))
        stop = int(np.floor(self._times[-1] * self.rate_hz + 1e-6)) + 1
        made = self._emit(stop, self._times.size)
        self.restart()
        return made

    def _middle(self, group: int) -> float:
        return (group + 0.5) * GRID_GROUP / self.rate_hz

    def _groups_before(self, instant: float) -> int:
        """Groups of outputs whose middle lies strictly before an instant."""
        group = max(int(instant * self.rate_hz / GRID_GROUP) - 1, 0)
        while self._middle(group) < instant:
            group += 1
        return group

    def _join(self, values: FloatArray, times_s: FloatArray) -> None:
        if self._origin is None:
            self._origin = float(times_s[0])
        relative = times_s - self._origin
        if self._values is None:
            self._values = np.zeros((values.shape[0], 0))
        before = self._times[-1] if self._times.size else -np.inf
        highest = np.maximum.accumulate(np.concatenate([[before], relative]))
        new = relative > highest[:-1]
        owner = np.cumsum(new) - 1 + self._times.size
        n = int(owner[-1]) + 1
        grown = np.zeros((values.shape[0], n))
        counts = np.zeros(n)
        grown[:, : self._times.size] = self._values * self._counts
        counts[: self._times.size] = self._counts
        np.add.at(counts, owner, 1.0)
        for channel in range(values.shape[0]):
            np.add.at(grown[channel], owner, values[channel])
        self._values, self._counts = grown / counts, counts
        self._times = np.concatenate([self._times, relative[new]])

    def _emit(self, stop: int, settled: int) -> FloatArray:
        """Outputs up to ``stop``, from the first ``settled`` samples held; whole groups except at the end."""
        assert self._values is not None
        start = self._next_out
        if stop <= start:
            return np.zeros((self._values.shape[0], 0))
        groups = np.arange(start // GRID_GROUP, -(-stop // GRID_GROUP))
        parts = [
            self._block(groups[k : k + GRID_BATCH], settled) for k in range(0, groups.size, GRID_BATCH)
        ]
        self._next_out = stop
        self._drop()
        return np.concatenate(parts, axis=-1)[:, : stop - start]

    def _drop(self) -> None:
        """Let go of samples that no later output draws on."""
        middle = self._middle(self._next_out // GRID_GROUP)
        keep = max(int(np.searchsorted(self._times, middle, side="right")) - 2 * GRID_TAPS, 0)
        if keep:
            assert self._values is not None
            self._times, self._counts = self._times[keep:].copy(), self._counts[keep:].copy()
            self._values = self._values[:, keep:].copy()

    def _block(self, groups: npt.NDArray[np.int64], settled: int) -> FloatArray:
        assert self._values is not None
        instants = (groups[:, None] * GRID_GROUP + np.arange(GRID_GROUP)) / self.rate_hz
        middles = np.array([self._middle(int(group)) for group in groups])
        after = np.searchsorted(self._times[:settled], middles, side="right")
        taps = min(GRID_TAPS, settled)
        first = np.clip(after - self._reach, 0, settled - taps)
        at = first[:, None] + np.arange(taps)
        weights = least_squares_weights(self._times[at], instants, GRID_BAND * self.rate_hz)
        made = np.einsum("cgt,got->cgo", self._values[:, at], weights)
        return np.asarray(made.reshape(made.shape[0], -1), dtype=np.float64)


def least_squares_weights(times_s: FloatArray, instants_s: FloatArray, width_hz: float) -> FloatArray:
    """Weights that interpolate a flat spectrum of two-sided ``width_hz`` with the least mean square error.

    Parameters
    ----------
    times_s
        [shape=(n, taps), s] stamps of the samples that each group of outputs uses.
    instants_s
        [shape=(n, n_out), s] where the signal is wanted.

    Returns
    -------
    ndarray
        [shape=(n, n_out, taps)]; they sum to 1 over the taps so that a constant comes through exactly.
    """
    among = _prior_between(times_s, times_s, width_hz)
    towards = _prior_between(times_s, instants_s, width_hz)
    weights = _solved(among, towards, GRID_RIDGES[0])
    before = np.sum(times_s[:, None, :] < instants_s[:, :, None], axis=2)
    at_end = np.minimum(before, times_s.shape[1] - before) < GRID_END_SAMPLES
    limit = np.where(at_end, GRID_END_GAIN, GRID_NOISE_GAIN)
    for ridge in GRID_RIDGES[1:]:
        loud = np.sum(weights**2, axis=2) > limit
        groups = np.flatnonzero(loud.any(axis=1))
        if groups.size == 0:
            break
        weights[loud] = _solved(among[groups], towards[groups], ridge)[loud[groups]]
    return weights


def _solved(among: FloatArray, towards: FloatArray, ridge: float) -> FloatArray:
    """Weights at one ridge, held to sum 1 by a Lagrange multiplier [shape=(n, n_out, taps)]."""
    taps = among.shape[1]
    right = np.concatenate([towards, np.ones((*towards.shape[:1], taps, 1))], axis=2)
    solved = np.linalg.solve(among + ridge * np.eye(taps), right).transpose(0, 2, 1)
    weights, even = solved[:, :-1], solved[:, -1:]
    missing = 1.0 - weights.sum(axis=2, keepdims=True)
    return np.asarray(weights + missing * even / even.sum(axis=2, keepdims=True), dtype=np.float64)


def _prior_between(left_s: FloatArray, right_s: FloatArray, width_hz: float) -> FloatArray:
    """Correlation under the assumed spectrum [shape=(n, n_left, n_right)]."""
    total = np.zeros((left_s.shape[0], left_s.shape[1], right_s.shape[1]))
    for power, share in GRID_PRIOR:
        total += power * _sinc_between(left_s, right_s, share * width_hz)
    return total


def _sinc_between(left_s: FloatArray, right_s: FloatArray, width_hz: float) -> FloatArray:
    """sinc(width (left - right)) [shape=(n, n_left, n_right)], with one sine per instant, not per pair."""
    middle = left_s.mean(axis=1, keepdims=True)
    a = np.pi * width_hz * (left_s - middle)
    b = np.pi * width_hz * (right_s - middle)
    angle = a[:, :, None] - b[:, None, :]
    sine = np.sin(a)[:, :, None] * np.cos(b)[:, None, :] - np.cos(a)[:, :, None] * np.sin(b)[:, None, :]
    near = np.abs(angle) < 1e-6
    return np.asarray(np.where(near, 1.0, sine / np.where(near, 1.0, angle)), dtype=np.float64)
