"""Short-time level, peak and band powers in frames, exact wherever the stream is cut.

Cells of ``hop`` samples follow each other from the start of every run; each gives mean, rms about the mean
and greatest departure from it. Two neighbouring cells together make a frame whose Hann-windowed spectrum is
gathered into bands, so that what happens at a cell's edge is seen whole by one frame.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy import fft

BoolArray = npt.NDArray[np.bool_]
FloatArray = npt.NDArray[np.float64]
Float32Array = npt.NDArray[np.float32]
AnyArray = npt.NDArray[Any]

LINEAR_UP_TO_HZ = 256.0
"""Bands are of one width up to here (every firing line and its first harmonics), sixths of an octave above."""

NARROWEST_HZ = 4.0
"""Least width of a band: longer cells would give more bands than anything here can use."""

FRAMES_TOGETHER = 4
"""Frames that the transform takes at once in single precision; one left over costs as much as three of them."""
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


@lru_cache(maxsize=8)
def band_plan(hop: int, rate_hz: float) -> BandPlan:
    """Bands from the first bin above zero up to the Nyquist frequency; arrays are read-only, as plans are shared."""
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
    taper = window.astype(np.float32)
    for array in (firsts, low, high, taper, gain):
        array.setflags(write=False)
    return BandPlan(hop, rate_hz, firsts, low, high, n_single, taper, gain)


def band_densities(frames: FloatArray, plan: BandPlan) -> npt.NDArray[np.float32]:
    """Mean one-sided density of each band [shape=(..., n_band), (SI)**2/Hz] of frames [shape=(..., 2 * hop)].

    The frame's mean is removed first, the Hann window's energy divided out, so that white noise of density S
    has expectation S in every band.
    """
    centred = (frames - frames.mean(axis=-1, keepdims=True)).astype(np.float32)
    densities = np.empty((*frames.shape[:-1], len(plan.firsts)), dtype=np.float32)
    return _densities(centred * plan.taper, plan, densities)


def _densities(tapered: Float32Array, plan: BandPlan, out: Float32Array) -> Float32Array:
    """Band densities [shape=(..., n_band)] of frames without their mean, windowed; overwrites those.

    In single precision: what a band loses by it lies 140 dB under the frame's own vibration.
    """
    parts = fft.rfft(tapered, axis=-1, overwrite_x=True).view(np.float32)
    np.multiply(parts, parts, out=parts)
    # squares of real and imaginary parts stand side by side: a band is one row of them
    single, edges = plan.n_single, 2 * plan.firsts
    np.add(parts[..., 2 : 2 + 2 * single : 2], parts[..., 3 : 3 + 2 * single : 2], out=out[..., :single])
    if single < len(edges):
        np.add.reduceat(parts, edges[single:], axis=-1, out=out[..., single:])
    return np.multiply(out, plan.gain, out=out)


@dataclass(frozen=True, slots=True)
class _CellEnds:
    """The cell at an end of a stream: departures from its mean [shape=(n_channel, hop)], means [shape=(n_channel,)]."""

    departure: Float32Array
    mean: FloatArray


def _framed(first: Float32Array, second: Float32Array, apart: FloatArray, space: Float32Array) -> Float32Array:
    """Frames [shape=(n, 2 * hop)] without their mean, of neighbouring cells without theirs; ``apart`` [shape=(n,)] is
    the mean of the first less that of the second.
    """
    half = (0.5 * apart).astype(np.float32)[:, None]
    n, hop = first.shape
    np.add(first, half, out=space[:n, :hop])
    np.subtract(second, half, out=space[:n, hop:])
    return space[:n]


def _joined(pieces: list[Any]) -> Any:
    return pieces[0] if len(pieces) == 1 else np.concatenate(pieces, axis=-1)


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
        self._start_s: float | None = None
        self._n_pending = 0
        self._last: _CellEnds | None = None
        self._head: _CellEnds | None = None

    def push(self, values: AnyArray, times_s: FloatArray | float) -> None:
        """Take the next samples of the run [shape=(n_channel, n)] and their instants [shape=(n,)].

        On a uniform clock of the plan's rate the instant of the first sample says it all.
        """
        if isinstance(times_s, float):
            self._start_s = times_s - self._n_pending / self._plan.rate_hz
        else:
            self._start_s = None
            self._pending_times.append(times_s)
        self._pending.append(values)
        self._n_pending += values.shape[-1]
        if self._n_pending >= self._plan.hop:
            self._cut_cells()

    def _cut_cells(self) -> None:
        hop = self._plan.hop
        values = _joined(self._pending)
        n_cell = self._n_pending // hop
        used = n_cell * hop
        self._keep_cells(values[:, :used], n_cell)
        self._pending, self._n_pending = [values[:, used:].copy()], self._n_pending - used

    def _keep_cells(self, values: AnyArray, n_cell: int) -> None:
        figures = np.empty((3, self._n_channel, n_cell))
        bands = np.empty((self._n_channel, n_cell, len(self._plan.firsts)), dtype=np.float32)
        ends = tuple(self._no_ends() for _ in range(2))
        # one channel after the other: its cells, frames and transforms stay in the cache
        for channel, row in enumerate(values):
            departure = _cell_figures(row, figures[:, channel])
            self._add_bands(channel, departure, figures[0, channel], bands[channel])
            for end, cell in zip(ends, (0, -1), strict=True):
                end.departure[channel], end.mean[channel] = departure[cell], figures[0, channel, cell]
        self._append_columns(figures, values.shape[-1] // n_cell)
        if not self._bands:
            self._head = ends[0]
        self._bands.append(bands)
        self._last = ends[1]

    def _add_bands(self, channel: int, departure: Float32Array, mean: FloatArray, out: Float32Array) -> None:
        """Bands of the frame of each cell and the one before it [shape=(n_cell, n_band)]."""
        plan, n = self._plan, len(departure) - 1
        if self._last is None:
            out[0] = np.nan
        else:
            out[:1] = self._seam_bands(self._last.departure[channel], departure[0], self._last.mean[channel] - mean[0])
        step = max(FRAMES_TOGETHER, BATCH_SAMPLES // (2 * plan.hop) // FRAMES_TOGETHER * FRAMES_TOGETHER)
        space = np.empty((min(step, n), 2 * plan.hop), dtype=np.float32)
        apart = mean[:-1] - mean[1:]
        for first in range(0, n, step):
            stop = min(first + step, n)
            frames = _framed(departure[first:stop], departure[first + 1 : stop + 1], apart[first:stop], space)
            frames *= plan.taper
            _densities(frames, plan, out[first + 1 : stop + 1])

    def _append_columns(self, figures: FloatArray, length: int) -> None:
        mean, level, peak = figures
        n_cell = mean.shape[-1]
        self._columns.append((mean, level, peak, *self._instants(n_cell, length), np.full(n_cell, float(length))))

    def _instants(self, n_cell: int, length: int) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Mean, first and last instant of the next cells [shape=(n_cell,) each], which are no longer pending."""
        used = n_cell * length
        if self._start_s is not None:
            rate_hz = self._plan.rate_hz
            first = self._start_s + np.arange(0, used, length) / rate_hz
            last = self._start_s + np.arange(length - 1, used, length) / rate_hz
            self._start_s += used / rate_hz
            return 0.5 * (first + last), first, last
        times = _joined(self._pending_times)
        self._pending_times = [times[used:].copy()]
        cells = times[:used].reshape(n_cell, length)
        # copies: a view of two columns would keep every sample's instant in memory
        return cells.mean(axis=-1), cells[:, 0].copy(), cells[:, -1].copy()

    def _no_bands(self, n_cell: int) -> Float32Array:
        return np.full((self._n_channel, n_cell, len(self._plan.firsts)), np.nan, dtype=np.float32)

    def _no_ends(self) -> _CellEnds:
        return _CellEnds(np.empty((self._n_channel, self._plan.hop), np.float32), np.empty(self._n_channel))

    def close(self) -> None:
        """End the run: what is left of it makes a short cell without bands."""
        if self._n_pending:
            values = _joined(self._pending)
            figures = np.empty((3, self._n_channel, 1))
            for channel, row in enumerate(values):
                _cell_figures(row, figures[:, channel])
            self._append_columns(figures, self._n_pending)
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
        self._start_s, self._n_pending = later._start_s, later._n_pending

    def _seam(self, last: _CellEnds, head: _CellEnds) -> Float32Array:
        ends = zip(last.departure, head.departure, last.mean - head.mean, strict=True)
        return np.concatenate([self._seam_bands(*end) for end in ends])

    def _seam_bands(self, last: Float32Array, head: Float32Array, apart: np.float64) -> Float32Array:
        """Bands of one frame [shape=(1, n_band)] over two blocks or parts of a channel."""
        frame = np.empty((1, 2 * self._plan.hop), dtype=np.float32)
        _framed(last[None], head[None], np.atleast_1d(apart), frame)
        frame *= self._plan.taper
        return _densities(frame, self._plan, np.empty((1, len(self._plan.firsts)), dtype=np.float32))

    def cells(self, scale: FloatArray | float = 1.0, offset: FloatArray | float = 0.0) -> Cells:
        """All cells so far, the open run taken as ended; samples are ``scale`` times what was pushed plus ``offset``
        [a number, or shape=(n_channel, 1)].
        """
        self.close()
        if not self._columns:
            empty = np.zeros((self._n_channel, 0))
            none = np.zeros(0)
            return Cells(empty, empty, empty, none, none, none, none, self._no_bands(0))
        columns = [_joined(list(column)) for column in zip(*self._columns, strict=True)]
        mean, level, peak, time_s, first_s, last_s, n = columns
        size = np.abs(np.asarray(scale, dtype=np.float64))
        square = np.broadcast_to(size**2, (self._n_channel, 1)).astype(np.float32)[..., None]
        bands = self._bands[0] if len(self._bands) == 1 else np.concatenate(self._bands, axis=1)
        if np.any(size != 1.0):
            # what is kept stays as it is: cells may be asked for more than once
            bands = np.multiply(bands, square, out=None if len(self._bands) == 1 else bands)
        return Cells(mean * scale + offset, level * size, peak * size, time_s, first_s, last_s, n, bands)


