"""What a check of an archive reports."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal

from .trees import Tree

Depth = Literal["structure", "data", "deep"]
Decode = Callable[[Tree, Path], str | None]
"""Compares a capture with its original (both open for reading); what differs in words, or None."""


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing that is not as it was committed, or could not be looked at. ``path`` is relative to the root."""

    path: str
    what: str

    def as_json(self) -> dict[str, str]:
        """The form reports carry."""
        return {"path": self.path, "what": self.what}


@dataclass
class Report:
    """What a check found. Leftovers are normal after a crash."""

    depth: Depth
    subset: tuple[int, int] | None = None
    damage: list[Finding] = field(default_factory=list)
    unchecked: list[Finding] = field(default_factory=list)
    leftovers: list[Finding] = field(default_factory=list)
    counts: dict[str, int] = field(default_factory=dict)

    @property
    def exit_code(self) -> int:
        """0 clean, 6 damage found, 5 something could not be checked."""
        return 6 if self.damage else 5 if self.unchecked else 0

    def as_json(self) -> dict[str, Any]:
        """The form reports carry."""
        return {
            "depth": self.depth, "subset": list(self.subset) if self.subset else None, "counts": self.counts,
            "damage": [f.as_json() for f in self.damage], "unchecked": [f.as_json() for f in self.unchecked],
            "leftovers": [f.as_json() for f in self.leftovers], "exit_code": self.exit_code,
        }  # fmt: skip
