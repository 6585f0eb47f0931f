"""Speed over time from the firing line itself.

The line is followed in three steps, each on the complex baseband around its nominal place: short spectra
summed over the channels, the best path through them, and the phase that is left along that path.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property, lru_cache

import numpy as np
import numpy.typing as npt
from scipy import fft
from scipy.ndimage import convolve1d, uniform_filter1d

from .cheapest_path import cheapest_path
from .natural_spline import NaturalSpline
from .quantiles import row_medians
from .windows import hann_within

FloatArray = npt.NDArray[np.float64]
ComplexArray = npt.NDArray[np.complex128]
IntArray = npt.NDArray[np.intp]

TINY = float(np.finfo(np.float64).tiny)
HOPS_PER_FRAME = 4
PADDING = 2
SPANS = (0.4, 1.0, 2.5)
"""Frame lengths tried, relative to the one that suits a wander of 0.4 %: they suit about 1.6, 0.4, 0.1 %."""


@dataclass(frozen=True)
class LinePath:
    """The line of one run along its path.

    ``time_s`` [shape=(n,), s from the run's output 0], ``offset_hz`` [shape=(n,), from the zoom's centre],
    ``excess`` [shape=(n,)]: power on the path over the floor's power in the same cell, channels summed.
    """

    time_s: FloatArray
    offset_hz: FloatArray
    excess: FloatArray


@dataclass(frozen=True)
class Spectrogram:
    """Whitened short spectra of one run: ``power`` [shape=(n_frame, n_bin)], mean ``n_channel`` on the floor."""

    power: FloatArray
    offset_hz: FloatArray
    time_s: FloatArray
    n_channel: int


def frame_seconds(line_hz: float, wander: float = 0.004, time_s: float = 3.0) -> float:
    """Frame length in which a line at ``line_hz`` stays within about half a cell while speed wanders.

    For an Ornstein-Uhlenbeck wander the frequency's variance grows by ``q = 2 (wander line_hz)**2 / time_s``
    per second; the length solves ``sqrt(q T) = 1 / (2 T)``.
    """
    q = 2.0 * (wander * line_hz) ** 2 / time_s
    return float((0.25 / q) ** (1.0 / 3.0))


def floor_levels(baseband: ComplexArray, rate_hz: float, band_hz: float) -> FloatArray:
    """Floor density of each channel [shape=(n_channel,), |baseband|**2 per Hz], robust to lines.

    The median over the cells of short spectra with 40 cells in ``+- band_hz``: a line and its wander fill a
    few of them, and up to a third may be filled before the median is half as high again.
    """
    n_frame = int(min(baseband.shape[-1], max(16, np.ceil(20.0 * rate_hz / band_hz))))
    window = hann_within(n_frame)
    cells = fft.fft(_frames(baseband, n_frame, max(1, n_frame // 2)) * window, axis=-1, overwrite_x=True)
    low, high = _cells_within(n_frame, rate_hz, band_hz)
    inside = np.concatenate([cells[..., n_frame - low :], cells[..., :high]], axis=-1).reshape(baseband.shape[0], -1)
    floor = row_medians(inside.real**2 + inside.imag**2) / (np.log(2.0) * np.sum(window**2) * rate_hz)
    return np.asarray(np.maximum(floor, TINY))


def _frames(baseband: ComplexArray, n_frame: int, hop: int) -> ComplexArray:
    """[shape=(n_channel, n_frames, n_frame)] a view."""
    n_channel, n = baseband.shape
    along, on = baseband.strides
    shape = (n_channel, (n - n_frame) // hop + 1, n_frame)
    return np.lib.stride_tricks.as_strided(baseband, shape, (along, hop * on, on), writeable=False)


def _cells_within(n_fft: int, rate_hz: float, band_hz: float) -> tuple[int, int]:
    """How many cells of a transform lie below 0 Hz, and how many from there up, within ``+- band_hz``."""
    most = int(band_hz * n_fft / rate_hz * (1.0 + 1e-12))
    return min(most, n_fft // 2), min(most, (n_fft - 1) // 2) + 1


def spectrogram(
    baseband: ComplexArray, rate_hz: float, frame_s: float, pass_hz: float, floor: FloatArray
) -> Spectrogram:
    """Short Hann spectra, each channel over its own floor, summed; frames at a quarter of their length."""
    n_channel, n = baseband.shape
    n_frame = min(max(round(frame_s * rate_hz), 8), n)
    hop = max(1, n_frame // HOPS_PER_FRAME)
    window = hann_within(n_frame)
    n_fft = fft.next_fast_len(PADDING * n_frame)
    frames = _frames(baseband, n_frame, hop)
    padded = np.zeros((*frames.shape[:2], n_fft), dtype=np.complex128)
    np.multiply(frames, window, out=padded[..., :n_frame])
    spectra = fft.fft(padded, axis=-1, overwrite_x=True)
    low, high = _cells_within(n_fft, rate_hz, pass_hz)
    # transforms begin at 0 Hz; what lies below it comes last
    inside = np.concatenate([spectra[..., n_fft - low :], spectra[..., :high]], axis=-1)
    scale = 1.0 / (float(window @ window) * rate_hz * floor)
    power = scale @ (inside.real**2 + inside.imag**2).reshape(n_channel, -1)
    power = power.reshape(inside.shape[1:])
    time_s = (np.arange(power.shape[0]) * hop + 0.5 * (n_frame - 1)) / rate_hz
    return Spectrogram(power, np.arange(-low, high) * (rate_hz / n_fft), time_s, n_channel)


def best_path(cells: Spectrogram) -> IntArray:
    """The path of the largest sum of ``2 sqrt(s P)`` less a price on steps [shape=(n_frame,), bins].

    ``2 sqrt(s P)`` is the log likelihood ratio of a steady line in noise for large ``s P``; halved because
    overlapping frames tell the same twice. A step of one bin a hop is two standard deviations of the wander
    the frame length was made for. Found by dynamic programming (Viterbi).
    """
    usual = row_medians(cells.power)
    calm = usual / row_medians(usual)
    # a bang raises all bins of its frames: they must not outvote the calm ones
    power = cells.power / np.maximum(calm, 1.0)[:, None]
    strength = row_medians(power.max(axis=-1))
    gain = np.sqrt(strength * power)
    return cheapest_path(gain)


def path_of_line(cells: Spectrogram) -> LinePath:
    """The best path with its frequency refined between bins by a parabola through log power.

    With frames padded twice the parabola is within 0.002 cells for a Hann window.
    """
    return refined_path(cells, best_path(cells))


def refined_path(cells: Spectrogram, path: IntArray) -> LinePath:
    """A path of bins with its frequency refined by a parabola through log power."""
    rows = np.arange(path.size)
    inner = np.minimum(np.maximum(path, 1), cells.offset_hz.size - 2)
    low, mid, high = np.log(cells.power[rows, inner + np.array([[-1], [0], [1]])] + 1e-300)
    bend = np.minimum(low - 2.0 * mid + high, -1e-9)
    shift = np.clip(0.5 * (low - high) / bend, -0.5, 0.5)
    spacing = cells.offset_hz[1] - cells.offset_hz[0]
    offset = cells.offset_hz[inner] + shift * spacing
    return LinePath(cells.time_s, offset, cells.power[rows, path])


def noise_path_excess(n_bin: int, n_channel: int) -> float:
    """Mean power the best path collects where there is no line: what a line has to beat.

    A fit to simulated noise (bins padded twice, steps as in ``best_path``), 12 to 400 bins, 1 to 6 channels:
    the mean over 160 frames scatters by about ``0.16 sqrt(n_channel)``.
    """
    return float(n_channel + (0.3 + 0.1 * np.log(n_bin)) * np.sqrt(n_channel))


@dataclass(frozen=True)
class FollowedLine:
    """All runs' paths, at the frame length that follows the line best."""

    paths: tuple[LinePath, ...]
    frame_s: float
    mean_excess: float
    noise_excess: float
    n_bin: int
    n_frames: int
    floor: FloatArray
    """[shape=(n_channel,)] mean square of the baseband per Hz."""
    shown: tuple[Spectrogram, ...] = ()
    """Of every run, what the paths were found in."""

    @property
    def needed_excess(self) -> float:
        """What the best path must collect to be a line: some four standard deviations above noise's mean."""
        return self.noise_excess + 8.0 * float(np.sqrt(self.floor.size / self.n_frames))

    @cached_property
    def lost(self) -> tuple[npt.NDArray[np.bool_], ...]:
        """Per path, where the line is gone [shape=(n_frame,)]: less than noise's share over two frame lengths."""
        width = 2 * HOPS_PER_FRAME + 1
        return tuple(
            uniform_filter1d(path.excess, min(width, path.excess.size), mode="nearest") < self.noise_excess
            for path in self.paths
        )

    @property
    def mean_offset_hz(self) -> float:
        """Mean place of the line, from the zoom's centre."""
        return float(np.mean(np.concatenate([path.offset_hz for path in self.paths])))

    @property
    def line_to_floor(self) -> float:
        """Line power over floor power in 1 Hz (channels summed, each over its own floor)."""
        return max(0.0, self.mean_excess - self.floor.size) * 1.5 / self.frame_s