def _cell_figures(row: AnyArray, figures: FloatArray) -> Float32Array:
    """Departures from the mean of one channel's cells [shape=(n_cell, length)]; fills in mean, rms and greatest of
    them [shape=(3, n_cell)]. Sums over slices: over the last axis of short cells they take two to three times as long.
    """
    n_cell = figures.shape[-1]
    length = len(row) // n_cell
    starts = np.arange(0, len(row), length)
    samples = row.astype(np.float64)
    mean = np.add.reduceat(samples, starts) / length
    departure = samples.reshape(n_cell, length)
    departure -= mean[:, None]
    figures[0] = mean
    figures[1] = np.sqrt(np.vecdot(departure, departure) / length)
    # the samples themselves may be a quarter of the bytes
    figures[2] = np.maximum(np.maximum.reduceat(row, starts) - mean, mean - np.minimum.reduceat(row, starts))
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

    def of_length(self, least: float) -> Cells:
        """Those of at least so many samples."""
        enough = self.n >= least
        if enough.all():
            return self
        by_channel = self.mean[:, enough], self.level[:, enough], self.peak[:, enough]
        instants = self.time_s[enough], self.first_s[enough], self.last_s[enough]
        return Cells(*by_channel, *instants, self.n[enough], self.bands[:, enough])


