"""``thrumline quarantine``: files that were refused, and what a person decides about them."""

from __future__ import annotations

import json
from pathlib import Path

import click

from .options import archive_option, json_option

DEFAULT = Path("thrumline-archive")


@click.group()
def quarantine() -> None:
    """Look at refused files; their bytes and reasons are kept."""


@quarantine.command(name="list", epilog="Example: thrumline quarantine list")
@archive_option
@json_option
def list_(archive_dir: Path | None, as_json: bool) -> int:
    """List what is held, with the reason."""
    from ..api.quarantine import quarantined

    entries = quarantined(archive_dir or DEFAULT)
    if as_json:
        click.echo(json.dumps({"schema": 1, "quarantined": entries}))
        return 0
    for entry in entries:
        reason = entry["reason"]
        click.echo(f"{entry['sha256'][:12]}  {reason.get('code', '')}  {reason.get('file', '')}")
        click.echo(f"              {reason.get('detail', '')}")
    click.echo(f"{len(entries)} held")
    return 0


@quarantine.command(epilog="Example: thrumline quarantine show 3fa1c0")
@click.argument("sha256")
@archive_option
def show(sha256: str, archive_dir: Path | None) -> int:
    """Show one held file: reason, names it came with, where its bytes are."""
    from ..api.quarantine import held

    click.echo(json.dumps(held(archive_dir or DEFAULT, sha256), indent=1))
    return 0


@quarantine.command(epilog="Example: thrumline quarantine retry 3fa1c0")
@click.argument("sha256")
@click.option("--note", default="", help="Why.")
@archive_option
def retry(sha256: str, note: str, archive_dir: Path | None) -> int:
    """Let a file be read again at the next run."""
    return _release(sha256, "retry", note, archive_dir)


@quarantine.command(epilog='Example: thrumline quarantine release 3fa1c0 --note "wrong file, recorded again"')
@click.argument("sha256")
@click.option("--note", default="", help="Why.")
@archive_option
def release(sha256: str, note: str, archive_dir: Path | None) -> int:
    """Mark a held file as settled; its bytes stay among the originals."""
    return _release(sha256, "release", note, archive_dir)


def _release(sha256: str, action: str, note: str, archive_dir: Path | None) -> int:
    from ..api import quarantine as held

    whole = held.release(archive_dir or DEFAULT, sha256, action=action, note=note)
    click.echo(f"{whole[:12]}: {'will be read again at the next run' if action == 'retry' else 'settled'}")
    return 0
