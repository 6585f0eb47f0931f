"""Speed track: crankshaft speed over the whole capture, and the level at and away from the firing line."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Self

import numpy as np
from pydantic import Field

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
    SettingsError,
    SignalSpec,
    SpeedTrack,
    Stage,
    StageSettings,
    hookimpl,
)
from ..pipeline.contracts.products import SpeedSource
from ..pipeline.contracts.signal import FloatArray
from ..pipeline.kernels import line_confidence, line_levels
from ..pipeline.kernels import speed_track as kernel
from ..pipeline.kernels.logged_speed import refined_offsets
from ..pipeline.kernels.order_bands import firing_order, search_half_width
from ..pipeline.kernels.rival_line import rival_line
from ..pipeline.kernels.speed_search import prolonged, swept_lines, swept_range
from ..pipeline.kernels.tachometer import pulse_speed, pulse_speed_std, recorded_pulses, shows_pulses
from ..pipeline.kernels.zoom import ZoomPlan, zoom_plan
from ..pipeline.kernels.zoomed_runs import ZoomedRun, ZoomedRuns

LEAST_SWEEP = 1.3
"""Speeds nearer to each other are an idle that wanders: ``search_percent`` is for it."""


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
    sweep_rpm: tuple[float, float] | None = Field(
        None, description="Speeds a run-up or coast-down began and ended with, to 12 %, where neither tachometer nor "
        "logged speed was recorded: the firing line is then looked for all the way between them."
    )  # fmt: skip
    hop_s: float = Field(
        0.25, gt=0, le=1.0, description="Coarsest step of the track; a door slam must be placed to half a second."
    )  # fmt: skip
    logged_percent: float = Field(
        2.5, gt=0, le=10, description="A logged speed is corrected by the line this near to it: engine computers "
        "round to 10 rpm and more, and loggers delay and scale."
    )  # fmt: skip
    most_lost: float = Field(
        0.3, ge=0, le=1, description="Share of the time the line may be gone; beyond it what was followed is hardly "
        "the firing line of this speed."
    )  # fmt: skip
    whole_s: float = Field(
        900.0, gt=0, description="Records up to this length are followed as a whole; longer ones part by part, so "
        "that memory does not grow with them."
    )  # fmt: skip
    part_s: float = Field(30.0, ge=10, description="Length of a part: as long as a capture usually is.")


@dataclass(frozen=True)
class Followed:
    """What came of one or several parts: track columns (time, speed, confidence, line and other level)."""

    columns: tuple[FloatArray, ...]
    extra: Mapping[str, Any]
    reason: Reason | None
    n_parts: int
    rival_hz: FloatArray | None = None
    """Crankshaft speed if another line of the search were the firing line."""

    @property
    def start_s(self) -> float:
        """First instant."""
        return float(self.columns[0][0])


Offsets = list[tuple[FloatArray, FloatArray] | None]
"""Per part, the line's offset at each output and the confidence; None where the part has no line."""


@dataclass(frozen=True)
class GivenSpeed:
    """Speed that a channel tells: instants and revolutions per second [shape=(n,) each], empty where none does."""

    source: SpeedSource = "line"
    time_s: FloatArray = field(default_factory=lambda: np.empty(0))
    speed_hz: FloatArray = field(default_factory=lambda: np.empty(0))
    placement_std_s: float = 0.0
    """Standard uncertainty of one pulse's instant."""
    relative_std: float = 0.0
    """Relative standard uncertainty of a speed that pulses cause."""

    def cycle_std(self, order: float, hop_s: float) -> float:
        """Standard uncertainty of an order's cycles counted between two ends of a track with steps ``hop_s``.

        At either end it is that of a pulse, and over the step in which the speed is held that of the speed and of
        the usual wander.
        """
        line_hz = order * float(np.median(self.speed_hz))
        wander = 0.25 * (hop_s / kernel.frame_seconds(line_hz)) ** 3 / 3.0
        pulse, held = self.placement_std_s * line_hz, self.relative_std * line_hz * hop_s
        return float(np.sqrt(2.0 * (pulse**2 + held**2 + wander)))


