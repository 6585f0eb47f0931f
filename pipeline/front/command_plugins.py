"""``thrumline plugins``: what is installed, what was set aside and why."""

from __future__ import annotations

import json

import click

from .options import json_option


@click.command(epilog="Example: thrumline plugins --json")
@json_option
def plugins(as_json: bool) -> int:
    """List installed plugins, and those set aside with the cause."""
    from ..api import plugin_listing
    from .telling import print_table

    listing = plugin_listing()
    if as_json:
        click.echo(json.dumps(listing))
        return 0
    rows = [
        (p["kind"], p["name"], f"{p['distribution']} {p['version']}", str(p["numeric_version"] or ""), p["summary"])
        for p in listing["installed"]
    ]
    print_table(("kind", "name", "from", "numbers", "what it does"), rows)
    for aside in listing["set_aside"]:
        click.echo(f"set aside: {aside['plugin']} ({aside['distribution']} {aside['version']}): {aside['cause']}")
    return 0
