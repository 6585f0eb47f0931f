"""Identities: spelt at once for many rows they are what they are for one, and what the canonical form says."""

import hashlib
import json
from dataclasses import replace

import pytest

from thrumline.pipeline.api.question import bound_recipe, readers_of
from thrumline.pipeline.contracts import ChannelMapping
from thrumline.pipeline.execution.identity import (
    Identities,
    RecipeSpelling,
    canonical,
    capture_identity,
    digest,
    result_identity,
)
from thrumline.pipeline.host import Host
from thrumline.pipeline.study import axes_from_text, load_study, read_captures_table
from thrumline.pipeline.testing import demo_fleet, write_fleet

SHA = "ab" * 32
MAPPINGS = [
    ChannelMapping(),
    ChannelMapping(position="seat-rail", unit="mg"),
    ChannelMapping(position='a "quoted" säule', axes=axes_from_text("x=+c1 y=-c3"), unit="g"),
]


@pytest.fixture(scope="module")
def asked(tmp_path_factory):
    """Recipe, readers and rows of a small study."""
    study = load_study(write_fleet(tmp_path_factory.mktemp("fleet"), replace(demo_fleet(), duration_s=1.0), 3))
    host = Host.discover()
    return bound_recipe(study, host), readers_of(host), read_captures_table(study.table_path).rows


@pytest.mark.parametrize("mapping", MAPPINGS)
def test_a_capture_is_named_by_the_hash_of_its_canonical_form(mapping):
    """Sorted keys, no blanks, ASCII; the first 32 digits of SHA-256."""
    said = {"original": SHA, "index": 2, "reader": "text", "numeric_version": 3, "mapping": mapping.as_json()}
    text = json.dumps(said, sort_keys=True, separators=(",", ":"))
    assert capture_identity(SHA, 2, "text", 3, mapping) == hashlib.sha256(text.encode()).hexdigest()[:32]


@pytest.mark.parametrize("mapping", MAPPINGS)
def test_captures_of_all_readers_are_those_of_each(asked, mapping):
    """One name a reader, in the readers' order."""
    recipe, readers, _ = asked
    wanted = [capture_identity(SHA, 1, name, number, mapping) for name, number in readers.versions.items()]
    assert Identities(recipe, readers.versions).captures(SHA, 1, mapping) == wanted


def test_results_of_many_rows_are_those_of_each_and_follow_the_facts(asked):
    """Rows of one platform share their spelling; another rpm, or an integer for a number, is another result."""
    recipe, readers, rows = asked
    names = Identities(recipe, readers.versions)
    row = rows[0]
    changed = [*rows, replace(row, rpm=(row.rpm or 700.0) + 1.0), replace(row, rpm=None)]
    for one in changed:
        assert names.result("cd" * 16, one) == result_identity("cd" * 16, recipe, one)
    assert len({names.result("cd" * 16, one) for one in (row, *changed[-2:])}) == 3
    said = {"capture": "cd" * 16, "channels": recipe.channels, "recipe": recipe.identity(row)}
    text = json.dumps(said, sort_keys=True, separators=(",", ":"))
    assert result_identity("cd" * 16, recipe, row) == hashlib.sha256(text.encode()).hexdigest()[:32]


def test_a_recipe_spelt_stage_by_stage_is_spelt_as_a_whole(asked):
    """Values and words are those of the canonical form; so are the names made of them, of all stages or the first."""
    recipe, _, rows = asked
    spelling = RecipeSpelling(recipe)
    for row in (*rows, replace(rows[0], rpm=None), replace(rows[0], noise_density=(("x", 120.0),))):
        spelt, said = spelling.of(row), recipe.identity(row)
        assert spelt.recipe.value == said
        assert spelt.recipe.text == canonical(said)
        assert (spelt.channels.value, spelt.channels.text) == (recipe.channels, canonical(recipe.channels))
        assert spelt.result("cd" * 16) == result_identity("cd" * 16, recipe, row)
        assert spelt.of_first(4, "cd" * 16, 1) == digest([1, "cd" * 16, recipe.channels, said[:4]])


@pytest.mark.parametrize("channels", [{"quantities": ("acceleration", "force")}, {"beside": ()}])
def test_the_same_stages_over_other_channels_make_another_result(asked, channels):
    """A recipe that is edited to look at more channels must not be answered with what came of fewer."""
    recipe, readers, rows = asked
    other = replace(recipe, **channels)
    assert recipe.beside == ("pressure",)
    assert result_identity("cd" * 16, other, rows[0]) != result_identity("cd" * 16, recipe, rows[0])
    names = Identities(other, readers.versions)
    assert names.result("cd" * 16, rows[0]) == result_identity("cd" * 16, other, rows[0])
    turned = replace(other, quantities=other.quantities[::-1], beside=other.beside[::-1])
    assert result_identity("cd" * 16, turned, rows[0]) == result_identity("cd" * 16, other, rows[0])