def given_speed(asides: Sequence[Aside], pulses_per_revolution: float) -> GivenSpeed:
    """What a tachometer that shows pulses tells, else a logged speed, else nothing."""
    for aside in asides:
        if aside.quantity == "tachometer" and shows_pulses(aside.times_s, aside.values):
            pulses = recorded_pulses(aside.times_s, aside.values)
            placed = pulses.placement_std_s
            found = pulse_speed(pulses.times_s, pulses_per_revolution, placed)
            return GivenSpeed("tachometer", *found, placed, pulse_speed_std(pulses.times_s, placed))
    for aside in asides:
        known = np.isfinite(aside.values) & (aside.values > 0)
        if aside.quantity == "speed" and known.sum() >= 2:
            return GivenSpeed("logged", aside.times_s[known], aside.values[known])
    return GivenSpeed()


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
    given: GivenSpeed
    part_frames: int | None
    most_lost: float
    logged_hz: float
    sweep_hz: tuple[float, float] | None
    """Frequency of the line as the record begins and ends, where it is looked for all the way between."""
    why: Reason | None
    """Why there is no line to follow, where speed could come from nothing else."""


class TrackAccumulator(Accumulator):
    """Keeps the baseband around the line and the sums of short pieces; long records leave it part by part."""

    def __init__(self, plan: Plan) -> None:
        self.plan = plan
        self.zoomed = ZoomedRuns(plan.zoom, len(plan.channels), plan.part_frames)
        self.starts: dict[int, float] = {}
        self.done: list[Followed] = []

    def accumulate(self, block: Block) -> None:
        """Take the next block of a run."""
        self.starts.setdefault(block.run, block.start_s - block.first / block.rate_hz)
        self.zoomed.push(block.run, block.first, block.values_of(self.plan.channels))
        self.done += [self._followed([part]) for part in self.zoomed.ready()]

    def merge(self, other: Self) -> None:
        """Take over what another worker gathered."""
        self.zoomed.merge(other.zoomed)
        self.starts = {**other.starts, **self.starts}
        self.done += other.done
        self.done += [self._followed([part]) for part in self.zoomed.ready()]

    def finish(self) -> SpeedTrack:
        """The speed track."""
        rest = self.zoomed.rest()
        last = [self._followed(rest)] if self.plan.part_frames is None else [self._followed([one]) for one in rest]
        parts = sorted((item for item in self.done + last if item.columns[0].size), key=lambda item: item.start_s)
        if not parts:
            none = np.empty(0)
            return SpeedTrack(none, none, none, "none", None, none, none, reason=_too_short())
        columns = [np.concatenate(column) for column in zip(*(item.columns for item in parts), strict=True)]
        good = [item for item in parts if item.reason is None]
        reason = None if good else parts[0].reason
        source: SpeedSource = self.plan.given.source if reason is None else "none"
        track = SpeedTrack(
            time_s=columns[0], speed_hz=columns[1], confidence=columns[2], source=source,
            order=self.plan.order if source != "none" else None, line_level=columns[3], other_level=columns[4],
            reason=reason, extra=_together(good or parts),
        )  # fmt: skip
        if len(parts) > 1 or parts[0].rival_hz is None:
            return track
        return replace(track, extra={**track.extra, "rival": replace(track, speed_hz=parts[0].rival_hz)})

    def _followed(self, parts: list[tuple[int, ZoomedRun]]) -> Followed:
        """Track of some parts, followed together."""
        offsets, rival, extra, reason = self._offsets(parts)
        pieces = [self._piece(part, self.starts[run], own) for (run, part), own in zip(parts, offsets, strict=True)]
        columns = tuple(np.concatenate(column) for column in zip(*pieces, strict=True)) or (np.empty(0),) * 5
        if all(own is None for own in rival):
            return Followed(columns, extra, reason, max(1, len(parts)))
        others = [self._piece(part, self.starts[run], own)[1] for (run, part), own in zip(parts, rival, strict=True)]
        return Followed(columns, extra, reason, max(1, len(parts)), np.concatenate(others))

    def _offsets(
        self, parts: list[tuple[int, ZoomedRun]]
    ) -> tuple[Offsets, Offsets, dict[str, Any], Reason | None]:
        """Offsets per part, those of a rival, figures, and the reason where there is no line."""
        plan = self.plan
        found: Offsets = [None] * len(parts)
        rival: Offsets = [None] * len(parts)
        if plan.line_hz is None or plan.order is None:
            return found, rival, {}, plan.why
        if plan.given.source != "line":
            found, extra = self._given(parts)
            return found, rival, extra, None
        long = [index for index, (_, part) in enumerate(parts) if part.n_out >= 8]
        if not long:
            return found, rival, {}, _too_short()
        lines, extra, reason = self._lines([parts[index][1] for index in long])
        for target, offsets in zip((found, rival), lines, strict=False):
            for index, offset in zip(long, offsets, strict=True):
                target[index] = offset
        return found, rival, extra, reason

    def _given(self, parts: list[tuple[int, ZoomedRun]]) -> tuple[Offsets, dict[str, Any]]:
        """Offsets from the given speed; a logged one is made exact by the line, where one is near it."""
        plan = self.plan
        given = []
        for run, part in parts:
            time_s = self.starts[run] + line_levels.output_times(plan.zoom, part)
            # means, not picked values: pulses come faster than outputs, and each one's error is made up for by the next
            told = (plan.given.speed_hz, plan.given.time_s)
            speed = line_levels.mean_about(*told, time_s, 1.0 / plan.zoom.out_rate_hz)
            given.append(np.asarray(_order(plan) * speed - _line(plan)))
        extra: dict[str, Any] = {}
        if plan.given.source == "tachometer":
            extra = {"cycle_std": plan.given.cycle_std(_order(plan), plan.hop_s)}
        elif min(part.n_out for _, part in parts) >= 8:
            signals = tuple(part.baseband[0] for _, part in parts)
            refined = refined_offsets(signals, plan.zoom.out_rate_hz, given, _line(plan), plan.logged_hz)
            given, extra = refined if refined is not None else (given, {})
        return [(offset, np.ones(offset.size)) for offset in given], extra

    def _lines(
        self, parts: list[ZoomedRun]
    ) -> tuple[list[list[tuple[FloatArray, FloatArray]]], dict[str, Any], Reason | None]:
        """Offsets per part of the firing line and, where there is one, of a rival; figures; or the reason."""
        plan = self.plan
        if plan.sweep_hz is not None:
            return self._swept(parts)
        rate = plan.zoom.out_rate_hz
        signals = tuple(part.baseband[0] for part in parts)
        search_hz = plan.search_hz + plan.room_hz
        strongest = kernel.followed_line(signals, rate, _line(plan), search_hz, plan.zoom.half_widths_hz[0])
        second = rival_line(strongest)
        lines = [strongest] if second is None else [strongest, second]
        reasons = [self._refusal(line) for line in lines]
        kept = [line for line, reason in zip(lines, reasons, strict=True) if reason is None]
        line = kept[0] if kept else strongest
        extra: dict[str, Any] = {**line_confidence.line_figures(line), "nominal_hz": _line(plan)}
        if not kept:
            # a strong line elsewhere says nothing of how small one here would be
            if line.mean_excess < line.needed_excess or abs(line.mean_offset_hz) <= plan.search_hz:
                findable = line_confidence.findable_amplitude(line, _line(plan))
                extra["bound"] = dict(zip(plan.channels, findable.tolist(), strict=True))
            return [], extra, reasons[0]
        tracks = kernel.phase_tracks(signals, rate, line)
        drift = line_confidence.drift_density(signals, rate, line, tracks, search_hz)
        extra |= line_confidence.count_figures(line, tracks, plan.zoom.delay_s, drift)
        found = [line_confidence.offsets_with_confidence(signals, rate, line, tracks)]
        if len(kept) > 1:
            other = kernel.phase_tracks(signals, rate, kept[1])
            found.append(line_confidence.offsets_with_confidence(signals, rate, kept[1], other))
        return found, extra, None

    def _swept(
        self, parts: list[ZoomedRun]
    ) -> tuple[list[list[tuple[FloatArray, FloatArray]]], dict[str, Any], Reason | None]:
        """The same for a line that goes from one end of a sweep to the other."""
        plan = self.plan
        ends_hz = plan.sweep_hz or (_line(plan), _line(plan))
        signals = tuple(part.baseband[0] for part in parts)
        lines = swept_lines(signals, plan.zoom.out_rate_hz, _line(plan), ends_hz, 0.5 * min(ends_hz) / _order(plan))
        kept = [line for line in lines if line.found and line.lost <= plan.most_lost]
        if kept:
            return [line.offsets for line in kept], kept[0].figures, None
        detail = (
            f"no line goes from {ends_hz[0]:.4g} Hz to {ends_hz[1]:.4g} Hz without being lost: power along the best "
            f"path is {lines[0].mean_excess:.3g} times the floor's, a line needs {lines[0].needed_excess:.3g}; it is "
            f"gone for {100 * lines[0].lost:.0f} % of the time, at most {100 * plan.most_lost:.0f} % may be bridged; "
            f"it goes back by {100 * lines[0].turned_back:.0f} % on its way"
        )
        return [], {}, Reason(ReasonCode.NO_LINE, detail)

    def _refusal(self, line: kernel.FollowedLine) -> Reason | None:
        """Why what was followed is not the firing line."""
        plan = self.plan
        needed = line.needed_excess
        if line.mean_excess < needed:
            detail = (
                f"no line within {plan.search_hz:.3g} Hz of {_line(plan):.4g} Hz: power along the best path is "
                f"{line.mean_excess:.3g} times the floor's, a line needs {needed:.3g}"
            )
            return Reason(ReasonCode.NO_LINE, detail)
        lost = float(np.mean(np.concatenate(line.lost)))
        if lost > plan.most_lost:
            detail = (
                f"the line about {_line(plan):.4g} Hz is gone for {100 * lost:.0f} % of the time, at most "
                f"{100 * plan.most_lost:.0f} % may be bridged"
            )
            return Reason(ReasonCode.NO_LINE, detail)
        if abs(line.mean_offset_hz) > plan.search_hz:
            detail = (
                f"the strongest line lies at {_line(plan) + line.mean_offset_hz:.4g} Hz, more than "
                f"{plan.search_hz:.3g} Hz from the nominal {_line(plan):.4g} Hz"
            )
            return Reason(ReasonCode.NO_LINE, detail)
        return None

    def _piece(
        self, part: ZoomedRun, start_s: float, offset: tuple[FloatArray, FloatArray] | None
    ) -> tuple[FloatArray, ...]:
        """Time, speed, confidence, line level, other level of one part, on the track's own grid."""
        plan = self.plan
        n = max(1, int((part.stop - part.start) / plan.rate_hz / plan.hop_s))
        grid = np.asarray(part.start / plan.rate_hz + (np.arange(n) + 0.5) * plan.hop_s, dtype=np.float64)
        total = line_levels.total_square(plan.zoom, part, grid)
        if offset is None:
            speed: FloatArray = np.full(n, np.nan)
            if plan.given.time_s.size:
                speed = np.interp(start_s + grid, plan.given.time_s, plan.given.speed_hz)
            return np.asarray(start_s + grid), speed, np.zeros(n), np.full(n, np.nan), np.sqrt(total)
        at = line_levels.output_times(plan.zoom, part)
        confidence = np.interp(grid, at, offset[1])
        points = (at, offset[0])
        if plan.sweep_hz is not None:
            points = prolonged(at, offset[0], part.start / plan.rate_hz, part.stop / plan.rate_hz)
        speed = (_line(plan) + line_levels.mean_about(points[1], points[0], grid, plan.hop_s)) / _order(plan)
        speed = np.where(confidence > 0.0, speed, np.nan)
        square = line_levels.line_square(part.baseband[0], plan.zoom.out_rate_hz, offset[0])
        line = np.interp(grid, at, square)
        other = np.sqrt(np.maximum(total - line, 0.0))
        return np.asarray(start_s + grid), speed, confidence, np.sqrt(line), other


