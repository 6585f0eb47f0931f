"""What may be compared with what: cells of the study, and the repeats inside them.

A repeat is a fresh fitting. Takes and placements are averaged (in the logarithm, like everything that enters a
ratio) inside their repeat and never counted as repeats.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

from .decibels import DECIBEL, as_amplitude

BACKGROUND_CONDITION = "engine-off"
FLOOR_FACTOR = 3.0
"""A reading under three times its background may be up to a third of it too high or too low."""

_SUNK = ("at_floor", "no_line")
"""Absent because too small, not because something failed."""


@dataclass(frozen=True, slots=True)
class Cell:
    """One platform at one position in one condition: here parts are compared."""

    platform: str
    position: str
    condition: str


@dataclass(frozen=True, slots=True)
class CaptureFacts:
    """What a comparison needs to know of one fit capture beside its reading."""

    file: str
    session: tuple[str, str] | None
    specimen: str
    vehicle: str
    speed_hz: float | None
    mount_temp_c: float | None
    static_vector: tuple[float, float, float] | None


@dataclass(frozen=True, slots=True)
class Repeat:
    """One fresh fitting: the value its takes average to, and where it came from.

    ``value`` is None when the fitting's reading is at the floor or absent; ``at_floor`` tells which.
    """

    name: str
    value: float | None
    frequency_hz: float | None
    n_captures: int
    at_floor: bool
    captures: tuple[CaptureFacts, ...]


@dataclass(frozen=True)
class Side:
    """One part in one cell: its repeats with a value, and what kept others away."""

    part: str
    repeats: tuple[Repeat, ...] = ()
    absent: tuple[tuple[str, str], ...] = ()
    """Code and detail of readings that are absent, one a capture."""
    n_floor: int = 0
    n_unfit: int = 0
    unit: str = ""
    detector: str = ""
    background: float | None = None
    marks: tuple[str, ...] = ()
    reused: tuple[str, ...] = ()
    """Repeats whose captures stand in several sessions: counted as one fitting all the same."""

    @cached_property
    def values(self) -> tuple[float, ...]:
        """One value a repeat."""
        return tuple(r.value for r in self.repeats if r.value is not None)

    @cached_property
    def captures(self) -> tuple[CaptureFacts, ...]:
        """Captures of all repeats with a value."""
        return tuple(capture for repeat in self.repeats for capture in repeat.captures)

    @property
    def frequency_hz(self) -> float | None:
        """Mean frequency over repeats."""
        return mean(r.frequency_hz for r in self.repeats)

    @property
    def speed_hz(self) -> float | None:
        """Mean speed (revolutions per second) over captures that have one."""
        return mean(capture.speed_hz for capture in self.captures)


def mean(values: Iterable[float | None]) -> float | None:
    """Arithmetic mean of what is there, None of nothing."""
    known = [value for value in values if value is not None]
    return math.fsum(known) / len(known) if known else None


@dataclass(frozen=True, slots=True)
class Pairing:
    """The study's readings and captures sorted by cell, part and repeat."""

    cells: Mapping[Cell, tuple[str, ...]]
    """Parts of each cell in order of first appearance in the table."""
    captures: Sequence[Mapping[str, Any]]
    readings: Mapping[tuple[str, str, Cell, str], Sequence[Mapping[str, Any]]]
    """By reading, combination, cell and part: entries of fit captures."""
    backgrounds: Mapping[tuple[str, str, str, str], float]
    """By reading, combination, platform and position: from engine-off captures."""
    facts: Mapping[tuple[str, str], CaptureFacts]
    unfit: Mapping[tuple[Cell, str], int] = field(default_factory=dict)
    units: Mapping[tuple[str, str], tuple[str, str]] = field(default_factory=dict)
    levels: tuple[tuple[str, str], ...] = ()
    """Readings and combinations that are levels in decibels, in order of first appearance."""

    def side(self, reading: str, combination: str, cell: Cell, part: str) -> Side:
        """One part's repeats in a cell, for one reading and combination."""
        entries = self.readings.get((reading, combination, cell, part), ())
        background = self.background(reading, combination, cell)
        fittings: dict[tuple[str, str, str], list[Mapping[str, Any]]] = {}
        for entry in entries:
            fittings.setdefault(_fitting(entry), []).append(entry)
        repeats = [self._repeat(name, group, background) for name, group in fittings.items()]
        unit, detector = self.units.get((reading, combination), ("mg", "peak"))
        return Side(
            part=part,
            repeats=tuple(r for r in repeats if r.value is not None),
            absent=tuple((e["absent"]["code"], e["absent"]["detail"]) for e in entries if e.get("absent")),
            n_floor=sum(r.at_floor for r in repeats),
            n_unfit=self.unfit.get((cell, part), 0),
            unit=unit,
            detector=detector,
            background=background,
            marks=_marks(entries),
            reused=tuple(r.name for r in repeats if len({c.session for c in r.captures}) > 1),
        )

    def background(self, reading: str, combination: str, cell: Cell) -> float | None:
        """Engine-off reading of this platform and position, in the reading's unit, where one was taken.

        An order cannot be read with the engine off; the highest bin of the same axes then stands for it. It is
        the larger figure, so a reading that passes it is clear of the floor.
        """
        unit, _ = self.units.get((reading, combination), ("", ""))
        for name in (reading, *(() if unit == DECIBEL else ("highest_bin",))):
            found = self.backgrounds.get((name, combination, cell.platform, cell.position))
            if found is not None:
                return found
        return None

    def _repeat(
        self, name: tuple[str, str, str], group: Sequence[Mapping[str, Any]], background: float | None
    ) -> Repeat:
        present = [e for e in group if usable(e.get("value"))]
        sunk = sum(bool(e.get("absent")) and e["absent"]["code"] in _SUNK for e in group)
        value = _averaged(present)
        # takes whose line sank into the floor are censored: averaging only the others would read high
        at_floor = 2 * sunk >= len(group) and sunk > 0
        if value is not None and background is not None and value < FLOOR_FACTOR * background:
            at_floor = True
        captures = tuple(self.facts[_key(e)] for e in present)
        return Repeat(
            name=name[0],
            value=None if at_floor else value,
            frequency_hz=mean(e.get("frequency_hz") for e in present),
            n_captures=len(present),
            at_floor=at_floor,
            captures=captures,
        )


