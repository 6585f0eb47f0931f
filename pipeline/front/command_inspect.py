"""``thrumline inspect``: what a reader makes of one file."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import click

from .options import json_option, mapping_options


@click.command(
    short_help="Show what a reader makes of one file.",
    epilog="Example: thrumline inspect idle-1.csv --unit g --rate 1000",
)
@click.argument("file", type=click.Path(path_type=Path))
@mapping_options
@json_option
def inspect(file: Path, as_json: bool, **said: Any) -> int:
    """Show format, dialect, channels, units, rate, gaps and first rows of FILE, without keeping anything."""
    from ..api import inspect_file
    from ..api.question import mapping_from_text

    view = inspect_file(file, mapping_from_text(**said))
    if as_json:
        click.echo(json.dumps(view, allow_nan=False))
    else:
        _tell(view)
    return 0


def _tell(view: dict[str, Any]) -> None:
    click.echo(f"{view['file']}: read as {view['format']}")
    for key, value in view["description"].items():
        click.echo(f"  {key.replace('_', ' ')}: {_in_words(value)}")
    for capture in view["captures"]:
        _tell_capture(capture)


def _in_words(value: Any) -> str:
    """What a reader tells of a file, without the marks of a programming language; one line an entry of a list."""
    if isinstance(value, dict):
        return ", ".join(f"{str(key).replace('_', ' ')} {_in_words(item)}" for key, item in value.items())
    if isinstance(value, list | tuple):
        if value and all(isinstance(item, dict | list | tuple) for item in value):
            return "".join(f"\n    {_in_words(item)}" for item in value)
        return ", ".join(_in_words(item) for item in value) or "none"
    if isinstance(value, bool):
        return "yes" if value else "no"
    return str(value)


def _tell_capture(capture: dict[str, Any]) -> None:
    from .telling import print_table

    kind = "uniform" if capture["uniform"] else "not uniform"
    click.echo(
        f"capture {capture['index']}: {capture['n_samples']} samples, {capture['duration_s']:.3f} s, "
        f"{capture['rate_hz']:.6g} Hz ({kind}), starts at {capture['start_s']:.6g} s, {len(capture['gaps_s'])} gaps"
    )
    for start, stop in capture["gaps_s"][:10]:
        click.echo(f"  gap from {start:.4f} to {stop:.4f} s ({stop - start:.4f} s)")
    rows = [
        (
            c["name"], c["axis"], c["position"], c["quantity"], c["unit"], c["si"], f"{c['mean']:.5g}",
            f"{c['least']:.5g}", f"{c['greatest']:.5g}", "  ".join(f"{v:.5g}" for v in c["first"][:3]),
        )
        for c in capture["channels"]
    ]  # fmt: skip
    print_table(("channel", "axis", "position", "quantity", "in", "as", "mean", "least", "greatest", "first"), rows)