def followed_line(
    runs: tuple[ComplexArray, ...], rate_hz: float, line_hz: float, pass_hz: float, band_hz: float
) -> FollowedLine:
    """Follow the strongest line within ``+- pass_hz`` of the zoom's centre through all runs.

    Parameters
    ----------
    runs
        Baseband of each run [shape=(n_channel, n), complex]; each at least 8 samples.
    rate_hz
        Its rate.
    line_hz
        Nominal frequency of the line: sets the frame lengths that are tried.
    pass_hz
        Search half width.
    band_hz
        Half the zoom's pass band, over which the floor is judged.
    """
    floor = _pooled_floor(runs, rate_hz, band_hz)
    spans = [span * frame_seconds(line_hz) for span in SPANS]
    shown = [_spectrograms(runs, rate_hz, frame_s, pass_hz, floor) for frame_s in spans]
    outlook = [_outlook(cells) for cells in shown]
    if max(rate for rate, _ in outlook) > 0 and min(clear for _, clear in outlook) > 3.0:
        # where every frame's highest cell is the line, the paths need not be found to choose between lengths
        shown = [shown[_longest_good([rate for rate, _ in outlook])]]
    tried = [_followed(cells, floor) for cells in shown]
    return tried[_longest_good([(item.mean_excess - item.noise_excess) / item.frame_s for item in tried])]


