"""Pretended installations meet the fate their README states, and the good one keeps every contract."""

import importlib
from pathlib import Path

import numpy as np
import pytest

from thrumline.pipeline.contracts import ReasonCode
from thrumline.pipeline.host import Host
from thrumline.pipeline.testing import (
    EstimatorSuite,
    IdleSpec,
    MetricSuite,
    ReaderExample,
    ReaderSuite,
    RefusedExample,
    example_of,
    idle_capture,
)

INSTALLATIONS = Path(__file__).parents[1] / "host" / "outside_plugin"


def discovered(monkeypatch, *folders):
    for folder in folders:
        monkeypatch.syspath_prepend(str(INSTALLATIONS / folder))
    return Host.discover()


def test_good_plugin_comes_in_by_the_same_door(monkeypatch):
    host = discovered(monkeypatch, "good")
    assert {"crest", "crest_factor"} <= set(host.stages)
    assert host.reader_paths["rig_counts"] == "rig_crest:RigCounts"
    assert not [aside for aside in host.set_aside if aside.distribution == "rig-crest"]


@pytest.mark.parametrize(
    ("folder", "distribution", "cause"),
    [
        ("broken_import", "rig-unplugged", "rig_driver_that_nobody_installed"),
        ("taken_name", "rig-screen", "screen"),
        ("misspelt_hook", "rig-misspelt", "register_stagess"),
        ("raising_hook", "rig-raising", "the rig is switched off"),
    ],
)
def test_faulty_plugin_is_set_aside_and_the_good_one_still_works(monkeypatch, folder, distribution, cause):
    host = discovered(monkeypatch, "good", folder)
    asides = [aside for aside in host.set_aside if aside.distribution == distribution]
    assert len(asides) == 1
    assert cause in asides[0].cause
    assert "crest" in host.stages


def test_name_taken_twice_is_used_by_neither(monkeypatch):
    host = discovered(monkeypatch, "taken_name")
    assert "screen" not in host.stages
    assert {a.distribution for a in host.set_aside if "'screen'" in a.cause} == {"rig-screen", "thrumline"}


@pytest.fixture
def rig_crest(monkeypatch):
    monkeypatch.syspath_prepend(str(INSTALLATIONS / "good"))
    return importlib.import_module("rig_crest")


@pytest.fixture(autouse=True)
def _rig(request, monkeypatch):
    if request.cls is not None:
        monkeypatch.syspath_prepend(str(INSTALLATIONS / "good"))


EXAMPLE = example_of(idle_capture(IdleSpec(duration_s=6.0), 1), split_s=2.5)


def rig():
    return importlib.import_module("rig_crest")


class TestCrest(EstimatorSuite):
    rtol = 1e-10  # a mean square about the first sample: sums in another order differ in the last digits

    def stage(self):
        return rig().Crest(rig().CrestSettings())

    def example(self):
        return EXAMPLE


class TestCrestFactor(MetricSuite):
    needs = ("crest",)

    def stage(self):
        return rig().CrestFactor(rig().CrestFactor.Settings())

    def example(self):
        return EXAMPLE.after(rig().Crest(rig().CrestSettings()))


class TestRigCounts(ReaderSuite):
    truncation_keeps = False

    def reader(self):
        return rig().RigCounts()

    def files(self):
        counts = np.random.default_rng(2).integers(-30_000, 30_000, (3, 500)).astype(np.int16)
        return [ReaderExample("a.rig", rig().packed(counts, 800, 600), counts * 6e-4, np.arange(500) / 800.0)]

    def refused(self):
        counts = np.zeros((3, 4), np.int16)
        whole = rig().packed(counts, 800, 600)
        empty = rig().packed(counts[:, :0], 800, 600)
        return [
            RefusedExample("b.rig", whole[:-6], ReasonCode.UNREADABLE),
            RefusedExample("c.rig", empty, ReasonCode.EMPTY),
        ]


def test_crest_factor_of_a_sine_is_the_root_of_two(rig_crest):
    from thrumline.pipeline.testing import steady_sine

    example = example_of(steady_sine(50.0, 2.0, rate_hz=1000.0, duration_s=10.0))
    example = example.after(rig_crest.Crest(rig_crest.CrestSettings()))
    reading = rig_crest.CrestFactor(rig_crest.CrestFactor.Settings()).readings(example.products, example.context)[0]
    assert reading.value == pytest.approx(np.sqrt(2.0), rel=1e-6)


def test_crest_factor_with_gravity_kept_counts_from_zero(rig_crest):
    """A 2 m s-2 sine on 10 m s-2: peak 12 over the root of 10**2 + 2**2 / 2."""
    from dataclasses import replace

    from thrumline.pipeline.testing import steady_sine

    example = example_of(steady_sine(50.0, 2.0, rate_hz=1000.0, duration_s=10.0))
    example = replace(example, runs=tuple(replace(run, values=run.values + 10.0) for run in example.runs))
    example = example.after(rig_crest.Crest(rig_crest.CrestSettings(gravity_removed=False)))
    reading = rig_crest.CrestFactor(rig_crest.CrestFactor.Settings()).readings(example.products, example.context)[0]
    assert reading.value == pytest.approx(12.0 / np.sqrt(102.0), rel=1e-6)
