"""The plugin boundary on one page: hooks that hand over classes, called once at start.

No hook is called per block or inside a worker's task. An implementation may take fewer arguments.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import pluggy

if TYPE_CHECKING:
    from .sections import ReportSection
    from .stages import Metric, Reader, Stage

PROJECT = "thrumline"
ENTRY_POINT_GROUP = "thrumline.plugins"

hookspec = pluggy.HookspecMarker(PROJECT)
hookimpl = pluggy.HookimplMarker(PROJECT)


@hookspec
def register_readers() -> Sequence[type[Reader]]:  # type: ignore[empty-body]
    """Reader classes: one a file format."""


@hookspec
def register_stages() -> Sequence[type[Stage[Any]]]:  # type: ignore[empty-body]
    """Transform, Estimator and Derivation classes."""


@hookspec
def register_metrics() -> Sequence[type[Metric[Any]]]:  # type: ignore[empty-body]
    """Metric classes: what a study may read."""


@hookspec
def register_report_sections() -> Sequence[type[ReportSection]]:  # type: ignore[empty-body]
    """Report sections: a heading, and HTML made from the study's tables."""
