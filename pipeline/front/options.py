"""Options that several commands share, worded once."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

import click

F = TypeVar("F", bound=Callable[..., Any])

archive_option = click.option(
    "--archive", "archive_dir", type=click.Path(path_type=Path, file_okay=False), envvar="THRUMLINE_ARCHIVE",
    default=None, help="Archive folder (default ./thrumline-archive).",
)  # fmt: skip
json_option = click.option("--json", "as_json", is_flag=True, help="One JSON document on stdout, messages on stderr.")


def spread_options(command: F) -> F:
    """How to spread the work; the default uses every core of this machine."""
    for decorate in (
        click.option("--tls-key", type=click.Path(exists=True), default=None, help="Client key for the scheduler."),
        click.option("--tls-cert", type=click.Path(exists=True), default=None, help="Client certificate."),
        click.option("--tls-ca", type=click.Path(exists=True), default=None, help="CA of an existing scheduler."),
        click.option("--scheduler", default=None, metavar="ADDRESS", help="Use an existing Dask scheduler."),
        click.option("--memory", default="2GB", show_default=True, help="Memory limit of one worker process."),
        click.option("--workers", type=click.IntRange(1), default=None, help="Worker processes (default: one a core)."),
    ):
        command = decorate(command)
    return command


def mapping_options(command: F) -> F:
    """What a person can say about one file's columns."""
    for decorate in (
        click.option("--axes", default="", help='Which column is which axis, e.g. "x=+c1 y=-c3 z=+c2".'),
        click.option("--rate", "sample_rate_hz", type=click.FloatRange(min=0, min_open=True), default=None,
                     help="Sample rate in Hz, for files without a time column."),
        click.option("--scale", type=float, default=None, help="m s-2 per count, with --unit counts."),
        click.option("--unit", default=None, help="Unit of acceleration: g, mg (milli-g), m/s2, counts (--scale)."),
    ):  # fmt: skip
        command = decorate(command)
    return command
