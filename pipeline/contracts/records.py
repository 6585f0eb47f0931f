"""Records: what a row says, what a capture is, what was measured, what was concluded."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, fields, replace
from typing import Any, Literal

from .reasons import Reason

State = Literal["fit", "unfit", "refused"]
ReadingKind = Literal["level", "ratio"]

ENERGY = "energy"
"""Combination of several microphones at one position: the mean of their mean squares."""


@dataclass(frozen=True, slots=True)
class AxisSource:
    """Where one axis of one position comes from: native column (1-based) and sign."""

    position: str
    axis: str
    column: int
    sign: int

    def as_text(self) -> str:
        """``position.axis=+cN``, the spelling of the captures table (position left out when empty)."""
        left = f"{self.position}.{self.axis}" if self.position else self.axis
        return f"{left}={'+' if self.sign > 0 else '-'}c{self.column}"

    @classmethod
    def from_text(cls, text: str) -> AxisSource:
        """Read the spelling of the captures table. Raises ValueError when it is none."""
        left, _, right = text.strip().partition("=")
        position, _, axis = left.rpartition(".")
        sign = -1 if right.startswith("-") else 1
        column = right.lstrip("+-")
        if not axis or column[:1].lower() != "c" or not column[1:].isdigit() or int(column[1:]) < 1:
            raise ValueError(f"{text!r} is no axis like 'x=+c1' or 'seat.z=-c3'")
        return cls(position.strip(), axis.strip(), int(column[1:]), sign)


@dataclass(frozen=True, slots=True)
class ChannelMapping:
    """What the person said about a file's columns; part of the capture's identity.

    ``unit`` is a name known to ``contracts.units`` or ``counts`` (then ``scale`` in m s-2 per count is
    needed). ``sensitivity`` multiplies every acceleration channel (1.0 = as written) or, per axis,
    ``x=1.02 y=0.99 z=1.0``; ``offset`` (m s-2, per axis) is subtracted. ``position`` names channels that
    ``axes`` leaves without one.
    """

    position: str = ""
    axes: tuple[AxisSource, ...] = ()
    unit: str | None = None
    scale: float | None = None
    sensitivity: tuple[tuple[str, float], ...] = ()
    offset: tuple[tuple[str, float], ...] = ()
    sample_rate_hz: float | None = None

    def as_json(self) -> dict[str, Any]:
        """Canonical form for the capture's identity."""
        return {
            "position": self.position,
            "axes": [axis.as_text() for axis in self.axes],
            "unit": self.unit,
            "scale": self.scale,
            "sensitivity": [list(pair) for pair in self.sensitivity],
            "offset": [list(pair) for pair in self.offset],
            "sample_rate_hz": self.sample_rate_hz,
        }

    @classmethod
    def from_json(cls, document: Mapping[str, Any]) -> ChannelMapping:
        """Rebuild a mapping from its canonical form."""
        return cls(
            position=document["position"],
            axes=tuple(AxisSource.from_text(axis) for axis in document["axes"]),
            unit=document["unit"],
            scale=document["scale"],
            sensitivity=tuple((axis, factor) for axis, factor in document["sensitivity"]),
            offset=tuple((axis, value) for axis, value in document["offset"]),
            sample_rate_hz=document["sample_rate_hz"],
        )


@dataclass(frozen=True, slots=True)
class CaptureRow:
    """One row of the captures table, typed. Unknown columns are ``tags``, carried to every output."""

    row: int
    file: str
    platform: str
    part: str
    position: str
    condition: str
    repeat: str
    placement: str = ""
    take: str = ""
    session: str = ""
    specimen: str = ""
    vehicle: str = ""
    recorded_at: str = ""
    cylinders: int | None = None
    strokes: int | None = None
    firing_order: float | None = None
    rpm: float | None = None
    start_s: float | None = None
    stop_s: float | None = None
    sensor: str = ""
    rig: str = ""
    coupling: str = ""
    mount_temp_c: float | None = None
    note: str = ""
    capture: int | None = None
    """Which capture of a file that holds several (0 is the first)."""
    noise_density: tuple[tuple[str, float], ...] = ()
    """The sensor's own noise by axis, micro-g per root hertz; empty where nobody stated it."""
    mapping: ChannelMapping = field(default_factory=ChannelMapping)
    tags: Mapping[str, str] = field(default_factory=dict)

    def labels(self) -> dict[str, Any]:
        """The identifying columns in the order the files list them."""
        names = (
            "file", "platform", "part", "position", "condition", "repeat", "placement", "take",
            "session", "specimen", "vehicle", "recorded_at",
        )  # fmt: skip
        return {name: getattr(self, name) for name in names}

    def fact(self, name: str) -> Any:
        """One fact by column name, as stages ask for it."""
        return getattr(self, name)


