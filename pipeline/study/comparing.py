"""Part against part: the study's comparisons with interval, verdict, scope and reasons."""

from __future__ import annotations

import functools
import itertools
import math
from collections.abc import Callable, Mapping, Sequence, Set
from dataclasses import dataclass, replace
from typing import Any

from ..contracts import Comparison, OverPlatforms, Reason, ReasonCode, StudyError
from ..kernels import effects, equivalence
from .conditions import Circumstances, circumstances
from .decibels import CHANGE, DECIBEL, decibels_of_log, shown
from .naming import listed, suggestion
from .over_platforms import summaries
from .pairing import Cell, Pairing, Side, paired
from .sentences import scope_sentence, verdict_sentence
from .slips import perhaps_swapped
from .study_file import Study
from .verdicts import OPEN, OVER, WITHIN, Measured, verdict_of

CONVENTIONAL_READING = "highest_bin"
CONVENTIONAL_COMBINATION = "mean"

_SideOf = Callable[[str, str, Cell, str], Side]


@dataclass(frozen=True, slots=True)
class Outcome:
    """All the study concludes. ``notes`` are remarks that no single comparison carries."""

    comparisons: tuple[Comparison, ...]
    over_platforms: tuple[OverPlatforms, ...]
    notes: tuple[str, ...] = ()

    @property
    def verdicts(self) -> tuple[Comparison, ...]:
        """The comparisons the study rests on."""
        return tuple(c for c in self.comparisons if c.carries_verdict)

    @property
    def sentences(self) -> tuple[str, ...]:
        """The verdict sentences, in the order of the table."""
        return tuple(str(c.extra["sentence"]) for c in self.verdicts)

    def as_json(self) -> dict[str, Any]:
        """The document ``comparisons.json`` holds."""
        return {
            "schema": 1,
            "comparisons": [c.as_json() for c in self.comparisons],
            "over_platforms": [o.as_json() for o in self.over_platforms],
            "notes": list(self.notes),
        }


@dataclass(frozen=True, slots=True)
class _Asked:
    """One comparison to make: what of whom, and what may be said of it."""

    cell: Cell
    baseline: str
    candidate: str
    reading: str
    combination: str
    against_baseline: bool
    carries: bool = False
    """Whether the study's verdict rests on it."""


def compare(
    study: Study, readings: Sequence[Mapping[str, Any]], captures: Sequence[Mapping[str, Any]]
) -> Outcome:
    """Answer the study's question from its readings.

    Parameters
    ----------
    readings, captures
        Entries as in ``readings.json`` and ``captures.json``; captures may add ``facts`` (``mount_temp_c``,
        ``coupling``) and ``fitness`` (``facts.tilt_vector``).

    Raises
    ------
    StudyError
        If no capture has the baseline part.
    """
    _refuse_unknown_baseline(study, captures)
    pairing = paired(readings, captures)
    # each side stands in several comparisons: the baseline in as many as there are candidates
    side = functools.cache(pairing.side)
    measured = {(str(r["reading"]), str(r["position"])) for r in readings}
    made = [_comparison(study, side, asked) for asked in _questions(study, pairing) if _is_read(asked, measured)]
    comparisons = tuple(_with_sentence(study, c) for c in _contradictions_open(made))
    return Outcome(comparisons, summaries(study, comparisons), _notes(study, pairing, side, comparisons))


def explore(
    study: Study,
    readings: Sequence[Mapping[str, Any]],
    captures: Sequence[Mapping[str, Any]],
    *,
    reading: str,
    combination: str,
) -> tuple[Comparison, ...]:
    """Comparisons of a reading or combination the study does not ask about: without a verdict, marked as such.

    Choosing among views until one passes is how a part 18 % over passes a limit of 15 % one time in four.
    """
    other = study.model_copy(update={"reading": reading, "combination": combination})
    pairing = paired(readings, captures)
    side = functools.cache(pairing.side)
    asked = [
        replace(question, against_baseline=False, carries=False)
        for question in _questions(other, pairing)
        if question.against_baseline and (question.reading, question.combination) == (reading, combination)
    ]
    return tuple(_with_sentence(other, _comparison(other, side, question)) for question in asked)


def combinations_of(study: Study) -> tuple[str, ...]:
    """Combinations compared: the study's own first, then those shown beside it."""
    return tuple(dict.fromkeys((study.combination, "rss", CONVENTIONAL_COMBINATION)))


def _refuse_unknown_baseline(study: Study, captures: Sequence[Mapping[str, Any]]) -> None:
    parts = list(dict.fromkeys(str(c["part"]) for c in captures))
    if study.baseline not in parts:
        raise StudyError(
            f"baseline {study.baseline!r} among the parts of the captures table", found=f"parts {listed(parts)}",
            todo=suggestion(study.baseline, parts) or "name the part that percent changes are of",
        )  # fmt: skip


