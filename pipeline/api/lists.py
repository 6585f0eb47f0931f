"""A run's entries as programs read them: three documents and a spreadsheet, without the page."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from ..report import write_spreadsheet
from .documents import write_document

Entries = Sequence[Mapping[str, Any]]


@dataclass(frozen=True, slots=True)
class Lists:
    """What is listed, and the folder it goes to."""

    out: Path
    captures: Entries
    readings: Entries
    comparisons: Entries
    over_platforms: Entries

    @property
    def documents(self) -> list[Path]:
        """The files of JSON."""
        return [self.out / f"{name}.json" for name in ("captures", "readings", "comparisons")]

    @property
    def spreadsheet(self) -> Path:
        """The same lists, a sheet each."""
        return self.out / "tables.xlsx"

    def write(self) -> None:
        """Write all of it, each file whole or not at all. Raises OSError, ReportError."""
        captures, readings, comparisons = self.documents
        write_document(captures, "captures", self.captures)
        write_document(readings, "readings", self.readings)
        write_document(comparisons, "comparisons", self.comparisons, over_platforms=self.over_platforms)
        sheets = {
            "comparisons": self.comparisons, "over platforms": self.over_platforms, "readings": self.readings,
            "captures": self.captures,
        }  # fmt: skip
        write_spreadsheet(self.spreadsheet, sheets)
