"""Captures that were left out, told once per cause: eighty files with one fault are one thing to mend."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from .evidence_views import CaptureLine

_FEWEST = 4
"""Captures that share state and causes before they are told together."""


@dataclass(frozen=True, slots=True)
class LeftOut:
    """Captures left out for the same causes; ``first`` is told in full, the others are folded."""

    first: CaptureLine
    others: tuple[CaptureLine, ...]
    words: str


def grouped(lines: Sequence[CaptureLine]) -> list[LeftOut]:
    """Captures that are not fit, in table order, those of one cause together."""
    groups: dict[tuple[str, ...], list[CaptureLine]] = {}
    for line in lines:
        if line.state != "fit":
            groups.setdefault((line.state, *(reason.words for reason in line.reasons)), []).append(line)
    told: list[LeftOut] = []
    for (state, *causes), members in groups.items():
        if len(members) < _FEWEST:
            told += [LeftOut(line, (), "") for line in members]
        else:
            words = f"{len(members)} captures {state}: {', '.join(dict.fromkeys(causes))}"
            told.append(LeftOut(members[0], tuple(members[1:]), words))
    return told
