"""The fleet bench: builds a fleet from a seed and prints how thrumline fares beside the plain script.

    python bench_datasets/fleet_bench.py                      the whole table at its default size
    python bench_datasets/fleet_bench.py --rows 2 3 --rounds 3
    python bench_datasets/fleet_bench.py --platforms 40 --parts 6 --repeats 5 --seconds 42 --rate 1600 --rows 2

Both sides read the same files in alternating whole processes on the same machine; each round gets a fresh
archive; nothing is kept between sides. Files are in the operating system's cache for both. Rows 1 and 5 have
scripts of their own (spectral_kernel.py, long_capture.py).
"""

from __future__ import annotations

import argparse
import json
import shutil
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

from stopwatch import compiled, machine, median, process_seconds, table, thrumline

from thrumline.pipeline.api.question import bound_recipe, readers_of
from thrumline.pipeline.api.rerun import known_orders, note_done
from thrumline.pipeline.execution.orders import Job, Order
from thrumline.pipeline.execution.spread import Spread, carried_out
from thrumline.pipeline.host import Host
from thrumline.pipeline.study import load_study, read_captures_table
from thrumline.pipeline.testing import FleetSpec, TextDialect, invented_platforms, write_fleet
from thrumline.storage import Archive

HERE = Path(__file__).parent
SEED = 7


@dataclass(frozen=True)
class Asked:
    """What the command line asked for."""

    fleet: FleetSpec
    rounds: int | None
    many: int
    folder: Path

    def turns(self, usual: int = 5) -> range:
        """The rounds to take: as many as asked for, or as usual for this row."""
        return range(usual if self.rounds is None else self.rounds)

    def built(self, name: str, spec: FleetSpec) -> Path:
        """A fleet on disk; returns its study file."""
        folder = self.folder / name
        return folder / "study.toml" if folder.exists() else write_fleet(folder, spec, SEED)

    def run(self, study: Path, archive: Path, *, workers: int = 2) -> float:
        """Seconds of one whole ``thrumline run``."""
        out = self.folder / "out"
        return process_seconds(
            thrumline("run", str(study), "--archive", str(archive), "--out", str(out), "--workers", str(workers))
        )

    def fresh(self, study: Path, *, workers: int = 2) -> float:
        """Seconds of a first run, archive and all.

        Earlier archives are left until the end: where thousands of files were just removed, making new ones takes
        ext4 ten times as long, for minutes.
        """
        return self.run(study, self.archive_of(study), workers=workers)

    def archive_of(self, study: Path) -> Path:
        """A folder for an archive that no run has had."""
        place = self.folder / "archives" / study.parent.name
        place.mkdir(parents=True, exist_ok=True)
        return place / f"{sum(1 for _ in place.iterdir())}"

    def yardstick(self, study: Path, processes: int = 1) -> float:
        """Seconds of the plain script."""
        command = [sys.executable, str(HERE / "yardstick.py"), str(study.parent / "captures.csv")]
        return process_seconds([*command, "--processes", str(processes)])


Rows = list[list[str]]


