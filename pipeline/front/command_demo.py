"""``thrumline demo``: an invented fleet with known truth, run and explained."""

from __future__ import annotations

import shlex
from pathlib import Path
from typing import Any

import click

DEMO_SEED = 2026
"""The same invented fleet on every machine."""


@click.command(
    short_help="Write an invented fleet, run it, compare with its truth.",
    epilog="Example: thrumline demo my-demo",
)
@click.argument("directory", type=click.Path(path_type=Path, file_okay=False), default=Path("thrumline-demo"))
@click.option("--workers", type=click.IntRange(1), default=None, help="Worker processes (default: one a core).")
def demo(directory: Path, workers: int | None) -> int:
    """Write a small invented fleet to DIRECTORY, run its study, and compare the verdicts with the truth.

    Three platforms, three parts, three repeats each, and one faulty capture. Everything stays in DIRECTORY.
    """
    from ..api import Spread, run_study
    from ..testing import demo_fleet, true_changes, write_fleet
    from .telling import tell_run
    from .watching import watching

    click.echo(f"writing an invented fleet to {directory} ...", err=True)
    write_fleet(directory, demo_fleet(), DEMO_SEED)
    truth = true_changes(demo_fleet(), DEMO_SEED)
    study = directory / "study.toml"
    with watching() as watch:
        done = run_study(
            study, archive_dir=directory / "archive", out_dir=directory / "results", spread=Spread(workers=workers),
            watch=watch, command=shlex.join(["thrumline", "demo", str(directory)]),
        )  # fmt: skip
    tell_run(done)
    _tell_truth(done.comparisons, truth)
    click.echo(f"\nopen {directory / 'results' / 'report.html'} in a browser; then change {study} and run")
    click.echo(f"  thrumline run {study} --archive {directory / 'archive'}")
    return 0


def _tell_truth(comparisons: Any, truth: Any) -> None:
    """Found beside true change, and whether the interval holds it."""
    from .telling import print_table

    rows = []
    for c in comparisons:
        true = truth.get((c["platform"], c["candidate"]))
        if c["carries_verdict"] and true is not None and c["interval_low"] is not None:
            holds = "yes" if c["interval_low"] <= true <= c["interval_high"] else "no"
            rows.append((c["platform"], c["candidate"], f"{true:+.1f} %", f"{c['percent_change']:+.1f} %", holds))
    click.echo("\nwhat the simulator put in, beside what was found:")
    print_table(("platform", "part", "true change", "found", "interval holds it"), rows)
