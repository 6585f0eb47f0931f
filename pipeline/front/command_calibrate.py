"""``thrumline calibrate``: sensitivity and offset of a sensor, for the captures table."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from .options import json_option, mapping_options

if TYPE_CHECKING:
    from ..api.calibration import Calibration


@click.group(short_help="Find a sensor's sensitivity and offset.")
def calibrate() -> None:
    """Find a sensor's sensitivity and offset from gravity or from a tone of known level."""


@calibrate.command(epilog="Example: thrumline calibrate gravity up.csv down.csv left.csv right.csv front.csv back.csv")
@click.argument("files", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option("--stretch", "stretches", multiple=True, metavar="START:STOP",
              help="Seconds of rest in one FILE; give six of them.")  # fmt: skip
@mapping_options
@json_option
def gravity(files: tuple[Path, ...], stretches: tuple[str, ...], as_json: bool, **said: Any) -> int:
    """Six-position turn-over: each axis once up and once down, at rest, in any order.

    FILES are six files, or one file with six --stretch.
    """
    from ..api.calibration import Lying, calibrate_by_gravity
    from ..api.question import mapping_from_text

    if stretches:
        positions = [Lying(files[0], _stretch(text)) for text in stretches]
    else:
        positions = [Lying(file) for file in files]
    return _tell(calibrate_by_gravity(positions, mapping_from_text(**said)), as_json=as_json)


@calibrate.command(epilog="Example: thrumline calibrate tone shaker.csv --axis z --hz 159.2 --level 10 --detector rms")
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--axis", type=click.Choice(["x", "y", "z", "p"]), required=True,
              help="Axis on the shaker; p: microphone in a sound calibrator.")  # fmt: skip
@click.option("--hz", "frequency_hz", type=click.FloatRange(min=0, min_open=True), required=True, help="Tone, Hz.")
@click.option("--level", type=click.FloatRange(min=0, min_open=True), required=True,
              help="Known level, m s-2; of a sound calibrator dB (94).")  # fmt: skip
@click.option("--detector", type=click.Choice(["peak", "rms", "dB"]), required=True, help="Which level that is.")
@mapping_options
@json_option
def tone(file: Path, as_json: bool, **said: Any) -> int:
    """Sensitivity of one axis from a shaker tone of known level, or of a microphone from a sound calibrator.

    For a microphone: --axis p --hz 1000 --level 94 --detector dB
    """
    from ..api.calibration import calibrate_by_tone
    from ..api.question import mapping_from_text

    how = {name: said.pop(name) for name in ("axis", "frequency_hz", "level", "detector")}
    return _tell(calibrate_by_tone(file, mapping_from_text(**said), **how), as_json=as_json)


def _stretch(text: str) -> tuple[float, float]:
    try:
        start, stop = (float(part) for part in text.split(":"))
    except ValueError:
        raise click.BadParameter(f"{text!r} is not START:STOP in seconds", param_hint="--stretch") from None
    return start, stop


def _tell(found: Calibration, *, as_json: bool) -> int:
    if as_json:
        click.echo(json.dumps(found.as_json()))
        return 0
    for axis, factor in found.sensitivity.items():
        offset = f", offset {found.offset[axis]:+.4f} m s-2" if axis in found.offset else ""
        click.echo(f"axis {axis}: factor {factor:.5f} ± {found.sensitivity_std[axis]:.5f}{offset}")
    for note in found.notes:
        click.echo(f"  {note}")
    click.echo("cells for the captures table:")
    for column, cell in found.cells.items():
        click.echo(f"  {column}: {cell}")
    return 0
