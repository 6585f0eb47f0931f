"""What a simulated capture is made of: random processes, lines, and disturbances, each with a closed form."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt
from scipy import fft, signal

from ..contracts.units import MILLI_G

FloatArray = npt.NDArray[np.float64]
ComplexArray = npt.NDArray[np.complex128]
LineKind = Literal["engine", "accessory", "fixed"]


@dataclass(frozen=True, slots=True)
class TrueLine:
    """One line as it was put in: ``ratio`` times the speed, or ``ratio`` hertz for a fixed one.

    ``phasor`` [shape=(n_channel,), complex, m s-2 peak] is what every channel of the sensor sees, so that
    channel i carries ``|phasor_i| * gain(t) * sin(angle(t) + arg phasor_i)``.
    """

    kind: LineKind
    ratio: float
    phasor: ComplexArray

    @property
    def amplitude(self) -> FloatArray:
        """Peak amplitude per channel, m s-2, before modulation."""
        return np.abs(self.phasor)


def wandering(n: int, rate_hz: float, std: float, time_s: float, rng: np.random.Generator) -> FloatArray:
    """Stationary Ornstein-Uhlenbeck process [shape=(n,)], exact at the sample instants.

    Autocorrelation ``std**2 * exp(-|lag| / time_s)``; it starts in its stationary distribution, so there is
    no run-in. The variance of its mean over T is about ``2 * std**2 * time_s / T`` for T >> time_s.
    """
    if std == 0.0:
        return np.zeros(n)
    keep = float(np.exp(-1.0 / (rate_hz * time_s)))
    drive = rng.standard_normal(n) * (std * np.sqrt(1.0 - keep * keep))
    drive[0] = std * rng.standard_normal()
    return np.asarray(signal.lfilter([1.0], [1.0, -keep], drive), dtype=np.float64)


def noise_of_density(
    n: int,
    rate_hz: float,
    density: FloatArray,
    rng: np.random.Generator,
    corner_hz: float = 0.0,
) -> FloatArray:
    """Gaussian noise [shape=(n_channel, n)] of the stated one-sided root density per channel (unit/sqrt(Hz)).

    With ``corner_hz`` the density rises towards low frequencies as ``sqrt(1 + corner / f)`` (levelled off
    below a tenth of the corner), the usual look of a sensor's floor.
    """
    white: FloatArray = rng.standard_normal((len(density), n)) * (density * np.sqrt(rate_hz / 2.0))[:, None]
    if corner_hz <= 0.0:
        return white
    frequency = np.maximum(fft.rfftfreq(n, 1.0 / rate_hz), corner_hz / 10.0)
    shaped = fft.rfft(white, axis=-1) * np.sqrt(1.0 + corner_hz / frequency)
    return np.asarray(fft.irfft(shaped, n, axis=-1))


def sensor_turn(roll_deg: float, pitch_deg: float) -> FloatArray:
    """Rotation matrix from vehicle axes to the axes of a sensor rolled about x, then pitched about y."""
    roll, pitch = np.deg2rad([roll_deg, pitch_deg])
    about_x = np.array([[1, 0, 0], [0, np.cos(roll), np.sin(roll)], [0, -np.sin(roll), np.cos(roll)]])
    about_y = np.array([[np.cos(pitch), 0, -np.sin(pitch)], [0, 1, 0], [np.sin(pitch), 0, np.cos(pitch)]])
    return np.asarray(about_y @ about_x, dtype=np.float64)


def turned(vectors: npt.NDArray[np.inexact], turn: FloatArray) -> npt.NDArray[np.inexact]:
    """Channels [shape=(n_channel, ...)] turned in threes; channels that make no whole three stay as they are."""
    out = vectors.copy()
    for first in range(0, len(vectors) - 2, 3):
        out[first : first + 3] = turn @ vectors[first : first + 3]
    return out


def line_samples(line: TrueLine, angle: FloatArray, gain: FloatArray | None) -> FloatArray:
    """One line's samples [shape=(n_channel, n)] from its angle [shape=(n,), rad] and common gain."""
    sine, cosine = np.sin(angle), np.cos(angle)
    if gain is not None:
        sine, cosine = sine * gain, cosine * gain
    return np.asarray(line.phasor.real[:, None] * sine + line.phasor.imag[:, None] * cosine)


def decaying_ring(
    time_s: FloatArray, at_s: float, peak_mps2: float, ring_hz: float, decay_s: float
) -> FloatArray:
    """``peak * exp(-(t - at) / decay) * sin(2 pi ring (t - at))`` from ``at_s`` on [shape=(n,)]."""
    since = np.maximum(time_s - at_s, 0.0)
    return np.asarray(peak_mps2 * np.exp(-since / decay_s) * np.sin(2 * np.pi * ring_hz * since))


def noise_burst(
    time_s: FloatArray, at_s: float, peak_mg: float, duration_s: float, rng: np.random.Generator
) -> FloatArray:
    """A slam [shape=(n,)]: noise under a half-sine over ``duration_s``, its greatest value ``peak_mg``."""
    inside = (time_s >= at_s) & (time_s < at_s + duration_s)
    burst = np.zeros(len(time_s))
    shape = np.sin(np.pi * (time_s[inside] - at_s) / duration_s)
    burst[inside] = rng.standard_normal(int(inside.sum())) * shape
    greatest = np.max(np.abs(burst), initial=0.0)
    return np.asarray(burst * (peak_mg * MILLI_G / greatest)) if greatest > 0 else burst


def as_recorded(values: FloatArray, step: float | None, full_scale: float | None) -> FloatArray:
    """Values as a converter hands them on: held at the full scale, rounded to its step."""
    held = values if full_scale is None else np.clip(values, -full_scale, full_scale)
    return np.asarray(held if step is None else np.round(held / step) * step)
