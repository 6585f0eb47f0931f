"""Short-time level, peak and band powers in frames, exact wherever the stream is cut.

Cells of ``hop`` samples follow each other from the start of every run; each gives mean, rms about the mean
and greatest departure from it. Two neighbouring cells together make a frame whose Hann-windowed spectrum is
gathered into bands, so that what happens at a cell's edge is seen whole by one frame.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy import fft

FloatArray = npt.NDArray[np.float64]
Float32Array = npt.NDArray[np.float32]
AnyArray = npt.NDArray[Any]

LINEAR_UP_TO_HZ = 256.0
"""Bands are of one width up to here (every firing line and its first harmonics), sixths of an octave above."""

NARROWEST_HZ = 4.0
"""Least width of a band: longer cells would give more bands than anything here can use."""

FRAMES_TOGETHER = 4
"""Frames that the transform takes at once in single precision; one left over costs as much as three of them."""
CHANNELS_TOGETHER = 2
BATCH_SAMPLES = 1 << 16
"""Samples transformed at a time: they and their transform stay in a usual second-level cache."""


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
    n_single: int
    """Bands at the low end that hold one bin each."""
    taper: Float32Array
    """Hann window of a frame [shape=(2 * hop,)]."""
    gain: Float32Array
    """Multiplies a band's summed squared magnitudes to its mean one-sided density [shape=(n_band,), (SI)**2/Hz]."""


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
    scale = 2.0 / (rate_hz * float(np.sum(window**2)))
    widths = np.diff(np.append(firsts, hop + 1))
    n_single = int(np.argmax(np.append(widths, 2) > 1))
    gain = (scale / widths).astype(np.float32)
    return BandPlan(hop, rate_hz, firsts, low, high, n_single, window.astype(np.float32), gain)


def band_densities(frames: FloatArray, plan: BandPlan) -> npt.NDArray[np.float32]:
    """Mean one-sided density of each band [shape=(..., n_band), (SI)**2/Hz] of frames [shape=(..., 2 * hop)].

    The frame's mean is removed first, the Hann window's energy divided out, so that white noise of density S
    has expectation S in every band.
    """
    centred = (frames - frames.mean(axis=-1, keepdims=True)).astype(np.float32)
    return _densities(centred * plan.taper, plan)


def _densities(tapered: Float32Array, plan: BandPlan) -> Float32Array:
    """Band densities of frames without their mean, windowed; overwrites them.

    In single precision: what a band loses by it lies 140 dB under the frame's own vibration.
    """
    parts = fft.rfft(tapered, axis=-1, overwrite_x=True).view(np.float32)
    np.multiply(parts, parts, out=parts)
    # squares of real and imaginary parts stand side by side: a band is one row of them
    summed = np.empty((*parts.shape[:-1], len(plan.firsts)), dtype=np.float32)
    single, edges = plan.n_single, 2 * plan.firsts
    np.add(parts[..., 2 : 2 + 2 * single : 2], parts[..., 3 : 3 + 2 * single : 2], out=summed[..., :single])
    if single < len(edges):
        summed[..., single:] = np.add.reduceat(parts, edges[single:], axis=-1)
    return np.multiply(summed, plan.gain, out=summed)


@dataclass(frozen=True, slots=True)
class _CellEnds:
    """The cell at an end of a stream: departures from its mean [shape=(n_channel, hop)], means [shape=(n_channel,)]."""

    departure: Float32Array
    mean: FloatArray


def _framed(first: Float32Array, second: Float32Array, step: FloatArray, out: Float32Array) -> Float32Array:
    """Frames [shape=(n, 2 * hop)] without their mean, of neighbouring cells without theirs; ``step`` [shape=(n,)] is
    the mean of the first less that of the second.
    """
    half = (0.5 * step).astype(np.float32)[:, None]
    hop = first.shape[-1]
    np.add(first, half, out=out[:, :hop])
    np.subtract(second, half, out=out[:, hop:])
    return out


