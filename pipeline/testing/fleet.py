"""A fleet with known truth: platforms, parts, repeats, faults, and the study that asks about them."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal

import numpy as np

from .faults import FAULTS, FaultKind, faulty_spec, faulty_text, holes
from .fleet_tables import captures_table, study_text, truth_document
from .platforms import DEMO_PLATFORMS, PlatformSpec
from .simulator import IdleSpec, SimulatedCapture, idle_capture
from .writer import TextDialect, capture_text, channel_names, write_wav

Format = Literal["text", "wav"]

DIALECTS = (
    TextDialect(),
    TextDialect(
        delimiter=";", decimal=",", header="brackets", unit="m/s²", decimals=5, time="ms", time_decimals=3
    ),
    TextDialect(
        delimiter="\t", header="parentheses", unit="mg", decimals=3, start_s=-2.0,
        preface=("# logger three-axis box", "# mounting: seat rail, front left bolt"),
    ),
)  # fmt: skip
"""The dialects a fleet's platforms write in turn."""


@dataclass(frozen=True, slots=True)
class PlantedFault:
    """A faulty take beside the good one of a repeat; ``taken_instead`` leaves the good one out."""

    kind: FaultKind
    platform: str
    part: str
    repeat: int
    taken_instead: bool = False


@dataclass(frozen=True, slots=True)
class FleetSpec:
    """What fleet to simulate.

    ``changes`` maps (platform, part) to the true percent change of the baseline; pairs that are left out are
    drawn as ``mean_change_percent[part]`` with a relative spread ``platform_spread`` between platforms.
    ``refit``, ``replace_sensor`` and ``retake`` are relative standard deviations (log-normal) of the
    amplitude from repeat to repeat, placement to placement and take to take. ``sessions`` "alternate" puts
    one repeat of every part into each session; "apart" gives every part sessions of its own.
    """

    platforms: tuple[PlatformSpec, ...] = DEMO_PLATFORMS
    parts: tuple[str, ...] = ("original", "candidate-A", "candidate-B")
    repeats: int = 3
    placements: int = 1
    takes: int = 1
    duration_s: float = 42.0
    rates_hz: tuple[float, ...] = (800.0, 1000.0, 800.0)
    n_channel: int = 3
    format: Format = "text"
    dialects: tuple[TextDialect, ...] = DIALECTS
    changes: Mapping[tuple[str, str], float] = field(default_factory=dict)
    mean_change_percent: Mapping[str, float] = field(default_factory=dict)
    platform_spread: float = 0.04
    refit: float = 0.03
    replace_sensor: float = 0.01
    retake: float = 0.004
    sessions: Literal["alternate", "apart"] = "alternate"
    wander: float = 0.004
    am: float = 0.03
    taps: bool = True
    step_mps2: float | None = 0.0006
    limit_percent: float = 15.0
    title: str = "Do the candidate mounts stay within the limit at idle?"
    condition: str = "idle-drive"
    position: str = "seat-rail"
    faults: tuple[PlantedFault, ...] = ()


@dataclass(frozen=True, slots=True)
class FleetCapture:
    """One capture of the fleet: its row, how it is simulated, and what should become of it."""

    row: Mapping[str, str]
    spec: IdleSpec
    seed: int
    dialect: TextDialect
    fault: FaultKind | None
    factor: float
    """Amplitude of this capture over the part's nominal amplitude on this platform."""

    @property
    def file(self) -> str:
        """Path of the file relative to the table."""
        return self.row["file"]

    def simulated(self) -> SimulatedCapture:
        """The samples, holes of a fault included."""
        capture = idle_capture(self.spec, self.seed)
        return capture.without(holes(self.spec.duration_s)) if self.fault == "gaps" else capture


DEMO_CHANGES = {
    ("Cormorant 4.8", "candidate-A"): 5.0, ("Cormorant 4.8", "candidate-B"): 16.0,
    ("Dunlin 2.0", "candidate-A"): 7.0, ("Dunlin 2.0", "candidate-B"): 34.0,
    ("Wheatear 3.5", "candidate-A"): 3.0, ("Wheatear 3.5", "candidate-B"): 27.0,
}  # fmt: skip


def demo_fleet() -> FleetSpec:
    """Three platforms, three parts, three repeats, and one capture that lost its samples five times."""
    return FleetSpec(changes=DEMO_CHANGES, faults=(PlantedFault("gaps", "Dunlin 2.0", "candidate-A", 2),))


