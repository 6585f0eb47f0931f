"""``thrumline run``: the main job."""

from __future__ import annotations

import shlex
import sys
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from .faults import DONE, SOME_LEFT_OUT
from .options import archive_option, json_option, spread_options

if TYPE_CHECKING:
    from ..api import StudyRun


@click.command(
    short_help="Run a study: readings, verdicts with intervals, a report.",
    epilog="Example: thrumline run wheatear.toml --out results",
)
@click.argument("study", type=click.Path(path_type=Path))
@archive_option
@click.option("--out", "out_dir", type=click.Path(path_type=Path, file_okay=False), default=None,
              help="Folder for results (default: beside the study file).")  # fmt: skip
@json_option
@spread_options
def run(study: Path, archive_dir: Path | None, out_dir: Path | None, as_json: bool, **spread: Any) -> int:
    """Run a study: readings, comparisons with intervals, verdicts, a report.

    STUDY is a .toml file with the question and the path of its table of captures. Only what the archive
    lacks is computed. Exit code 4: done, but some captures were refused or unfit.
    """
    from ..api import unchanged_run
    from .telling import tell_run

    stands = unchanged_run(study, archive_dir=archive_dir, out_dir=out_dir)
    done = stands if stands is not None else _whole(study, archive_dir, out_dir, spread)
    if as_json:
        click.echo(run_document(done))
    else:
        tell_run(done)
    return SOME_LEFT_OUT if done.n_left_out else DONE


def _whole(study: Path, archive_dir: Path | None, out_dir: Path | None, spread: Mapping[str, Any]) -> StudyRun:
    from ..api.ahead import workers_ahead

    workers_ahead(
        study, archive_dir=archive_dir, out_dir=out_dir, workers=spread["workers"], scheduler=spread["scheduler"]
    )
    from ..api import Spread, run_whole
    from .watching import watching

    with watching() as watch:
        return run_whole(
            study, archive_dir=archive_dir, out_dir=out_dir, spread=Spread(**spread), watch=watch,
            command=shlex.join(["thrumline", *sys.argv[1:]]),
        )  # fmt: skip


def run_document(done: Any) -> str:
    """The run as one JSON document."""
    import json

    return json.dumps(
        {
            "schema": 1, "captures": list(done.captures), "readings": list(done.readings),
            "comparisons": list(done.comparisons), "over_platforms": list(done.over_platforms),
            "sentences": list(done.sentences), "notes": list(done.notes), "files": [str(path) for path in done.files],
        },
        allow_nan=False,
    )  # fmt: skip
