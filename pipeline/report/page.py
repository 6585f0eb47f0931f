"""The one-file report: everything the page shows, put together, and written beside the files for machines."""

from __future__ import annotations

import base64
import hashlib
import json
from collections import Counter
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass
from importlib import resources
from pathlib import Path
from typing import Any

from jinja2 import BytecodeCache, Environment, FileSystemBytecodeCache, PackageLoader, StrictUndefined
from jinja2.bccache import Bucket
from markupsafe import Markup

from ..contracts.cautions import CAUTIONS, Caution
from ..contracts.explanations import DEFINITIONS, LEVEL_DEFINITION
from .answers import Answer, AnswerSheet, Grid, Summary, VerdictRow
from .documents import ReportDocuments, ReportError
from .evidence import EvidenceSheet, reading_words
from .evidence_views import CaptureLine, PlaceView
from .left_out import LeftOut, grouped
from .marks import Mark
from .numbers import THIN, count, shortened
from .strips import Scale
from .tables_of_study import StudyTables

MOST_BYTES = 4_900_000
"""Five megabytes are what a mail and a phone still take."""

_MOST_ROWS = 12
"""Verdicts shown before the rest is folded: a reader of a large study goes on by the grid."""

_BRIEF = (
    "This study is too large for one page with everything on it: single readings stand in readings.json and "
    "tables.xlsx, and level strips are drawn only for captures that were left out."
)

_FEW = 3
"""Verdicts whose own sentences are the answer; more are summed up a candidate."""

_MOST_FOLDED = 60
"""Verdicts listed at all: beyond, grid and evidence carry the same sentences, and the list would be unreadable."""


@dataclass(frozen=True, slots=True)
class PageView:
    """All the template knows."""

    title: str
    question: str
    baseline_short: str
    limit_text: str | None
    most: int
    listed: int
    scale: Scale
    few: tuple[VerdictRow, ...]
    answers: tuple[Answer, ...]
    tally: tuple[tuple[Mark, int], ...]
    notes: tuple[str, ...]
    rows: tuple[VerdictRow, ...]
    ordered: tuple[VerdictRow, ...]
    grids: tuple[Grid, ...]
    summaries: tuple[Summary, ...]
    places: tuple[PlaceView, ...]
    cross: tuple[VerdictRow, ...]
    capture_count: str
    left_out: tuple[LeftOut, ...]
    flagged: tuple[CaptureLine, ...]
    covers: tuple[str, ...]
    sections: tuple[tuple[str, Markup], ...]
    definitions: tuple[tuple[str, str], ...]
    cautions: tuple[Caution, ...]
    command: str
    provenance: tuple[tuple[str, str], ...]
    data: Markup | None


def write_page(out: Path, documents: ReportDocuments) -> Path:
    """Write ``report.html`` into ``out`` and return its path.

    Raises
    ------
    ReportError
        The folder cannot be written.
    """
    html, page = render_report(documents), out / "report.html"
    try:
        out.mkdir(parents=True, exist_ok=True)
        page.write_text(html, encoding="utf-8")
    except OSError as error:
        raise ReportError.unwritable(error) from error
    return page


def render_report(documents: ReportDocuments) -> str:
    """The page as text: one file, nothing fetched, every name from outside escaped.

    A page above ``MOST_BYTES`` is made again in brief, because one that takes seconds to open is not read.
    """
    html = _rendered(documents, brief=False)
    if len(html.encode()) > MOST_BYTES:
        html = _rendered(documents, brief=True)
    return html


def _rendered(documents: ReportDocuments, *, brief: bool) -> str:
    scripts = [asset("uplot.iife.min.js"), asset("report.js")]
    css = asset("uplot.min.css") + asset("report.css")
    return environment().get_template("report.html.j2").render(
        page=page_view(documents, brief=brief),
        css=Markup(css),  # noqa: S704  our own file
        scripts=[Markup(script) for script in scripts],  # noqa: S704  our own files
        script_hashes=Markup(" ".join(_content_hash(script) for script in scripts)),  # noqa: S704
    )