def true_changes(spec: FleetSpec, seed: int) -> dict[tuple[str, str], float]:
    """True percent change of every (platform, part) against the first part, in the fleet's order."""
    rng = np.random.default_rng([seed, 12])
    changes = {}
    for platform in spec.platforms:
        for place, part in enumerate(spec.parts):
            drawn = float(rng.standard_normal()) * spec.platform_spread
            mean = spec.mean_change_percent.get(part, 6.0 + 12.0 * (place - 1))
            percent = 0.0 if place == 0 else 100.0 * ((1.0 + mean / 100.0) * np.exp(drawn) - 1.0)
            changes[(platform.name, part)] = float(spec.changes.get((platform.name, part), percent))
    return changes


def fleet_captures(spec: FleetSpec, seed: int) -> Iterator[FleetCapture]:
    """Every capture of the fleet in the order it would be recorded, without simulating any."""
    changes = true_changes(spec, seed)
    for place, platform in enumerate(spec.platforms):
        rng = np.random.default_rng([seed, 77, place])
        for repeat in range(1, spec.repeats + 1):
            for part in spec.parts:
                ratio = 1.0 + changes[(platform.name, part)] / 100.0
                yield from _fitting(spec, (place, repeat, part), ratio, rng)


def _fitting(
    spec: FleetSpec, where: tuple[int, int, str], ratio: float, rng: np.random.Generator
) -> Iterator[FleetCapture]:
    """All captures of one fresh fitting: placements, takes, and a faulty take where one is planted."""
    place, repeat, part = where
    platform = spec.platforms[place]
    fitted = float(np.exp(spec.refit * rng.standard_normal()))
    temperature = 70.0 + rng.standard_normal()
    planted = [f for f in spec.faults if (f.platform, f.part, f.repeat) == (platform.name, part, repeat)]
    for placement in range(1, spec.placements + 1):
        placed = fitted * float(np.exp(spec.replace_sensor * rng.standard_normal()))
        tilt = tuple(float(angle) for angle in 0.3 * rng.standard_normal(2))
        kinds: list[FaultKind | None] = [None] * spec.takes
        if placement == 1 and planted:
            instead = any(fault.taken_instead for fault in planted)
            kinds = [*(fault.kind for fault in planted), *([] if instead else kinds)]
        for take, kind in enumerate(kinds, start=1):
            factor = placed * float(np.exp(spec.retake * rng.standard_normal()))
            rpm = platform.rpm * (1.0 + 0.002 * rng.standard_normal())
            drawn = _Drawn(place, repeat, placement, take, part, ratio, factor, rpm, tilt, temperature)
            yield _capture(spec, drawn, kind, int(rng.integers(2**31)), len(kinds) > 1)


@dataclass(frozen=True, slots=True)
class _Drawn:
    place: int
    repeat: int
    placement: int
    take: int
    part: str
    ratio: float
    factor: float
    rpm: float
    tilt: tuple[float, ...]
    temperature: float


def _capture(spec: FleetSpec, drawn: _Drawn, kind: FaultKind | None, seed: int, takes: bool) -> FleetCapture:
    platform = spec.platforms[drawn.place]
    idle = _idle_spec(spec, platform, drawn)
    idle = idle if kind is None else faulty_spec(idle, kind)
    part_number = spec.parts.index(drawn.part)
    name = f"{drawn.part}-r{drawn.repeat}"
    name += f"-p{drawn.placement}" if spec.placements > 1 else ""
    name += f"-t{drawn.take}" if takes else ""
    suffix = "wav" if spec.format == "wav" else "csv" if spec.dialects[0].delimiter != "\t" else "txt"
    session = f"{platform.short}-{drawn.repeat}" if spec.sessions == "alternate" else (
        f"{platform.short}-{drawn.part}"
    )
    minute = 25 * part_number + 3 * (drawn.take - 1) + 8 * (drawn.placement - 1)
    row = {
        "file": f"captures/{platform.short}/{name}.{suffix}",
        "platform": platform.name,
        "part": drawn.part,
        "position": spec.position,
        "condition": spec.condition,
        "repeat": str(drawn.repeat),
        "placement": str(drawn.placement) if spec.placements > 1 else "",
        "take": str(drawn.take) if takes else "",
        "session": session,
        "recorded_at": _recorded_at(drawn, minute),
        "cylinders": str(platform.cylinders),
        "strokes": str(platform.strokes),
        "rpm": f"{platform.rpm:g}",
        "mount_temp_c": f"{drawn.temperature:.1f}",
    }
    dialect = spec.dialects[drawn.place % len(spec.dialects)]
    return FleetCapture(row, idle, seed, dialect, kind, drawn.factor)


