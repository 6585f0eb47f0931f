"""Speed track: crankshaft speed over the whole capture, and the level at and away from the firing line."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Self

import numpy as np
from pydantic import Field
from scipy.special import gammainc

from ..pipeline.contracts import (
    Accumulator,
    Aside,
    Block,
    ChainSchema,
    Context,
    Estimator,
    ProductSpec,
    Reason,
    ReasonCode,
    SchemaError,
    SignalSpec,
    SpeedTrack,
    Stage,
    StageSettings,
    hookimpl,
)
from ..pipeline.contracts.products import SpeedSource
from ..pipeline.contracts.signal import ComplexArray, FloatArray
from ..pipeline.kernels import speed_track as kernel
from ..pipeline.kernels.zoom import ZoomedRun, ZoomedRuns, ZoomPlan, zoom_plan


class TrackSettings(StageSettings):
    """How the speed is found."""

    search_percent: float = Field(
        8.0, gt=0, le=40, description="The mean line is looked for this far from the nominal frequency: a table's "
        "rpm is nominal, and idle of one vehicle differs by a few percent between days."
    )  # fmt: skip
    room_percent: float = Field(
        5.0, ge=0, le=40, description="Further room for momentary wander: over three standard deviations of the "
        "steadiest engine that is still fit, 1.5 %."
    )  # fmt: skip
    pulses_per_revolution: float = Field(
        1.0, gt=0, description="Tachometer pulses per crankshaft revolution; one mark on the pulley gives 1."
    )  # fmt: skip
    hop_s: float = Field(
        0.25, gt=0, le=1.0, description="Coarsest step of the track; a door slam must be placed to half a second."
    )  # fmt: skip


@dataclass(frozen=True)
class Plan:
    """What a pass will do: the zoom around the line (None without a frequency), and where speed comes from."""

    rate_hz: float
    channels: tuple[int, ...]
    zoom: ZoomPlan
    order: float | None
    line_hz: float | None
    search_hz: float
    room_hz: float
    hop_s: float
    source: SpeedSource
    given_time_s: FloatArray
    given_speed_hz: FloatArray


def firing_order(facts: Mapping[str, Any]) -> float | None:
    """The firing order: stated, or that of an evenly firing engine, or None where the row is silent."""
    if facts.get("firing_order") is not None:
        return float(facts["firing_order"])
    cylinders, strokes = facts.get("cylinders"), facts.get("strokes") or 4
    return None if cylinders is None else float(cylinders) * 2.0 / float(strokes)


def given_speed(asides: Sequence[Aside], pulses_per_revolution: float) -> tuple[SpeedSource, FloatArray, FloatArray]:
    """Source, times and speeds of a tachometer, else of a logged speed, else of nothing."""
    for aside in asides:
        if aside.quantity == "tachometer":
            return "tachometer", *kernel.pulse_speed(_pulses(aside), pulses_per_revolution)
    for aside in asides:
        known = np.isfinite(aside.values) & (aside.values > 0)
        if aside.quantity == "speed" and known.sum() >= 2:
            return "logged", aside.times_s[known], aside.values[known]
    return "line", np.empty(0), np.empty(0)


def _pulses(aside: Aside) -> FloatArray:
    """Instants of the pulses: the times themselves, or the rising crossings of half height of a waveform."""
    values = aside.values
    if values.size == 0 or np.ptp(values) == 0 or not np.all(np.isfinite(values)):
        return np.asarray(aside.times_s, dtype=float)
    middle = 0.5 * (values.min() + values.max())
    up = np.flatnonzero((values[:-1] < middle) & (values[1:] >= middle))
    share = (middle - values[up]) / (values[up + 1] - values[up])
    return np.asarray(aside.times_s[up] + share * (aside.times_s[up + 1] - aside.times_s[up]))


class TrackAccumulator(Accumulator):
    """Keeps the baseband around the line and the sums of short pieces; everything else waits for the end."""

    def __init__(self, plan: Plan) -> None:
        self.plan = plan
        self.zoomed = ZoomedRuns(plan.zoom, len(plan.channels))
        self.starts: dict[int, float] = {}

    def accumulate(self, block: Block) -> None:
        """Take the next block of a run."""
        self.starts.setdefault(block.run, block.start_s - block.first / block.rate_hz)
        self.zoomed.push(block.run, block.first, block.values[list(self.plan.channels)])

    def merge(self, other: Self) -> None:
        """Take over what another worker gathered."""
        self.zoomed.merge(other.zoomed)
        self.starts = {**other.starts, **self.starts}

    def finish(self) -> SpeedTrack:
        """The speed track."""
        runs = self.zoomed.runs()
        offsets, extra, reason = self._offsets(runs)
        pieces = [self._piece(runs[run], self.starts[run], offsets.get(run)) for run in runs]
        columns = [np.concatenate(column) for column in zip(*pieces, strict=True)] if pieces else [np.empty(0)] * 5
        source: SpeedSource = self.plan.source if reason is None else "none"
        order = self.plan.order if source != "none" else None
        return SpeedTrack(
            time_s=columns[0], speed_hz=columns[1], confidence=columns[2], source=source, order=order,
            line_level=columns[3], other_level=columns[4], reason=reason, extra=extra,
        )  # fmt: skip

    def _offsets(
        self, runs: dict[int, ZoomedRun]
    ) -> tuple[dict[int, tuple[FloatArray, FloatArray]], dict[str, Any], Reason | None]:
        """Per run the line's offset at each output and the confidence; figures; the reason where there is none."""
        plan = self.plan
        if plan.line_hz is None or plan.order is None:
            reason = None
            if plan.source == "line":
                reason = Reason(
                    ReasonCode.NO_SPEED,
                    "neither cylinders (or firing_order) with rpm, nor a tachometer or logged speed, is given",
                )
            return {}, {}, reason
        usable = {run: zoomed for run, zoomed in runs.items() if zoomed.baseband.shape[-1] >= 8}
        if not usable:
            return {}, {}, Reason(ReasonCode.NO_LINE, "no stretch is long enough to look for the firing line")
        if plan.source != "line":
            return self._given_offsets(usable), {}, None
        return self._followed_offsets(usable)

    def _given_offsets(self, runs: dict[int, ZoomedRun]) -> dict[int, tuple[FloatArray, FloatArray]]:
        plan = self.plan
        found = {}
        for run, zoomed in runs.items():
            time_s = self.starts[run] + self._output_times(zoomed)
            speed = np.interp(time_s, plan.given_time_s, plan.given_speed_hz)
            found[run] = (_order(plan) * speed - _line(plan), np.ones(time_s.size))
        return found

    def _followed_offsets(
        self, runs: dict[int, ZoomedRun]
    ) -> tuple[dict[int, tuple[FloatArray, FloatArray]], dict[str, Any], Reason | None]:
        plan = self.plan
        rate = plan.zoom.out_rate_hz
        signals: tuple[ComplexArray, ...] = tuple(zoomed.baseband[0] for zoomed in runs.values())
        search_hz = plan.search_hz + plan.room_hz
        line = kernel.followed_line(signals, rate, _line(plan), search_hz, plan.zoom.half_widths_hz[0])
        extra = {
            "line_to_floor_db": 10.0 * float(np.log10(max(line.line_to_floor, 1e-9))), "frame_s": line.frame_s,
            "nominal_hz": _line(plan),
        }  # fmt: skip
        needed = line.noise_excess + 8.0 * np.sqrt(line.floor.size / line.n_frames)
        if line.mean_excess < needed:
            detail = (
                f"no line within {plan.search_hz:.3g} Hz of {_line(plan):.4g} Hz: power along the best path is "
                f"{line.mean_excess:.3g} times the floor's, a line needs {needed:.3g}"
            )
            return {}, extra, Reason(ReasonCode.NO_LINE, detail)
        mean = float(np.average(
            [path.offset_hz.mean() for path in line.paths], weights=[path.time_s.size for path in line.paths]
        ))  # fmt: skip
        if abs(mean) > plan.search_hz:
            detail = (
                f"the strongest line lies at {_line(plan) + mean:.4g} Hz, more than {plan.search_hz:.3g} Hz from "
                f"the nominal {_line(plan):.4g} Hz"
            )
            return {}, extra, Reason(ReasonCode.NO_LINE, detail)
        found, tracks = self._refined(runs, line)
        locked = all(track.locked for track in tracks)
        fades = sum(track.n_fades for track in tracks) / len(tracks) if locked else 0.0
        extra["cycle_std"] = kernel.cycle_std(line, plan.zoom.delay_s, fades)
        extra["drift_density"] = 0.0 if locked else kernel.drift_density(line)
        return found, extra, None

    def _refined(
        self, runs: dict[int, ZoomedRun], line: kernel.FollowedLine
    ) -> tuple[dict[int, tuple[FloatArray, FloatArray]], list[kernel.PhaseTrack]]:
        rate = self.plan.zoom.out_rate_hz
        signals = tuple(zoomed.baseband[0] for zoomed in runs.values())
        cycles = tuple(
            kernel.path_cycles(path, signal.shape[-1], rate) for path, signal in zip(line.paths, signals, strict=True)
        )
        weights = kernel.joined_channel(signals, cycles, line.floor)
        found: dict[int, tuple[FloatArray, FloatArray]] = {}
        tracks = []
        for run, signal, path in zip(runs, signals, line.paths, strict=True):
            track = kernel.phase_track(signal, rate, path, weights, 0.5 * line.frame_s)
            time_s = np.arange(signal.shape[-1]) / rate
            chance = gammainc(line.floor.size, path.excess) ** (line.n_bin / kernel.PADDING)
            found[run] = (track.offset_hz, np.interp(time_s, path.time_s, chance))
            tracks.append(track)
        return found, tracks

    def _output_times(self, zoomed: ZoomedRun) -> FloatArray:
        """Instants of the outputs, counted from the run's first sample."""
        plan = self.plan.zoom
        index = zoomed.first + np.arange(zoomed.baseband.shape[-1])
        return np.asarray(plan.delay_s + index * plan.hop / plan.rate_hz)

    def _piece(
        self, zoomed: ZoomedRun, start_s: float, offset: tuple[FloatArray, FloatArray] | None
    ) -> tuple[FloatArray, ...]:
        """Time, speed, confidence, line level, other level of one run, on the track's own grid."""
        plan = self.plan
        first = zoomed.first * plan.zoom.hop / plan.rate_hz
        n = max(1, int((zoomed.n_seen / plan.rate_hz - first) / plan.hop_s))
        grid = np.asarray(first + (np.arange(n) + 0.5) * plan.hop_s, dtype=np.float64)
        total = self._total_square(zoomed, grid)
        if offset is None:
            nan: FloatArray = np.full(n, np.nan)
            speed = nan
            if plan.given_time_s.size:
                speed = np.interp(start_s + grid, plan.given_time_s, plan.given_speed_hz)
            return np.asarray(start_s + grid), speed, np.zeros(n), nan, np.sqrt(total)
        at = self._output_times(zoomed)
        speed = (_line(plan) + np.interp(grid, at, offset[0])) / _order(plan)
        line = self._line_square(zoomed, offset[0], at, grid)
        other = np.sqrt(np.maximum(total - line, 0.0))
        return np.asarray(start_s + grid), speed, np.interp(grid, at, offset[1]), np.sqrt(line), other

    def _line_square(self, zoomed: ZoomedRun, offset: FloatArray, at: FloatArray, grid: FloatArray) -> FloatArray:
        """Mean square of the line about each instant, channels summed."""
        rate = self.plan.zoom.out_rate_hz
        turned = zoomed.baseband[0] * np.exp(-2j * np.pi * np.cumsum(offset) / rate)
        width = max(1, min(turned.shape[-1], round(0.5 * rate)))
        means = np.apply_along_axis(np.convolve, -1, turned, np.ones(width) / width, mode="same")
        return np.asarray(np.interp(grid, at, 0.5 * np.sum(np.abs(means) ** 2, axis=0)))

    def _total_square(self, zoomed: ZoomedRun, grid: FloatArray) -> FloatArray:
        """Mean square about the mean of half a second around each instant, channels summed."""
        plan = self.plan
        hop_s = plan.zoom.hop / plan.rate_hz
        if zoomed.hop_sum.shape[-1] == 0:
            return np.zeros(grid.size)
        sums = np.concatenate([np.zeros((len(plan.channels), 1)), np.cumsum(zoomed.hop_sum, axis=-1)], axis=-1)
        squares = np.concatenate([np.zeros((len(plan.channels), 1)), np.cumsum(zoomed.hop_square, axis=-1)], axis=-1)
        last = sums.shape[-1] - 1
        centre = (grid - zoomed.first_hop * hop_s) / hop_s
        half = max(0.5, 0.25 / hop_s)
        low = np.clip(np.floor(centre - half), 0, last - 1).astype(int)
        high = np.clip(np.ceil(centre + half), low + 1, last).astype(int)
        count = (high - low) * plan.zoom.hop
        mean = (sums[:, high] - sums[:, low]) / count
        square = (squares[:, high] - squares[:, low]) / count - mean**2
        return np.asarray(np.maximum(square, 0.0).sum(axis=0))