@dataclass(frozen=True, slots=True)
class Clock:
    """How a group of channels is timed.

    Uniform: ``start_s``, ``rate_hz``. Otherwise ``rate_hz`` is the measured mean rate and the stamps are
    kept as integer ticks of ``tick_s`` seconds (or float seconds when ``tick_s`` is 0).
    """

    uniform: bool
    start_s: float
    rate_hz: float
    tick_s: float = 0.0
    origin: str = ""


@dataclass(frozen=True, slots=True)
class ChannelHead:
    """One channel: value in ``si`` unit = (native count * scale + offset)."""

    name: str
    quantity: str
    unit: str
    si: str
    scale: float
    offset: float = 0.0
    position: str = ""
    axis: str = ""
    full_scale: float | None = None


@dataclass(frozen=True, slots=True)
class GroupHead:
    """Channels that share one clock. ``dtype`` is that of the native counts."""

    name: str
    channels: tuple[ChannelHead, ...]
    clock: Clock
    n_samples: int
    dtype: str

    def as_json(self) -> dict[str, Any]:
        """The form a capture's manifest carries."""
        channels = [{name: getattr(channel, name) for name in _CHANNEL_FIELDS} for channel in self.channels]
        clock = {name: getattr(self.clock, name) for name in _CLOCK_FIELDS}
        return {
            "name": self.name, "channels": channels, "clock": clock, "n_samples": self.n_samples, "dtype": self.dtype,
        }  # fmt: skip


_CHANNEL_FIELDS = tuple(one.name for one in fields(ChannelHead))
_CLOCK_FIELDS = tuple(one.name for one in fields(Clock))


@dataclass(frozen=True, slots=True)
class CaptureHead:
    """All that is known of one capture in a file beside its samples. The first group is the signal."""

    index: int
    reader: str
    groups: tuple[GroupHead, ...]
    recorded_at: str = ""
    metadata: Mapping[str, Any] = field(default_factory=dict)

    def as_json(self) -> dict[str, Any]:
        """The form a capture's manifest carries."""
        return {
            "index": self.index, "reader": self.reader, "groups": [group.as_json() for group in self.groups],
            "recorded_at": self.recorded_at, "metadata": dict(self.metadata),
        }  # fmt: skip

    @classmethod
    def from_json(cls, document: Mapping[str, Any]) -> CaptureHead:
        """Rebuild a head from a manifest's ``head``."""
        groups = tuple(
            GroupHead(
                name=group["name"],
                channels=tuple(ChannelHead(**channel) for channel in group["channels"]),
                clock=Clock(**group["clock"]),
                n_samples=group["n_samples"],
                dtype=group["dtype"],
            )
            for group in document["groups"]
        )
        return cls(
            index=document["index"], reader=document["reader"], groups=groups,
            recorded_at=document["recorded_at"], metadata=document["metadata"],
        )  # fmt: skip


@dataclass(frozen=True, slots=True)
class Cut:
    """A piece of a capture that was left out, and why."""

    start_s: float
    stop_s: float
    reason: Reason

    def as_json(self) -> dict[str, Any]:
        """The form the files carry."""
        return {"start_s": self.start_s, "stop_s": self.stop_s, **self.reason.as_json()}


@dataclass(frozen=True, slots=True)
class Fitness:
    """Whether a capture may be used, over which stretches (seconds of its own clock), and why not.

    ``facts`` holds the figures the decision rests on, by plain names; ``levels`` the level strip for screens:
    ``{"time_s": [...], "level_mg": [...], "speed_rpm": [...]}``.
    """

    state: State
    reasons: tuple[Reason, ...] = ()
    stretches: tuple[tuple[float, float], ...] = ()
    cuts: tuple[Cut, ...] = ()
    facts: Mapping[str, Any] = field(default_factory=dict)
    levels: Mapping[str, Any] = field(default_factory=dict)

    @property
    def usable_s(self) -> float:
        """Seconds that count."""
        return sum(stop - start for start, stop in self.stretches)

    def as_json(self) -> dict[str, Any]:
        """The form a result's manifest carries."""
        return {
            "state": self.state,
            "reasons": [reason.as_json() for reason in self.reasons],
            "stretches": [list(pair) for pair in self.stretches],
            "cuts": [cut.as_json() for cut in self.cuts],
            "facts": dict(self.facts),
            "levels": dict(self.levels),
        }

    @classmethod
    def from_json(cls, document: Mapping[str, Any]) -> Fitness:
        """Rebuild from a result's manifest."""
        return cls(
            state=document["state"],
            reasons=tuple(Reason.from_json(item) for item in document["reasons"]),
            stretches=tuple((pair[0], pair[1]) for pair in document["stretches"]),
            cuts=tuple(Cut(c["start_s"], c["stop_s"], Reason.from_json(c)) for c in document["cuts"]),
            facts=document["facts"],
            levels=document["levels"],
        )


