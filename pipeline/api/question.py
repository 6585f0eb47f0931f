"""A study's question turned into what the chain needs: overrides, a bound recipe, a checked reading."""

from __future__ import annotations

from typing import Any

from ..contracts import AxisSource, ChannelMapping, Metric, StudyError
from ..execution.intake import Readers
from ..host import Host
from ..recipe import BoundRecipe, Recipe, bind, load_recipe, nominal_signal
from ..study import Study, axes_from_text


def readers_of(host: Host) -> Readers:
    """Installed readers as workers need them."""
    return Readers(host.reader_paths, {name: kind.numeric_version for name, kind in host.readers.items()})


def bound_recipe(study: Study, host: Host) -> BoundRecipe:
    """The study's recipe with its overrides, checked as a whole before any file is read.

    Raises RecipeError, SchemaError, or StudyError for a reading the recipe does not make.
    """
    recipe = load_recipe(study.recipe, relative_to=study.base_dir)
    bound = bind(recipe, overrides(study, recipe), host.stages)
    bound.check(nominal_signal(recipe.quantities), nominal_signal(recipe.beside) if recipe.beside else None)
    metrics = [stage for stage in bound.stages if isinstance(stage, Metric)]
    names = [name for metric in metrics for name in metric.reading_names if name not in metric.no_percent]
    levels = {name for metric in metrics for name in metric.in_decibels}
    _refuse_limit_of_another_kind(study, in_decibels=study.reading in levels)
    if study.reading not in names:
        raise StudyError(
            f"reading {study.reading!r} of recipe {recipe.name!r}",
            found="the recipe does not make it, or a percent change of it means nothing",
            allowed=", ".join(names), todo="change `reading` or `recipe` in the study file",
        )  # fmt: skip
    return bound


def _refuse_limit_of_another_kind(study: Study, *, in_decibels: bool) -> None:
    """A level has a limit in decibels, everything else one in percent; the other may stand beside it."""
    wanted = "limit_db" if in_decibels else "limit_percent"
    if getattr(study, wanted) is None:
        unit = "decibels" if in_decibels else "percent"
        raise StudyError(
            f"study on reading {study.reading!r}: {wanted}", found="no such key",
            todo=f"say how many {unit} the reading may rise over the baseline: {wanted} = ...",
        )  # fmt: skip


def overrides(study: Study, recipe: Recipe) -> dict[str, dict[str, Any]]:
    """Settings the study changes: its stage tables, and its own keys that belong to a stage."""
    changed = {name: dict(settings) for name, settings in study.stage.items()}
    if "stretches" in recipe.stages:
        own = "minimum_duration_s" in recipe.stage.get("stretches", {})
        if not own or "minimum_duration_s" in study.model_fields_set:
            changed.setdefault("stretches", {}).setdefault("minimum_duration_s", study.minimum_duration_s)
    if study.band_hz is not None and "highest_bin" in recipe.stages:
        changed.setdefault("highest_bin", {}).setdefault("band_hz", study.band_hz)
    return changed


def mapping_from_text(
    *, unit: str | None = None, scale: float | None = None, sample_rate_hz: float | None = None, axes: str = "",
    position: str = "",
) -> ChannelMapping:  # fmt: skip
    """What a person says about one file's columns. Raises RowError for axes that cannot be read."""
    named: tuple[AxisSource, ...] = axes_from_text(axes) if axes else ()
    return ChannelMapping(position=position, axes=named, unit=unit, scale=scale, sample_rate_hz=sample_rate_hz)