def _longest_good(gained: list[float]) -> int:
    """The last, longest frame length that gathers nearly as much power a second as the best one.

    A steady line gathers the same at any length; what is gained by longer frames is a narrower cell.
    """
    return max(index for index, rate in enumerate(gained) if rate >= NEARLY * max(gained) or rate == max(gained))


NEARLY = 0.97


@dataclass(frozen=True)
class _Cells:
    """Spectrograms of all runs at one frame length."""

    runs: tuple[Spectrogram, ...]
    frame_s: float


def _outlook(cells: _Cells) -> tuple[float, float]:
    """Power gained per second by the highest cell of each frame, and that cell over noise's highest."""
    highest = float(np.mean(np.concatenate([run.power.max(axis=-1) for run in cells.runs])))
    n_bin, n_channel = cells.runs[0].offset_hz.size, cells.runs[0].n_channel
    noise = n_channel + np.log(n_bin) + np.sqrt(2.0 * n_channel * np.log(n_bin))
    return (highest - noise) / cells.frame_s, highest / noise


def _pooled_floor(runs: tuple[ComplexArray, ...], rate_hz: float, band_hz: float) -> FloatArray:
    weights = np.array([run.shape[-1] for run in runs], dtype=float)
    floors = np.stack([floor_levels(run, rate_hz, band_hz) for run in runs])
    return np.asarray(weights @ floors / weights.sum())


def _spectrograms(
    runs: tuple[ComplexArray, ...], rate_hz: float, frame_s: float, pass_hz: float, floor: FloatArray
) -> _Cells:
    longest = max(run.shape[-1] for run in runs) / rate_hz
    frame_s = min(max(frame_s, 8.0 / rate_hz), longest)
    return _Cells(tuple(spectrogram(run, rate_hz, frame_s, pass_hz, floor) for run in runs), frame_s)


def _followed(cells: _Cells, floor: FloatArray) -> FollowedLine:
    paths = tuple(path_of_line(run) for run in cells.runs)
    excess = np.concatenate([path.excess for path in paths])
    n_bin = max(run.offset_hz.size for run in cells.runs)
    noise = noise_path_excess(n_bin, floor.size)
    return FollowedLine(paths, cells.frame_s, float(excess.mean()), noise, n_bin, excess.size, floor, cells.runs)


@dataclass(frozen=True)
class PhaseTrack:
    """The line's phase at every baseband sample of a run, and how well it is known.

    ``cycles`` [shape=(n,)] relative to the zoom's centre; ``offset_hz`` [shape=(n,)] its derivative;
    ``n_fades`` times at which noise could have made the phase slip by a cycle.
    """

    cycles: FloatArray
    offset_hz: FloatArray
    locked: bool
    n_fades: int