def _questions(study: Study, pairing: Pairing) -> list[_Asked]:
    own = (study.reading, dict(pairing.levels).get(study.reading, study.combination))
    views = _views(study, pairing)
    asked: list[_Asked] = []
    for cell, parts in pairing.cells.items():
        candidates = [part for part in parts if part != study.baseline]
        asked += [
            _Asked(cell, study.baseline, candidate, *view, against_baseline=True, carries=view == own)
            for candidate in candidates
            for view in views
        ]
        # among candidates only the study's own reading: the limit is not about them
        asked += [
            _Asked(cell, first, second, *own, against_baseline=False)
            for first, second in itertools.combinations(candidates, 2)
        ]
    return asked


def _views(study: Study, pairing: Pairing) -> list[tuple[str, str]]:
    """Readings and combinations compared: the study's own, the conventional one, levels of sound beside them."""
    levels = dict(pairing.levels)
    names = [name for name in dict.fromkeys((study.reading, CONVENTIONAL_READING)) if name not in levels]
    views = [(name, combination) for name in names for combination in combinations_of(study)]
    own = [level for level in pairing.levels if level[0] == study.reading]
    return list(dict.fromkeys([*own, *views, *pairing.levels]))


def _is_read(asked: _Asked, measured: Set[tuple[str, str]]) -> bool:
    """Whether this reading belongs to this position: a ratio of two positions stands at one of them only."""
    anywhere = any(reading == asked.reading for reading, _ in measured)
    return not anywhere or (asked.reading, asked.cell.position) in measured


def _comparison(study: Study, side: _SideOf, asked: _Asked) -> Comparison:
    baseline = side(asked.reading, asked.combination, asked.cell, asked.baseline)
    candidate = side(asked.reading, asked.combination, asked.cell, asked.candidate)
    around = circumstances(baseline, candidate)
    measured = _measured(study, baseline, candidate)
    answer = verdict_of(
        study, measured, around, against_baseline=asked.against_baseline,
        absolute=asked.combination == study.combination,
    )  # fmt: skip
    effect = None if answer.silent else measured.effect
    ratio = None if answer.silent else measured.log_ratio
    in_decibels = baseline.unit == DECIBEL
    change = None if ratio is None else (ratio, *((None, None) if effect is None else (effect.low, effect.high)))
    percents = _told(None if in_decibels else change, effects.percent_change)
    return Comparison(
        platform=asked.cell.platform,
        position=asked.cell.position,
        condition=asked.cell.condition,
        baseline=asked.baseline,
        candidate=asked.candidate,
        reading=asked.reading,
        combination=asked.combination,
        unit=baseline.unit,
        detector=baseline.detector,
        n_baseline=len(baseline.values),
        n_candidate=len(candidate.values),
        baseline_value=shown(measured.baseline_value, baseline.unit),
        candidate_value=shown(measured.candidate_value, baseline.unit),
        frequency_hz_baseline=baseline.frequency_hz,
        frequency_hz_candidate=candidate.frequency_hz,
        percent_change=percents[0],
        interval_low=percents[1],
        interval_high=percents[2],
        confidence=study.confidence,
        verdict=answer.verdict,
        scope=scope_sentence(around, study),
        reasons=answer.reasons,
        repeats_needed=answer.repeats_needed,
        carries_verdict=asked.carries,
        extra={
            **_extra(study, baseline, candidate, around, measured, ratio is not None),
            **(dict(zip(CHANGE, _told(change, decibels_of_log), strict=True)) if in_decibels else {}),
            **answer.extra,
        },
    )


_Limits = tuple[float, float | None, float | None]


def _told(change: _Limits | None, tell: Callable[[float], float]) -> tuple[float | None, float | None, float | None]:
    """A change and its interval as people read them; all None where there is nothing to tell."""
    if change is None:
        return None, None, None
    low, high = (None if end is None else tell(end) for end in change[1:])
    return tell(change[0]), low, high


def _measured(study: Study, baseline: Side, candidate: Side) -> Measured:
    values_b, values_c = baseline.values, candidate.values
    if not values_b or not values_c:
        return Measured(
            baseline, candidate,
            effects.geometric_mean(values_b) if values_b else None,
            effects.geometric_mean(values_c) if values_c else None,
        )  # fmt: skip
    log_b, log_c = (effects.sample_summary(_logs(v)) for v in (values_b, values_c))
    both = min(log_b.n, log_c.n) >= 2
    return Measured(
        baseline,
        candidate,
        effects.geometric_mean(values_b),
        effects.geometric_mean(values_c),
        log_c.mean - log_b.mean,
        effects.mean_difference(log_c, log_b, study.confidence_per_look) if both else None,
        log_b.std,
        log_c.std,
    )


def _logs(values: Sequence[float]) -> list[float]:
    return [math.log(value) for value in values]


