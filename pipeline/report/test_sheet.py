"""The test sheet: what to fit and record in which order, to print and take to the vehicle."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from markupsafe import Markup

from ..contracts.cautions import CAUTIONS, REFITTING_NOTES
from ..study.planning import PlatformPlan
from ..study.sentences import in_words
from .documents import ReportError
from .numbers import fixed
from .page import asset, environment

_MARKER_S = 17
"""Seconds a marker may take away: it counts within the first 15 s, and 2 s after it are cut."""


@dataclass(frozen=True, slots=True)
class SheetRequest:
    """What a sheet is made for: the plans of one or more platforms, and what each fitting is recorded in."""

    title: str
    plans: Sequence[PlatformPlan]
    baseline: str
    positions: Sequence[str] = ()
    conditions: Sequence[str] = ()
    minimum_duration_s: float = 30.0
    command: str = ""

    @property
    def recordings(self) -> tuple[tuple[str, str], ...]:
        """Every condition at every position, in words: one capture of each is due at each fitting."""
        return tuple(
            (in_words(condition), in_words(position))
            for condition in self.conditions or ("",)
            for position in self.positions or ("",)
        )

    @property
    def recording_s(self) -> int:
        """Seconds to record so that enough is left after the marker, in full tens."""
        return 10 * math.ceil((self.minimum_duration_s + _MARKER_S) / 10)


def write_test_sheet(path: Path, request: SheetRequest) -> Path:
    """Write the sheet as one HTML file that opens offline and prints on paper.

    Raises
    ------
    ReportError
        There is no run to print, or the file cannot be written.
    """
    if not any(plan.runs for plan in request.plans):
        raise ReportError(
            "a test sheet needs at least one run to plan",
            found="no platform with an open question that further fittings would answer",
            todo="nothing needs to be measured, or the study needs another question",
        )
    html = render_test_sheet(request)
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(html, encoding="utf-8")
    except OSError as error:
        raise ReportError(
            "the test sheet is to be written", found=f"{error}", allowed="a place that can be written",
            todo="choose another path",
        ) from error  # fmt: skip
    return path


def render_test_sheet(request: SheetRequest) -> str:
    """The sheet as text."""
    return environment().get_template("test_sheet.html.j2").render(
        sheet=request,
        steps=steps(request),
        minimum=fixed(request.minimum_duration_s, 1).removesuffix(".0"),
        cautions=CAUTIONS,
        refitting=REFITTING_NOTES,
        css=Markup(asset("report.css")),  # noqa: S704  our own file
    )  # fmt: skip


def steps(request: SheetRequest) -> tuple[str, ...]:
    """What happens at every fitting, in order; a repeat is a fresh fitting, so nothing is skipped."""
    least = fixed(request.minimum_duration_s, 1).removesuffix(".0")
    return (
        "Take the sensor off. Take the part out, even if the same one goes in again, and fit the part of this run.",
        "Put the sensor on its marked place, against the same edge, in the same direction.",
        "Warm up as for every other run; note mount temperature and engine speed.",
        "Select the condition, switch consumers off, and wait until the idle is steady.",
        "Start the recorder; within the first 15 s tap the rail beside the sensor with a fingertip; then hands off.",
        f"Record {request.recording_s} s, so that {least} s are left when the marker is cut. Nobody moves.",
        "Check the capture before anything is unbolted, and record again if it is unfit.",
    )
