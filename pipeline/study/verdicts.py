"""The verdict: what an interval says about the limit, or why nothing can be said."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from ..contracts import Reason, ReasonCode
from ..kernels import effects, power
from .conditions import Circumstances
from .decibels import DECIBEL, shown
from .pairing import FLOOR_FACTOR, Side
from .study_file import Study

WITHIN, OVER, OPEN, INDICATIVE, NONE = "within_limit", "over_limit", "open", "indicative", "no_verdict"
_STRICTNESS = {WITHIN: 0, OPEN: 1, OVER: 2}

SPEED_FLAG_PERCENT = 1.0
"""A reading moves by about 2.5 % for 1 % of speed."""
SPEED_LIMIT_PERCENT = 3.0
"""Beyond this speed alone moves the reading by more than 7 %: half of a usual limit."""
TEMPERATURE_FLAG_K = 5.0
"""Rubber changes by 10 to 30 % over 60 K, so 5 K are worth 1 to 3 %."""
TILT_FLAG_DEG = 2.0
"""Five degrees raise the mean of the axes by 8 %; two are about what careful hands repeat."""


@dataclass(frozen=True, slots=True)
class Measured:
    """Both sides' values, the log ratio of their geometric means and, with two repeats a side, its interval."""

    baseline: Side
    candidate: Side
    baseline_value: float | None
    candidate_value: float | None
    log_ratio: float | None = None
    effect: effects.Effect | None = None
    std_baseline: float = 0.0
    std_candidate: float = 0.0


@dataclass(frozen=True, slots=True)
class Answer:
    """A verdict with its reasons. ``silent``: no percent may be shown."""

    verdict: str
    reasons: tuple[Reason, ...]
    repeats_needed: int | None = None
    silent: bool = False
    extra: Mapping[str, Any] = field(default_factory=dict)


def verdict_of(
    study: Study, measured: Measured, around: Circumstances, *, against_baseline: bool = True, absolute: bool = True
) -> Answer:
    """The verdict on one comparison. Comparisons among candidates get none: the limit is over the baseline.

    ``absolute`` is False for combinations beside the study's own: limits in milli-g are set for that one only.
    """
    stated = _stated(around)
    blocked = _blocking(measured, around)
    if blocked:
        speechless = any(reason.code is not ReasonCode.NOT_COMPARABLE for reason in blocked)
        return Answer(NONE, (*blocked, *stated), silent=speechless)
    weak = _weaknesses(measured, around)
    if not against_baseline:
        unasked = measured.baseline.part == study.baseline
        why = "not what the study file asks" if unasked else "among candidates: the limit is over the baseline"
        return Answer(NONE, (*weak, Reason(ReasonCode.EXPLORATORY, why), *stated))
    if weak:
        return Answer(INDICATIVE, (*weak, *stated))
    return _against_limits(study, measured, stated, absolute=absolute)


def _blocking(measured: Measured, around: Circumstances) -> tuple[Reason, ...]:
    """Reasons that leave no verdict at all."""
    reasons: list[Reason] = []
    for side in (measured.baseline, measured.candidate):
        if not side.values and {code for code, _ in side.absent} - {"at_floor"}:
            reasons += _nothing_there(side)
        elif side.n_floor:
            reasons.append(Reason(ReasonCode.AT_FLOOR, _floor_detail(side)))
        elif not side.values:
            reasons += _nothing_there(side)
    if reasons:
        return tuple(dict.fromkeys(reasons))
    if around.speed_percent is not None and abs(around.speed_percent) > SPEED_LIMIT_PERCENT:
        detail = f"speeds differ by {abs(around.speed_percent):.1f} %, more than {SPEED_LIMIT_PERCENT:g} %"
        return (Reason(ReasonCode.NOT_COMPARABLE, detail),)
    return ()


def _floor_detail(side: Side) -> str:
    sunk = [detail for code, detail in side.absent if code == "at_floor"]
    if side.background is None or sunk:
        of = side.n_floor + len(side.values)
        why = f" ({sunk[0]})" if sunk else ""
        left = "; the others alone would read high" if side.values else ""
        return f"{side.part}: {side.n_floor} of {_repeats(of)} at the floor{why}{left}"
    return (
        f"{side.part}: {_repeats(side.n_floor)} under {FLOOR_FACTOR:g} times the engine-off background of "
        f"{shown(side.background, side.unit):.3g} {side.unit}"
    )


def _repeats(n: int) -> str:
    return f"{n} {'repeat' if n == 1 else 'repeats'}"


def _nothing_there(side: Side) -> list[Reason]:
    causes: dict[str, list[str]] = {}
    for code, detail in side.absent:
        causes.setdefault(code, []).append(detail)
    said = [f"{len(details)} without the reading ({code.replace('_', ' ')})" for code, details in causes.items()]
    said += [f"{side.n_unfit} unfit or refused"] if side.n_unfit else []
    detail = f"{side.part}: " + (", ".join(said) if said else "not measured here")
    causes_as_reasons = [Reason(ReasonCode(code), details[0]) for code, details in causes.items()]
    return [Reason(ReasonCode.NO_CAPTURE, detail), *causes_as_reasons]


