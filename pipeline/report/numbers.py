"""Numbers as people read them: rounded to their uncertainty, with a real minus sign and thin spaces."""

from __future__ import annotations

import json
import math
import re
from collections.abc import Sequence
from dataclasses import dataclass

THIN = "\u202f"
"""Narrow space that does not break: between a number and its unit."""

MINUS = "\u2212"

_MOST_DECIMALS = 4


@dataclass(frozen=True, slots=True)
class Figure:
    """One printed number: its text, the exact value behind it, and where that stands in the files."""

    text: str
    value: float
    key: str

    @property
    def exact(self) -> str:
        """The value as the files spell it."""
        return json.dumps(self.value)


def decimals_for(uncertainty: float | None, value: float, *, beyond: int = 0) -> int:
    """Decimals that print ``value`` to the leading digit of its uncertainty, and ``beyond`` digits further.

    Without an uncertainty three significant digits are kept, and nothing is rounded before the point.
    """
    if uncertainty is None or not math.isfinite(uncertainty) or uncertainty <= 0:
        size = abs(value)
        place = 2 - math.floor(math.log10(size)) if size > 0 else 1
        return min(max(place, 0), _MOST_DECIMALS)
    return min(max(beyond - math.floor(math.log10(uncertainty)), 0), _MOST_DECIMALS)


def fixed(value: float, decimals: int, *, signed: bool = False) -> str:
    """The number with so many decimals; a result that rounds to zero carries no sign."""
    rounded = round(value, decimals)
    if rounded == 0:
        return f"{0:.{decimals}f}"
    sign = MINUS if rounded < 0 else ("+" if signed else "")
    return f"{sign}{abs(rounded):.{decimals}f}"


def with_unit(text: str, unit: str) -> str:
    """Number and unit with a thin space between them."""
    return f"{text}{THIN}{unit}" if unit else text


def percent_decimals(value: float, low: float | None, high: float | None, marks: Sequence[float] = ()) -> int:
    """Decimals for a change and its interval.

    The interval's half width sets them, as in the verdict's sentence; they grow while rounding would carry a
    bound onto or over one of ``marks`` (zero, the limit), for a printed bound should stand on the verdict's
    side; but never further than two digits beyond the leading digit of the half width.
    """
    if low is None or high is None:
        return 0
    half = (high - low) / 2
    decimals = 0 if half >= 2.0 else (1 if half >= 0.2 else 2)
    most = max(decimals, decimals_for(half, value, beyond=2))
    while decimals < most and any(_crosses(bound, mark, decimals) for bound in (low, high) for mark in marks):
        decimals += 1
    return decimals


def _crosses(value: float, mark: float, decimals: int) -> bool:
    exact, rounded = value - mark, round(value, decimals) - mark
    return exact != 0 and exact * rounded <= 0


def typeset(sentence: str) -> str:
    """A sentence of a file as a page sets it: units held to their numbers, a real minus in intervals."""
    held = re.sub(r"(?<=\d) (?=(?:%|mg|Hz|K)(?![\w]))", THIN, sentence)
    return re.sub(r"(?<=: )-(?=\d)|(?<= to )-(?=\d)", MINUS, held)


def count(number: int, singular: str, plural: str | None = None) -> str:
    """``1 repeat``, ``3 repeats``."""
    return f"{number} {singular if number == 1 else plural or singular + 's'}"


def listed(names: Sequence[str], most: int = 4) -> str:
    """Names in a sentence; a long list is cut and says by how many."""
    if len(names) > most + 1:
        return f"{', '.join(names[:most])} and {len(names) - most} more"
    if len(names) > 1:
        return f"{', '.join(names[:-1])} and {names[-1]}"
    return "".join(names)


def shortened(text: str, most: int = 28) -> str:
    """The text, cut with an ellipsis where a drawing has no room for more."""
    return text if len(text) <= most else text[: most - 1].rstrip() + "…"


def nice_step(span: float, wanted: int = 5) -> float:
    """A round distance between ticks (1, 2 or 5 times a power of ten) that gives about ``wanted`` of them."""
    raw = span / max(wanted, 1)
    power = 10.0 ** math.floor(math.log10(raw)) if raw > 0 else 1.0
    return next(factor * power for factor in (1, 2, 5, 10) if factor * power >= raw * 0.999)
