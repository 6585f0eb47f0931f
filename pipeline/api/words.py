"""The product's own words: what each code means, and the cautions for whoever runs a test."""

from __future__ import annotations

from difflib import get_close_matches

from ..contracts import ReasonCode, SettingsError
from ..contracts.cautions import CAUTIONS, REFITTING_NOTES, Caution
from ..contracts.explanations import EXPLANATIONS
from ..contracts.reasons import Explanation


def reason_codes() -> tuple[str, ...]:
    """All codes, in the order of what they speak about."""
    return tuple(str(code) for code in ReasonCode)


def explained(code: str) -> Explanation:
    """What a code means, does, and how to avoid it; blanks and hyphens pass for underscores. Raises SettingsError."""
    wanted = code.strip().lower().replace(" ", "_").replace("-", "_")
    if wanted not in reason_codes():
        near = get_close_matches(wanted, reason_codes(), n=1)
        todo = f"did you mean {near[0]}?" if near else "see `thrumline explain` for all"
        raise SettingsError(f"reason code {code!r}", found="no such code", allowed=", ".join(reason_codes()), todo=todo)
    return EXPLANATIONS[ReasonCode(wanted)]


def redo(code: ReasonCode) -> str:
    """What to do before the capture is taken again."""
    return EXPLANATIONS[code].avoid


def cautions() -> tuple[Caution, ...]:
    """The cautions, group by group."""
    return CAUTIONS


def refitting_notes() -> tuple[str, ...]:
    """What stands on a test sheet beside the cautions."""
    return REFITTING_NOTES
