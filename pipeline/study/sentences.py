"""Sentences people read: the verdict in plain words with number, base, interval and scope."""

from __future__ import annotations

import math
from collections.abc import Sequence

from ..contracts import Comparison, OverPlatforms
from .conditions import Circumstances
from .decibels import CHANGE, DECIBEL, PREDICTION
from .study_file import Study

_CONDITIONS = {"idle-drive": "idle in drive", "idle-neutral": "idle in neutral", "idle-park": "idle in park"}
_NUMBERS = ("no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten", "eleven", "twelve")


def in_words(label: str) -> str:
    """A label of a file as a page shows it: blanks instead of hyphens and underscores."""
    return _CONDITIONS.get(label, label.replace("_", " ").replace("-", " "))


def number_word(n: int) -> str:
    """Small numbers as words."""
    return _NUMBERS[n] if 0 <= n < len(_NUMBERS) else str(n)


def rounded(value: float, spread: float | None) -> str:
    """A percent rounded to its uncertainty: whole numbers unless the interval is narrow."""
    return _fixed(value, _digits_for(spread))


def _digits_for(spread: float | None) -> int:
    return 0 if spread is None or spread >= 2.0 else (1 if spread >= 0.2 else 2)


def _fixed(value: float, digits: int) -> str:
    text = f"{value:.{digits}f}"
    return text.removeprefix("-") if float(text) == 0.0 else text


def digits_of_sentence(
    told: tuple[float | None, float | None, float | None], marks: Sequence[float], least: int
) -> int:
    """Decimals of a change and its interval, ``least`` or more: as many as keep each bound on its side of the marks.

    A bound of 14.8 printed as 15 beside a limit of 15 would belie the verdict, as 0.3 printed as 0 would the sign.
    Never more than two digits beyond the leading one of the half width: what is closer than that has no side.
    """
    _, low, high = told
    if low is None or high is None or not high > low:
        return least
    most = max(least, 2 - math.floor(math.log10((high - low) / 2.0)))
    for digits in range(least, most):
        if not any(_crosses(bound, mark, digits) for bound in (low, high) for mark in marks):
            return digits
    return most


def _crosses(bound: float, mark: float, digits: int) -> bool:
    exact, shown = bound - mark, round(bound, digits) - mark
    return exact != 0.0 and exact * shown <= 0.0


def scope_sentence(around: Circumstances, study: Study) -> str:
    """What a verdict covers, in the short words the files carry."""
    if around.speaks_of_parts:
        first = f"{around.specimens[0]} and {around.specimens[1]} specimens of the parts"
    else:
        first = "these specimens"
    vehicles = "this vehicle" if around.vehicles == 1 else f"these {number_word(around.vehicles)} vehicles"
    words = [first, vehicles]
    words += ["sessions not recorded"] if around.sessions == "not recorded" else []
    words += [f"{number_word(study.looks)} looks paid for"] if study.looks > 1 else []
    return ", ".join(words)


def verdict_sentence(comparison: Comparison, study: Study) -> str:
    """The whole answer in a sentence or two, in the order number, base, interval, limit, verdict, scope."""
    c = comparison
    where = f"{c.candidate} on {c.platform}, {in_words(c.condition)}"
    where += f", {in_words(c.position)}" if c.position else ""
    if _told(c)[0] is None:
        return f"{where}: no verdict - {_reasons(c)}."
    digits = _digits(c, study)
    middle = f"{_change(c, c.baseline, digits)}{_interval(c, c.confidence, digits)}"
    limit = _limit(study, c) if c.baseline == study.baseline else ""
    return f"{where}: {middle}{limit} - {in_words(c.verdict)}{_what_next(c)}. {_capital(c.scope)}."


def over_platforms_sentence(found: OverPlatforms, study: Study) -> str:
    """What holds over all platforms, and where a new one would land."""
    where = f"{found.candidate} over {found.n_platforms} platforms, {in_words(found.condition)}"
    where += f", {in_words(found.position)}" if found.position else ""
    if _told(found)[0] is None:
        return f"{where}: listed only, a mean needs three."
    digits = _digits(found, study)
    change, interval = _change(found, study.baseline, digits), _interval(found, study.confidence, digits)
    text = f"{where}: typically {change}{interval}"
    names = PREDICTION if _in_decibels(found) else ("prediction_low", "prediction_high")
    ends = [_figure(found, name) for name in names]
    if ends[0] is None or ends[1] is None:
        return f"{text}; a prediction for a new platform needs five."
    low, high = (_fixed(end, digits) for end in ends if end is not None)
    return f"{text}; a new platform would land between {low} and {high} {_unit(found)}."