def _together(parts: list[Followed]) -> dict[str, Any]:
    """Figures of several parts: means; a count of cycles is as uncertain as all ends together."""
    known = [item.extra for item in parts if item.extra]
    if not known:
        return {}
    figures = [name for name, value in known[0].items() if isinstance(value, float)]
    together: dict[str, Any] = {name: float(np.mean([extra.get(name, np.nan) for extra in known])) for name in figures}
    if len(parts) > 1 and "cycle_std" in together:
        together["cycle_std"] = float(np.sqrt(np.mean([extra["cycle_std"] ** 2 for extra in known])))
    if "bound" in known[0]:
        together["bound"] = known[0]["bound"]
    return {**together, "n_parts": sum(item.n_parts for item in parts)}


def _too_short() -> Reason:
    return Reason(ReasonCode.NO_LINE, "no stretch is long enough to look for the firing line")


def _no_line_to_follow(
    line_hz: float | None, half_hz: float | None, wanted_hz: float, rate_hz: float
) -> Reason | None:
    """Why the line cannot even be looked for, or None."""
    if line_hz is None:
        return Reason(
            ReasonCode.NO_SPEED,
            "neither cylinders (or firing_order) with rpm, nor a tachometer with pulses (three or more, few of them "
            "shorter than a sample), nor a logged speed, is given",
        )
    if half_hz is None:
        detail = (
            f"the search of +-{wanted_hz:.3g} Hz about the firing line at {line_hz:.4g} Hz does not fit below half "
            f"the sampling rate, {0.5 * rate_hz:.4g} Hz"
        )
        return Reason(ReasonCode.NO_LINE, detail)
    return None


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
    numeric_version = 2
    Settings = TrackSettings
    uses_facts = ("cylinders", "strokes", "firing_order", "rpm")

    def schema(self, incoming: ChainSchema) -> ChainSchema:
        """Adds the speed track; needs an acceleration channel on a uniform clock."""
        self.needs_uniform_clock(incoming)
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
        facts = context.facts
        order = firing_order(facts.get("cylinders"), facts.get("strokes"), facts.get("firing_order"))
        given = given_speed(context.asides, self.settings.pulses_per_revolution)
        speeds = given.speed_hz
        sweep = None if speeds.size or order is None else _sweep(self.settings.sweep_rpm, order)
        nominal = float(np.median(speeds)) if speeds.size else _nominal(context.facts)
        line = order * nominal if order is not None and nominal is not None else None
        search = 0.01 * self.settings.search_percent * (line or 0.0)
        room = 0.01 * self.settings.room_percent * (line or 0.0)
        if sweep is not None:
            low, high = swept_range(sweep)
            line, search, room = 0.5 * (low + high), 0.5 * (high - low), 0.0
        if speeds.size and line is not None and order is not None:
            room = max(room, order * float(np.ptp(speeds)))
        half = search_half_width(line, search + room, rate)
        why = None if speeds.size else _no_line_to_follow(line, half, search + room, rate)
        if half is None:
            line = None
        zoom = zoom_plan(rate, (line or 0.25 * rate,), (half or min(4.0, 0.1 * rate),))
        hop_s = self.settings.hop_s
        if line is not None:
            hop_s = min(hop_s, max(kernel.frame_seconds(line) / 10.0, 0.02))
        channels = tuple(i for i, spec in enumerate(signal.channels) if spec.quantity == "acceleration")
        long = sweep is None and signal.duration_s is not None and signal.duration_s > self.settings.whole_s
        part = max(1, round(self.settings.part_s * zoom.out_rate_hz)) if long else None
        most_lost = self.settings.most_lost
        return Plan(
            rate, channels, zoom, order, line, search, room, hop_s, given, part, most_lost,
            0.01 * self.settings.logged_percent * (line or 0.0), sweep, why,
        )


def _sweep(rpm: tuple[float, float] | None, order: float) -> tuple[float, float] | None:
    """Frequency of the firing line at both ends of a sweep. Raises SettingsError for what is none."""
    if rpm is None:
        return None
    if min(rpm) <= 0.0 or max(rpm) < LEAST_SWEEP * min(rpm):
        raise SettingsError(
            "stage 'track': sweep_rpm", found=f"{rpm[0]:g} to {rpm[1]:g}",
            allowed=f"two speeds above 0, {LEAST_SWEEP:g} times apart or more",
            todo="leave sweep_rpm out where the speed hardly moves",
        )  # fmt: skip
    return order * rpm[0] / 60.0, order * rpm[1] / 60.0


def _nominal(facts: Mapping[str, Any]) -> float | None:
    rpm = facts.get("rpm")
    return None if rpm is None else float(rpm) / 60.0


@hookimpl
def register_stages() -> list[type[Stage[Any]]]:
    """The speed track."""
    return [TrackSpeed]