class LevelStrip:
    """Cells of a stream of runs; ``push`` samples, ``close`` at the end of a run, ``merge`` a later part.

    Takes native counts as well as values: everything is kept in what was pushed, ``cells`` scales it.
    """

    def __init__(self, n_channel: int, plan: BandPlan) -> None:
        self._plan = plan
        self._n_channel = n_channel
        self._columns: list[tuple[FloatArray, ...]] = []
        self._bands: list[Float32Array] = []
        self._pending: list[AnyArray] = []
        self._pending_times: list[FloatArray] = []
        self._n_pending = 0
        self._last: _CellEnds | None = None
        self._head: _CellEnds | None = None

    def push(self, values: AnyArray, times_s: FloatArray) -> None:
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

    def _keep_cells(self, cells: AnyArray, times: FloatArray) -> None:
        n_channel, n_cell, hop = cells.shape
        figures, bands = np.empty((3, n_channel, n_cell)), self._no_bands(n_cell)
        ends = [_CellEnds(np.empty((n_channel, hop), np.float32), np.empty(n_channel)) for _ in range(2)]
        # few channels at a time: their cells, frames and transforms stay in the cache
        for at in range(0, n_channel, CHANNELS_TOGETHER):
            rows = slice(at, at + CHANNELS_TOGETHER)
            departures = [_cell_figures(row, figures[:, at + i]) for i, row in enumerate(cells[rows])]
            self._add_bands(rows, departures, figures[0, rows], bands[rows])
            for i, departure in enumerate(departures):
                for end, cell in zip(ends, (0, -1), strict=True):
                    end.departure[at + i], end.mean[at + i] = departure[cell], figures[0, at + i, cell]
        self._append_columns(figures, times)
        if not self._bands:
            self._head = ends[0]
        self._bands.append(bands)
        self._last = ends[1]

    def _add_bands(self, rows: slice, departures: list[Float32Array], means: FloatArray, out: Float32Array) -> None:
        """Bands of the frame of each cell and the one before it [shape=(n_channel, n_cell, n_band)]."""
        hop, before = self._plan.hop, self._last is not None
        n_cell = out.shape[1]
        n = n_cell - 1 + before
        if n == 0:
            return
        frames = np.empty((len(departures), n, 2 * hop), dtype=np.float32)
        for i, (departure, mean) in enumerate(zip(departures, means, strict=True)):
            if self._last is not None:
                last, was = self._last.departure[rows][i], self._last.mean[rows][i]
                _framed(last[None], departure[:1], np.atleast_1d(was - mean[0]), frames[i, :1])
            _framed(departure[:-1], departure[1:], mean[:-1] - mean[1:], frames[i, int(before) :])
        flat = frames.reshape(-1, 2 * hop)
        made = np.empty((len(flat), out.shape[-1]), dtype=np.float32)
        step = max(FRAMES_TOGETHER, BATCH_SAMPLES // (2 * hop) // FRAMES_TOGETHER * FRAMES_TOGETHER)
        for first in range(0, len(flat), step):
            batch = flat[first : first + step]
            batch *= self._plan.taper
            made[first : first + step] = _densities(batch, self._plan)
        out[:, n_cell - n :] = made.reshape(len(departures), n, -1)

    def _append_columns(self, figures: FloatArray, times: FloatArray) -> None:
        mean, level, peak = figures
        n = np.full(times.shape[0], float(times.shape[1]))
        # copies: a view of two columns would keep every sample's instant in memory
        ends = times[:, 0].copy(), times[:, -1].copy()
        self._columns.append((mean, level, peak, times.mean(axis=-1), *ends, n))

    def _no_bands(self, n_cell: int) -> Float32Array:
        return np.full((self._n_channel, n_cell, len(self._plan.firsts)), np.nan, dtype=np.float32)

    def close(self) -> None:
        """End the run: what is left of it makes a short cell without bands."""
        if self._n_pending:
            values, times = np.concatenate(self._pending, axis=-1), np.concatenate(self._pending_times)
            figures = np.empty((3, self._n_channel, 1))
            for channel, row in enumerate(values):
                _cell_figures(row[None], figures[:, channel])
            self._append_columns(figures, times[None])
            self._bands.append(self._no_bands(1))
        self._pending, self._pending_times, self._n_pending, self._last = [], [], 0, None

    def merge(self, later: LevelStrip, *, joined: bool) -> None:
        """Take over a later part; if ``joined`` it goes on where we stopped, at a multiple of the hop."""
        if joined and self._n_pending:
            raise ValueError(f"a part can only be joined at a multiple of {self._plan.hop} samples")
        if not joined:
            self.close()
        elif self._last is not None and later._head is not None:
            later._bands[0][:, 0] = self._seam(self._last, later._head)
        if not self._bands:
            self._head = later._head
        if later._bands or not joined:
            self._last = later._last
        self._columns += later._columns
        self._bands += later._bands
        self._pending, self._pending_times = later._pending, later._pending_times
        self._n_pending = later._n_pending

    def _seam(self, last: _CellEnds, head: _CellEnds) -> Float32Array:
        frames = np.empty((self._n_channel, 2 * self._plan.hop), dtype=np.float32)
        _framed(last.departure, head.departure, last.mean - head.mean, frames)
        frames *= self._plan.taper
        return _densities(frames, self._plan)

    def cells(self, scale: FloatArray | float = 1.0, offset: FloatArray | float = 0.0) -> Cells:
        """All cells so far, the open run taken as ended; samples are ``scale`` times what was pushed plus ``offset``
        [a number, or shape=(n_channel, 1)].
        """
        self.close()
        if not self._columns:
            empty = np.zeros((self._n_channel, 0))
            none = np.zeros(0)
            return Cells(empty, empty, empty, none, none, none, none, self._no_bands(0))
        columns = [np.concatenate(column, axis=-1) for column in zip(*self._columns, strict=True)]
        mean, level, peak, time_s, first_s, last_s, n = columns
        bands = np.concatenate(self._bands, axis=1)
        size = np.abs(np.asarray(scale, dtype=np.float64))
        if np.any(size != 1.0):
            bands *= np.broadcast_to(size**2, (self._n_channel, 1)).astype(np.float32)[..., None]
        return Cells(mean * scale + offset, level * size, peak * size, time_s, first_s, last_s, n, bands)


def _cell_figures(cells: AnyArray, figures: FloatArray) -> Float32Array:
    """Departures from the mean of one channel's cells; fills in mean, rms and greatest of them [shape=(3, n_cell)]."""
    departure = cells.astype(np.float64)
    figures[0] = departure.mean(axis=-1)
    departure -= figures[0][:, None]
    figures[1] = np.sqrt(np.vecdot(departure, departure) / departure.shape[-1])
    # the samples themselves may be a quarter of the bytes
    figures[2] = np.maximum(cells.max(axis=-1) - figures[0], figures[0] - cells.min(axis=-1))
    return departure.astype(np.float32)


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
