"""The main job: a table of captures and a question in, readings, comparisons, verdicts and a report out."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ...storage import Archive
from ..contracts import CaptureRow, Fitness
from ..execution.orders import Done, Job, Order
from ..execution.spread import Spread, carried_out
from ..host import Host
from ..study import CapturesTable, Outcome, Study, check_question, compare, load_study, read_captures_table
from .documents import capture_entries, reading_entries, without_nan, write_document
from .doubled import without_doubled
from .pages import Pages
from .question import bound_recipe, readers_of
from .remembered import remember_study
from .rerun import known_orders, note_done
from .unchanged import Stamp, StoredEntries

if TYPE_CHECKING:
    import pandas as pd

DEFAULT_ARCHIVE = Path("thrumline-archive")


@dataclass(frozen=True, slots=True)
class Progress:
    """One step of a running study, for whoever watches."""

    done: int
    total: int
    file: str
    platform: str
    state: str


Watch = Callable[[Progress], None]


@dataclass(frozen=True, slots=True)
class StudyRun:
    """What a run gives back: plain entries as in the files, and where the files are."""

    study: Study
    captures: Sequence[dict[str, Any]]
    readings: Sequence[dict[str, Any]]
    comparisons: Sequence[dict[str, Any]]
    over_platforms: Sequence[dict[str, Any]]
    sentences: Sequence[str]
    notes: Sequence[str]
    files: Sequence[Path]
    n_new_captures: int = 0
    n_new_results: int = 0
    seconds: dict[str, float] = field(default_factory=dict)

    @property
    def n_left_out(self) -> int:
        """Captures refused or unfit."""
        return sum(entry["state"] != "fit" for entry in self.captures)

    def table(self, name: str) -> pd.DataFrame:
        """``captures``, ``readings``, ``comparisons`` or ``over_platforms`` as a pandas table."""
        import pandas as pd

        return pd.DataFrame(list(getattr(self, name)))


def run_study(
    study_file: Path | str, *, archive_dir: Path | str | None = None, out_dir: Path | str | None = None,
    spread: Spread | None = None, watch: Watch | None = None, command: str = "",
) -> StudyRun:  # fmt: skip
    """Run one study. Only what is missing in the archive is computed.

    Raises StudyError, RecipeError, SchemaError, SettingsError, PluginError before any sample is read; what a
    single file does never raises: its row is refused or unfit, with reasons, and the others go on.
    """
    path = Path(study_file)
    study = load_study(path)
    table = read_captures_table(study.table_path)
    remarks = check_question(study, table)
    host = Host.discover()
    recipe = bound_recipe(study, host)
    out = Path(out_dir) if out_dir is not None else path.parent / f"{path.stem}-results"
    archive_path = Path(archive_dir) if archive_dir is not None else DEFAULT_ARCHIVE
    with Archive.open(archive_path, role="coordinator", create=True) as archive:
        job = Job(archive_path.resolve(), recipe, readers_of(host), host.fingerprint(), tuple(host.listing()))
        done = _carried_out(job, table, archive, spread or Spread(), watch)
        stamp = Stamp.of(study, table, done, host, archive)
        done = without_doubled(table.rows, done)
        _note_facts(archive, table.rows, done)
        remember_study(archive, study, table.rows, done)
        kept = stamp.holds(out)
        if kept is not None:
            return _as_it_stands(study, out, kept)
        outcome, captures, readings = _answer(study, table, done)
        outcome = replace(outcome, notes=(*remarks, *outcome.notes))
        pages = Pages(study, path, out, archive, host, command)
        run = _written(pages, outcome, captures, readings, done)
        stamp.keep(out, run.files, run.sentences, run.notes)
        return run


def _as_it_stands(study: Study, out: Path, kept: Mapping[str, Any]) -> StudyRun:
    """The run whose files are in ``out``, made from exactly what this one would make them from."""
    comparisons = out / "comparisons.json"
    return StudyRun(
        study, StoredEntries(out / "captures.json", "captures"), StoredEntries(out / "readings.json", "readings"),
        StoredEntries(comparisons, "comparisons"), StoredEntries(comparisons, "over_platforms"),
        kept["sentences"], kept["notes"], [out / name for name in kept["files"]],
    )  # fmt: skip


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
    for item in carried_out(job, known.missing, archive, spread):
        note_done(archive, item)
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
        write_document(out / "captures.json", "captures", without_nan(bare)),
        write_document(out / "readings.json", "readings", without_nan(readings)),
        write_document(out / "comparisons.json", "comparisons", comparisons, over_platforms=over),
    ]
    files += pages.written(outcome, captures, readings)
    return StudyRun(
        pages.study, bare, readings, comparisons, over, outcome.sentences, outcome.notes, files,
        n_new_captures=sum(item.new_capture for item in done.values()),
        n_new_results=sum(item.new_result for item in done.values()),
    )  # fmt: skip
