"""Short-time level, peak and band powers in frames, exact wherever the stream is cut.

Cells of ``hop`` samples follow each other from the start of every run; each gives mean, rms about the mean
and greatest departure from it. Two neighbouring cells together make a frame whose Hann-windowed spectrum is
gathered into bands, so that what happens at a cell's edge is seen whole by one frame.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import fft

FloatArray = npt.NDArray[np.float64]

LINEAR_UP_TO_HZ = 256.0
"""Bands are of one width up to here (every firing line and its first harmonics), sixths of an octave above."""

NARROWEST_HZ = 4.0
"""Least width of a band: longer cells would give more bands than anything here can use."""


def cell_samples(rate_hz: float, duration_s: float | None, hop_s: float, most_cells: float) -> int:
    """Samples per cell: ``hop_s``, longer where a record would give more than ``most_cells``; at least 4."""
    seconds = hop_s if duration_s is None else max(hop_s, duration_s / most_cells)
    return max(4, round(seconds * rate_hz))


@dataclass(frozen=True, slots=True)
class BandPlan:
    """Bands of a frame of ``2 * hop`` samples: first bin of each [shape=(n_band,)] and limits in Hz."""

    hop: int
    rate_hz: float
    firsts: npt.NDArray[np.int64]
    low_hz: FloatArray
    high_hz: FloatArray
    window: FloatArray
    scale: float
    """Multiplies a bin's squared magnitude to a one-sided density [(SI)**2/Hz]."""


def band_plan(hop: int, rate_hz: float) -> BandPlan:
    """Bands from the first bin above zero up to the Nyquist frequency."""
    n = 2 * hop
    bin_hz = rate_hz / n
    per_band = max(1, round(NARROWEST_HZ / bin_hz))
    edges = list(range(1, min(hop, max(1, int(LINEAR_UP_TO_HZ / bin_hz))) + 1, per_band))
    while edges[-1] * 2 ** (1 / 6) < hop:
        edges.append(max(edges[-1] + 1, round(edges[-1] * 2 ** (1 / 6))))
    firsts = np.unique(np.array(edges, dtype=np.int64))
    window = 0.5 - 0.5 * np.cos(2 * np.pi * np.arange(n) / n)
    low: FloatArray = np.asarray((firsts - 0.5) * bin_hz, dtype=np.float64)
    high = np.append(low[1:], (hop + 0.5) * bin_hz)
    return BandPlan(hop, rate_hz, firsts, low, high, window, 2.0 / (rate_hz * float(np.sum(window**2))))


def band_densities(frames: FloatArray, plan: BandPlan) -> npt.NDArray[np.float32]:
    """Mean one-sided density of each band [shape=(..., n_band), (SI)**2/Hz] of frames [shape=(..., 2 * hop)].

    The frame's mean is removed first, the Hann window's energy divided out, so that white noise of density S
    has expectation S in every band.
    """
    centred = (frames - frames.mean(axis=-1, keepdims=True)) * plan.window
    spectrum = fft.rfft(centred, axis=-1)
    power = spectrum.real**2 + spectrum.imag**2
    widths = np.diff(np.append(plan.firsts, plan.hop + 1))
    summed = np.add.reduceat(power, plan.firsts, axis=-1)
    return np.asarray(summed / widths * plan.scale, dtype=np.float32)


