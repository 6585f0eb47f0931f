"""``thrumline check``: one capture beside the vehicle, before anything is unbolted."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from .faults import DONE, SOME_LEFT_OUT
from .options import json_option, mapping_options

if TYPE_CHECKING:
    from ..api.field_check import Against, Checked


@click.command(
    short_help="Say whether a capture is fit, beside the vehicle.",
    epilog="Example: thrumline check idle-7.csv --rpm 750 --cylinders 4 --against idle-6.csv",
)
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--against", "earlier", type=click.Path(path_type=Path), default=None, help="An earlier capture.")
@click.option("--rpm", type=click.FloatRange(min=1), default=None, help="Nominal engine speed.")
@click.option("--cylinders", type=click.IntRange(1, 24), default=None, help="Number of cylinders.")
@click.option("--strokes", type=click.Choice(["2", "4"]), default="4", show_default=True, help="Strokes a cycle.")
@click.option("--firing-order", type=float, default=None, help="Order of the firing line, where it is stated.")
@click.option("--minimum", "minimum_s", type=click.FloatRange(min=0.1), default=30.0, show_default=True,
              help="Seconds of usable signal asked for.")  # fmt: skip
@mapping_options
@json_option
def check(file: Path, earlier: Path | None, minimum_s: float, as_json: bool, **said: Any) -> int:
    """Say whether FILE is fit for use, and if not, what to do before it is taken again.

    Exit code 0: fit. 4: unfit, or the file was refused. No study and no archive are needed.
    """
    from ..api.field_check import Wanted, against, check_file
    from ..api.question import mapping_from_text

    engine = {"rpm": said.pop("rpm"), "cylinders": said.pop("cylinders"), "firing_order": said.pop("firing_order")}
    wanted = Wanted(
        strokes=int(said.pop("strokes")), minimum_duration_s=minimum_s, mapping=mapping_from_text(**said), **engine
    )
    now = check_file(file, wanted)
    before = against(now, check_file(earlier, wanted)) if earlier is not None else None
    if as_json:
        click.echo(json.dumps(_document(now, before), allow_nan=False))
    else:
        _tell(now, before)
    return DONE if now.fitness.state == "fit" else SOME_LEFT_OUT


def _document(now: Checked, before: Against | None) -> dict[str, Any]:
    document = {"schema": 1, **now.as_json()}
    if before is not None:
        document["against"] = {
            "file": before.file, "speed_percent": before.speed_percent, "level_percent": before.level_percent,
            "tilt_deg": dict(before.tilt_deg), "flags": before.flags,
        }  # fmt: skip
    return document


def _tell(now: Checked, before: Against | None) -> None:
    from ..api.words import redo

    fit = now.fitness.state == "fit"
    click.echo(f"{'■ fit' if fit else '▲ unfit: take it again'}: {now.file}")
    click.echo(f"  {now.fitness.usable_s:.1f} of {now.duration_s:.1f} s usable at {now.rate_hz:g} Hz")
    for reason in now.fitness.reasons:
        click.echo(f"  {str(reason.code).replace('_', ' ')}: {reason.detail}")
        click.echo(f"      {redo(reason.code)}")
    for cut in now.fitness.cuts:
        click.echo(f"  cut {cut.start_s:.1f} to {cut.stop_s:.1f} s: {cut.reason.detail}")
    _tell_speed_and_readings(now)
    for position, length in now.fitness.facts.get("static_g", {}).items():
        click.echo(f"  static vector{' at ' + position if position else ''}: {length:.4f} g")
    if before is not None:
        _tell_against(before)


def _tell_speed_and_readings(now: Checked) -> None:
    if now.speed_rpm is not None:
        click.echo(f"  speed: {now.speed_rpm:.1f} rpm (from {now.speed_source})")
    for reading in now.readings:
        if reading.combination != "rss":
            continue
        name = f"{reading.reading.replace('_', ' ')}{' at ' + reading.position if reading.position else ''}"
        if reading.value is None:
            click.echo(f"  {name}: none, {reading.absent.code if reading.absent else ''}: "
                       f"{reading.absent.detail if reading.absent else ''}")  # fmt: skip
        else:
            doubt = f" ± {reading.std_uncertainty:.2g}" if reading.std_uncertainty is not None else ""
            unit = "milli-g (mg)" if reading.unit == "mg" else reading.unit
            at = f" at {reading.frequency_hz:.2f} Hz" if reading.frequency_hz is not None else ""
            click.echo(f"  {name}: {reading.value:.3g}{doubt} {unit} {reading.detector}, rss of axes{at}")


def _tell_against(before: Against) -> None:
    click.echo(f"  against {before.file}:")
    for label, value in (("speed", before.speed_percent), ("level", before.level_percent)):
        click.echo(f"    {label}: " + ("not known" if value is None else f"{value:+.1f} %"))
    for position, degrees in before.tilt_deg.items():
        click.echo(f"    tilt{' at ' + position if position else ''}: {degrees:.1f} degrees")
    for flag in before.flags:
        click.echo(f"    ▲ {flag}")
