"""``thrumline explain`` and ``thrumline cautions``: the product's own words."""

from __future__ import annotations

import textwrap

import click

WIDTH = 78


@click.command(short_help="Explain what a reason code means.", epilog="Example: thrumline explain two_states")
@click.argument("code", required=False)
def explain(code: str | None) -> int:
    """Explain a reason CODE: what it means, what it does, its threshold, how to avoid it. Without CODE: list all."""
    from ..api.words import explained, reason_codes

    if code is None:
        for name in reason_codes():
            click.echo(f"{name:20} {textwrap.shorten(explained(name).meaning, WIDTH - 21, placeholder=' ...')}")
        return 0
    told = explained(code)
    for label, text in (
        ("means", told.meaning), ("threshold", told.threshold), ("does", told.effect), ("avoid it", told.avoid),
    ):  # fmt: skip
        click.echo(textwrap.fill(text, WIDTH, initial_indent=f"{label + ':':11}", subsequent_indent=" " * 11))
    return 0


@click.command(epilog="Example: thrumline cautions")
def cautions() -> int:
    """Print the cautions for whoever prepares or runs a test."""
    from ..api import words

    for caution in words.cautions():
        click.echo(caution.heading)
        for sentence in caution.sentences:
            click.echo(textwrap.fill(sentence, WIDTH, initial_indent="  - ", subsequent_indent="    "))
    click.echo("At every fresh fitting")
    for sentence in words.refitting_notes():
        click.echo(textwrap.fill(sentence, WIDTH, initial_indent="  - ", subsequent_indent="    "))
    return 0
