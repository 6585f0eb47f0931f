"""Products that built-in stages hand to each other: plain arrays with their meaning and units.

A stage of a stranger may consume any of these by name, or make products of its own type. Fields may be
added with defaults; a field never changes its meaning (that would be another product).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

import numpy as np
import numpy.typing as npt

from .reasons import Reason
from .signal import ChannelSpec, ComplexArray, FloatArray


@dataclass(frozen=True, slots=True)
class ScreenFacts:
    """``screen``: what the native samples show, over the whole capture.

    Per channel, in channel order: clipped samples and longest clipped run, longest stuck run (s), mean,
    standard deviation, least and greatest value (SI), smallest step. The level strip: ``level_time_s``
    [shape=(n_frame,)], ``level`` [shape=(n_channel, n_frame), rms about the frame's mean].
    """

    n_samples: int
    n_clipped: npt.NDArray[np.int64]
    longest_clipped: npt.NDArray[np.int64]
    longest_stuck_s: FloatArray
    mean: FloatArray
    std: FloatArray
    least: FloatArray
    greatest: FloatArray
    level_time_s: FloatArray
    level: FloatArray
    peak: FloatArray
    """[shape=(n_channel, n_frame)] greatest departure from the frame's mean."""
    duration_s: float
    extra: Mapping[str, Any] = field(default_factory=dict)


SpeedSource = Literal["tachometer", "logged", "line", "none"]


@dataclass(frozen=True, slots=True)
class SpeedTrack:
    """``track``: crankshaft speed over time and where it comes from.

    ``time_s`` [shape=(n,)], ``speed_hz`` [shape=(n,), revolutions per second, NaN where lost],
    ``confidence`` [shape=(n,), 0..1]; ``order`` the order the line was followed at when ``source`` is
    ``line``; ``line_level``, ``other_level`` [shape=(n,), m s-2 rms] the level at and away from that line.
    """

    time_s: FloatArray
    speed_hz: FloatArray
    confidence: FloatArray
    source: SpeedSource
    order: float | None
    line_level: FloatArray
    other_level: FloatArray
    reason: Reason | None = None
    extra: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Spectra:
    """``spectra``: averaged auto and cross spectra over the stretches used.

    ``frequency`` [shape=(n_f,), Hz]; ``auto`` [shape=(n_channel, n_f), (SI unit)**2]: mean square of the
    peak amplitude, so that the root of a steady sine of peak A on a bin reads A; ``cross`` [shape=(n_pair,
    n_f), complex] = mean of conj(X_i) X_j in the same scaling for ``pairs`` (i < j, same position);
    ``scatter`` [shape=(n_channel, n_f)]: standard deviation of the segments' values of ``auto``.
    One-sided density of ``auto``: divide by ``2 * enbw_hz`` (mean square is half of peak amplitude squared).
    """

    channels: tuple[ChannelSpec, ...]
    frequency: FloatArray
    auto: FloatArray
    pairs: tuple[tuple[int, int], ...]
    cross: ComplexArray
    n_segments: int
    n_effective: float
    enbw_hz: float
    window: str
    segment_s: float
    overlap: float
    rate_hz: float
    used_s: float
    scatter: FloatArray | None = None
    extra: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class CombinedSpectra:
    """``combined``: per position, the amplitude spectrum (peak, SI unit) of each axis combination.

    ``amplitude[(position, combination)]`` [shape=(n_f,)]; ``mean`` is the arithmetic mean over axes of the
    amplitude *spectra*, never of time signals. ``upright_mean[position]`` [shape=(n_f,)] is what ``mean`` would be
    with the sensor upright, ``tilt_deg[position]`` how far from it it sits; both where gravity was seen.
    """

    frequency: FloatArray
    amplitude: Mapping[tuple[str, str], FloatArray]
    unit: str
    upright_mean: Mapping[str, FloatArray] = field(default_factory=dict)
    tilt_deg: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Line:
    """One spectral component at one position.

    ``amplitudes`` [shape=(n_channel of the position,), peak, SI] interpolated per axis; ``std`` likewise the
    standard uncertainty; ``floor_density`` [shape like amplitudes, (SI)**2/Hz one-sided mean square].
    """

    position: str
    frequency_hz: float
    frequency_std_hz: float
    amplitudes: FloatArray
    std: FloatArray
    floor_density: FloatArray
    name: str
    order: float | None = None
    marks: tuple[Reason, ...] = ()
    extra: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Lines:
    """``lines``: lines of all positions, strongest first within a position, and the naming's basis."""

    lines: tuple[Line, ...]
    basis: str = ""
    extra: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class OrderAmplitude:
    """Amplitude of one order at one channel over the stretches used (peak, SI), floor removed."""

    order: float
    channel: int
    amplitude: float
    std: float
    floor_density: float
    frequency_hz: float
    frequency_std_hz: float
    marks: tuple[Reason, ...] = ()
    extra: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class OrderSpectra:
    """``orders``: amplitudes of the tracked orders, or the reason there are none.

    ``name`` is how the firing line may be called (``engine order 4`` or ``assumed from nominal speed``).
    """

    amplitudes: tuple[OrderAmplitude, ...]
    absent: Reason | None = None
    name: str = ""
    extra: Mapping[str, Any] = field(default_factory=dict)

    def of(self, order: float) -> tuple[OrderAmplitude, ...]:
        """The entries of one order, in channel order."""
        return tuple(item for item in self.amplitudes if abs(item.order - order) < 1e-9)


@dataclass(frozen=True, slots=True)
class SpeedMap:
    """``speed_map``: amplitude against crankshaft speed and frequency, small enough to be kept with a result.

    ``amplitude`` [shape=(n_channel, n_speed, n_f), peak, SI unit of the channel]: root mean square over the short
    spectra of a speed bin, NaN where no spectrum fell; ``speed_hz`` [shape=(n_speed,), revolutions per second]
    middles of the bins, ``count`` [shape=(n_speed,)] spectra in each; ``frequency`` [shape=(n_f,), Hz].
    """

    channels: tuple[ChannelSpec, ...]
    speed_hz: FloatArray
    frequency: FloatArray
    amplitude: FloatArray
    count: npt.NDArray[np.int64]
    frame_s: float
    absent: Reason | None = None


@dataclass(frozen=True, slots=True)
class OrderSpectrum:
    """``order_spectrum``: amplitude against order on equal steps of the crankshaft's angle, averaged over time.

    ``orders`` [shape=(n_order,), cycles per revolution] stand ``1 / revolutions`` apart; ``amplitude``
    [shape=(n_channel, n_order), peak, SI unit of the channel] is the root mean square of the frames' amplitudes with
    a Hann window, NaN where no frame reached; ``count`` [shape=(n_order,)] the frames in each.
    """

    channels: tuple[ChannelSpec, ...]
    orders: FloatArray
    amplitude: FloatArray
    count: npt.NDArray[np.int64]
    revolutions: int
    absent: Reason | None = None
