"""``thrumline plan``: which fittings next, in which order, and a sheet for the workshop."""

from __future__ import annotations

import shlex
import sys
from pathlib import Path

import click


@click.command(
    short_help="Plan the next fittings and print a test sheet.",
    epilog="Example: thrumline plan wheatear.toml --sheet friday.html",
)
@click.argument("study", type=click.Path(path_type=Path))
@click.option("--results", "results_dir", type=click.Path(path_type=Path, file_okay=False), default=None,
              help="Results of an earlier run (default: beside the study file).")  # fmt: skip
@click.option("--sheet", type=click.Path(path_type=Path, dir_okay=False), default=None,
              help="Where to write the test sheet (default: beside the study file).")  # fmt: skip
def plan(study: Path, results_dir: Path | None, sheet: Path | None) -> int:
    """Plan the next fittings of a study, in an order in which drift cancels, and print a test sheet.

    After a run the plan settles what is open; before one it is a first test of all parts in the table.
    """
    from ..api.planning import plan_test

    planned = plan_test(study, results_dir=results_dir, sheet=sheet, command=shlex.join(["thrumline", *sys.argv[1:]]))
    for platform in planned.plans:
        click.echo(platform.platform)
        for why in platform.why:
            click.echo(f"  {why}")
        for run in platform.runs:
            click.echo(f"  {run.number:3}. {run.part}{f'  ({run.note})' if run.note else ''}")
        for cause in platform.not_settled:
            click.echo(f"  not settled by fittings: {cause}")
    if not planned.plans:
        click.echo("every question is answered; nothing to measure")
    click.echo(f"wrote {planned.sheet}")
    return 0