def _in_decibels(c: Comparison | OverPlatforms) -> bool:
    return CHANGE[0] in c.extra


def _unit(c: Comparison | OverPlatforms) -> str:
    return DECIBEL if _in_decibels(c) else "%"


def _figure(c: Comparison | OverPlatforms, name: str) -> float | None:
    value: float | None = c.extra[name] if name in c.extra else getattr(c, name)
    return value


def _told(c: Comparison | OverPlatforms) -> tuple[float | None, float | None, float | None]:
    """Change and interval in the unit they are told in."""
    names = CHANGE if _in_decibels(c) else ("percent_change", "interval_low", "interval_high")
    change, low, high = (_figure(c, name) for name in names)
    return change, low, high


def _limit(study: Study, c: Comparison) -> str:
    """The limit that holds for this reading; nothing where the study sets none."""
    if _in_decibels(c):
        return "" if study.limit_db is None else f", limit {study.limit_db:g} {DECIBEL}"
    if study.limit_percent is None:
        return ""
    return f", limit {study.limit_percent:g} %" + (f" and {study.limit_mg:g} mg" if study.limit_mg is not None else "")


def _digits(c: Comparison | OverPlatforms, study: Study) -> int:
    """Decibels to a tenth, as levels are told; percents to their uncertainty; more where a bound needs it."""
    half = _half_width(c)
    in_decibels = _in_decibels(c)
    least = _digits_for(min(1.0, half) if in_decibels and half is not None else (1.0 if in_decibels else half))
    limit = study.limit_db if in_decibels else study.limit_percent
    return digits_of_sentence(_told(c), (0.0,) if limit is None else (0.0, limit), least)


def _change(c: Comparison | OverPlatforms, baseline: str, digits: int) -> str:
    """A change that rounds to nothing is told as a figure too: to say "as much as" would be to claim sameness."""
    change = _told(c)[0]
    assert change is not None
    figure = _fixed(abs(change), digits)
    base = "the original" if baseline.lower() == "original" else baseline
    up = change > 0 or float(figure) == 0.0
    if _in_decibels(c):
        return f"{figure} {DECIBEL} {'louder' if up else 'quieter'} than {base}"
    return f"{figure} % {'more' if up else 'less'} than {base}"


def _half_width(c: Comparison | OverPlatforms) -> float | None:
    _, low, high = _told(c)
    return None if low is None or high is None else (high - low) / 2.0


def _interval(c: Comparison | OverPlatforms, confidence: float, digits: int) -> str:
    _, low, high = _told(c)
    if low is None or high is None:
        return ""
    return f" ({100.0 * confidence:g} %: {_fixed(low, digits)} to {_fixed(high, digits)})"


def _what_next(c: Comparison) -> str:
    if c.verdict == "open" and any(str(reason.code) == "orientation" for reason in c.reasons):
        return f", {_reasons(c, 'orientation')}"
    if c.verdict == "open":
        if c.repeats_needed is None:
            return "; cannot be settled by repeats"
        more = c.repeats_needed - min(c.n_baseline, c.n_candidate)
        return f"; {number_word(more)} more repeat{'s' if more > 1 else ''} would settle it"
    if c.verdict == "indicative":
        return f", {_weakness(c)}"
    if c.verdict == "no_verdict":
        return f", {_reasons(c)}"
    if c.extra.get("negligible"):
        return ", both too small to be felt"
    return ", like the baseline" if c.extra.get("equivalent") else ""


_SHORT = {"takes_only": "takes of one fitting only", "single_repeat": "one repeat only"}


def _weakness(c: Comparison) -> str:
    """Why a verdict is indicative, in a few words: both parts in one breath where they share the cause."""
    said: list[str] = []
    for code, words in _SHORT.items():
        details = [reason.detail for reason in c.reasons if str(reason.code) == code]
        parts = [part for part in (c.baseline, c.candidate) if any(d.startswith(f"{part}: ") for d in details)]
        said += [f"{words} ({' and '.join(parts)})"] if parts else []
    rest = _reasons(c, *(set(_DECISIVE) - set(_SHORT)), nothing="")
    return "; ".join(said + ([rest] if rest else []))


_DECISIVE = (
    "takes_only", "single_repeat", "one_session", "no_capture", "not_comparable", "at_floor", "exploratory",
)  # fmt: skip


def _reasons(c: Comparison, *only: str, nothing: str = "no reason recorded") -> str:
    wanted = only or _DECISIVE
    said = [reason.detail for reason in c.reasons if str(reason.code) in wanted]
    return "; ".join(said) or nothing


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
