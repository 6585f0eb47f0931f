"""The main job: a table of captures and a question in, readings, comparisons, verdicts and a report out."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path
from typing import Any

from ...storage import Archive
from ..contracts import CaptureRow, Fitness
from ..execution.orders import Done, Job, Order
from ..execution.spread import Spread, carried_out, expect_workers
from ..host import Host
from ..study import CapturesTable, Outcome, Study, check_question, compare, load_study, read_captures_table
from .documents import capture_entries, reading_entries, without_nan, write_document
from .doubled import without_doubled
from .pages import Pages
from .question import bound_recipe, readers_of
from .remembered import remember_study
from .rerun import known_orders, note_done
from .stamping import Stamp
from .study_run import DEFAULT_ARCHIVE, Progress, StudyRun, Watch, out_folder
from .unchanged import as_it_stands, made_alike, unchanged_run


def run_study(
    study_file: Path | str, *, archive_dir: Path | str | None = None, out_dir: Path | str | None = None,
    spread: Spread | None = None, watch: Watch | None = None, command: str = "",
) -> StudyRun:  # fmt: skip
    """Run one study. Only what is missing in the archive is computed.

    Raises StudyError, RecipeError, SchemaError, SettingsError, PluginError before any sample is read; what a
    single file does never raises: its row is refused or unfit, with reasons, and the others go on.
    """
    stands = unchanged_run(study_file, archive_dir=archive_dir, out_dir=out_dir)
    if stands is not None:
        return stands
    return run_whole(
        study_file, archive_dir=archive_dir, out_dir=out_dir, spread=spread, watch=watch, command=command
    )


def run_whole(
    study_file: Path | str, *, archive_dir: Path | str | None = None, out_dir: Path | str | None = None,
    spread: Spread | None = None, watch: Watch | None = None, command: str = "",
) -> StudyRun:  # fmt: skip
    """The same, for whoever has asked ``unchanged_run`` already. Raises as ``run_study`` does."""
    path = Path(study_file)
    study = load_study(path)
    table = read_captures_table(study.table_path)
    remarks = check_question(study, table)
    spread = spread or Spread()
    archive_path = Path(archive_dir) if archive_dir is not None else DEFAULT_ARCHIVE
    out = out_folder(path, out_dir)
    if not archive_path.exists() or not made_alike(out, path):
        # probably much to do, and if not, a process too many for a second
        expect_workers(spread, len(table.rows))
    host = Host.discover()
    recipe = bound_recipe(study, host)
    with Archive.open(archive_path, role="coordinator", create=True) as archive:
        job = Job(archive_path.resolve(), recipe, readers_of(host), host.fingerprint(), tuple(host.listing()))
        with archive.indexed_together():
            done = _carried_out(job, table, archive, spread, watch)
        stamp = Stamp.of(study, table, done, host, archive)
        done = without_doubled(table.rows, done)
        _note_facts(archive, table.rows, done)
        remember_study(archive, study, table.rows, done)
        kept = stamp.holds(out)
        if kept is not None:
            run = _with_counts(as_it_stands(path, out, kept), done)
        else:
            outcome, captures, readings = _answer(study, table, done)
            outcome = replace(outcome, notes=(*remarks, *outcome.notes))
            run = _written(Pages(study, path, out, archive, host, command), outcome, captures, readings, done)
        stamp.keep(out, run, archive)
        return run


def _orders(table: CapturesTable) -> list[Order]:
    return [Order(row, table.file_path(row).resolve(), row.capture) for row in table.rows]


def _carried_out(
    job: Job, table: CapturesTable, archive: Archive, spread: Spread, watch: Watch | None
) -> dict[int, Done]:
    orders = _orders(table)
    known = known_orders(job, orders, archive)
    done = {item.row: item for item in known.done}
    rows = {order.row.row: order.row for order in orders}
    taken_in: set[int] = set()
    spoken_of = {item.capture_id for item in known.done}
    for item in carried_out(job, known.missing, archive, spread):
        note_done(archive, item)
        if item.capture_id not in spoken_of:
            # noted here, while workers work; a second row of the same capture has no say
            spoken_of.add(item.capture_id)
            _note_facts(archive, [rows[item.row]], {item.row: item})
        if item.deferred:
            taken_in |= {item.row} if item.new_capture else set()
            continue
        done[item.row] = replace(item, new_capture=True) if item.row in taken_in else item
        if watch is not None:
            row = rows[item.row]
            watch(Progress(len(done), len(orders), row.file, row.platform, item.fitness.state))
    return done


def _note_facts(archive: Archive, rows: Iterable[CaptureRow], done: dict[int, Done]) -> None:
    """What was said about each capture, where it is new: create-once facts in the archive."""
    for row in rows:
        capture_id = done[row.row].capture_id
        if capture_id is not None:
            archive.put_fact(capture_id, row_facts(row))


def row_facts(row: CaptureRow) -> dict[str, Any]:
    """All a row says about its capture, as the archive keeps it."""
    names = ("cylinders", "strokes", "firing_order", "rpm", "sensor", "rig", "coupling", "mount_temp_c", "note")
    return {**row.labels(), **{name: getattr(row, name) for name in names}, "tags": dict(row.tags)}


def _answer(
    study: Study, table: CapturesTable, done: dict[int, Done]
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


def _written(
    pages: Pages, outcome: Outcome, captures: list[dict[str, Any]], readings: list[dict[str, Any]],
    done: dict[int, Done],
) -> StudyRun:  # fmt: skip
    out = pages.out
    out.mkdir(parents=True, exist_ok=True)
    comparisons = [without_nan(item.as_json()) for item in outcome.comparisons]
    over = [without_nan(item.as_json()) for item in outcome.over_platforms]
    bare = [{key: value for key, value in entry.items() if key != "fitness"} for entry in captures]
    files = [
        write_document(out / "captures.json", "captures", bare),
        write_document(out / "readings.json", "readings", readings),
        write_document(out / "comparisons.json", "comparisons", comparisons, over_platforms=over),
    ]
    files += pages.written(outcome, captures, readings)
    run = StudyRun(pages.study_file, bare, readings, comparisons, over, outcome.sentences, outcome.notes, files)
    return _with_counts(run, done)


def _with_counts(run: StudyRun, done: dict[int, Done]) -> StudyRun:
    captures, results = (sum(getattr(item, name) for item in done.values()) for name in ("new_capture", "new_result"))
    return replace(run, n_new_captures=captures, n_new_results=results)
