"""The next test: which fittings in which order, from a study that was run or for one that was not yet."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from ..contracts import StudyError
from ..report import SheetRequest, write_test_sheet
from ..study import PlatformPlan, Study, compare, fresh_plan, load_study, plan_next, read_captures_table


@dataclass(frozen=True, slots=True)
class TestPlan:
    """Plans by platform, and the printable sheet."""

    study: Study
    plans: Sequence[PlatformPlan]
    sheet: Path


def plan_test(
    study_file: Path | str, *, results_dir: Path | str | None = None, sheet: Path | str | None = None, command: str = ""
) -> TestPlan:
    """Plan the next fittings of a study and write the test sheet.

    With results (``captures.json`` and ``readings.json`` of a run) the plan settles what is open; without, it is
    a first test of all parts in the table. Raises StudyError.
    """
    path = Path(study_file)
    study = load_study(path)
    results = Path(results_dir) if results_dir is not None else path.parent / f"{path.stem}-results"
    table = read_captures_table(study.table_path, check_files=False)
    entries = _entries(results)
    if entries is None:
        platforms = {row.platform: None for row in table.rows}
        parts = {row.part: None for row in table.rows if row.part != study.baseline}
        plans: Sequence[PlatformPlan] = [fresh_plan(study, platform, list(parts)) for platform in platforms]
    else:
        plans = plan_next(study, compare(study, entries["readings"], entries["captures"]))
    target = Path(sheet) if sheet is not None else path.with_name(f"{path.stem}-test-sheet.html")
    request = SheetRequest(
        study.title, plans, study.baseline, tuple(dict.fromkeys(row.position for row in table.rows)),
        tuple(dict.fromkeys(row.condition for row in table.rows)), study.minimum_duration_s, command,
    )  # fmt: skip
    return TestPlan(study, plans, write_test_sheet(target, request))


def _entries(results: Path) -> dict[str, Any] | None:
    """Entries of an earlier run, or None where there was none."""
    found: dict[str, Any] = {}
    for name in ("captures", "readings"):
        file = results / f"{name}.json"
        if not file.is_file():
            return None
        try:
            found[name] = json.loads(file.read_text(encoding="utf-8"))[name]
        except (ValueError, KeyError) as error:
            raise StudyError(
                f"results in {str(results)!r}", found=f"{file.name} that cannot be read ({error})",
                todo="run the study again",
            ) from error  # fmt: skip
    return found