def usable(value: Any) -> bool:
    """Whether a reading's value can enter a logarithm."""
    return isinstance(value, int | float) and math.isfinite(value) and value > 0.0


def paired(readings: Sequence[Mapping[str, Any]], captures: Sequence[Mapping[str, Any]]) -> Pairing:
    """Sort entries of ``readings.json`` and ``captures.json`` for comparison.

    Only readings of captures whose state is ``fit`` take part. Engine-off captures give backgrounds and are not
    compared.
    """
    fit = {_key(c): c for c in captures if c.get("state") == "fit"}
    speeds = _speeds(readings)
    facts = {key: _facts(capture, speeds.get(key)) for key, capture in fit.items()}
    cells, unfit = _cells(captures)
    sorted_readings: dict[tuple[str, str, Cell, str], list[Mapping[str, Any]]] = {}
    floors: dict[tuple[str, str, str, str], list[float]] = {}
    units: dict[tuple[str, str], tuple[str, str]] = {}
    levels: dict[tuple[str, str], None] = {}
    for entry in map(as_amplitude, readings):
        if _key(entry) not in fit or (entry.get("extra") or {}).get("beside"):
            # one that stands beside the reading a study compares: another order of the same capture is no take
            continue
        name = (entry["reading"], entry["combination"])
        if is_background(entry["condition"]):
            shown = entry.get("value") or (entry.get("extra") or {}).get("under_sensor_floor")
            if shown is not None and usable(shown):
                floors.setdefault((*name, entry["platform"], entry["position"]), []).append(float(shown))
            continue
        units.setdefault(name, (entry["unit"], entry["detector"]))
        if entry["unit"] == DECIBEL and entry.get("kind", "level") == "level":
            levels.setdefault(name)
        sorted_readings.setdefault((*name, _cell(entry), entry["part"]), []).append(entry)
    return Pairing(
        cells={cell: tuple(parts) for cell, parts in cells.items()},
        captures=captures,
        readings=sorted_readings,
        backgrounds={key: math.fsum(values) / len(values) for key, values in floors.items()},
        facts=facts,
        unfit=unfit,
        units=units,
        levels=tuple(levels),
    )


