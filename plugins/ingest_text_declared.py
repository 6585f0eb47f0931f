"""Facts that stand above the rows of a text capture: rate, number of samples, unit, time of recording."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace

from ..pipeline.contracts import ReaderRefusal, ReasonCode
from ..pipeline.contracts.units import known_unit, plain_spelling

_RATE_KEY = re.compile(
    r"(?:sampl(?:e|ing)[ _-]*(?:rate|freq\w*)|fs|f_s|rate|odr|output data rate|data rate|scan rate|sps"
    r"|samples per second|abtastrate)(?:[ _]*[\[(]?(hz|khz|1/s|s/s|sps|samples/s)[\])]?)?"
)
_RATE_FACTORS = {"": 1.0, "hz": 1.0, "khz": 1e3, "1/s": 1.0, "s/s": 1.0, "sps": 1.0, "samples/s": 1.0}
_STEP_KEY = re.compile(
    r"(?:sampl(?:e|ing)[ _-]*(?:interval|period|time)|interval|dt|delta t|time step|step)"
    r"(?:[ _]*[\[(]?(s|ms|us)[\])]?)?"
)
_COUNT_KEY = re.compile(
    r"(?:(?:number|no\.?|num|n|total)[ _]*(?:of)?[ _]*)?(?:samples|rows|points|data points|records|scans|sample count)"
    r"(?:[ _]*(?:per channel|count))?|sample count|count|npts"
)
_WHEN_KEY = re.compile(r"(?:recorded|recording|start|created|measured|record|date|datum|time|timestamp)[a-z _]*")
_UNIT_KEY = re.compile(r"(?:accel\w*[ _-]*)?units?|einheit|unit of acceleration|y[ _-]*units?")


@dataclass(frozen=True, slots=True)
class Declared:
    """What the lines above the rows say: rate in Hz, number of samples, unit of acceleration."""

    rate_hz: float | None = None
    n_samples: int | None = None
    unit_text: str = ""
    recorded_at: str = ""


def key_value(line: str) -> tuple[str, str] | None:
    """``key: value``, ``key = value`` or ``key, value`` with a key of letters."""
    text = line.strip().strip('"').lstrip("#/%;! ").strip()
    match = re.match(r"([^\W\d][^:=,;\t]{0,60}?)\s*(?:[:=]|[,;\t])\s*(.+)", text)
    if match is None:
        return None
    value = re.sub(r'["\s]*[,;\t]["\s]*(?=[^\W\d])', " ", match[2].strip().strip('",;\t '))
    return match[1].strip().strip('"').lower(), value


def declared_in(lines: list[str]) -> Declared:
    """Facts of the lines above the rows; lines that say nothing known here are passed over.

    Raises
    ------
    ReaderRefusal
        ``bad_clock`` when two lines name different rates.
    """
    facts = Declared()
    for line in lines:
        pair = key_value(line)
        if pair is None:
            continue
        found = _with_fact(facts, *pair)
        if facts.rate_hz is not None and found.rate_hz != facts.rate_hz:
            raise ReaderRefusal(
                ReasonCode.BAD_CLOCK, "the lines above the rows name two rates",
                found=f"{facts.rate_hz:g} Hz and {found.rate_hz:g} Hz", todo="remove the one that is wrong",
            )  # fmt: skip
        facts = found
    return facts


def _with_fact(facts: Declared, key: str, value: str) -> Declared:
    if _WHEN_KEY.fullmatch(key) and re.match(r"\d{4}-\d\d-\d\d[T ]\d\d:\d\d", value):
        return replace(facts, recorded_at=facts.recorded_at or value)
    if number := re.fullmatch(r"([+-]?\d+(?:[.,]\d+)?(?:[eE][+-]?\d+)?)\s*([^\d\s].*)?", value):
        return _with_amount(facts, key, float(number[1].replace(",", ".")), plain_spelling(number[2] or ""))
    if _UNIT_KEY.fullmatch(key) and not facts.unit_text:
        return replace(facts, unit_text=value)
    return facts


def _with_amount(facts: Declared, key: str, amount: float, tail: str) -> Declared:
    if (match := _RATE_KEY.fullmatch(key)) and amount > 0:
        factor = _RATE_FACTORS.get(tail or match[1] or "")
        return replace(facts, rate_hz=amount * factor) if factor else facts
    if (match := _STEP_KEY.fullmatch(key)) and amount > 0:
        unit = known_unit(tail or match[1] or "", "time")
        return replace(facts, rate_hz=1.0 / (amount * unit.to_si)) if unit else facts
    whole = amount == int(amount) and tail in ("", "samples", "rows", "points")
    return replace(facts, n_samples=int(amount)) if _COUNT_KEY.fullmatch(key) and whole else facts
