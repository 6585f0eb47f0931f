"""A recipe bound to stage classes and overrides, checked as a whole before any sample is read."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace
from difflib import get_close_matches
from typing import Any

from pydantic import ValidationError

from ..contracts import CaptureRow, ChainSchema, ChannelSpec, Derivation, RecipeError, SchemaError, SignalSpec, Stage
from .document import Recipe

EVERY = "*"
"""In a stage's ``acts_on``: each kind of channel by itself."""


@dataclass(frozen=True, slots=True)
class BoundRecipe:
    """Stages made and ready: what runs, in order, with every setting known."""

    name: str
    quantities: tuple[str, ...]
    stages: tuple[Stage[Any], ...]
    beside: tuple[str, ...] = ()
    settings: tuple[dict[str, Any], ...] = field(init=False, repr=False, compare=False)
    """Settings of each stage as identities spell them: written once, asked for by every row."""
    choice: int = field(init=False, repr=False, compare=False)
    """Index of the stage that decides the stretches, or -1."""

    def __post_init__(self) -> None:
        spelt = tuple(stage.settings.model_dump(mode="json") for stage in self.stages)
        object.__setattr__(self, "settings", spelt)
        marks = [i for i, stage in enumerate(self.stages) if isinstance(stage, Derivation) and stage.selects]
        object.__setattr__(self, "choice", marks[0] if marks else -1)

    def check(self, signal: SignalSpec, beside: SignalSpec | None = None) -> ChainSchema:
        """Walk the schema through all stages, those ``beside`` the signal where there are such channels.

        Raises SchemaError naming stage, field, found, wanted.
        """
        main = ChainSchema(signal)
        for stage in self.stages:
            if self.sees_signal(stage):
                main = stage.schema(main)
            if beside is not None and self.sees_beside(stage):
                made = stage.schema(replace(main, signal=beside))
                beside, main = made.signal, replace(main, products=made.products)
        return main

    def sees_signal(self, stage: Stage[Any]) -> bool:
        """Whether a stage acts on the channels the recipe is about."""
        return not stage.acts_on or EVERY in stage.acts_on or not set(stage.acts_on).isdisjoint(self.quantities)

    def sees_beside(self, stage: Stage[Any]) -> bool:
        """Whether a stage acts on the channels beside them."""
        return EVERY in stage.acts_on or not (self.sees_signal(stage) or set(stage.acts_on).isdisjoint(self.beside))

    def identity(self, row: CaptureRow) -> list[dict[str, Any]]:
        """What determines the numbers beside the capture: stages, numeric versions, settings, facts used."""
        return [
            {
                "stage": stage.name,
                "numeric_version": stage.numeric_version,
                "settings": settings,
                "facts": {name: row.fact(name) for name in sorted(stage.uses_facts)},
            }
            for stage, settings in zip(self.stages, self.settings, strict=True)
        ]

    @property
    def channels(self) -> dict[str, list[str]]:
        """Which channels the stages saw, whatever order the recipe names them in: they determine numbers too."""
        return {"beside": sorted(self.beside), "quantities": sorted(self.quantities)}

    @property
    def uses_facts(self) -> tuple[str, ...]:
        """Columns of the captures table that some stage reads."""
        return tuple(sorted({name for stage in self.stages for name in stage.uses_facts}))


def bind(
    recipe: Recipe, overrides: Mapping[str, Mapping[str, Any]], classes: Mapping[str, type[Stage[Any]]]
) -> BoundRecipe:
    """Make the stages. Raises RecipeError for unknown stages, unknown settings, values out of range."""
    _names_known(recipe.stages, classes, f"recipe {recipe.name!r}")
    _names_known(recipe.stage, recipe.stages, f"recipe {recipe.name!r}, settings")
    _names_known(overrides, recipe.stages, f"overrides of recipe {recipe.name!r}")
    settings = {name: {**recipe.stage.get(name, {}), **overrides.get(name, {})} for name in recipe.stages}
    stages = tuple(_made(classes[name], settings[name]) for name in recipe.stages)
    bound = BoundRecipe(recipe.name, recipe.quantities, stages, recipe.beside)
    _one_choice(bound)
    _all_see_something(bound)
    return bound


def _names_known(names: Collection[str], known: Collection[str], where: str) -> None:
    for name in names:
        if name not in known:
            near = get_close_matches(name, list(known), n=1)
            hint = f"; nearest: {near[0]}" if near else ""
            raise RecipeError(f"{where}: stage {name!r} is not known", allowed=", ".join(sorted(known)) + hint)


def _made(kind: type[Stage[Any]], settings: Mapping[str, Any]) -> Stage[Any]:
    try:
        return kind(kind.Settings.model_validate(dict(settings)))
    except ValidationError as error:
        fault = error.errors()[0]
        field = ".".join(str(part) for part in fault["loc"])
        fields = list(kind.Settings.model_fields)
        near = get_close_matches(field, fields, n=1)
        hint = f" (nearest: {near[0]})" if near and field not in fields else ""
        raise RecipeError(
            f"stage {kind.name!r}, setting {field!r}: {fault['msg']}",
            found=repr(fault["input"]), allowed=", ".join(fields) + hint,
        ) from error  # fmt: skip


def _one_choice(bound: BoundRecipe) -> None:
    choosing = [s.name for s in bound.stages if isinstance(s, Derivation) and s.selects]
    if len(choosing) > 1:
        raise RecipeError(f"recipe {bound.name!r}: stretches are chosen once", found=", ".join(choosing))


def _all_see_something(bound: BoundRecipe) -> None:
    for stage in bound.stages:
        if not (bound.sees_signal(stage) or bound.sees_beside(stage)):
            wanted = ", ".join(stage.acts_on)
            raise RecipeError(
                f"recipe {bound.name!r}: stage {stage.name!r} acts on {wanted}",
                found=f"quantities {', '.join(bound.quantities)}; beside {', '.join(bound.beside) or 'nothing'}",
                todo=f"add beside = {list(stage.acts_on)!r} to the recipe",
            )  # fmt: skip


def nominal_signal(quantities: Sequence[str]) -> SignalSpec:
    """The signal before any file was read: one channel a quantity, rate unknown; checks the chain itself."""
    units = {"acceleration": "m s-2", "force": "N", "displacement": "m", "pressure": "Pa", "voltage": "V"}
    channels = tuple(
        ChannelSpec(f"{quantity}-{axis}", quantity, units.get(quantity, ""), axis=axis)
        for quantity in quantities
        for axis in "xyz"
    )
    return SignalSpec(channels, uniform=False, rate_hz=None)


def settings_fault(error: SchemaError, row: CaptureRow) -> SchemaError:
    """The same refusal, naming the row it was met on."""
    where = f"row {row.row} ({row.file}): {error.asked}"
    return SchemaError(where, found=error.found, allowed=error.allowed, todo=error.todo)