def _recorded_at(drawn: _Drawn, minute: int) -> str:
    start = np.datetime64("2026-03-02T08:00", "m") + np.timedelta64(drawn.place, "D")
    return str(start + np.timedelta64(180 * (drawn.repeat - 1) + minute, "m")) + ":00Z"


def _idle_spec(spec: FleetSpec, platform: PlatformSpec, drawn: _Drawn) -> IdleSpec:
    scale = drawn.ratio * drawn.factor
    firing = np.resize(platform.amplitude_mg, spec.n_channel) * scale
    peak = float(firing.max())
    return IdleSpec(
        duration_s=spec.duration_s,
        rate_hz=spec.rates_hz[drawn.place % len(spec.rates_hz)],
        rpm=drawn.rpm,
        cylinders=platform.cylinders,
        strokes=platform.strokes,
        amplitude_mg=tuple(float(value) for value in firing),
        floor_mg_rthz=platform.floor_mg_rthz,
        wander=spec.wander,
        am=spec.am,
        orders=tuple((order, share * peak) for order, share in platform.orders),
        accessories=(platform.accessory,),
        tilt_deg=(drawn.tilt[0], drawn.tilt[1]),
        step=spec.step_mps2,
        taps_s=(2.4, 2.9) if spec.taps and spec.duration_s > 15.0 else (),
    )


def write_fleet(directory: Path, spec: FleetSpec | None = None, seed: int = 0) -> Path:
    """Write captures, ``captures.csv``, ``study.toml`` and ``truth.json``; returns the study file's path.

    The same spec and seed write the same bytes. Folders are made; files of the same names are replaced.
    """
    spec = spec or demo_fleet()
    rows: list[Mapping[str, str]] = []
    truths: list[dict[str, Any]] = []
    for item in fleet_captures(spec, seed):
        path = directory / item.file
        path.parent.mkdir(parents=True, exist_ok=True)
        capture = item.simulated()
        rows.append({**item.row, **_write_file(path, item, capture, spec)})
        truths.append(capture_truth(item, capture))
    changes = true_changes(spec, seed)
    (directory / "captures.csv").write_text(captures_table(rows), encoding="utf-8")
    document = truth_document(truths, changes, spec.parts[0], seed)
    (directory / "truth.json").write_text(json.dumps(document, indent=1) + "\n", encoding="utf-8")
    study = directory / "study.toml"
    study.write_text(study_text(spec.title, spec.parts[0], spec.limit_percent, spec.duration_s), encoding="utf-8")
    return study


def capture_truth(item: FleetCapture, capture: SimulatedCapture) -> dict[str, Any]:
    """What is true of one capture, and what state and codes a right reading of it ends in."""
    state, code = FAULTS[item.fault] if item.fault else ("fit", None)
    labels = ("file", "platform", "part", "repeat", "placement", "take")
    return {
        **{name: item.row[name] for name in labels},
        "fault": item.fault,
        "state": state,
        "code": code,
        "refit_factor": item.factor,
        **capture.truth,
    }


def _write_file(path: Path, item: FleetCapture, capture: SimulatedCapture, spec: FleetSpec) -> dict[str, str]:
    """Write one file; returns the columns of the table that tell how to read it."""
    said: dict[str, str] = {}
    if spec.n_channel != 3:
        said["axes"] = _axes_text(spec.position, spec.n_channel)
    if spec.format == "wav":
        full_scale = 4 * 9.80665
        write_wav(path, capture, full_scale)
        return {**said, "unit": "counts", "scale": repr(full_scale / 2**31)}
    if item.fault in ("empty", "not_numeric"):
        path.write_bytes(faulty_text(capture, item.dialect, item.fault))
    else:
        path.write_bytes(capture_text(capture, item.dialect, channel_names(spec.n_channel)))
    return said


def _axes_text(position: str, n_channel: int) -> str:
    """Channels in threes at numbered positions: ``seat-rail.x=+c1 ... seat-rail-2.x=+c4 ...``."""
    texts = []
    for channel in range(n_channel):
        at = position if channel < 3 else f"{position}-{channel // 3 + 1}"
        texts.append(f"{at}.{'xyz'[channel % 3]}=+c{channel + 1}")
    return " ".join(texts)
