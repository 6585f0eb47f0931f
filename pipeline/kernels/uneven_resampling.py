"""Stamped samples onto a uniform grid at (about) their own mean rate, streaming.

Each output is the linear combination of the nearest 64 samples that errs least, in the mean square, over an
assumed spectrum: flat up to 0.85 of the Nyquist frequency and stronger below. Stamps off a grid by up to 0.3 of a
step come out right to -80 dB up to 0.8 of the Nyquist frequency; what lies above 0.85 is not kept. Every output
depends on the run alone, so cutting changes nothing.

References
----------
J. L. Yen, IRE Trans. Circuit Theory CT-3, 251-257, 1956 (least-squares interpolation of uneven samples).
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]

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


class GridResampler:
    """Puts the stamped samples of one run onto a uniform grid: output m at first stamp + m / rate.

    Weights of the nearest samples solve ``(G + ridge) w = g`` with G and g the correlations of the assumed
    spectrum: the interpolator with the least mean square error over its band, at the smallest ridge that does not
    magnify noise. A stamp that does not advance is averaged with the one before it.

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
