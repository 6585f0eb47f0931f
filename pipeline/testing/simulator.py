"""Captures with known truth: an engine at idle as a seat rail feels it, and signals with closed forms.

The model: crankshaft speed wanders (Ornstein-Uhlenbeck), every engine order and accessory follows its angle,
the amplitude of all engine orders is modulated together, the sensor adds its floor, gravity and converter.
What ``truth`` says is what went into the samples before the converter.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from ..contracts.units import MILLI_G, STANDARD_GRAVITY
from .components import (
    ComplexArray,
    FloatArray,
    TrueLine,
    as_recorded,
    decaying_ring,
    line_samples,
    noise_burst,
    noise_of_density,
    sensor_turn,
    turned,
    wandering,
)

AmountMg = float | tuple[float, ...]


@dataclass(frozen=True, slots=True)
class LoadState:
    """From ``start_s`` on: factors on the amplitude of engine orders and on speed."""

    start_s: float
    amplitude: float = 1.0
    speed: float = 1.0


@dataclass(frozen=True, slots=True)
class Slam:
    """A door slam: a burst of noise whose greatest value is ``level_mg``."""

    at_s: float
    level_mg: float = 60.0
    duration_s: float = 0.8


@dataclass(frozen=True, slots=True)
class IdleSpec:
    """An engine at idle. Amplitudes are peak, mg; one number per channel, vehicle axes in threes (x, y, z).

    ``firing_order`` None means evenly firing: cylinders / 2 for four strokes, cylinders for two.
    ``amplitude_mg`` is the firing line before modulation; ``floor_mg_rthz`` the one-sided root density of
    the sensor's floor (one number for all channels or one each), ``floor_corner_hz`` colours it.
    ``wander`` and ``am`` are relative standard deviations with correlation times in seconds. ``orders``,
    ``accessories`` and ``fixed`` hold (order | ratio | hertz, mg); a single mg spreads over the channels in
    the firing line's proportions, with that mg on its strongest channel. ``hunt`` is (relative peak, period
    s) of a slow sine on speed; ``run_to_rpm`` makes a straight run-up. ``tilt_deg`` (roll, pitch) turns the
    sensor, gravity and motion alike. ``step`` and ``full_scale`` (m s-2) are the converter's.
    ``phases_rad`` are those of the firing line per channel, drawn at random when None.
    """

    duration_s: float = 42.0
    rate_hz: float = 800.0
    rpm: float = 700.0
    cylinders: int = 4
    strokes: int = 4
    firing_order: float | None = None
    amplitude_mg: tuple[float, ...] = (5.0, 3.0, 9.0)
    floor_mg_rthz: AmountMg = 0.12
    floor_corner_hz: float = 0.0
    wander: float = 0.004
    wander_time_s: float = 3.0
    am: float = 0.03
    am_time_s: float = 0.4
    orders: tuple[tuple[float, AmountMg], ...] = ()
    accessories: tuple[tuple[float, AmountMg], ...] = ()
    fixed: tuple[tuple[float, AmountMg], ...] = ()
    hunt: tuple[float, float] | None = None
    run_to_rpm: float | None = None
    gravity: bool = True
    tilt_deg: tuple[float, float] = (0.0, 0.0)
    step: float | None = None
    full_scale: float | None = None
    taps_s: tuple[float, ...] = ()
    tap_mg: float = 120.0
    tap_ring_hz: float = 85.0
    tap_decay_s: float = 0.04
    slam: Slam | None = None
    load_states: tuple[LoadState, ...] = ()
    load_ramp_s: float = 0.5
    phases_rad: tuple[float, ...] | None = None

    @property
    def order(self) -> float:
        """The firing order."""
        if self.firing_order is not None:
            return self.firing_order
        return self.cylinders / 2.0 if self.strokes == 4 else float(self.cylinders)

    @property
    def firing_hz(self) -> float:
        """Nominal firing frequency."""
        return self.order * self.rpm / 60.0


@dataclass(frozen=True, slots=True)
class SimulatedCapture:
    """A capture and all that is true of it.

    ``time_s`` [shape=(n,)], ``acceleration`` [shape=(n_channel, n), m s-2], ``speed_hz`` [shape=(n,),
    revolutions per second], ``gain`` [shape=(n,)]: common factor on engine orders (modulation times load);
    ``lines`` as put in; ``truth`` the same in plain JSON, amplitudes in mg peak.
    """

    time_s: FloatArray
    acceleration: FloatArray
    speed_hz: FloatArray
    gain: FloatArray
    lines: tuple[TrueLine, ...]
    rate_hz: float
    truth: Mapping[str, Any] = field(default_factory=dict)

    def speed_at(self, time_s: FloatArray | float) -> FloatArray:
        """True crankshaft speed, Hz, at any instants of the capture."""
        return np.asarray(np.interp(time_s, self.time_s, self.speed_hz))

    def within(self, start_s: float | None, stop_s: float | None) -> slice:
        """The samples from ``start_s`` up to, not including, ``stop_s``."""
        first = 0 if start_s is None else int(np.searchsorted(self.time_s, start_s - 1e-9))
        last = len(self.time_s) if stop_s is None else int(np.searchsorted(self.time_s, stop_s - 1e-9))
        return slice(first, last)

    def mean_amplitude(
        self, ratio: float | None = None, start_s: float | None = None, stop_s: float | None = None
    ) -> FloatArray:
        """Peak amplitude per channel, m s-2, of one line, averaged over the interval (modulation included).

        ``ratio`` is the order, accessory ratio or fixed frequency; None means the first line put in.
        """
        line = self.line(ratio)
        if line.kind != "engine":
            return line.amplitude
        return np.asarray(line.amplitude * float(np.mean(self.gain[self.within(start_s, stop_s)])))

    def mean_speed_hz(self, start_s: float | None = None, stop_s: float | None = None) -> float:
        """Mean true speed over the interval."""
        return float(np.mean(self.speed_hz[self.within(start_s, stop_s)]))

    def line(self, ratio: float | None = None) -> TrueLine:
        """The line with this order, ratio or frequency; the first one when None. Raises KeyError."""
        for line in self.lines:
            if ratio is None or abs(line.ratio - ratio) < 1e-9:
                return line
        raise KeyError(ratio)

    def without(self, holes_s: Sequence[tuple[float, float]]) -> SimulatedCapture:
        """The capture with the samples of some intervals lost; the stamps of the others stay."""
        keep = np.ones(len(self.time_s), dtype=bool)
        for start_s, stop_s in holes_s:
            keep[self.within(start_s, stop_s)] = False
        return replace(
            self,
            time_s=self.time_s[keep],
            acceleration=self.acceleration[:, keep],
            speed_hz=self.speed_hz[keep],
            gain=self.gain[keep],
            truth={**self.truth, "holes_s": [list(hole) for hole in holes_s]},
        )


def idle_capture(spec: IdleSpec, seed: int) -> SimulatedCapture:
    """An engine at idle as one sensor records it, the same for the same seed and spec."""
    rng = np.random.default_rng(seed)
    n = round(spec.duration_s * spec.rate_hz)
    time_s = np.arange(n) / spec.rate_hz
    amplitude, speed_factor = _load(spec, time_s)
    speed_hz = _speed(spec, time_s, rng) * speed_factor
    gain = amplitude * (1.0 + wandering(n, spec.rate_hz, spec.am, spec.am_time_s, rng))
    lines = _lines(spec, rng)
    samples = _floor(spec, n, rng) + _static(spec)[:, None]
    angle = _angle(speed_hz, spec.rate_hz)
    for line in lines:
        phase = 2 * np.pi * line.ratio * time_s if line.kind == "fixed" else line.ratio * angle
        samples += line_samples(line, phase, gain if line.kind == "engine" else None)
    samples += _disturbances(spec, time_s, rng)
    recorded = as_recorded(samples, spec.step, spec.full_scale)
    capture = SimulatedCapture(time_s, recorded, speed_hz, gain, lines, spec.rate_hz)
    return replace(capture, truth=_truth(spec, capture))


def _load(spec: IdleSpec, time_s: FloatArray) -> tuple[FloatArray, FloatArray]:
    if not spec.load_states:
        return np.ones(len(time_s)), np.ones(len(time_s))
    knots, amplitude, speed = [-1.0], [1.0], [1.0]
    for state in spec.load_states:
        knots += [state.start_s, state.start_s + spec.load_ramp_s]
        amplitude += [amplitude[-1], state.amplitude]
        speed += [speed[-1], state.speed]
    return np.interp(time_s, knots, amplitude), np.interp(time_s, knots, speed)


def _speed(spec: IdleSpec, time_s: FloatArray, rng: np.random.Generator) -> FloatArray:
    relative = 1.0 + wandering(len(time_s), spec.rate_hz, spec.wander, spec.wander_time_s, rng)
    if spec.hunt is not None:
        peak, period_s = spec.hunt
        relative += peak * np.sin(2 * np.pi * time_s / period_s + rng.uniform(0.0, 2 * np.pi))
    base = spec.rpm / 60.0
    if spec.run_to_rpm is None:
        return base * relative
    return (base + (spec.run_to_rpm / 60.0 - base) * time_s / spec.duration_s) * relative


def _angle(speed_hz: FloatArray, rate_hz: float) -> FloatArray:
    """Crank angle [rad] by the trapezoidal rule, zero at the first sample."""
    steps = (speed_hz[1:] + speed_hz[:-1]) * (np.pi / rate_hz)
    return np.concatenate([[0.0], np.cumsum(steps)])


def _per_channel(amount_mg: AmountMg, like: FloatArray) -> FloatArray:
    if isinstance(amount_mg, tuple):
        return np.asarray(amount_mg, dtype=np.float64)
    greatest = float(np.max(like, initial=0.0))
    return amount_mg * (like / greatest if greatest > 0 else np.ones(len(like)))


def _lines(spec: IdleSpec, rng: np.random.Generator) -> tuple[TrueLine, ...]:
    firing = np.asarray(spec.amplitude_mg, dtype=np.float64)
    wanted = [("engine", spec.order, firing)]
    wanted += [("engine", order, _per_channel(mg, firing)) for order, mg in spec.orders]
    wanted += [("accessory", ratio, _per_channel(mg, firing)) for ratio, mg in spec.accessories]
    wanted += [("fixed", hertz, _per_channel(mg, firing)) for hertz, mg in spec.fixed]
    turn = sensor_turn(*spec.tilt_deg)
    lines = []
    for place, (kind, ratio, mg) in enumerate(wanted):
        phases = rng.uniform(0.0, 2 * np.pi, len(firing))
        if place == 0 and spec.phases_rad is not None:
            phases = np.asarray(spec.phases_rad, dtype=np.float64)
        phasor: ComplexArray = mg * MILLI_G * np.exp(1j * phases)
        lines.append(TrueLine(kind, ratio, np.asarray(turned(phasor, turn))))  # type: ignore[arg-type]
    return tuple(lines)


def _floor(spec: IdleSpec, n: int, rng: np.random.Generator) -> FloatArray:
    density = np.broadcast_to(np.asarray(spec.floor_mg_rthz), len(spec.amplitude_mg)) * MILLI_G
    return noise_of_density(n, spec.rate_hz, density, rng, spec.floor_corner_hz)


def _static(spec: IdleSpec) -> FloatArray:
    static = np.zeros(len(spec.amplitude_mg))
    if spec.gravity:
        static[2::3] = STANDARD_GRAVITY
    return np.asarray(turned(static, sensor_turn(*spec.tilt_deg)), dtype=np.float64)


def _disturbances(spec: IdleSpec, time_s: FloatArray, rng: np.random.Generator) -> FloatArray:
    one = np.zeros(len(time_s))
    for at_s in spec.taps_s:
        one += decaying_ring(time_s, at_s, spec.tap_mg * MILLI_G, spec.tap_ring_hz, spec.tap_decay_s)
    if spec.slam is not None:
        one += noise_burst(time_s, spec.slam.at_s, spec.slam.level_mg, spec.slam.duration_s, rng)
    share = np.array([0.5, 0.4, 1.0])
    return np.asarray(np.resize(share, len(spec.amplitude_mg))[:, None] * one)


def _truth(spec: IdleSpec, capture: SimulatedCapture) -> dict[str, Any]:
    firing = capture.lines[0].amplitude / MILLI_G
    return {
        "rpm": spec.rpm,
        "firing_order": spec.order,
        "firing_hz": spec.order * capture.mean_speed_hz(),
        "amplitude_mg": [float(value) for value in firing],
        "rss_mg": float(np.sqrt(np.sum(firing**2))),
        "mean_mg": float(np.mean(firing)),
        "mean_gain": float(np.mean(capture.gain)),
        "lines": [
            {"kind": line.kind, "ratio": line.ratio, "amplitude_mg": (line.amplitude / MILLI_G).tolist()}
            for line in capture.lines
        ],
    }
