"""Recipes: which are shipped, and one as text with every setting that can be changed."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from ..host import Host
from ..recipe import bind, load_recipe, shipped_recipes


def recipe_names() -> tuple[str, ...]:
    """Names of the shipped recipes."""
    return shipped_recipes()


def recipe_text(name: str, relative_to: Path | None = None) -> str:
    """The recipe as TOML. Raises RecipeError."""
    return load_recipe(name, relative_to).as_toml()


def recipe_settings(name: str, relative_to: Path | None = None) -> list[dict[str, Any]]:
    """Every setting of every stage: value in this recipe, and the reason that stands with it."""
    bound = bind(load_recipe(name, relative_to), {}, Host.discover().stages)
    return [
        {"stage": stage.name, "setting": key, "value": getattr(stage.settings, key), "about": field.description or ""}
        for stage in bound.stages
        for key, field in type(stage.settings).model_fields.items()
    ]