def path_cycles(path: LinePath, n: int, rate_hz: float) -> FloatArray:
    """Cycles along a path at ``n`` baseband samples [shape=(n,)]: the integral of a spline through it."""
    t = np.arange(n) / rate_hz
    if path.time_s.size < 2:
        return np.asarray(path.offset_hz[0] * t)
    if path.time_s.size < 4:
        offset = np.interp(t, path.time_s, path.offset_hz)
        return np.asarray(np.cumsum(offset) / rate_hz)
    inside = np.clip(t, path.time_s[0], path.time_s[-1])
    # beyond the first and last frame the speed is held: a cubic would run away
    before = np.minimum(t - path.time_s[0], 0.0) * path.offset_hz[0]
    after = np.maximum(t - path.time_s[-1], 0.0) * path.offset_hz[-1]
    return np.asarray(NaturalSpline(path.time_s, path.offset_hz).integral(inside) + before + after)


def joined_channel(turned: tuple[ComplexArray, ...], floor: FloatArray) -> ComplexArray:
    """Weights [shape=(n_channel,), complex] that add the channels up in phase, each over its own floor.

    The line moves all channels along one path of constant shape: the weights are the principal eigenvector
    of their cross-spectral matrix in a narrow band along the line, found on 16-sample means. ``turned``: each run
    turned back by its cycles.
    """
    parts = []
    for run in turned:
        n_mean = min(16, run.shape[-1])
        used = run[:, : run.shape[-1] // n_mean * n_mean]
        parts.append(used.reshape(run.shape[0], -1, n_mean).mean(axis=-1))
    means = np.concatenate(parts, axis=-1) / np.sqrt(floor)[:, None]
    _, vectors = np.linalg.eigh(np.einsum("in,jn->ij", means, means.conj()))
    return np.asarray(vectors[:, -1].conj() / np.sqrt(floor))


def phase_track(
    turned: ComplexArray,
    rate_hz: float,
    cycles: FloatArray,
    weights: ComplexArray,
    smooth_s: float,
) -> PhaseTrack:
    """Phase along the line: the path's ``cycles``, corrected by the residual phase smoothed over ``smooth_s``.

    ``turned`` [shape=(n_channel, n)] is the run turned back by these cycles.

    Where the smoothed line is below ``FADED`` times its noise a cycle may slip; where that is so for more
    than ``MOST_FADED`` of the time the correction is left out (``locked`` false).
    """
    n = turned.shape[-1]
    n_taps = 2 * (int(smooth_s * rate_hz) // 2) + 1
    locked, n_fades = False, 0
    if n_taps >= 3 and n > n_taps:
        taps = hann_within(n_taps)
        slow = _smoothed(weights @ turned, n_taps)
        # the joined channel has a floor of 1 per Hz
        noise = np.sqrt(rate_hz * np.sum(taps**2)) / np.sum(taps)
        faded = np.abs(slow) < FADED * noise
        locked = bool(faded.mean() <= MOST_FADED)
        n_fades = int(np.sum(faded[1:] & ~faded[:-1]) + faded[0])
        if locked:
            phase = np.angle(slow) / (2.0 * np.pi)
            phase[1:] -= np.cumsum(np.rint(np.diff(phase)))
            cycles = cycles + phase
    return PhaseTrack(cycles, np.gradient(cycles) * rate_hz if n > 1 else np.zeros(n), locked, n_fades)


def phase_tracks(runs: tuple[ComplexArray, ...], rate_hz: float, line: FollowedLine) -> list[PhaseTrack]:
    """Phase of the line in every run, smoothed over half the frame length that suits its wander."""
    cycles = tuple(path_cycles(path, run.shape[-1], rate_hz) for path, run in zip(line.paths, runs, strict=True))
    turned = tuple(run * np.exp(-2j * np.pi * along) for run, along in zip(runs, cycles, strict=True))
    weights = joined_channel(turned, line.floor)
    return [
        phase_track(run, rate_hz, along, weights, 0.5 * line.frame_s) for along, run in zip(cycles, turned, strict=True)
    ]


FADED = 2.5
MOST_FADED = 0.03


def _smoothed(values: ComplexArray, n_taps: int) -> ComplexArray:
    """Mean under a moving Hann window, the window's inside part at the ends [shape like values]."""
    held = convolve1d(values, hann_within(n_taps), mode="constant")
    return np.asarray(held / _weight_inside(values.size, n_taps))


@lru_cache(maxsize=4)
def _weight_inside(n: int, n_taps: int) -> FloatArray:
    """Sum of the window's samples that lie inside ``n`` values about each of them [shape=(n,)], read-only."""
    weight = convolve1d(np.ones(n), hann_within(n_taps), mode="constant")
    weight.setflags(write=False)
    return np.asarray(weight)