def framed(bands: npt.NDArray[np.floating]) -> BoolArray:
    """Which cells have bands [shape=(n_cell,)], those ``bands`` [shape=(n_channel, n_cell, n_band)] are known of."""
    # the greatest of them is not finite where any is not: none is below nought
    return np.asarray(np.isfinite(bands.max(axis=0).max(axis=-1)))


def chosen_cells(known: BoolArray) -> slice | npt.NDArray[np.int64]:
    """What picks the cells that are ``known`` [shape=(n_cell,)]: a slice where that will do, which copies nothing."""
    first = int(known.argmax())
    return slice(first, None) if known[first:].all() else np.flatnonzero(known)


def usual_densities(
    bands: npt.NDArray[np.floating], known: BoolArray | None = None
) -> tuple[FloatArray, FloatArray]:
    """Median over time of each band's density and its scatter [shape=(n_channel, n_band) each].

    The scatter is that of the logarithm, from the quartiles, in standard deviations of a normal distribution.
    Only cells ``known`` to have bands count (those that are ``framed``); both are zero where there is none.
    """
    known = framed(bands) if known is None else known
    n_channel, _, n_band = bands.shape
    n = int(np.count_nonzero(known))
    if n == 0:
        return np.zeros((n_channel, n_band)), np.zeros((n_channel, n_band))
    chosen, places = bands[:, chosen_cells(known)], [round(share * (n - 1)) for share in (0.25, 0.5, 0.75)]
    quartiles = np.empty((3, n_channel, n_band))
    for channel, densities in enumerate(chosen):
        # one sort of contiguous rows costs a third of the two medians down the columns it stands for
        rows = densities.T.copy()
        rows.sort(axis=-1)
        for quartile, place in zip(quartiles, places, strict=True):
            quartile[channel] = rows[:, place]
    low, _, high = np.maximum(quartiles, 1e-300)
    return quartiles[1], np.log(high / low) / 1.349


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
    power = (level * level).sum(axis=0)
    if n <= most:
        return time_s, np.sqrt(power)
    starts = np.arange(0, n, -(-n // most))
    counts = np.diff(np.append(starts, n))
    return np.add.reduceat(time_s, starts) / counts, np.sqrt(np.add.reduceat(power, starts) / counts)
