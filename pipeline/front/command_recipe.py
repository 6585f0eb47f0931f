"""``thrumline recipe``: the shipped recipes and their settings."""

from __future__ import annotations

import click


@click.group()
def recipe() -> None:
    """Show recipes: the chain of stages and their settings."""


@recipe.command(name="list", epilog="Example: thrumline recipe list")
def list_() -> int:
    """Name the shipped recipes."""
    from ..api import recipe_names

    for name in recipe_names():
        click.echo(name)
    return 0


@recipe.command(epilog="Example: thrumline recipe show idle --settings")
@click.argument("name")
@click.option("--settings", is_flag=True, help="List every setting with its value and reason.")
def show(name: str, settings: bool) -> int:
    """Print one recipe as TOML: save it, change it, name it in a study."""
    from ..api.recipes import recipe_settings, recipe_text

    if not settings:
        click.echo(recipe_text(name), nl=False)
        return 0
    for row in recipe_settings(name):
        click.echo(f"[stage.{row['stage']}] {row['setting']} = {row['value']!r}")
        if row["about"]:
            click.echo(f"    {row['about']}")
    return 0
