"""A picture of the verdicts: one drawing of the answer and its strips, for a slide, a letter or a README."""

from __future__ import annotations

from dataclasses import dataclass

from .answers import AnswerSheet, VerdictRow
from .documents import ReportDocuments
from .numbers import MINUS, THIN, shortened
from .page import environment, question
from .strips import Scale
from .tables_of_study import StudyTables

_MOST = 12
"""Rows drawn: beyond, the picture would be a table that nobody reads."""


@dataclass(frozen=True, slots=True)
class PictureRow:
    """One verdict of the picture."""

    row: VerdictRow
    name: str
    figures: str


@dataclass(frozen=True, slots=True)
class PictureView:
    """All the drawing knows; lengths in pixels of a drawing 960 wide."""

    title: str
    question: str
    lines: tuple[tuple[str, str], ...]
    rows: tuple[PictureRow, ...]
    left_out: int
    scale: Scale
    baseline: str
    limit: str | None
    description: str


def render_picture(documents: ReportDocuments) -> str:
    """The answers and up to twelve strips as one SVG, gravest first; it follows light and dark by itself."""
    tables = StudyTables(documents)
    sheet = AnswerSheet(tables)
    ordered = sheet.ordered()
    answers = sheet.answers(sheet.summaries())
    lines = tuple(
        (answer.mark.shape, f"{answer.candidate}: " + "; ".join(f"{mark.word} {words}" for mark, words in answer.parts))
        for answer in answers
    )
    view = PictureView(
        title=str(documents.study.get("title") or "Study"),
        question=question(documents.study),
        lines=tuple((shape, shortened(text, 84)) for shape, text in lines),
        rows=tuple(PictureRow(row, _name(row), _figures(row)) for row in ordered[:_MOST]),
        left_out=max(len(ordered) - _MOST, 0),
        scale=sheet.scale,
        baseline=shortened(str(documents.study.get("baseline") or "baseline"), 20),
        limit=sheet.limit_text,
        description=". ".join(row.strip.label for row in ordered[:_MOST]),
    )
    return environment().get_template("picture.svg.j2").render(picture=view)


def _name(row: VerdictRow) -> str:
    return shortened(f"{row.candidate}, {row.platform}", 34)


def _figures(row: VerdictRow) -> str:
    change = row.change
    if change.percent is None:
        return "no percentage"
    text = f"{change.percent.text}{THIN}{change.unit}"
    if change.low and change.high:
        text += f"  ({_bare(change.low.text)} to {_bare(change.high.text)})"
    return text


def _bare(text: str) -> str:
    return text.removeprefix("+").replace("-", MINUS)