class LevelStrip:
    """Cells of a stream of runs; ``push`` samples, ``close`` at the end of a run, ``merge`` a later part."""

    def __init__(self, n_channel: int, plan: BandPlan) -> None:
        self._plan = plan
        self._n_channel = n_channel
        self._columns: list[tuple[FloatArray, ...]] = []
        self._bands: list[npt.NDArray[np.float32]] = []
        self._pending: list[FloatArray] = []
        self._pending_times: list[FloatArray] = []
        self._n_pending = 0
        self._last: FloatArray | None = None
        self._head: FloatArray | None = None

    def push(self, values: FloatArray, times_s: FloatArray) -> None:
        """Take the next samples of the run [shape=(n_channel, n)] and their instants [shape=(n,)]."""
        self._pending.append(values)
        self._pending_times.append(times_s)
        self._n_pending += values.shape[-1]
        if self._n_pending >= self._plan.hop:
            self._cut_cells()

    def _cut_cells(self) -> None:
        hop = self._plan.hop
        values, times = np.concatenate(self._pending, axis=-1), np.concatenate(self._pending_times)
        n_cell = len(times) // hop
        used = n_cell * hop
        cells = values[:, :used].reshape(self._n_channel, n_cell, hop)
        self._keep_cells(cells, times[:used].reshape(n_cell, hop))
        self._pending, self._pending_times = [values[:, used:].copy()], [times[used:].copy()]
        self._n_pending = len(times) - used

    def _keep_cells(self, cells: FloatArray, times: FloatArray) -> None:
        self._append_cells(cells, times)
        fresh = self._last is None
        row = cells if self._last is None else np.concatenate([self._last[:, None], cells], axis=1)
        frames = np.concatenate([row[:, :-1], row[:, 1:]], axis=-1)
        bands = band_densities(frames, self._plan)
        if fresh:
            bands = np.concatenate([self._no_bands(1), bands], axis=1)
        self._bands.append(bands)
        if len(self._bands) == 1:
            self._head = cells[:, 0].copy()
        self._last = cells[:, -1].copy()

    def _append_cells(self, cells: FloatArray, times: FloatArray) -> None:
        mean = cells.mean(axis=-1)
        departure = cells - mean[..., None]
        level = np.sqrt(np.mean(departure**2, axis=-1))
        n = np.full(cells.shape[1], float(cells.shape[2]))
        peak = np.abs(departure).max(axis=-1)
        # copies: a view of two columns would keep every sample's instant in memory
        ends = times[:, 0].copy(), times[:, -1].copy()
        self._columns.append((mean, level, peak, times.mean(axis=-1), *ends, n))

    def _no_bands(self, n_cell: int) -> npt.NDArray[np.float32]:
        return np.full((self._n_channel, n_cell, len(self._plan.firsts)), np.nan, dtype=np.float32)

    def close(self) -> None:
        """End the run: what is left of it makes a short cell without bands."""
        if self._n_pending:
            values, times = np.concatenate(self._pending, axis=-1), np.concatenate(self._pending_times)
            self._append_cells(values[:, None], times[None])
            self._bands.append(self._no_bands(1))
        self._pending, self._pending_times, self._n_pending, self._last = [], [], 0, None

    def merge(self, later: LevelStrip, *, joined: bool) -> None:
        """Take over a later part; if ``joined`` it goes on where we stopped, at a multiple of the hop."""
        if joined and self._n_pending:
            raise ValueError(f"a part can only be joined at a multiple of {self._plan.hop} samples")
        if not joined:
            self.close()
        elif self._last is not None and later._head is not None:
            seam = np.concatenate([self._last, later._head], axis=-1)
            later._bands[0][:, 0] = band_densities(seam, self._plan)
        if not self._bands:
            self._head = later._head
        if later._bands or not joined:
            self._last = later._last
        self._columns += later._columns
        self._bands += later._bands
        self._pending, self._pending_times = later._pending, later._pending_times
        self._n_pending = later._n_pending

    def cells(self) -> Cells:
        """All cells so far, the open run taken as ended."""
        self.close()
        if not self._columns:
            empty = np.zeros((self._n_channel, 0))
            none = np.zeros(0)
            return Cells(empty, empty, empty, none, none, none, none, self._no_bands(0))
        columns = [np.concatenate(column, axis=-1) for column in zip(*self._columns, strict=True)]
        mean, level, peak, time_s, first_s, last_s, n = columns
        return Cells(mean, level, peak, time_s, first_s, last_s, n, np.concatenate(self._bands, axis=1))


@dataclass(frozen=True, slots=True)
class Cells:
    """Cells in time order: ``mean``, ``level``, ``peak`` [shape=(n_channel, n_cell)]; mid, first and last
    instant and number of samples [shape=(n_cell,)]; ``bands`` [shape=(n_channel, n_cell, n_band)] of the
    frame made of a cell and the one before it, NaN where there is none.
    """

    mean: FloatArray
    level: FloatArray
    peak: FloatArray
    time_s: FloatArray
    first_s: FloatArray
    last_s: FloatArray
    n: FloatArray
    bands: npt.NDArray[np.float32]


def usual_densities(bands: npt.NDArray[np.float32]) -> tuple[FloatArray, FloatArray]:
    """Median over time of each band's density and its scatter [shape=(n_channel, n_band) each].

    The scatter is that of the logarithm, from the quartiles, in standard deviations of a normal distribution.
    Frames without bands (NaN) are left out; both are zero where there is none.
    """
    known = np.isfinite(bands).all(axis=(0, 2))
    usual, scatter = np.zeros((bands.shape[0], bands.shape[2])), np.zeros((bands.shape[0], bands.shape[2]))
    if not known.any():
        return usual, scatter
    for channel, densities in enumerate(bands):
        # one sort of contiguous rows costs a third of the two medians down the columns it stands for
        rows = np.sort(np.ascontiguousarray(densities[known].T), axis=-1)
        low, mid, high = (rows[:, round(share * (rows.shape[1] - 1))].astype(float) for share in (0.25, 0.5, 0.75))
        usual[channel] = mid
        scatter[channel] = np.log(np.maximum(high, 1e-300) / np.maximum(low, 1e-300)) / 1.349
    return usual, scatter


def pooled_mean_std(cells: Cells) -> tuple[FloatArray, FloatArray]:
    """Mean and standard deviation (about it, divisor n) of all samples per channel [shape=(n_channel,)]."""
    total = float(np.sum(cells.n))
    if total == 0:
        zero = np.zeros(cells.mean.shape[0])
        return zero, zero.copy()
    mean = np.sum(cells.mean * cells.n, axis=-1) / total
    square = np.sum(cells.n * (cells.level**2 + (cells.mean - mean[:, None]) ** 2), axis=-1) / total
    return mean, np.sqrt(square)


def thinned_level(time_s: FloatArray, level: FloatArray, most: int) -> tuple[FloatArray, FloatArray]:
    """At most ``most`` points of the rms over all channels [level: shape=(n_channel, n_cell)] for a screen.

    Neighbouring cells are averaged as powers, so a short event still lifts its point.
    """
    n = level.shape[1]
    if n == 0:
        return np.zeros(0), np.zeros(0)
    starts = np.arange(0, n, -(-n // most))
    counts = np.diff(np.append(starts, n))
    power = np.add.reduceat(np.sum(level**2, axis=0), starts) / counts
    return np.add.reduceat(time_s, starts) / counts, np.sqrt(power)
