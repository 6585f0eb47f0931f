"""Recipes: round trip, unknown names, values out of range, identities."""

from __future__ import annotations

from dataclasses import replace

import pytest

from thrumline.pipeline.contracts import CaptureRow, RecipeError
from thrumline.pipeline.execution.identity import capture_identity, result_identity
from thrumline.pipeline.host import Host
from thrumline.pipeline.recipe import bind, load_recipe, nominal_signal, recipe_from_toml, shipped_recipes

ROW = CaptureRow(2, "a.csv", "Dunlin 2.0", "original", "seat rail", "idle-drive", "1", cylinders=4, rpm=750.0)


@pytest.fixture(scope="module")
def stages():
    return Host.discover().stages


@pytest.mark.parametrize("name", shipped_recipes())
def test_a_shipped_recipe_reads_back_from_its_own_text(name):
    """TOML out and in again gives an equal recipe."""
    recipe = load_recipe(name)
    assert recipe_from_toml(recipe.as_toml(), "text") == recipe


@pytest.mark.parametrize("name", shipped_recipes())
def test_a_shipped_recipe_works_before_any_file_is_read(name, stages):
    """Each chain holds together on the nominal signal of its quantities."""
    recipe = load_recipe(name)
    bound = bind(recipe, {}, stages)
    assert bound.check(nominal_signal(recipe.quantities)).products


def test_a_misspelt_stage_is_refused_with_the_nearest_one(stages):
    """The message names what was asked and the stage that was probably meant."""
    recipe = load_recipe("idle")
    wrong = recipe.model_copy(update={"stages": (*recipe.stages[:1], "resampel")})
    with pytest.raises(RecipeError, match=r"'resampel' is not known.*nearest: resample"):
        bind(wrong, {}, stages)


def test_an_unknown_setting_is_refused_with_what_exists(stages):
    """An override that no stage understands never passes silently."""
    with pytest.raises(RecipeError, match=r"stage 'spectrum', setting 'resolution'.*nearest: resolution_hz"):
        bind(load_recipe("idle"), {"spectrum": {"resolution": 0.5}}, stages)


def test_a_value_out_of_range_is_refused_with_the_value(stages):
    """The value found stands in the message."""
    with pytest.raises(RecipeError, match=r"resolution_hz.*found -1"):
        bind(load_recipe("idle"), {"spectrum": {"resolution_hz": -1.0}}, stages)


def test_an_override_for_a_stage_outside_the_recipe_is_refused(stages):
    """Settings of a stage that does not run would be believed and do nothing."""
    with pytest.raises(RecipeError, match="overrides of recipe 'idle'"):
        bind(load_recipe("idle"), {"weighting": {}}, stages)


def test_a_recipe_file_that_is_not_toml_names_the_line(tmp_path):
    """The user is told where to look."""
    (tmp_path / "mine.toml").write_text('name = "mine"\nstages = [\n')
    with pytest.raises(RecipeError, match=r"is not TOML.*line"):
        load_recipe("mine.toml", tmp_path)


def test_a_recipe_that_is_not_there_lists_those_that_are():
    """Sorted alternatives in the message."""
    with pytest.raises(RecipeError, match=r"no recipe of that name.*idle"):
        load_recipe("idel")


def test_a_fact_that_a_stage_uses_changes_the_result_and_no_other_does(stages):
    """Editing rpm must not return an old reading; editing a note must not recompute an archive."""
    bound = bind(load_recipe("idle"), {}, stages)
    before = result_identity("c" * 32, bound, ROW)
    assert result_identity("c" * 32, bound, replace(ROW, rpm=760.0)) != before
    assert result_identity("c" * 32, bound, replace(ROW, note="warm", platform="Wheatear 3.5")) == before


def test_a_setting_changes_the_result_identity(stages):
    """A changed recipe is new work."""
    recipe = load_recipe("idle")
    finer = bind(recipe, {"spectrum": {"resolution_hz": 0.125}}, stages)
    assert result_identity("c" * 32, bind(recipe, {}, stages), ROW) != result_identity("c" * 32, finer, ROW)


def test_capture_identity_follows_bytes_index_reader_numbers_and_mapping():
    """Each of the five makes another capture; the platform does not."""
    mapping = ROW.mapping
    base = capture_identity("a" * 64, 0, "text", 1, mapping)
    others = {
        capture_identity("b" * 64, 0, "text", 1, mapping),
        capture_identity("a" * 64, 1, "text", 1, mapping),
        capture_identity("a" * 64, 0, "wav", 1, mapping),
        capture_identity("a" * 64, 0, "text", 2, mapping),
        capture_identity("a" * 64, 0, "text", 1, replace(mapping, unit="mg")),
    }
    assert base not in others
    assert len(others) == 5
