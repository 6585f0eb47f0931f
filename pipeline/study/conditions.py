"""Circumstances of a comparison: speed, temperature, tilt, sessions, specimens, vehicles."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from .pairing import CaptureFacts, Side, mean

ENOUGH_SPECIMENS = 3
"""From three pieces of each part on, their scatter says something about the production."""


@dataclass(frozen=True, slots=True)
class Circumstances:
    """What differed between the two sides beside the part; None where it was not recorded.

    Speeds in revolutions per second; ``tilt_deg`` is the widest angle between the static vectors of two
    captures, ``tilt_files`` those two. ``sessions`` is ``shared``, ``apart`` (each session holds one part),
    ``other vehicles`` (no vehicle carried both parts) or ``not recorded``.
    """

    speed_percent: float | None
    temperature_k: float | None
    tilt_deg: float | None
    tilt_files: tuple[str, ...]
    sessions: str
    specimens: tuple[int, int]
    vehicles: int

    @property
    def speaks_of_parts(self) -> bool:
        """Whether enough specimens of both parts were measured to speak of the parts."""
        return min(self.specimens) >= ENOUGH_SPECIMENS

    def as_json(self) -> dict[str, Any]:
        """Plain form for the files."""
        return {
            "speed_percent": self.speed_percent,
            "temperature_k": self.temperature_k,
            "tilt_deg": self.tilt_deg,
            "sessions": self.sessions,
            "specimens_baseline": self.specimens[0],
            "specimens_candidate": self.specimens[1],
            "vehicles": self.vehicles,
        }


def circumstances(baseline: Side, candidate: Side) -> Circumstances:
    """Differences between two sides of one comparison (candidate minus baseline, percent of the baseline)."""
    speed_b, speed_c = baseline.speed_hz, candidate.speed_hz
    temp_b = mean(c.mount_temp_c for c in baseline.captures)
    temp_c = mean(c.mount_temp_c for c in candidate.captures)
    captures = (*baseline.captures, *candidate.captures)
    tilt_deg, tilt_files = widest_tilt(captures)
    return Circumstances(
        speed_percent=None if speed_b is None or speed_c is None else 100.0 * (speed_c / speed_b - 1.0),
        temperature_k=None if temp_b is None or temp_c is None else temp_c - temp_b,
        tilt_deg=tilt_deg,
        tilt_files=tilt_files,
        sessions=_sessions(baseline, candidate),
        specimens=(_distinct(baseline, "specimen"), _distinct(candidate, "specimen")),
        vehicles=max(1, len({c.vehicle for c in captures})),
    )


def widest_tilt(captures: Sequence[CaptureFacts]) -> tuple[float | None, tuple[str, ...]]:
    """The widest angle (degrees) between static vectors of two captures, and their files."""
    known = [(c.file, c.static_vector) for c in captures if c.static_vector is not None]
    widest: float | None = None
    files: tuple[str, ...] = ()
    for (file_a, a), (file_b, b) in itertools.combinations(known, 2):
        angle = angle_deg(a, b)
        if widest is None or angle > widest:
            widest, files = angle, (file_a, file_b)
    return widest, files


def angle_deg(a: Sequence[float], b: Sequence[float]) -> float:
    """Angle between two vectors [shape=(3,)], degrees; exact for small angles too."""
    cross = (a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0])
    return math.degrees(math.atan2(math.hypot(*cross), math.fsum((a[0] * b[0], a[1] * b[1], a[2] * b[2]))))


def _sessions(baseline: Side, candidate: Side) -> str:
    vehicles_b, vehicles_c = ({c.vehicle for c in side.captures} for side in (baseline, candidate))
    if vehicles_b and vehicles_c and "" not in vehicles_b | vehicles_c and not vehicles_b & vehicles_c:
        # a session is a spell with one vehicle, so none can hold both parts
        return "other vehicles"
    of_b, of_c = ({c.session for c in side.captures} for side in (baseline, candidate))
    if None in of_b or None in of_c or not of_b or not of_c:
        return "shared" if (of_b & of_c) - {None} else "not recorded"
    return "shared" if of_b & of_c else "apart"


def _distinct(side: Side, name: str) -> int:
    """Distinct entries; empty ones together count as one."""
    return max(1, len({getattr(c, name) for c in side.captures}))