def is_background(condition: str) -> bool:
    """Whether a condition is the engine-off one, however its blanks are written."""
    return "-".join(condition.lower().replace("_", " ").replace("-", " ").split()) == BACKGROUND_CONDITION


def _cells(
    captures: Sequence[Mapping[str, Any]],
) -> tuple[dict[Cell, dict[str, None]], dict[tuple[Cell, str], int]]:
    cells: dict[Cell, dict[str, None]] = {}
    unfit: dict[tuple[Cell, str], int] = {}
    for capture in captures:
        if is_background(str(capture["condition"])) or _says_too_little(capture):
            continue
        cell = _cell(capture)
        cells.setdefault(cell, {})[capture["part"]] = None
        if capture.get("state") != "fit":
            unfit[(cell, capture["part"])] = unfit.get((cell, capture["part"]), 0) + 1
    return cells, unfit


def _says_too_little(capture: Mapping[str, Any]) -> bool:
    """A refused row with an empty label stands in no cell."""
    labels = ("platform", "part", "position", "condition")
    return capture.get("state") != "fit" and not all(capture.get(name) for name in labels)


def _cell(entry: Mapping[str, Any]) -> Cell:
    return Cell(entry["platform"], entry["position"], entry["condition"])


def _key(entry: Mapping[str, Any]) -> tuple[str, str]:
    """Capture and position; the file stands in where a capture has no identity."""
    return str(entry.get("capture_id") or entry["file"]), str(entry["position"])


def _fitting(entry: Mapping[str, Any]) -> tuple[str, str, str]:
    """A fitting is told apart by its repeat name, and cannot span two specimens or two vehicles."""
    return str(entry.get("repeat", "")), str(entry.get("specimen") or ""), str(entry.get("vehicle") or "")


def _averaged(entries: Sequence[Mapping[str, Any]]) -> float | None:
    """Takes averaged inside placements, placements inside the repeat: geometric means."""
    placements: dict[str, list[float]] = {}
    for entry in entries:
        placements.setdefault(str(entry.get("placement") or ""), []).append(math.log(entry["value"]))
    means = [math.fsum(logs) / len(logs) for logs in placements.values()]
    return math.exp(math.fsum(means) / len(means)) if means else None


def _marks(entries: Sequence[Mapping[str, Any]]) -> tuple[str, ...]:
    codes = (mark["code"] for e in entries if usable(e.get("value")) for mark in e.get("marks") or ())
    return tuple(dict.fromkeys(codes))


_AT_ITS_LARGEST = ("highest_bin", "order_peak")
"""Readings whose frequency is where they were largest: over a run-up a resonance that moved, not another speed."""


def _speeds(readings: Sequence[Mapping[str, Any]]) -> dict[tuple[str, str], float]:
    """Revolutions per second of each capture, its mean, from any reading that knows its order."""
    speeds: dict[tuple[str, str], float] = {}
    for entry in readings:
        order, frequency = entry.get("order"), entry.get("frequency_hz")
        if order and frequency and entry.get("reading") not in _AT_ITS_LARGEST:
            speeds.setdefault(_key(entry), frequency / order)
    return speeds


def _facts(capture: Mapping[str, Any], speed_hz: float | None) -> CaptureFacts:
    said = {**(capture.get("facts") or {}), **{k: v for k, v in capture.items() if v is not None}}
    session, vehicle = str(said.get("session") or ""), str(said.get("vehicle") or "")
    return CaptureFacts(
        file=str(said.get("file", "")),
        session=(vehicle, session) if session else None,
        specimen=str(said.get("specimen") or ""),
        vehicle=vehicle,
        speed_hz=speed_hz,
        mount_temp_c=said.get("mount_temp_c"),
        static_vector=None if said.get("coupling") == "ac" else _static_vector(capture),
    )


def _static_vector(capture: Mapping[str, Any]) -> tuple[float, float, float] | None:
    figures = (capture.get("fitness") or {}).get("facts") or {}
    found = figures.get("tilt_vector", figures.get("static_vector"))
    if isinstance(found, Mapping):
        found = found.get(capture["position"])
    if not isinstance(found, Sequence) or len(found) != 3:
        return None
    vector = tuple(float(x) for x in found)
    return (vector[0], vector[1], vector[2]) if math.hypot(*vector) > 0.0 else None
