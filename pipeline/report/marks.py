"""Verdict marks and plain words: every verdict a word and a shape, every code a phrase with blanks."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from ..contracts import ReasonCode
from ..contracts.explanations import EXPLANATIONS


@dataclass(frozen=True, slots=True)
class Mark:
    """How a verdict is drawn: its word, the key of its shape and class, and its rank (gravest first)."""

    word: str
    shape: str
    rank: int


_MARKS: tuple[Mark, ...] = (
    Mark("over limit", "over", 0),
    Mark("open", "open", 1),
    Mark("indicative", "indicative", 2),
    Mark("no verdict", "none", 3),
    Mark("within limit", "within", 4),
)

ALL_MARKS = _MARKS


def mark_of(verdict: str) -> Mark:
    """The mark of a verdict as files or pages spell it; a word that is new here is drawn as a stroke."""
    word = verdict.replace("_", " ").strip()
    return next((mark for mark in _MARKS if mark.word == word), Mark(word or "no verdict", "none", 3))


def code_words(code: str) -> str:
    """A code as pages print it."""
    return code.replace("_", " ")


@dataclass(frozen=True, slots=True)
class PlainReason:
    """A reason for people: its words, the figure it came with, what to do about it."""

    words: str
    detail: str
    avoid: str


def plain_reasons(reasons: Iterable[Mapping[str, Any]]) -> tuple[PlainReason, ...]:
    """Reasons in words, those of one code told together."""
    told: dict[str, list[PlainReason]] = {}
    for reason in reasons:
        told.setdefault(str(reason.get("code", "")), []).append(plain_reason(reason))
    return tuple(
        PlainReason(members[0].words, "; ".join(m.detail for m in members if m.detail), members[0].avoid)
        for members in told.values()
    )


def plain_reason(reason: Mapping[str, Any]) -> PlainReason:
    """One entry of ``reasons`` in words; a code unknown to this version is shown as it stands."""
    code = str(reason.get("code", ""))
    known = code in set(ReasonCode)
    avoid = EXPLANATIONS[ReasonCode(code)].avoid if known else ""
    return PlainReason(code_words(code), str(reason.get("detail", "")), avoid)
