"""Does the cost grow with the archive? The same archive at 1,000, 5,000 and 20,000 captures.

Short captures (0.5 s at 200 Hz: what counts is their number) are added study by study; at each size a run that
finds nothing new over *all* captures so far, one over a thousand of them, and the listing are timed.

    python bench_datasets/archive_growth.py [--sizes 1000 5000 20000] [--rounds 3]
"""

from __future__ import annotations

import argparse
import shutil
import tempfile
from dataclasses import dataclass
from pathlib import Path

from stopwatch import machine, median, process_seconds, table, thrumline

from thrumline.pipeline.testing import FleetSpec, TextDialect, invented_platforms, write_fleet

PER_PLATFORM = 50


@dataclass(frozen=True)
class Grown:
    """Figures at one size, seconds."""

    n: int
    adding: float
    nothing_new: float
    thousand: float
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
        thrumline("run", str(study), "--archive", str(archive), "--out", str(study.parent / "out"))
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
        n, adding, median([run_seconds(everything, archive) for _ in range(rounds)]),
        median([run_seconds(thousand, archive) for _ in range(rounds)]),
        median([process_seconds(listing) for _ in range(rounds)]),
    )  # fmt: skip


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
        [f"{g.n}", f"{g.adding:.1f} s", f"{g.nothing_new:.2f} s", f"{g.thousand:.2f} s", f"{g.listing:.2f} s"]
        for g in figures
    ]
    names = ("adding", "nothing_new", "thousand", "listing")
    rows.append(["per 1,000 more", "", *(slope(figures, name) for name in names[1:])])
    print(table(rows, ["captures", "added in", "nothing new over all", "nothing new over 1,000", "listing"]))


if __name__ == "__main__":
    main()
