"""Averaged auto and cross spectra of any length of record in constant memory.

Kept quantity: the mean over segments of the squared *peak amplitude*, ``(2 |X| / sum(w))**2`` (without the 2 at
0 Hz and at the Nyquist frequency, which have no mirror image). A steady sine of peak A on a bin has the root A.
Everything else is a scaling of it, and every scaled array carries the name of its scaling.

References
----------
P. D. Welch, IEEE Trans. Audio Electroacoust. AU-15(2), 70-73, 1967 (overlapped segment averaging and its
variance). G. Heinzel et al., 2002, section 9 (scaling). J. S. Bendat, A. G. Piersol, Random Data, 4th ed.,
section 8.5 (chi-square band).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any, Literal, Self, get_args

import numpy as np
import numpy.typing as npt
import scipy.fft
from scipy import special

from .framing import AnyFloat, Framer
from .windows import (
    WindowLike,
    coherent_gain,
    cosine_coefficients,
    cosine_window,
    enbw_bins,
    overlap_correlation,
)

FloatArray = npt.NDArray[np.float64]
ComplexArray = npt.NDArray[np.complex128]
Averaging = Literal["linear", "exponential", "peak-hold"]
Scaling = Literal["amplitude", "rms", "power", "density"]

BATCH_SAMPLES = 1 << 18
"""Samples transformed at a time: the batch, its transform and the sums stay in a usual second-level cache."""


@dataclass(frozen=True)
class SpectrumPlan:
    """What is to be averaged: rate (Hz), segment length and hop (samples), window, averaging, pairs (i < j).

    ``decay`` is the weight of the newest segment under exponential averaging; ``remove_mean`` takes each
    segment's window-weighted mean out; ``scatter`` keeps the segments' spread; ``dtype`` is the precision of
    the transform (sums are always double).

    Raises
    ------
    ValueError
        A field out of its range, said with the range.
    """

    rate_hz: float
    length: int
    hop: int
    window: WindowLike = "hann"
    averaging: Averaging = "linear"
    pairs: tuple[tuple[int, int], ...] = ()
    remove_mean: bool = True
    scatter: bool = True
    decay: float = 0.1
    dtype: str = "float64"

    def __post_init__(self) -> None:
        if not (np.isfinite(self.rate_hz) and self.rate_hz > 0.0):
            msg = f"rate_hz {self.rate_hz!r}: wanted a finite number above 0"
            raise ValueError(msg)
        if self.averaging not in get_args(Averaging):
            msg = f"averaging {self.averaging!r}: allowed are {', '.join(get_args(Averaging))}"
            raise ValueError(msg)
        if not 0.0 < self.decay <= 1.0:
            msg = f"decay {self.decay!r}: wanted above 0, at most 1"
            raise ValueError(msg)
        if not all(0 <= i < j for i, j in self.pairs):
            msg = f"pairs {self.pairs!r}: wanted (i, j) with i < j"
            raise ValueError(msg)
        if self.averaging == "peak-hold" and self.pairs:
            msg = "peak-hold keeps no phase: cross pairs need linear or exponential averaging"
            raise ValueError(msg)
        if self.dtype not in ("float32", "float64"):
            msg = f"dtype {self.dtype!r}: allowed are float32, float64"
            raise ValueError(msg)
        Framer(self.length, self.hop)
        self.samples()

    def samples(self) -> FloatArray:
        """The window [shape=(length,)]."""
        return cosine_window(self.window, self.length)

    @property
    def frequency(self) -> FloatArray:
        """Bins [shape=(length // 2 + 1,), Hz]."""
        return np.asarray(scipy.fft.rfftfreq(self.length, 1.0 / self.rate_hz), dtype=np.float64)

    @property
    def enbw_hz(self) -> float:
        """Effective noise bandwidth of one segment, Hz."""
        return _enbw_bins(cosine_coefficients(self.window), self.length) * self.rate_hz / self.length

    def calibration(self) -> FloatArray:
        """Factor from |X|**2 to the squared peak amplitude [shape=(n_f,)], read-only."""
        return _calibration(cosine_coefficients(self.window), self.length)

    @property
    def overlaps(self) -> tuple[float, ...]:
        """Correlation of white noise in a segment and in the next, the next but one ... that overlap it."""
        return _overlaps(cosine_coefficients(self.window), self.length, self.hop)


@dataclass(frozen=True)
class ScaledSpectrum:
    """A spectrum that says what it is; converts to the other scalings by itself.

    ``values`` [shape=(..., n_f)]: ``amplitude`` peak, ``rms``, ``power`` mean square in a bin, or ``density``
    mean square per Hz, one-sided.
    """

    scaling: Scaling
    values: FloatArray
    length: int
    enbw_hz: float
    bin_hz: float

    def to(self, scaling: Scaling) -> ScaledSpectrum:
        """The same spectrum in another scaling. Raises ValueError for an unknown one."""
        if scaling not in get_args(Scaling):
            msg = f"scaling {scaling!r}: allowed are {', '.join(get_args(Scaling))}"
            raise ValueError(msg)
        # a constant's mean square is its square; a sine's is half of its squared peak
        crest = 1.0 / _sides(self.length)
        unit = {"amplitude": crest, "rms": np.ones_like(crest), "power": None, "density": None}
        power = self.values * (self.enbw_hz if self.scaling == "density" else 1.0)
        root = unit[self.scaling]
        if root is not None:
            power = self.values**2 * root
        root = unit[scaling]
        values = power / self.enbw_hz if scaling == "density" else power
        if root is not None:
            values = np.sqrt(power / root)
        return ScaledSpectrum(scaling, np.asarray(values), self.length, self.enbw_hz, self.bin_hz)

    def band_mean_square(self, low: int, high: int) -> FloatArray:
        """Mean square of the signal in the bins low ... high - 1 (Parseval; noise bandwidth divided out)."""
        return np.asarray(np.sum(self.to("density").values[..., low:high], axis=-1) * self.bin_hz)


@dataclass(frozen=True)
class AveragedSpectrum:
    """What averaging gave: ``auto`` [shape=(n_channel, n_f), squared peak amplitude], ``cross`` [shape=(n_pair,
    n_f)] = mean of conj(X_i) X_j in the same scaling, ``scatter`` = standard deviation over segments of ``auto``
    (None when not kept). ``n_effective`` counts averages for noise, ``n_coherent`` for the error that noise
    makes on a steady line.
    """

    plan: SpectrumPlan
    frequency: FloatArray
    auto: FloatArray
    cross: ComplexArray
    scatter: FloatArray | None
    n_segments: int
    n_effective: float
    n_coherent: float

    def scaled(self, scaling: Scaling) -> ScaledSpectrum:
        """The auto spectra in one of the four scalings."""
        plan = self.plan
        bin_hz = plan.rate_hz / plan.length
        amplitude = ScaledSpectrum("amplitude", np.sqrt(self.auto), plan.length, plan.enbw_hz, bin_hz)
        return amplitude.to(scaling)

    def confidence_band(self, confidence: float = 0.95) -> tuple[float, float]:
        """Factors on ``auto`` between which the expected value lies (noise; see ``chi_square_band``)."""
        return chi_square_band(self.n_effective, confidence)


class SpectralSum:
    """Running sums of one pass. Pushing sequential blocks of any size gives the same sums.

    Examples
    --------
    >>> plan = SpectrumPlan(rate_hz=64.0, length=64, hop=32)
    >>> total = SpectralSum(plan, n_channel=1)
    >>> total.push(3.0 * np.sin(2 * np.pi * 8 * np.arange(128) / 64)[None, :])
    >>> round(float(total.result().auto[0, 8]), 9)
    9.0
    """

    def __init__(self, plan: SpectrumPlan, n_channel: int) -> None:
        self.plan, self.n_channel = plan, n_channel
        self._framer = Framer(plan.length, plan.hop)
        self._window = plan.samples().astype(plan.dtype, copy=False)
        leak = _mean_leak(cosine_coefficients(plan.window), plan.length)
        self._leak = leak.astype(plan.dtype, copy=False) if plan.remove_mean else None
        n_f = plan.length // 2 + 1
        self._auto = np.zeros((n_channel, n_f))
        self._square = np.zeros((n_channel, n_f)) if plan.scatter else None
        self._cross = np.zeros((len(plan.pairs), n_f), dtype=np.complex128)
        self._counts: dict[int, int] = {}
        self._run: int | None = None

    def push(self, values: AnyFloat, run: int = 0, first: int | None = None) -> None:
        """Take the next block [shape=(n_channel, n)] of a run; ``first`` None means "what follows".

        Raises
        ------
        ValueError
            Wrong number of channels, or samples that do not follow on those before.
        """
        if values.shape[0] != self.n_channel:
            msg = f"block of {values.shape[0]} channels, planned for {self.n_channel}"
            raise ValueError(msg)
        if run != self._run:
            self._framer.restart()
            self._run = run
        expected = self._framer.expects
        where = first if first is not None else (expected if expected is not None else 0)
        for _, frames in self._framer.push(values, where):
            self._take(frames, run)

    def _take(self, frames: AnyFloat, run: int) -> None:
        n_frame = frames.shape[1]
        # for cross spectra those of the channels before are kept; otherwise there is room for more frames of the one
        step = max(BATCH_SAMPLES // (self.plan.length * (self.n_channel if self.plan.pairs else 1)), 1)
        # one workspace for all batches: fresh pages cost as much as the transform
        tapered = np.empty((min(step, n_frame), self.plan.length), dtype=self._window.dtype)
        product = np.empty((len(tapered), self._auto.shape[1]), dtype=np.result_type(tapered, np.complex64))
        for start in range(0, n_frame, step):
            batch = frames[:, start : start + step]
            self._fade(batch.shape[1])
            before: list[npt.NDArray[Any]] = []
            for channel in range(self.n_channel):
                spectrum = self._transform(batch[channel], tapered)
                self._add_auto(channel, spectrum, product)
                if self.plan.pairs:
                    self._add_cross(channel, spectrum, before, product)
                    before.append(np.conj(spectrum, out=spectrum))
            self._counts[run] = self._counts.get(run, 0) + batch.shape[1]

    def _transform(self, frames: AnyFloat, room: AnyFloat) -> npt.NDArray[Any]:
        """Windowed transforms [shape=(n_frame, n_f)]."""
        tapered = room[: frames.shape[0]]
        np.multiply(frames, self._window, out=tapered, dtype=self._window.dtype, casting="unsafe")
        spectrum: npt.NDArray[Any] = scipy.fft.rfft(tapered, axis=-1, overwrite_x=True)
        if self._leak is not None:
            # a constant fills exactly the window's first bins: taking it out there costs nothing
            spectrum[:, : self._leak.size] -= spectrum[:, :1] * self._leak
        return spectrum

    def _fade(self, n: int) -> None:
        """Age the sums before n newer segments under exponential averaging."""
        if self.plan.averaging == "exponential":
            factor = (1.0 - self.plan.decay) ** n
            self._auto *= factor
            self._cross *= factor
            if self._square is not None:
                self._square *= factor

    def _weights(self, n: int) -> FloatArray:
        return np.asarray((1.0 - self.plan.decay) ** np.arange(n - 1, -1, -1), dtype=np.float64)

    def _add_auto(self, channel: int, spectrum: npt.NDArray[Any], room: npt.NDArray[Any]) -> None:
        """Add up powers and their squares over the frames."""
        parts = spectrum.view(self._window.dtype)
        if self.plan.averaging == "linear" and self._square is None:
            self._auto[channel] += _pairwise(np.einsum("ij,ij->j", parts, parts))
            return
        power = _pairwise(np.multiply(parts, parts, out=room[: len(parts)].view(parts.dtype)))
        if self.plan.averaging == "peak-hold":
            np.maximum(self._auto[channel], power.max(axis=0), out=self._auto[channel])
            return
        if self.plan.averaging == "exponential":
            weight = self._weights(power.shape[0])
            self._auto[channel] += weight @ power
            if self._square is not None:
                self._square[channel] += weight @ power.astype(np.float64) ** 2
            return
        self._auto[channel] += power.sum(axis=0)
        assert self._square is not None
        self._square[channel] += np.einsum("ij,ij->j", power, power, dtype=np.float64)

    def _add_cross(
        self, channel: int, spectrum: npt.NDArray[Any], before: list[npt.NDArray[Any]], room: npt.NDArray[Any]
    ) -> None:
        """Add up products with the channels ``before``, whose spectra are conjugated."""
        product = room[: len(spectrum)]
        for row, (i, j) in enumerate(self.plan.pairs):
            if j == channel:
                np.multiply(before[i], spectrum, out=product)
                if self.plan.averaging == "exponential":
                    product *= self._weights(len(product))[:, None]
                self._cross[row] += np.add.reduce(product, axis=0)

    def merge(self, other: Self) -> None:
        """Take over what was gathered on later samples (another run, or a later part of the same one).

        Raises
        ------
        ValueError
            The other sum was made by another plan or for another number of channels.
        """
        if (other.plan, other.n_channel) != (self.plan, self.n_channel):
            msg = "spectral sums of different plans do not merge"
            raise ValueError(msg)
        self._fade(other.n_segments)
        if self.plan.averaging == "peak-hold":
            np.maximum(self._auto, other._auto, out=self._auto)
        else:
            self._auto += other._auto
            self._cross += other._cross
            if self._square is not None and other._square is not None:
                self._square += other._square
        for run, count in other._counts.items():
            self._counts[run] = self._counts.get(run, 0) + count
        self._framer, self._run = other._framer, other._run

    @property
    def n_segments(self) -> int:
        """Segments summed so far."""
        return sum(self._counts.values())

    @property
    def samples_used(self) -> int:
        """Samples that lie in at least one segment."""
        return sum((n - 1) * self.plan.hop + self.plan.length for n in self._counts.values() if n)

    def result(self) -> AveragedSpectrum:
        """The averages so far.

        Raises
        ------
        ValueError
            No segment was complete.
        """
        n = self.n_segments
        if n == 0:
            msg = f"no segment of {self.plan.length} samples was complete"
            raise ValueError(msg)
        total = self._total_weight(n)
        scale = self.plan.calibration()
        mean = self._auto / total
        return AveragedSpectrum(
            plan=self.plan,
            frequency=self.plan.frequency,
            auto=mean * scale,
            # real and imaginary parts apart: by a complex number each would take several times as long
            cross=(self._cross.view(np.float64) * np.repeat(scale / total, 2)).view(np.complex128),
            scatter=self._scatter(mean, total, n, scale),
            n_segments=n,
            n_effective=effective_averages(self.plan, tuple(self._counts.values())),
            n_coherent=coherent_averages(self.plan, tuple(self._counts.values())),
        )

    def _total_weight(self, n: int) -> float:
        if self.plan.averaging == "peak-hold":
            return 1.0
        if self.plan.averaging == "linear":
            return float(n)
        return float(np.sum(self._weights(n)))

    def _scatter(self, mean: FloatArray, total: float, n: int, scale: FloatArray) -> FloatArray | None:
        if self._square is None or self.plan.averaging == "peak-hold" or n < 2:
            return None
        variance = np.maximum(self._square / total - mean**2, 0.0) * n / (n - 1)
        return np.asarray(np.sqrt(variance) * scale, dtype=np.float64)


def effective_averages(plan: SpectrumPlan, counts: tuple[int, ...]) -> float:
    """Independent averages with the same variance, for runs of so many segments each (Welch 1967, eq. 11).

    Parameters
    ----------
    counts
        Segments of each run, in the order of time; segments of different runs do not overlap.

    Returns
    -------
    float
        1 for peak-hold (its maximum is no average).
    """
    if plan.averaging == "peak-hold":
        return 1.0
    keep = 1.0 if plan.averaging == "linear" else 1.0 - plan.decay
    total, spread, after = 0.0, 0.0, 0
    for count in reversed(counts):
        total += keep**after * _geometric(keep, count)
        own = _geometric(keep**2, count)
        for lag, c in enumerate(plan.overlaps, start=1):
            if lag < count:
                own += 2.0 * c**2 * keep**lag * _geometric(keep**2, count - lag)
        spread += keep ** (2 * after) * own
        after += count
    return total**2 / spread


def chi_square_band(n_effective: float, confidence: float = 0.95) -> tuple[float, float]:
    """Factors that turn an averaged power into its confidence band, 2 n_eff degrees of freedom.

    Bendat and Piersol, eq. 8.159: nu / chi2(1 - alpha/2) and nu / chi2(alpha/2). Holds for noise.
    """
    freedom = 2.0 * n_effective
    tail = 0.5 * (1.0 - confidence)
    low, high = special.chdtri(freedom, [tail, 1.0 - tail])
    return float(freedom / low), float(freedom / high)


def coherent_averages(plan: SpectrumPlan, counts: tuple[int, ...]) -> float:
    """Segments that count for the noise on a steady line: its error is linear in the noise, so the overlap
    correlations enter unsquared. Hann at 50 %: each segment stands for three quarters of itself.
    """
    lagged = tuple(enumerate(plan.overlaps, start=1))
    spread = sum(count + 2.0 * sum(c * max(count - lag, 0) for lag, c in lagged) for count in counts)
    return sum(counts) ** 2 / spread if spread > 0.0 else 0.0


def _geometric(ratio: float, n: int) -> float:
    """1 + ratio + ... + ratio**(n - 1)."""
    return float(n) if ratio == 1.0 else (1.0 - ratio**n) / (1.0 - ratio)


def _sides(length: int) -> FloatArray:
    """2 where a bin has a mirror image, 1 at 0 Hz and at the Nyquist frequency [shape=(n_f,)]."""
    sides = np.full(length // 2 + 1, 2.0)
    sides[0] = 1.0
    if length % 2 == 0:
        sides[-1] = 1.0
    return sides


@lru_cache(maxsize=8)
def _mean_leak(terms: tuple[float, ...], length: int) -> FloatArray:
    """A constant's transform in the first bins, relative to bin 0 (real for periodic windows), read-only."""
    leak = scipy.fft.rfft(cosine_window(terms, length))[: len(terms)].real
    return _read_only(leak / leak[0])


@lru_cache(maxsize=8)
def _calibration(terms: tuple[float, ...], length: int) -> FloatArray:
    return _read_only(_sides(length) ** 2 / (coherent_gain(cosine_window(terms, length)) * length) ** 2)


@lru_cache(maxsize=8)
def _enbw_bins(terms: tuple[float, ...], length: int) -> float:
    return enbw_bins(cosine_window(terms, length))


@lru_cache(maxsize=8)
def _overlaps(terms: tuple[float, ...], length: int, hop: int) -> tuple[float, ...]:
    window = cosine_window(terms, length)
    return tuple(overlap_correlation(window, lag * hop) for lag in range(1, (length - 1) // hop + 1))


def _read_only(values: FloatArray) -> FloatArray:
    values.setflags(write=False)
    return values


def _pairwise(parts: npt.NDArray[Any]) -> npt.NDArray[Any]:
    """Sum of real and imaginary squares [shape=(..., 2 n_f)] -> [shape=(..., n_f)]."""
    return np.asarray(parts[..., 0::2] + parts[..., 1::2])
