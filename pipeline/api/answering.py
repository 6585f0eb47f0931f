"""The end of a run: entries, comparisons, the files for machines and the pages; loaded when there is an answer."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

from ..contracts import CaptureRow, Fitness
from ..execution.beside import begun_beside
from ..execution.orders import Done
from ..study import CapturesTable, Outcome, Study, compare
from .documents import capture_entries, reading_entries, without_nan
from .lists import Lists
from .pages import Pages
from .study_run import StudyRun


def written(pages: Pages, table: CapturesTable, done: Mapping[int, Done], remarks: Sequence[str]) -> StudyRun:
    """Compare, and write all files of a run; ``remarks`` about the question stand first among its notes."""
    outcome, captures, readings = _answer(pages.study, table, done)
    outcome = replace(outcome, notes=(*remarks, *outcome.notes))
    pages.out.mkdir(parents=True, exist_ok=True)
    comparisons = [without_nan(item.as_json()) for item in outcome.comparisons]
    over = [without_nan(item.as_json()) for item in outcome.over_platforms]
    bare = [{key: value for key, value in entry.items() if key != "fitness"} for entry in captures]
    lists = Lists(pages.out, bare, readings, comparisons, over)
    wait = begun_beside(lists.write)
    try:
        page = pages.written(outcome, captures, readings)
    finally:
        wait()
    files = [*lists.documents, page, lists.spreadsheet]
    return StudyRun(pages.study_file, bare, readings, comparisons, over, outcome.sentences, outcome.notes, files)


def _answer(
    study: Study, table: CapturesTable, done: Mapping[int, Done]
) -> tuple[Outcome, list[dict[str, Any]], list[dict[str, Any]]]:
    by_row = {row.row: row for row in table.rows}
    problems = {problem.row: problem for problem in table.problems}
    captures: list[dict[str, Any]] = []
    readings: list[dict[str, Any]] = []
    for number in sorted([*by_row, *problems]):
        if number in problems:
            captures.append(_problem_entry(problems[number]))
            continue
        fitness = done[number].fitness.as_json()
        captures += [{**entry, "fitness": fitness} for entry in capture_entries(by_row[number], done[number])]
        readings += reading_entries(by_row[number], done[number])
    return compare(study, readings, captures), captures, readings


def _problem_entry(problem: Any) -> dict[str, Any]:
    """A row that could not be used at all stands in the file like the others, refused."""
    row = CaptureRow(problem.row, problem.file, *(problem.labels.get(k, "") for k in _PROBLEM_LABELS))
    refused = Done(problem.row, None, None, None, Fitness("refused", (problem.reason,)))
    return {**capture_entries(row, refused)[0], "fitness": refused.fitness.as_json()}


_PROBLEM_LABELS = ("platform", "part", "position", "condition", "repeat")