def small(spec: FleetSpec) -> FleetSpec:
    """A quarter of the fleet or somewhat more, with as many platforms at each rate: what a start costs.

    Enough for workers to be started. With other rates than the fleet, what is left of it would be other captures than
    the average.
    """
    n, n_rate = len(spec.platforms), len(spec.rates_hz)
    share = -(-n // 4)
    mixed = -(-share // n_rate) * n_rate
    return replace(spec, platforms=spec.platforms[: mixed if mixed < n else share])


def size_of(spec: FleetSpec) -> int:
    """Captures in the fleet."""
    return len(spec.platforms) * len(spec.parts) * spec.repeats * spec.placements * spec.takes


def first_run(asked: Asked) -> Rows:
    """Row 2: a first run with everything, against the script that does none of it; start and slope."""
    study, few = asked.built("fleet", asked.fleet), asked.built("few", small(asked.fleet))
    rounds = [
        (asked.yardstick(study), asked.fresh(study), asked.yardstick(study, 2), asked.fresh(few))
        for _ in asked.turns()
    ]
    script, ours, pool, ours_few = (median(column) for column in zip(*rounds, strict=True))
    cpu_script, cpu_ours = (median([each[side].cpu for each in rounds]) for side in (0, 1))
    n, n_few = size_of(asked.fleet), size_of(small(asked.fleet))
    slope = (ours - ours_few) / (n - n_few)
    megabytes = sum(path.stat().st_size for path in (study.parent / "captures").rglob("*.*")) / 1e6
    return [
        ["2", f"first run, {n} captures, {megabytes:.0f} MB", f"{ours:.2f} s",
         f"{script:.2f} s (pool of 2: {pool:.2f} s)", f"{ours / script:.2f}x", "<= 3x, aim 1.5x"],
        ["2", "CPU seconds of it, all processes", f"{cpu_ours:.1f} s", f"{cpu_script:.1f} s",
         f"{cpu_ours / cpu_script:.2f}x", ""],
        ["2", "start (slope taken off)", f"{ours_few - n_few * slope:.2f} s", "", "", "<= 3 s"],
        ["2", "slope per capture, 2 workers", f"{1e3 * slope:.1f} ms", "", "", "<= 20 ms, aim 10 ms"],
    ]  # fmt: skip


def changed_recipe(asked: Asked) -> Rows:
    """Row 3: the same study with another recipe, from the archive; every round another resolution."""
    study = asked.built("fleet", asked.fleet)
    archive, plain = asked.archive_of(study), study.read_text(encoding="utf-8")
    asked.run(study, archive)
    rounds = []
    for number in asked.turns():
        changed = study.with_name("changed.toml")
        changed.write_text(f"{plain}\n[stage.spectrum]\nresolution_hz = {0.30 + 0.01 * number:.2f}\n", encoding="utf-8")
        rounds.append((asked.yardstick(study), asked.run(changed, archive)))
    script, ours = (median(column) for column in zip(*rounds, strict=True))
    return [["3", f"changed recipe, {size_of(asked.fleet)} captures from the archive", f"{ours:.2f} s",
             f"{script:.2f} s", f"{script / ours:.2f}x faster", ">= 1x, aim 4x"]]  # fmt: skip


def many_short(asked: Asked) -> FleetSpec:
    """Very many short captures: what counts is their number."""
    platforms = invented_platforms(-(-asked.many // 50), SEED)
    return replace(
        asked.fleet, platforms=platforms, parts=("original", "candidate-A"), repeats=25, duration_s=1.0,
        rates_hz=(400.0,), taps=False,
    )  # fmt: skip


BARE_RECIPE = """
name = "bare"
title = "Hardly any signal work: one spectrum of a second at 200 Hz and its highest bin"
quantities = ["acceleration"]
stages = ["resample", "spectrum", "combine", "highest_bin"]
"""


def with_bare_recipe(study: Path) -> str:
    """The study's text with the bare recipe, which is put beside it."""
    (study.parent / "bare.toml").write_text(BARE_RECIPE, encoding="utf-8")
    return study.read_text(encoding="utf-8") + '\nrecipe = "bare.toml"\nreading = "highest_bin"\n'


def nothing_new(asked: Asked) -> Rows:
    """Row 4: a run that finds everything done, whatever the recipe was."""
    spec = many_short(asked)
    plain = asked.built("many", spec)
    study = plain.with_name("bare-study.toml")
    study.write_text(with_bare_recipe(plain), encoding="utf-8")
    archive = asked.folder / "archive-many"
    first = asked.run(study, archive)
    again = median([asked.run(study, archive) for _ in asked.turns()])
    n = size_of(spec)
    return [
        ["4", f"nothing new over {n} captures", f"{again:.2f} s", "", "", "<= 1.5 s, aim 0.5 s"],
        ["4", f"their first run ({spec.duration_s:g} s each, hardly any signal work)", f"{first:.1f} s", "",
         f"{1e3 * first / n:.1f} ms each", ""],
    ]  # fmt: skip


def two_workers(asked: Asked) -> Rows:
    """Row 6: two workers against one on 200 captures, a third as long as the others.

    What a start costs is taken off by a sixth of the same fleet, which is enough for workers to be started.
    """
    n_platforms = -(-200 // (len(asked.fleet.parts) * asked.fleet.repeats))
    platforms = invented_platforms(n_platforms, SEED)
    spec = replace(asked.fleet, platforms=platforms, duration_s=asked.fleet.duration_s / 3)
    sixth = replace(spec, platforms=platforms[: -(-n_platforms // 6)])
    study, few = asked.built("two-hundred", spec), asked.built("sixth", sixth)
    n, n_few = size_of(spec), size_of(sixth)
    rounds = [
        (asked.fresh(study, workers=1), asked.fresh(few, workers=1), asked.fresh(study), asked.fresh(few))
        for _ in asked.turns(3)
    ]
    one, one_few, two, two_few = (median(column) for column in zip(*rounds, strict=True))
    gain = (one - one_few) / (two - two_few)
    return [["6", f"2 workers against 1, {n} captures less the first {n_few}", f"{two - two_few:.2f} s",
             f"{one - one_few:.2f} s", f"{gain:.2f}x", ">= 1.7x, aim 1.9x"]]  # fmt: skip


SETTLED = 100
"""Captures that are done before the clock of row 7 starts: by then all workers are up."""


def per_capture(asked: Asked) -> Rows:
    """Row 7: what a capture costs beside its signal work, through the real executor and two workers.

    Captures of one second at 200 Hz are in the archive; another resolution makes all results anew. Timed is from the
    hundredth result to the last: dispatch, opening the capture, a chain of four stages on 200 samples, committing the
    result durably, the catalogue. Start, tables and report are outside.
    """
    spec = replace(many_short(replace(asked, many=asked.many // 4)), rates_hz=(200.0,))
    study, archive = asked.built("tiny", spec), asked.folder / "archive-tiny"
    plain = with_bare_recipe(study)
    bare = study.with_name("bare-study.toml")
    bare.write_text(plain, encoding="utf-8")
    asked.run(bare, archive)
    seconds = []
    for number in asked.turns():
        bare.write_text(f"{plain}\n[stage.spectrum]\nresolution_hz = {2.5 + number / 10}\n", encoding="utf-8")
        seconds.append(_beside_signal_work(bare, archive))
    return [["7", f"dispatch, catalogue, result commit per capture, {size_of(spec)} captures, 2 workers",
             f"{1e3 * median(seconds):.2f} ms", "", "", "<= 5 ms, aim 3 ms"]]  # fmt: skip


def _beside_signal_work(study_file: Path, archive_dir: Path) -> float:
    """Seconds a capture between the hundredth and the last result of a run that computes all anew."""
    study, host = load_study(study_file), Host.discover()
    recipe, table_rows = bound_recipe(study, host), read_captures_table(study.table_path)
    orders = [Order(row, table_rows.file_path(row).resolve(), row.capture) for row in table_rows.rows]
    done_at = []
    with Archive.open(archive_dir, role="coordinator") as archive, archive.indexed_together():
        job = Job(archive_dir.resolve(), recipe, readers_of(host), host.fingerprint(), tuple(host.listing()))
        for done in carried_out(job, known_orders(job, orders, archive).missing, archive, Spread(workers=2)):
            assert done.new_result, done
            note_done(archive, done)
            done_at.append(time.perf_counter())
    return (done_at[-1] - done_at[SETTLED]) / (len(done_at) - 1 - SETTLED)


def help_text(asked: Asked) -> Rows:
    """Row 8: the help."""
    seconds = median([process_seconds(thrumline("--help")) for _ in asked.turns(9)])
    return [["8", "thrumline --help", f"{seconds:.2f} s", "", "", "<= 0.4 s, aim 0.15 s"]]


MEASURES: dict[int, Callable[[Asked], Rows]] = {
    2: first_run, 3: changed_recipe, 4: nothing_new, 6: two_workers, 7: per_capture, 8: help_text,
}  # fmt: skip


def arguments() -> argparse.Namespace:
    """The command line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--platforms", type=int, default=12)
    parser.add_argument("--parts", type=int, default=3)
    parser.add_argument("--repeats", type=int, default=4)
    parser.add_argument("--seconds", type=float, default=42.0)
    parser.add_argument("--rate", type=float, action="append", help="Hz; several are used in turn")
    parser.add_argument("--channels", type=int, default=3)
    parser.add_argument("--format", choices=("text", "wav"), default="text")
    parser.add_argument("--rows", type=int, nargs="+", choices=sorted(MEASURES), default=sorted(MEASURES))
    parser.add_argument("--rounds", type=int, help="of every row (default: 5; row 6, the longest, 3)")
    parser.add_argument("--many", type=int, default=2000, help="captures in rows 4 and 7")
    parser.add_argument("--folder", type=Path, help="where fleets are built and kept (default: a temporary folder)")
    parser.add_argument("--json", type=Path, help="also write the rows to this file")
    return parser.parse_args()


def fleet_of(asked: argparse.Namespace) -> FleetSpec:
    """The fleet the command line describes; one plain dialect, so that the script has the easiest reading."""
    names = ["original", *(f"candidate-{chr(65 + i)}" for i in range(asked.parts - 1))]
    return FleetSpec(
        platforms=invented_platforms(asked.platforms, SEED), parts=tuple(names), repeats=asked.repeats,
        duration_s=asked.seconds, rates_hz=tuple(asked.rate or (800.0, 1000.0, 1200.0, 1600.0)),
        n_channel=asked.channels, format=asked.format, dialects=(TextDialect(),),
    )  # fmt: skip


def main() -> None:
    words = arguments()
    folder = words.folder or Path(tempfile.mkdtemp(prefix="fleet-bench-"))
    asked = Asked(fleet_of(words), words.rounds, words.many, folder)
    rows: Rows = []
    print(machine())
    compiled()
    try:
        for number in words.rows:
            made = MEASURES[number](asked)
            rows += made
            print("\n".join("  ".join(row) for row in made), file=sys.stderr, flush=True)
    finally:
        if words.folder is None:
            shutil.rmtree(folder, ignore_errors=True)
    print(table(rows, ["#", "measure", "thrumline", "against", "ratio", "must, aim"]))
    if words.json:
        words.json.write_text(json.dumps({"machine": machine(), "rows": rows}, indent=1), encoding="utf-8")


if __name__ == "__main__":
    main()
