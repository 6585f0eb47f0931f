"""Tables and sentences on the terminal: verdicts first, then one table, then where the files are."""

from __future__ import annotations

import shutil
import sys
import textwrap
from collections.abc import Iterable, Mapping, Sequence
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from ..api import StudyRun

MARKS = {"within limit": "■", "over limit": "▲", "open": "○", "indicative": "◌", "no verdict": "–"}
"""A shape beside each verdict word, so that colour is never needed."""


def tell_run(run: StudyRun) -> None:
    """Verdict sentences, comparison table, what was left out, files."""
    for sentence in filter(None, run.sentences):
        click.echo(_folded(sentence))
    click.echo()
    tell_comparisons(run.comparisons)
    tell_left_out(run.captures)
    for note in run.notes:
        click.echo(_folded(f"note: {note}"))
    click.echo("files:")
    for path in run.files:
        click.echo(f"  {path}")
    if run.unchanged:
        click.echo(f"nothing new: {len(run.captures)} captures, table, question, program as before; the files stand")


def tell_comparisons(comparisons: Iterable[Mapping[str, Any]]) -> None:
    """One row a comparison that carries a verdict; what is the same in all rows stands once above them."""
    chosen = [c for c in comparisons if c["carries_verdict"]]
    places = {name: {str(c[name]) for c in chosen} for name in ("position", "condition")}
    varying = [name for name, found in places.items() if len(found) > 1]
    click.echo(", ".join(next(iter(found)) for found in places.values() if len(found) == 1))
    head = ("platform", "part", *varying, "repeats", "change", "interval", "verdict")
    rows = [
        (
            c["platform"], c["candidate"], *(c[name] for name in varying), _repeats(c), _change(c), _interval(c),
            _verdict(c),
        )
        for c in chosen
    ]  # fmt: skip
    print_table(head, rows, whole=("repeats", "change", "interval", "verdict"))


def tell_left_out(captures: Sequence[Mapping[str, Any]]) -> None:
    """Captures that were not used, and why, one line each."""
    left_out = [c for c in captures if c["state"] != "fit"]
    if left_out:
        click.echo(f"\n{len(left_out)} of {len(captures)} captures not used:")
    for entry in left_out:
        causes = "; ".join(f"{r['code'].replace('_', ' ')}: {r['detail']}" for r in entry["reasons"])
        where = f"row {entry['row']}, " if entry.get("row") else ""
        click.echo(_folded(f"{where}{entry['file']}: {entry['state']}: {causes}"))
    click.echo()


def _folded(sentence: str) -> str:
    """A sentence in the terminal's width, its further lines indented; whole in a pipe."""
    if not sys.stdout.isatty():
        return sentence
    width = min(shutil.get_terminal_size().columns, 100)
    return textwrap.fill(sentence, width, subsequent_indent="  ", break_on_hyphens=False)


def print_table(head: Sequence[str], rows: Sequence[Sequence[str]], whole: Sequence[str] = ()) -> None:
    """A plain table; narrower columns fold on a terminal (those in ``whole`` never), stay whole in a pipe."""
    from rich.console import Console
    from rich.table import Table

    table = Table(box=None, pad_edge=False, header_style="bold" if sys.stdout.isatty() else "")
    for name in head:
        table.add_column(name, overflow="fold", no_wrap=name in whole)
    for row in rows:
        table.add_row(*(cell.replace("[", "\\[") for cell in row))
    Console(width=None if sys.stdout.isatty() else 160, soft_wrap=False).print(table)


def _verdict(c: Mapping[str, Any]) -> str:
    words = str(c["verdict"]).replace("_", " ")
    return f"{MARKS.get(words, '')} {words}"


def _repeats(c: Mapping[str, Any]) -> str:
    return f"{c['n_baseline']} | {c['n_candidate']}"


def _change(c: Mapping[str, Any]) -> str:
    if c.get("change_db") is not None:
        return f"{c['change_db']:+.1f} dB"
    return "–" if c["percent_change"] is None else f"{c['percent_change']:+.1f} %"


def _interval(c: Mapping[str, Any]) -> str:
    if c.get("change_db_low") is not None:
        return f"{c['change_db_low']:+.1f} to {c['change_db_high']:+.1f} dB"
    if c["interval_low"] is None or c["interval_high"] is None:
        return "–"
    return f"{c['interval_low']:+.1f} to {c['interval_high']:+.1f} %"
