"""The main job: a table of captures and a question in, readings, comparisons, verdicts and a report out."""

from __future__ import annotations

from collections.abc import Iterable
from contextlib import ExitStack, closing, suppress
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from ...storage import Archive, StorageError
from ..contracts import CaptureRow
from ..execution.orders import Done, Job, Order
from ..execution.spread import Spread, carried_out, expect_workers
from ..host import Host
from ..study import CapturesTable, check_question, load_study, read_captures_table
from .curves import Curves
from .doubled import without_doubled
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
    with Archive.open(archive_path, role="coordinator", create=True) as archive, ExitStack() as ending:
        job = Job(archive_path.resolve(), recipe, readers_of(host), host.fingerprint(), tuple(host.listing()))
        curves = Curves(archive)
        with archive.indexed_together():
            done = _Carrying(archive, spread, curves, ending, watch).out(job, table)
        stamp = Stamp.of(study, table, done, host, archive)
        done = without_doubled(table.rows, done)
        _note_facts(archive, table.rows, done)
        remember_study(archive, study, table.rows, done)
        kept = stamp.holds(out)
        if kept is not None:
            run = as_it_stands(path, out, kept)
        else:
            from .answering import written
            from .pages import Pages

            run = written(Pages(study, path, out, archive, host, curves, command), table, done, remarks)
        stamp.keep(out, run, archive)
        return _with_counts(run, done)


def _orders(table: CapturesTable) -> list[Order]:
    return [Order(row, table.file_path(row).resolve(), row.capture) for row in table.rows]


@dataclass(frozen=True, slots=True)
class _Carrying:
    """What carrying out the orders of a run takes, and what it does beside while workers work."""

    archive: Archive
    spread: Spread
    curves: Curves
    ending: ExitStack
    watch: Watch | None

    def out(self, job: Job, table: CapturesTable) -> dict[int, Done]:
        """What each row of the table came to."""
        orders = _orders(table)
        known = known_orders(job, orders, self.archive)
        done = {item.row: item for item in known.done}
        rows = {order.row.row: order.row for order in orders}
        taken_in: set[int] = set()
        spoken_of, unsaid = {item.capture_id for item in known.done}, dict[int, Done]()
        with closing(carried_out(job, known.missing, self.archive, self.spread, self.ending)) as told:
            for item in told:
                note_done(self.archive, item)
                if item.capture_id not in spoken_of:
                    # noted here, while workers work; a second row of the same capture has no say
                    spoken_of.add(item.capture_id)
                    unsaid[item.row] = item
                if len(unsaid) >= FACTS_TOGETHER:
                    _note_facts(self.archive, [rows[number] for number in unsaid], unsaid)
                    unsaid = {}
                if item.deferred:
                    taken_in |= {item.row} if item.new_capture else set()
                    continue
                done[item.row] = replace(item, new_capture=True) if item.row in taken_in else item
                self._ahead(item)
                if self.watch is not None:
                    row = rows[item.row]
                    self.watch(Progress(len(done), len(orders), row.file, row.platform, item.fitness.state))
        return done

    def _ahead(self, item: Done) -> None:
        """Load and read for the pages, while workers work, what would be at the end on one core."""
        from . import answering  # noqa: F401

        if item.new_result and item.result_id is not None:
            # what cannot be read is told by whoever wants it
            with suppress(StorageError):
                self.curves.read_ahead(item.result_id)


FACTS_TOGETHER = 8
"""Captures whose facts are brought to the device at once; what is left over is noted at the end, as all rows are."""


def _note_facts(archive: Archive, rows: Iterable[CaptureRow], done: dict[int, Done]) -> None:
    """What was said about each capture, where it is new: create-once facts in the archive."""
    said: dict[str, dict[str, Any]] = {}
    for row in rows:
        capture_id = done[row.row].capture_id
        if capture_id is not None:
            said.setdefault(capture_id, row_facts(row))
    archive.put_facts(said)


def row_facts(row: CaptureRow) -> dict[str, Any]:
    """All a row says about its capture, as the archive keeps it."""
    names = ("cylinders", "strokes", "firing_order", "rpm", "sensor", "rig", "coupling", "mount_temp_c", "note")
    return {**row.labels(), **{name: getattr(row, name) for name in names}, "tags": dict(row.tags)}


def _with_counts(run: StudyRun, done: dict[int, Done]) -> StudyRun:
    captures, results = (sum(getattr(item, name) for item in done.values()) for name in ("new_capture", "new_result"))
    return replace(run, n_new_captures=captures, n_new_results=results)
