"""Does the cost grow with the archive? The same archive at 1,000, 5,000 and 20,000 captures.

Short captures (0.5 s at 200 Hz: what counts is their number) are added study by study; at each size a run that
finds nothing new over *all* captures so far, one over a thousand of them, the plan (which rows still have to run,
for whoever has changed something) and the listing are timed.

    python bench_datasets/archive_growth.py [--sizes 1000 5000 20000] [--rounds 3]
"""

from __future__ import annotations

import argparse
import shutil
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path

from stopwatch import machine, median, process_seconds, table, thrumline

from thrumline.pipeline.testing import FleetSpec, TextDialect, invented_platforms, write_fleet

PER_PLATFORM = 50
PLAN = """
import sys
from pathlib import Path
from thrumline.pipeline.api.question import bound_recipe, readers_of
from thrumline.pipeline.api.rerun import known_orders
from thrumline.pipeline.api.studies import _orders
from thrumline.pipeline.execution.orders import Job
from thrumline.pipeline.host import Host
from thrumline.pipeline.study import load_study, read_captures_table
from thrumline.storage import Archive
study, host = load_study(Path(sys.argv[1])), Host.discover()
with Archive.open(sys.argv[2], role="coordinator") as archive:
    job = Job(Path(sys.argv[2]), bound_recipe(study, host), readers_of(host), host.fingerprint())
    assert known_orders(job, _orders(read_captures_table(study.table_path)), archive).missing == ()
"""
"""What a run does up to knowing that nothing has to run, when it has to look at each row."""


@dataclass(frozen=True)
class Grown:
    """Figures at one size, seconds."""

    n: int
    adding: float
    nothing_new: float
    thousand: float
    plan: float
    listing: float


def fleet_of(n: int) -> FleetSpec:
    """``n`` captures of half a second: 50 a platform."""
    return FleetSpec(
        platforms=invented_platforms(n // PER_PLATFORM, 3), parts=("original", "candidate-A"), repeats=25,
        duration_s=0.5, rates_hz=(200.0,), taps=False, dialects=(TextDialect(),),
    )  # fmt: skip


def run_seconds(study: Path, archive: Path) -> float:
    """One whole run of a study on the archive."""
    return process_seconds(
        thrumline("run", str(study), "--archive", str(archive), "--out", str(study.with_suffix(".out")))
    )


def first_rows(study: Path, n: int) -> Path:
    """The study over the first ``n`` rows of its table only."""
    lines = (study.parent / "captures.csv").read_text(encoding="utf-8").splitlines(keepends=True)
    (study.parent / f"first-{n}.csv").write_text("".join(lines[: n + 1]), encoding="utf-8")
    part = study.with_name(f"first-{n}.toml")
    part.write_text(study.read_text(encoding="utf-8").replace("captures.csv", f"first-{n}.csv"), encoding="utf-8")
    return part


def grown(study: Path, archive: Path, n: int, rounds: int) -> Grown:
    """Bring the archive to ``n`` captures, then time what finds them there."""
    everything, thousand = first_rows(study, n), first_rows(study, min(n, 1000))
    adding = run_seconds(everything, archive)
    listing = thrumline("archive", "ls", "--archive", str(archive))
    return Grown(
        n, adding, settled(everything, archive, rounds),
        settled(thousand, archive, rounds),
        median([process_seconds([sys.executable, "-c", PLAN, str(everything), str(archive)]) for _ in range(rounds)]),
        median([process_seconds(listing) for _ in range(rounds)]),
    )  # fmt: skip


def settled(study: Path, archive: Path, rounds: int) -> float:
    """Median time of a run with nothing new, after one that finds the study's answers as it left them."""
    run_seconds(study, archive)
    return median([run_seconds(study, archive) for _ in range(rounds)])


def slope(figures: list[Grown], name: str) -> str:
    """Milliseconds per thousand captures between the smallest and the largest size."""
    first, last = figures[0], figures[-1]
    if last.n == first.n:
        return ""
    return f"{1e3 * (getattr(last, name) - getattr(first, name)) / ((last.n - first.n) / 1000):.1f} ms"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--sizes", type=int, nargs="+", default=[1000, 5000, 20000])
    parser.add_argument("--rounds", type=int, default=3)
    asked = parser.parse_args()
    sizes = sorted(asked.sizes)
    folder = Path(tempfile.mkdtemp(prefix="archive-growth-"))
    print(machine())
    try:
        study = write_fleet(folder / "fleet", fleet_of(sizes[-1]), 3)
        figures = [grown(study, folder / "archive", n, asked.rounds) for n in sizes]
    finally:
        shutil.rmtree(folder, ignore_errors=True)
    rows = [
        [f"{g.n}", f"{g.adding:.1f} s", *(f"{x:.2f} s" for x in (g.nothing_new, g.thousand, g.plan, g.listing))]
        for g in figures
    ]
    names = ("adding", "nothing_new", "thousand", "plan", "listing")
    rows.append(["per 1,000 more", "", *(slope(figures, name) for name in names[1:])])
    print(table(rows, ["captures", "added in", "nothing new over all", "nothing new over 1,000", "plan", "listing"]))


if __name__ == "__main__":
    main()