@dataclass(frozen=True, slots=True)
class Reading:
    """One measured quantity of one position: value, unit, detector, combination, standard uncertainty.

    ``value`` is None exactly when ``absent`` is filled. ``marks`` qualify a value that is present
    (``unresolved``, ``assumed from nominal speed`` belongs to ``line_name``).
    """

    reading: str
    position: str
    combination: str
    unit: str
    detector: str
    value: float | None
    std_uncertainty: float | None = None
    kind: ReadingKind = "level"
    order: float | None = None
    frequency_hz: float | None = None
    line_name: str = ""
    reference_position: str = ""
    absent: Reason | None = None
    marks: tuple[Reason, ...] = ()
    extra: Mapping[str, Any] = field(default_factory=dict)

    @classmethod
    def missing(cls, like: Reading, reason: Reason) -> Reading:
        """The same reading without a value, saying why."""
        return replace(like, value=None, std_uncertainty=None, absent=reason)

    def as_json(self) -> dict[str, Any]:
        """The form a result's manifest carries."""
        document = {name: getattr(self, name) for name in _READING_PLAIN}
        document["absent"] = self.absent.as_json() if self.absent else None
        document["marks"] = [mark.as_json() for mark in self.marks]
        document["extra"] = dict(self.extra)
        return document

    @classmethod
    def from_json(cls, document: Mapping[str, Any]) -> Reading:
        """Rebuild from a result's manifest."""
        return cls(
            **{name: document[name] for name in _READING_PLAIN},
            absent=Reason.from_json(document["absent"]) if document["absent"] else None,
            marks=tuple(Reason.from_json(mark) for mark in document["marks"]),
            extra=document["extra"],
        )


_READING_PLAIN = (
    "reading", "position", "combination", "unit", "detector", "value", "std_uncertainty", "kind", "order",
    "frequency_hz", "line_name", "reference_position",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Comparison:
    """One candidate against the baseline on one platform, position and condition."""

    platform: str
    position: str
    condition: str
    baseline: str
    candidate: str
    reading: str
    combination: str
    unit: str
    detector: str
    n_baseline: int
    n_candidate: int
    baseline_value: float | None
    candidate_value: float | None
    frequency_hz_baseline: float | None
    frequency_hz_candidate: float | None
    percent_change: float | None
    interval_low: float | None
    interval_high: float | None
    confidence: float
    verdict: str
    scope: str
    reasons: tuple[Reason, ...]
    repeats_needed: int | None
    carries_verdict: bool
    extra: Mapping[str, Any] = field(default_factory=dict)

    def as_json(self) -> dict[str, Any]:
        """One entry of ``comparisons.json``; ``extra`` keys stand beside the fixed ones."""
        document = {name: getattr(self, name) for name in self.__dataclass_fields__ if name != "extra"}
        document["reasons"] = [reason.as_json() for reason in self.reasons]
        return {**document, **self.extra}


@dataclass(frozen=True, slots=True)
class OverPlatforms:
    """What holds over all platforms for one candidate."""

    candidate: str
    position: str
    condition: str
    reading: str
    combination: str
    n_platforms: int
    percent_change: float | None
    interval_low: float | None
    interval_high: float | None
    prediction_low: float | None
    prediction_high: float | None
    tau: float | None
    i2: float | None
    extra: Mapping[str, Any] = field(default_factory=dict)

    def as_json(self) -> dict[str, Any]:
        """One entry of ``over_platforms`` in ``comparisons.json``."""
        document = {name: getattr(self, name) for name in self.__dataclass_fields__ if name != "extra"}
        return {**document, **self.extra}
