"""Progress of long work: a bar on a terminal, plain lines elsewhere, always on the error stream."""

from __future__ import annotations

import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from ..api import Watch
    from ..api.study_run import Progress

LINES_EVERY_S = 5.0
"""Plain output says something this often, so that a log file shows life without drowning."""


@contextmanager
def watching() -> Iterator[Watch]:
    """Give a watcher to a running study."""
    if sys.stderr.isatty():
        with _bar() as watch:
            yield watch
    else:
        yield _lines()


@contextmanager
def _bar() -> Iterator[Watch]:
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, TextColumn, TimeRemainingColumn
    from rich.progress import Progress as Bar

    columns = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(), TimeRemainingColumn())
    with Bar(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task("captures", total=None)

        def watch(step: Progress) -> None:
            bar.update(task, completed=step.done, total=step.total, description=step.platform[:24])

        yield watch


def _lines() -> Watch:
    last = [time.monotonic()]

    def watch(step: Progress) -> None:
        now = time.monotonic()
        if step.state != "fit":
            click.echo(f"{step.done}/{step.total} {step.file}: {step.state}", err=True)
        elif step.done == step.total or now - last[0] >= LINES_EVERY_S:
            last[0] = now
            click.echo(f"{step.done}/{step.total} captures ({step.platform})", err=True)

    return watch
