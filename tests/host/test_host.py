"""The plugin host: built-ins by the strangers' door, broken ones set aside, duplicates refused."""

from __future__ import annotations

import importlib
import pickle
import tomllib
from pathlib import Path

import pytest

from thrumline.pipeline.contracts import PluginError
from thrumline.pipeline.host import Host

OUTSIDE = Path(__file__).parent / "outside_plugin"
PROJECT = tomllib.loads((Path(__file__).parents[2] / "pyproject.toml").read_text())


@pytest.fixture
def outside(monkeypatch):
    """Pretend that some distributions are installed."""

    def install(*names):
        for name in names:
            monkeypatch.syspath_prepend(OUTSIDE / name)
        importlib.invalidate_caches()
        return Host.discover()

    return install


def test_every_built_in_plugin_comes_through_the_entry_points():
    """What the project file declares is what the host finds, and nothing is set aside."""
    host = Host.discover()
    declared = set(PROJECT["project"]["entry-points"]["thrumline.plugins"])
    assert {offer.plugin for offer in host.offers} == declared
    assert host.set_aside == ()


def test_an_outside_plugin_hands_over_reader_stage_and_metric(outside):
    """A stranger's distribution is found and named with its version."""
    host = outside("good")
    assert "rig_counts" in host.readers
    assert {"crest", "crest_factor"} <= set(host.stages)
    row = next(row for row in host.listing() if row["name"] == "crest_factor")
    assert (row["distribution"], row["version"], row["kind"]) == ("rig-crest", "1.2", "metric")


@pytest.mark.parametrize(
    ("name", "owner", "cause"),
    [
        ("broken_import", "rig-unplugged", "Error"),
        ("misspelt_hook", "rig-misspelt", "register_stagess"),
        ("raising_hook", "rig-raising", "Error"),
    ],
)
def test_a_broken_plugin_is_set_aside_with_its_cause_and_the_others_work(outside, name, owner, cause):
    """One broken plugin costs only itself."""
    host = outside("good", name)
    assert [aside.distribution for aside in host.set_aside] == [owner]
    assert cause in host.set_aside[0].cause
    assert "crest" in host.stages
    assert "screen" in host.stages


def test_two_plugins_claiming_one_name_are_both_refused_by_name(outside):
    """Neither wins silently; the message names both distributions."""
    host = outside("taken_name")
    assert "screen" not in host.stages
    assert {aside.distribution for aside in host.set_aside} == {"rig-screen", "thrumline"}
    assert all("'screen' is also claimed by" in aside.cause for aside in host.set_aside)


def test_an_unknown_reader_is_refused_with_those_installed():
    """Sorted alternatives in the message."""
    with pytest.raises(PluginError, match=r"reader 'tekst' is not installed.*nearest: text"):
        Host.discover().reader("tekst")


def test_a_plugin_that_changes_the_numbers_changes_the_fingerprint(outside):
    """Workers are compared by it before they get work."""
    before = Host.discover().fingerprint()
    assert outside("good").fingerprint() != before


def test_stage_classes_and_settings_cross_process_borders():
    """Workers get plain classes and settings, never the host."""
    for kind in Host.discover().stages.values():
        stage = kind(kind.Settings())
        again = pickle.loads(pickle.dumps(stage))
        assert type(again) is kind
        assert again.settings == stage.settings
