"""The field check: one capture, judged while the part is still in the car, and held against an earlier one."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from ..contracts import CaptureRow, ChannelMapping, Fitness, Reading
from ..execution.chain import ChainOutcome, run_chain
from ..execution.samples import CaptureSamples
from ..host import Host
from ..kernels.static_vector import turn_deg
from ..recipe import bind, load_recipe
from ..study.same_samples import same_samples
from .captures import ReadFile, read_file

SPEED_FLAG = 0.01
"""Relative difference of speed that is flagged: about 2.5 % of level per 1 % of speed."""

TILT_FLAG_DEG = 2.0
"""Tilt between two captures that is flagged: 5 degrees raise the mean of axes by 8 %."""


@dataclass(frozen=True, slots=True)
class Wanted:
    """What the technician says beside the file; all optional."""

    mapping: ChannelMapping
    rpm: float | None = None
    cylinders: int | None = None
    strokes: int | None = None
    firing_order: float | None = None
    minimum_duration_s: float = 30.0
    recipe: str = "idle"


@dataclass(frozen=True, slots=True)
class Checked:
    """One file after the check: fitness, readings, speed and static vector."""

    file: str
    rate_hz: float
    duration_s: float
    fitness: Fitness
    readings: Sequence[Reading]
    speed_rpm: float | None
    speed_source: str
    level_mg: float | None

    def as_json(self) -> dict[str, Any]:
        """The form ``check --json`` prints."""
        return {
            "file": self.file, "sample_rate_hz": self.rate_hz, "duration_s": self.duration_s,
            "state": self.fitness.state, "fitness": replace(self.fitness, levels={}).as_json(),
            "usable_s": self.fitness.usable_s, "readings": [reading.as_json() for reading in self.readings],
            "speed_rpm": self.speed_rpm, "speed_source": self.speed_source, "level_mg": self.level_mg,
        }  # fmt: skip


@dataclass(frozen=True, slots=True)
class Against:
    """Differences to an earlier capture: percent of the earlier one, degrees of tilt by position."""

    file: str
    speed_percent: float | None
    level_percent: float | None
    tilt_deg: Mapping[str, float]
    same_samples: bool = False

    @property
    def flags(self) -> list[str]:
        """What to mend before anything is unbolted, in words."""
        said = ["these are the same samples: a copy is no second capture"] if self.same_samples else []
        if self.speed_percent is not None and abs(self.speed_percent) > 100 * SPEED_FLAG:
            said.append(f"speed differs by {self.speed_percent:+.1f} % (at most 1 %): let it settle and take it again")
        for position, degrees in self.tilt_deg.items():
            if degrees > TILT_FLAG_DEG:
                at = f" at {position}" if position else ""
                said.append(f"the sensor{at} sits {degrees:.1f} degrees off (at most 2): fix it as before")
        return said


def check_file(path: Path | str, wanted: Wanted) -> Checked:
    """Read one file and judge it, keeping nothing. Raises ReaderRefusal, RecipeError, SchemaError."""
    read = read_file(path, wanted.mapping)
    host = Host.discover()
    recipe = load_recipe(wanted.recipe)
    bound = bind(recipe, {"stretches": {"minimum_duration_s": wanted.minimum_duration_s}}, host.stages)
    samples = CaptureSamples(read.heads[0], read.sink.arrays(read.heads[0].index), recipe.quantities)
    row = _row(Path(path), wanted)
    outcome = run_chain(bound, samples, {name: row.fact(name) for name in bound.uses_facts})
    return _checked(str(path), read, samples, outcome)


def against(now: Checked, earlier: Checked) -> Against:
    """How the capture differs from an earlier one."""
    vectors, before = (c.fitness.facts.get("static_vector", {}) for c in (now, earlier))
    tilt = {
        position: turn_deg(np.array(before[position]), np.array(vector))
        for position, vector in vectors.items()
        if position in before
    }
    prints = {n: str(c.fitness.facts.get("fingerprint", "")) for n, c in enumerate((earlier, now))}
    return Against(
        earlier.file, _percent(now.speed_rpm, earlier.speed_rpm), _percent(now.level_mg, earlier.level_mg), tilt,
        same_samples=bool(same_samples(prints)),
    )  # fmt: skip


def _percent(now: float | None, before: float | None) -> float | None:
    return None if now is None or not before else 100.0 * (now / before - 1.0)


def _row(path: Path, wanted: Wanted) -> CaptureRow:
    return CaptureRow(
        0, str(path), "", "", wanted.mapping.position, "", "", cylinders=wanted.cylinders, strokes=wanted.strokes,
        firing_order=wanted.firing_order, rpm=wanted.rpm, mapping=wanted.mapping,
    )  # fmt: skip


def _checked(path: str, read: ReadFile, samples: CaptureSamples, outcome: ChainOutcome) -> Checked:
    track = outcome.products.get("track")
    speed = None
    if track is not None and track.source != "none" and np.isfinite(track.speed_hz).any():
        speed = 60.0 * float(np.nanmean(track.speed_hz))
    return Checked(
        path, read.heads[0].groups[0].clock.rate_hz, samples.span_s[1] - samples.span_s[0], outcome.fitness,
        outcome.readings, speed, track.source if track is not None else "none", _level(outcome),
    )  # fmt: skip


def _level(outcome: ChainOutcome) -> float | None:
    """The firing-order reading where there is one, else the conventional one (rss, mg)."""
    found = {r.reading: r.value for r in outcome.readings if r.combination == "rss" and r.value is not None}
    return found.get("firing_order", found.get("highest_bin"))
