"""``thrumline new-study``: a first table and study from a folder of files."""

from __future__ import annotations

from pathlib import Path

import click


@click.command(
    name="new-study",
    short_help="Propose a table and a study from a folder of files.",
    epilog="Example: thrumline new-study spring-captures",
)
@click.argument("directory", type=click.Path(path_type=Path))
def new_study(directory: Path) -> int:
    """Look at the files in DIRECTORY and propose captures.csv and study.toml.

    What file names and headers tell is filled in; what a person must decide is marked FILL-IN.
    """
    from ..api.proposals import propose_study

    proposal, written = propose_study(directory)
    for line in proposal.inferred:
        click.echo(f"inferred  {line}")
    for line in proposal.to_fill_in:
        click.echo(f"fill in   {line}")
    for path in written:
        click.echo(f"wrote     {path}")
    click.echo(f"then:     thrumline run {written[1]}")
    return 0