def _extra(
    study: Study, baseline: Side, candidate: Side, around: Circumstances, measured: Measured, told: bool
) -> dict[str, Any]:
    extra: dict[str, Any] = {
        "looks": study.looks,
        "confidence_per_look": study.confidence_per_look,
        "repeats_baseline": [shown(value, baseline.unit) for value in baseline.values],
        "repeats_candidate": [shown(value, baseline.unit) for value in candidate.values],
        "n_captures_baseline": sum(r.n_captures for r in baseline.repeats),
        "n_captures_candidate": sum(r.n_captures for r in candidate.repeats),
        "log_ratio": measured.log_ratio if told else None,
        "log_std_baseline": measured.std_baseline if len(baseline.values) > 1 else None,
        "log_std_candidate": measured.std_candidate if len(candidate.values) > 1 else None,
        "std_error": measured.effect.std_error if measured.effect and told else None,
        "degrees_of_freedom": measured.effect.dof if measured.effect and told else None,
        "background": shown(baseline.background, baseline.unit),
        "circumstances": around.as_json(),
        "marks": sorted({*baseline.marks, *candidate.marks}),
    }
    if measured.effect is not None and told and baseline.unit != DECIBEL:
        extra |= _fieller(study, baseline, candidate) | _equivalence(study, measured)
    return extra


def _fieller(study: Study, baseline: Side, candidate: Side) -> dict[str, Any]:
    """Cross-check on the ratio of arithmetic means; null limits where no finite interval exists."""
    b, c = effects.sample_summary(baseline.values), effects.sample_summary(candidate.values)
    variances = (c.std**2 / c.n, b.std**2 / b.n)
    dof = effects.welch_dof(c.std**2, c.n, b.std**2, b.n)
    limits = effects.fieller_interval(
        c.mean, b.mean, variances, effects.t_quantile(study.confidence_per_look, dof)
    )
    low, high = (None, None) if limits is None else (100.0 * (limits[0] - 1.0), 100.0 * (limits[1] - 1.0))
    return {"fieller_low": low, "fieller_high": high}


def _equivalence(study: Study, measured: Measured) -> dict[str, Any]:
    if study.equivalence_percent is None or measured.effect is None:
        return {}
    band = equivalence.log_band(study.equivalence_percent)
    found = equivalence.two_one_sided_tests(measured.effect, band, 0.05 / study.looks)
    return {
        "equivalent": found.equivalent,
        "equivalence_low": effects.percent_change(found.low),
        "equivalence_high": effects.percent_change(found.high),
        "equivalence_band": [effects.percent_change(x) for x in band],
        "equivalence_confidence": 1.0 - 0.1 / study.looks,
    }


def _contradictions_open(made: Sequence[Comparison]) -> list[Comparison]:
    """Where the percents of rss and mean are on different sides of the limit, the comparison stays open.

    What the candidate's own value decided (over ``limit_mg``, or both parts negligible) is not touched: mean and
    rss differ in size by construction.
    """
    by_percent = {_identity(c, c.combination): str(c.extra.get("verdict_percent", "")) for c in made}
    out: list[Comparison] = []
    for c in made:
        rss, mean = (by_percent.get(_identity(c, name), "") for name in ("rss", "mean"))
        decided = c.extra.get("negligible") or c.extra.get("verdict_mg") == OVER
        if c.carries_verdict and {rss, mean} == {WITHIN, OVER} and not decided:
            said = f"rss is {rss.replace('_', ' ')}, mean is {mean.replace('_', ' ')}"
            reason = Reason(ReasonCode.ORIENTATION, f"{said}: the sensor's direction decides")
            c = replace(c, verdict=OPEN, reasons=(*c.reasons, reason), repeats_needed=None)
        out.append(c)
    return out


def _identity(c: Comparison, combination: str) -> tuple[str, ...]:
    return c.platform, c.position, c.condition, c.baseline, c.candidate, c.reading, combination


def _with_sentence(study: Study, c: Comparison) -> Comparison:
    return replace(c, extra={**c.extra, "sentence": verdict_sentence(c, study)})


def _notes(
    study: Study, pairing: Pairing, side: _SideOf, comparisons: Sequence[Comparison]
) -> tuple[str, ...]:
    notes: list[str] = []
    if not comparisons:
        notes.append(f"no part stands beside {study.baseline!r} on any platform: there is nothing to compare")
    if study.looks > 1:
        notes.append(
            f"{study.looks} looks at this question: each interval has {100 * study.confidence_per_look:.4g} % "
            f"confidence, so that all together keep {100 * study.confidence:g} %"
        )
    notes += _swapped(side, comparisons)
    return (*notes, *_spread_over_sessions(study, pairing, side))


def _swapped(side: _SideOf, comparisons: Sequence[Comparison]) -> list[str]:
    notes: list[str] = []
    for c in comparisons:
        if not c.carries_verdict:
            continue
        cell = Cell(c.platform, c.position, c.condition)
        baseline, candidate = (side(c.reading, c.combination, cell, part) for part in (c.baseline, c.candidate))
        remark = perhaps_swapped(baseline, candidate)
        notes += [f"{c.platform}, {c.position}, {c.condition}: {remark}"] if remark else []
    return notes


def _spread_over_sessions(study: Study, pairing: Pairing, side: _SideOf) -> list[str]:
    notes: list[str] = []
    for cell, parts in pairing.cells.items():
        for part in parts:
            reused = side(study.reading, study.combination, cell, part).reused
            if reused:
                where = f"{part} on {cell.platform}, {cell.position}, {cell.condition}"
                notes.append(
                    f"{where}: repeat {listed(reused)} stands in several sessions and counts as one fitting; "
                    "number fittings through if the part was refitted"
                )
    return notes
