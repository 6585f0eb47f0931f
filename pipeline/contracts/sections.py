"""A report section of a plugin's own: a heading and escaped-by-default HTML from the study's tables."""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Mapping
from typing import Any, ClassVar


class ReportSection(ABC):
    """One section at the end of the report. ``html`` may use only what the study's files hold."""

    name: ClassVar[str]
    heading: ClassVar[str]

    @abstractmethod
    def html(self, documents: Mapping[str, Any]) -> str:
        """Body of the section from ``{"captures": ..., "readings": ..., "comparisons": ...}``."""