def _line(plan: Plan) -> float:
    assert plan.line_hz is not None
    return plan.line_hz


def _order(plan: Plan) -> float:
    assert plan.order is not None
    return plan.order


class TrackSpeed(Estimator[TrackSettings]):
    """Follows the crankshaft's speed through the whole capture."""

    name = "track"
    makes = "track"
    numeric_version = 1
    Settings = TrackSettings
    uses_facts = ("cylinders", "strokes", "firing_order", "rpm")

    def schema(self, incoming: ChainSchema) -> ChainSchema:
        """Adds the speed track; needs an acceleration channel on a uniform clock."""
        if not incoming.signal.uniform:
            raise SchemaError(
                "stage 'track' needs a uniform clock", found="a stamped signal", allowed="a uniform signal",
                todo="put a resampling stage before it",
            )  # fmt: skip
        return incoming.plus(ProductSpec("track", ("time",), "Hz"))

    def open(
        self, signal: SignalSpec, context: Context, products: Mapping[str, Any]  # noqa: ARG002
    ) -> TrackAccumulator:
        """Plan the zoom around the nominal firing frequency."""
        return TrackAccumulator(self._plan(signal, context))

    def grid(
        self, signal: SignalSpec, context: Context, products: Mapping[str, Any]  # noqa: ARG002
    ) -> tuple[int, int]:
        """Frames of the zoom's filter."""
        zoom = self._plan(signal, context).zoom
        return zoom.length, zoom.hop

    def _plan(self, signal: SignalSpec, context: Context) -> Plan:
        rate = signal.rate_hz
        if rate is None:
            raise SchemaError("stage 'track' needs the sampling rate", found="none", todo="open it on a read signal")
        order = firing_order(context.facts)
        source, times, speeds = given_speed(context.asides, self.settings.pulses_per_revolution)
        nominal = float(np.median(speeds)) if speeds.size else _nominal(context.facts)
        line = order * nominal if order is not None and nominal is not None else None
        search = 0.01 * self.settings.search_percent * (line or 0.0)
        room = 0.01 * self.settings.room_percent * (line or 0.0)
        if speeds.size and line is not None and order is not None:
            room = max(room, order * float(np.ptp(speeds)))
        half = _half_width(line, search + room, rate)
        if half is None:
            line = None
        zoom = zoom_plan(rate, (line or 0.25 * rate,), (half or min(4.0, 0.1 * rate),))
        hop_s = self.settings.hop_s
        if line is not None:
            hop_s = min(hop_s, max(kernel.frame_seconds(line) / 10.0, 0.02))
        channels = tuple(i for i, spec in enumerate(signal.channels) if spec.quantity == "acceleration")
        return Plan(rate, channels, zoom, order, line, search, room, hop_s, source, times, speeds)


def _nominal(facts: Mapping[str, Any]) -> float | None:
    rpm = facts.get("rpm")
    return None if rpm is None else float(rpm) / 60.0


def _half_width(line_hz: float | None, wanted_hz: float, rate_hz: float) -> float | None:
    """Half the zoom's band: the search and as much again for the floor; None where it does not fit."""
    if line_hz is None or line_hz + wanted_hz >= 0.5 * rate_hz or wanted_hz >= 0.9 * line_hz:
        return None
    roomy = max(1.5 * wanted_hz, min(0.45 * line_hz, 4.0))
    return min(roomy, 0.9 * line_hz, 0.5 * rate_hz - line_hz)


@hookimpl
def register_stages() -> list[type[Stage[Any]]]:
    """The speed track."""
    return [TrackSpeed]