def environment() -> Environment:
    """The template engine: everything from outside is escaped, a misspelt name is an error."""
    return Environment(
        loader=PackageLoader(__package__ or "thrumline.pipeline.report"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        bytecode_cache=_compiled_templates(),
    )


class _CompiledTemplates(FileSystemBytecodeCache):
    """Templates compiled once a user, not once a run. Where they cannot be kept, a report is still a report."""

    def dump_bytecode(self, bucket: Bucket) -> None:
        with suppress(OSError):
            super().dump_bytecode(bucket)


def _compiled_templates() -> BytecodeCache | None:
    with suppress(OSError, RuntimeError):
        return _CompiledTemplates()
    return None


def page_view(documents: ReportDocuments, *, brief: bool = False) -> PageView:
    """Everything the page shows, from the documents alone."""
    tables = StudyTables(documents)
    sheet = AnswerSheet(tables)
    evidence = EvidenceSheet(tables, sheet, brief=brief)
    summaries = sheet.summaries()
    captures = evidence.lines
    study = documents.study
    provenance = dict(documents.provenance)
    command = str(provenance.pop("command", "") or "")
    return PageView(
        title=str(study.get("title") or "Study"),
        question=question(study),
        baseline_short=shortened(str(study.get("baseline") or "baseline"), 20),
        limit_text=sheet.limit_text,
        most=_MOST_ROWS,
        listed=len(sheet.rows) if len(sheet.rows) <= _MOST_FOLDED else _MOST_ROWS,
        scale=sheet.scale,
        few=tuple(sheet.ordered()) if len(sheet.rows) <= _FEW else (),
        answers=tuple(sheet.answers(summaries)),
        tally=tuple(sheet.tally()),
        notes=(*documents.notes, *((_BRIEF,) if brief else ())),
        rows=tuple(sheet.rows),
        ordered=tuple(sheet.ordered()),
        grids=tuple(sheet.grids()) if len(sheet.rows) > _FEW else (),
        summaries=tuple(summaries),
        places=tuple(evidence.places()),
        cross=tuple(sheet.row(item) for item in tables.part_against_part()),
        capture_count=capture_count(captures),
        left_out=tuple(grouped(captures)),
        flagged=tuple(item for item in captures if item.state == "fit" and item.reasons),
        covers=tuple(covers(tables)),
        sections=tuple((heading, Markup(body)) for heading, body in documents.sections),  # noqa: S704  plugin's
        definitions=(*DEFINITIONS, *((LEVEL_DEFINITION,) if tables.levels_told else ())),
        cautions=CAUTIONS,
        command=command,
        provenance=tuple((name.replace("_", " "), _plain(value)) for name, value in provenance.items()),
        data=_data_block(evidence.spectra_data()),
    )


def question(study: Mapping[str, Any]) -> str:
    """What was asked, in a sentence."""
    if study.get("question"):
        return str(study["question"])
    base = study.get("baseline") or "the baseline"
    percent, decibels = study.get("limit_percent"), study.get("limit_db")
    parts = [f"Change against {base}" + ("" if percent is None and decibels is not None else ", in percent of it")]
    if percent is not None:
        parts.append(f"limit {_short(percent)}{THIN}% more")
    if decibels is not None:
        parts.append(f"limit {_short(decibels)}{THIN}dB more for a level of sound")
    if study.get("limit_mg") is not None:
        parts.append(f"limit {_short(study['limit_mg'])} milli-g (mg) for the candidate")
    if study.get("negligible_mg") is not None:
        parts.append(f"below {_short(study['negligible_mg'])} mg negligible")
    if study.get("equivalence_percent") is not None:
        parts.append(f"like the original within {_short(study['equivalence_percent'])}{THIN}%")
    if study.get("reading"):
        of_axes = study.get("combination") and percent is not None
        combination = f", {study['combination']}" if of_axes else ""
        parts.append(f"judged on {reading_words(str(study['reading']))}{combination}")
    if study.get("confidence") is not None:
        parts.append(f"intervals of {_short(100 * float(study['confidence']))}{THIN}%")
    return "; ".join(parts) + "."


def capture_count(captures: list[CaptureLine]) -> str:
    """How many captures there are and how many were used."""
    states = Counter(item.state for item in captures)
    words = [f"{states[state]} {state}" for state in ("fit", "unfit", "refused") if states[state]]
    return f"{count(len(captures), 'capture')}: {', '.join(words)}." if captures else "No captures."


def covers(tables: StudyTables) -> list[str]:
    """What the verdicts speak of, each sentence once, with how many verdicts it belongs to."""
    scopes = Counter(str(item.entry.get("scope") or "") for item in tables.carrying)
    total = sum(scopes.values())
    lines = [
        scope[0].upper() + scope[1:].rstrip(".") + ("." if number == total else f" ({number} of {total} verdicts).")
        for scope, number in scopes.most_common()
        if scope
    ]
    lines.append("The readings are of the sensor's place; what an occupant feels is claimed only as a ratio.")
    lines.append("Positions, conditions, vehicles and parts not listed here were not measured.")
    return lines


def _short(value: float) -> str:
    return f"{float(value):.6g}"


def _plain(value: Any) -> str:
    if isinstance(value, Mapping):
        return ", ".join(f"{name} {_plain(item)}" for name, item in value.items())
    if isinstance(value, list | tuple):
        return ", ".join(_plain(item) for item in value)
    return value if isinstance(value, str) else json.dumps(value, ensure_ascii=False)


def _data_block(data: Mapping[str, Any]) -> Markup | None:
    if not data["curves"]:
        return None
    text = json.dumps(data, separators=(",", ":"), allow_nan=False)
    return Markup(text.replace("<", "\\u003c").replace("&", "\\u0026"))  # noqa: S704  numbers and keys of ours


def asset(name: str) -> str:
    """The text of a style sheet or script of the package."""
    return resources.files(__package__ or "thrumline.pipeline.report").joinpath("assets", name).read_text("utf-8")


def _content_hash(script: str) -> str:
    return f"'sha256-{base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()}'"
