"""A recipe as data: a title, the quantities it works on, stages in order, and their settings. TOML, round trip."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from importlib.resources import files
from pathlib import Path
from typing import Any

import tomli_w
from pydantic import BaseModel, ConfigDict, Field, ValidationError

from ..contracts import RecipeError


class Recipe(BaseModel):
    """The chain of stages with their settings; what is not set keeps the stage's default."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    name: str
    title: str
    quantities: tuple[str, ...] = Field(("acceleration",), description="Channels the signal is made of.")
    beside: tuple[str, ...] = Field(
        (), description="Further channels, seen only by stages that name their quantity; a capture may lack them."
    )
    stages: tuple[str, ...] = Field(min_length=1, description="Stage names in order.")
    stage: Mapping[str, Mapping[str, Any]] = Field(default_factory=dict, description="Settings by stage name.")

    def as_toml(self) -> str:
        """The recipe as a file that reads back to an equal recipe."""
        document = self.model_dump(mode="json")
        if not document["stage"]:
            del document["stage"]
        return tomli_w.dumps(document)


def recipe_from_toml(text: str, origin: str) -> Recipe:
    """Read a recipe. Raises RecipeError naming ``origin`` and the key at fault."""
    try:
        return Recipe.model_validate(tomllib.loads(text))
    except tomllib.TOMLDecodeError as error:
        raise RecipeError(f"{origin} is not TOML", found=str(error), todo="mend that line") from error
    except ValidationError as error:
        fault = error.errors()[0]
        where = ".".join(str(part) for part in fault["loc"])
        allowed = ", ".join(Recipe.model_fields)
        raise RecipeError(f"{origin}: {where}: {fault['msg']}", found=repr(fault["input"]), allowed=allowed) from error


def shipped_recipes() -> tuple[str, ...]:
    """Names of the recipes in the package."""
    folder = files(__package__) / "recipes"
    return tuple(sorted(entry.name.removesuffix(".toml") for entry in folder.iterdir() if entry.name.endswith(".toml")))


def load_recipe(name: str, relative_to: Path | None = None) -> Recipe:
    """A shipped recipe by name, or a recipe file by path (ending in .toml). Raises RecipeError."""
    if name.endswith(".toml"):
        path = (relative_to or Path()) / name
        if not path.is_file():
            raise RecipeError(f"recipe file {name!r}", found="no such file", todo=f"looked at {path}")
        return recipe_from_toml(path.read_text(encoding="utf-8"), str(path))
    if name not in shipped_recipes():
        allowed = f"{', '.join(shipped_recipes())}, or the path of a .toml file"
        raise RecipeError(f"recipe {name!r}", found="no recipe of that name", allowed=allowed)
    text = (files(__package__) / "recipes" / f"{name}.toml").read_text(encoding="utf-8")
    return recipe_from_toml(text, f"recipe {name}")
