"""``thrumline archive``: look, verify, repair, rebuild, export, clear out."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import click

from .options import archive_option, json_option

DEFAULT = Path("thrumline-archive")


@click.group()
def archive() -> None:
    """Look after the archive of originals, captures and results."""


@archive.command(epilog="Example: thrumline archive init --archive fleet-archive")
@archive_option
def init(archive_dir: Path | None) -> int:
    """Make an archive where there is none."""
    from ..api import keeping

    click.echo(f"archive {keeping.init_archive(archive_dir or DEFAULT)} at {archive_dir or DEFAULT}")
    return 0


@archive.command(name="ls", epilog="Example: thrumline archive ls")
@archive_option
@json_option
def ls(archive_dir: Path | None, as_json: bool) -> int:
    """List captures with what is said about each now."""
    from ..api import keeping
    from .telling import print_table

    rows = keeping.list_captures(archive_dir or DEFAULT)
    if as_json:
        click.echo(json.dumps({"schema": 1, "captures": rows}))
        return 0
    cells = [
        (r["capture_id"][:12], r["platform"], r["part"], r["position"], r["condition"], r["repeat"],
         f"{r.get('duration_s', 0):.1f} s", f"{r.get('sample_rate_hz', 0):.6g} Hz", r["file"])
        for r in rows
    ]  # fmt: skip
    print_table(("id", "platform", "part", "position", "condition", "repeat", "length", "rate", "file"), cells)
    return 0


@archive.command(epilog="Example: thrumline archive show 3fa1c0")
@click.argument("identity")
@archive_option
def show(identity: str, archive_dir: Path | None) -> int:
    """Show where a capture or result comes from: bytes, reader, stages, settings, versions, facts."""
    from ..api import keeping

    click.echo(json.dumps(keeping.show(archive_dir or DEFAULT, identity), indent=1))
    return 0


@archive.command(epilog="Example: thrumline archive verify --data --subset 2/7")
@archive_option
@click.option("--data", "depth", flag_value="data", help="Also compare every file's hash.")
@click.option("--deep", "depth", flag_value="deep", help="Also decode everything and compare with the originals.")
@click.option("--subset", default=None, metavar="N/M", help="Hashes of the N-th of M parts only.")
@json_option
def verify(archive_dir: Path | None, depth: str | None, subset: str | None, as_json: bool) -> int:
    """Check that everything is as it was committed; nothing is changed.

    Exit code 0 clean, 6 damage found (each named), 5 could not check. Leftovers are normal after a crash.
    """
    from ..api import keeping

    report = keeping.verify(archive_dir or DEFAULT, depth=depth or "structure", subset=_subset(subset))
    if as_json:
        click.echo(json.dumps(report.as_json()))
        return report.exit_code
    for label, findings in (("damage", report.damage), ("unchecked", report.unchecked), ("leftover", report.leftovers)):
        for finding in findings:
            click.echo(f"{label}: {finding.path}: {finding.what}")
    checked = ", ".join(f"{n} {what}" for what, n in sorted(report.counts.items()))
    click.echo(f"{'clean' if report.exit_code == 0 else 'not clean'}: {checked}")
    return report.exit_code


def _subset(text: str | None) -> tuple[int, int] | None:
    if text is None:
        return None
    match = re.fullmatch(r"(\d+)/(\d+)", text)
    if match is None:
        raise click.BadParameter(f"{text!r} is not N/M, for instance 2/7", param_hint="--subset")
    return int(match[1]), int(match[2])


@archive.command(epilog="Example: thrumline archive repair")
@archive_option
def repair(archive_dir: Path | None) -> int:
    """Put damaged things aside, make captures and results anew from originals, rebuild the catalogue."""
    from ..api import keeping

    done = keeping.repair(archive_dir or DEFAULT)
    for label in ("set_aside", "failed", "lost"):
        for finding in done[label]:
            click.echo(f"{label.replace('_', ' ')}: {finding['path']}: {finding['what']}")
    for name in done["derived"]:
        click.echo(f"made anew: {name}")
    click.echo(f"{len(done['set_aside'])} set aside, {len(done['derived'])} made anew, {len(done['lost'])} lost")
    return 6 if done["lost"] or done["failed"] else 0


@archive.command(epilog="Example: thrumline archive rebuild")
@archive_option
def rebuild(archive_dir: Path | None) -> int:
    """Make the catalogue anew from what is on the disk."""
    from ..api import keeping

    click.echo(f"{keeping.rebuild(archive_dir or DEFAULT)} rows")
    return 0


@archive.command(epilog='Example: thrumline archive export --study "Dunlin 2.0, firmer mount" --to handed-over')
@click.option("--study", "title", default=None, help="A study by its title: originals, table and study file.")
@click.option("--capture", "identity", default=None, help="One capture by its id, for other tools.")
@click.option("--format", "form", default="netcdf", show_default=True, help="netcdf, csv or parquet.")
@click.option("--to", "target", type=click.Path(path_type=Path), required=True, help="Folder, or file for a capture.")
@archive_option
def export(title: str | None, identity: str | None, archive_dir: Path | None, **how: Any) -> int:
    """Write a study as a folder that runs again elsewhere, or a capture for other tools."""
    from ..api import exporting

    if (title is None) == (identity is None):
        raise click.UsageError("give either --study or --capture")
    if title is not None:
        study = exporting.export_study(archive_dir or DEFAULT, title, how["target"])
        click.echo(f"wrote {study.parent}; there: thrumline run {study}")
    else:
        written = exporting.export_capture(archive_dir or DEFAULT, str(identity), how["target"], how["form"])
        click.echo(f"wrote {written}")
    return 0


@archive.command(epilog="Example: thrumline archive gc --older-than 90 --drop")
@click.option("--older-than", "days", type=click.FloatRange(min=0), default=30.0, show_default=True, help="Days.")
@click.option("--drop", is_flag=True, help="Remove them; without it they are only listed.")
@archive_option
def gc(days: float, drop: bool, archive_dir: Path | None) -> int:
    """List (or drop) results that no study asks for any more. Originals and captures are never touched.

    With --drop, first passes over captures that were kept for changed recipes go too; they are made again.
    """
    from ..api import keeping

    found, freed = keeping.clear_out(archive_dir or DEFAULT, older_than_days=days, drop=drop)
    for identity in found:
        click.echo(identity)
    click.echo(f"{len(found)} superseded results {'dropped' if drop else 'could be dropped (--drop)'}")
    if freed:
        click.echo(f"{freed / 1e6:.1f} MB of kept first passes dropped")
    return 0