def _weaknesses(measured: Measured, around: Circumstances) -> tuple[Reason, ...]:
    """Reasons that make a verdict indicative at the most."""
    reasons: list[Reason] = []
    for side in (measured.baseline, measured.candidate):
        if len(side.values) >= 2:
            continue
        n = side.repeats[0].n_captures
        if n > 1:
            detail = f"{side.part}: {n} takes or placements of one repeat say nothing of refitting"
            reasons.append(Reason(ReasonCode.TAKES_ONLY, detail))
        else:
            reasons.append(Reason(ReasonCode.SINGLE_REPEAT, f"{side.part}: one repeat, scatter unknown"))
    if around.sessions == "apart":
        reasons.append(Reason(ReasonCode.ONE_SESSION, "no session holds both parts"))
    elif around.sessions == "other vehicles":
        reasons.append(Reason(ReasonCode.ONE_SESSION, "no vehicle carried both parts"))
    return tuple(reasons)


def _stated(around: Circumstances) -> tuple[Reason, ...]:
    """Differences that are flagged and change no verdict."""
    reasons: list[Reason] = []
    speed, kelvin, tilt = around.speed_percent, around.temperature_k, around.tilt_deg
    if speed is not None and SPEED_FLAG_PERCENT < abs(speed) <= SPEED_LIMIT_PERCENT:
        detail = f"the candidate ran {abs(speed):.1f} % {'faster' if speed > 0 else 'slower'}"
        reasons.append(Reason(ReasonCode.SPEED_DIFFERS, detail))
    if kelvin is not None and abs(kelvin) > TEMPERATURE_FLAG_K:
        detail = f"the candidate's mount was {abs(kelvin):.0f} K {'warmer' if kelvin > 0 else 'colder'}"
        reasons.append(Reason(ReasonCode.TEMPERATURE_DIFFERS, detail))
    if tilt is not None and tilt > TILT_FLAG_DEG:
        detail = f"{tilt:.1f} degrees between {' and '.join(around.tilt_files)}"
        reasons.append(Reason(ReasonCode.TILT, detail))
    if min(around.specimens) == 1:
        reasons.append(Reason(ReasonCode.ONE_SPECIMEN, "one specimen stands for its part"))
    return tuple(reasons)


def _against_limits(study: Study, measured: Measured, stated: tuple[Reason, ...], *, absolute: bool) -> Answer:
    effect, limit = measured.effect, study.log_limit(measured.baseline.unit)
    assert effect is not None  # two repeats a side, or it would be indicative
    if limit is None:
        which = "limit_db" if measured.baseline.unit == DECIBEL else "limit_percent"
        return Answer(NONE, (Reason(ReasonCode.EXPLORATORY, f"the study sets no {which}"), *stated))
    verdict = place(effect.low, effect.high, limit)
    needed = _needed_for_change(study, measured, limit) if verdict == OPEN else 0
    extra: dict[str, Any] = {"verdict_percent": verdict}
    if absolute and _negligible(study, measured):
        verdict, needed = WITHIN, 0
        extra["negligible"] = True
    if absolute and study.limit_mg is not None and measured.candidate.unit == "mg":
        by_value = _value_verdict(study, measured, study.limit_mg)
        extra["verdict_mg"] = by_value
        if by_value == OPEN:
            own = _needed_for_value(study, measured, study.limit_mg)
            needed = None if own is None or needed is None else max(needed, own)
        verdict = max(verdict, by_value, key=_STRICTNESS.__getitem__)
    if verdict != OPEN:
        needed = None
    extra["settled_by_repeats"] = None if verdict != OPEN else needed is not None
    return Answer(verdict, stated, needed or None, extra=extra)


def place(low: float, high: float, limit: float) -> str:
    """Where an interval lies: wholly at or below the limit, wholly above it, or across it."""
    if high <= limit:
        return WITHIN
    return OVER if low > limit else OPEN


def _negligible(study: Study, measured: Measured) -> bool:
    """Whether both parts lie wholly below what can be felt: the whole interval of each value."""
    if study.negligible_mg is None or measured.candidate.unit != "mg":
        return False
    threshold = math.log(study.negligible_mg)
    sides = (measured.baseline, measured.candidate)
    return all(
        effects.geometric_mean_interval(side.values, study.confidence_per_look).high < threshold for side in sides
    )


def _value_verdict(study: Study, measured: Measured, limit_mg: float) -> str:
    interval = effects.geometric_mean_interval(measured.candidate.values, study.confidence_per_look)
    return place(interval.low, interval.high, math.log(limit_mg))


def _needed_for_change(study: Study, measured: Measured, limit: float) -> int | None:
    assert measured.effect is not None
    distance = measured.effect.estimate - limit
    needed = power.repeats_to_settle(
        distance, measured.std_baseline, measured.std_candidate, study.confidence_per_look
    )
    return _more_than_now(needed, min(len(measured.baseline.values), len(measured.candidate.values)))


def _needed_for_value(study: Study, measured: Measured, limit_mg: float) -> int | None:
    assert measured.candidate_value is not None
    distance = math.log(measured.candidate_value / limit_mg)
    needed = power.repeats_to_bound(distance, measured.std_candidate, study.confidence_per_look)
    return _more_than_now(needed, len(measured.candidate.values))


def _more_than_now(needed: int | None, now: int) -> int | None:
    """An open question was not settled by what there is, so at least one repeat more; None above the most."""
    if needed is None or now >= power.MOST_REPEATS:
        return None
    return max(needed, now + 1)
