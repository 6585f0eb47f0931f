"""The nearest known name for a misspelt one, so that a message can be acted on at once."""

from __future__ import annotations

import difflib
from collections.abc import Iterable


def nearest(name: str, known: Iterable[str]) -> str | None:
    """The known name that a person most likely meant, or None when nothing is near."""
    folded = {folded_name(item): item for item in known}
    hits = difflib.get_close_matches(folded_name(name), list(folded), n=1, cutoff=0.6)
    return folded[hits[0]] if hits else None


def folded_name(name: str) -> str:
    """A name as people take it to be the same: case, blanks, hyphens and underscores set aside."""
    return "_".join(name.strip().lower().replace("-", " ").replace("_", " ").split())


def suggestion(name: str, known: Iterable[str]) -> str:
    """``did you mean 'x'?`` or nothing."""
    hit = nearest(name, known)
    return f"did you mean {hit!r}?" if hit is not None else ""


def listed(names: Iterable[str], most: int = 8) -> str:
    """Names in a message: quoted, at most so many, then how many more."""
    items = list(names)
    shown = ", ".join(repr(item) for item in items[:most])
    return shown + (f" and {len(items) - most} more" if len(items) > most else "")
