"""The one list of reason codes: why a capture, a reading or a comparison is not what was hoped for."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Any


class Level(StrEnum):
    """What a reason speaks about, and so what it does."""

    REFUSED = "refused"
    UNFIT = "unfit"
    FLAGGED = "flagged"
    READING = "reading"
    COMPARISON = "comparison"


class ReasonCode(StrEnum):
    """Codes as they stand in files; on pages their underscores become blanks."""

    EMPTY = "empty"
    NOT_NUMERIC = "not_numeric"
    UNKNOWN_UNIT = "unknown_unit"
    AMBIGUOUS = "ambiguous"
    UNREADABLE = "unreadable"
    BAD_CLOCK = "bad_clock"
    NON_FINITE = "non_finite"
    LIMIT_EXCEEDED = "limit_exceeded"
    MISSING_FILE = "missing_file"
    DUPLICATE = "duplicate"
    READER_FAULT = "reader_fault"
    WORKER_KILLED = "worker_killed"
    TIMEOUT = "timeout"
    SHORT = "short"
    GAPS = "gaps"
    CLIPPED = "clipped"
    HUNTING = "hunting"
    STUCK = "stuck"
    STATIC_VECTOR = "static_vector"
    DETACHED = "detached"
    TRANSIENT = "transient"
    TWO_STATES = "two_states"
    TILT = "tilt"
    ALIASED = "aliased"
    NO_LINE = "no_line"
    NO_SPEED = "no_speed"
    AT_FLOOR = "at_floor"
    UNRESOLVED = "unresolved"
    STAGE_FAILED = "stage_failed"
    TAKES_ONLY = "takes_only"
    SINGLE_REPEAT = "single_repeat"
    ONE_SESSION = "one_session"
    NO_CAPTURE = "no_capture"
    NOT_COMPARABLE = "not_comparable"
    ORIENTATION = "orientation"
    ONE_SPECIMEN = "one_specimen"
    EXPLORATORY = "exploratory"
    SPEED_DIFFERS = "speed_differs"
    TEMPERATURE_DIFFERS = "temperature_differs"


_LEVELS: dict[Level, str] = {
    Level.REFUSED: "empty not_numeric unknown_unit ambiguous unreadable bad_clock non_finite limit_exceeded "
    "missing_file duplicate reader_fault worker_killed timeout",
    Level.UNFIT: "short gaps clipped hunting stuck static_vector detached",
    Level.FLAGGED: "transient two_states tilt aliased",
    Level.READING: "no_line no_speed at_floor unresolved stage_failed",
    Level.COMPARISON: "takes_only single_repeat one_session no_capture not_comparable orientation one_specimen "
    "exploratory speed_differs temperature_differs",
}
_LEVEL_OF = {ReasonCode(code): level for level, codes in _LEVELS.items() for code in codes.split()}


def level_of(code: ReasonCode) -> Level:
    """Where a code has its effect (at_floor and tilt also speak of comparisons)."""
    return _LEVEL_OF[code]


@dataclass(frozen=True, slots=True)
class Explanation:
    """What a code means and does, and how to avoid it: shown by ``thrumline explain CODE``."""

    level: Level
    effect: str
    meaning: str
    avoid: str
    threshold: str = ""


@dataclass(frozen=True, slots=True)
class Reason:
    """One cause, with its figure against its threshold in words."""

    code: ReasonCode
    detail: str

    def as_json(self) -> dict[str, Any]:
        """The form the files carry."""
        return {"code": str(self.code), "detail": self.detail}

    @classmethod
    def from_json(cls, document: dict[str, Any]) -> Reason:
        """Rebuild a reason from the form the files carry."""
        return cls(ReasonCode(document["code"]), document["detail"])
