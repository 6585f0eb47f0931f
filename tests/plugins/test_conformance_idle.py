"""Every stage of the idle recipe keeps the shipped contracts, met in the recipe's own order through the host.

The example: 48 s at idle with taps, cut into two runs as a gap would, an eight-cylinder engine.
"""

from dataclasses import replace
from functools import cache

import pytest

from thrumline.pipeline.contracts import ChannelSpec, Metric
from thrumline.pipeline.host import Host
from thrumline.pipeline.recipe import load_recipe
from thrumline.pipeline.testing import (
    DerivationSuite,
    EstimatorSuite,
    IdleSpec,
    MetricSuite,
    TransformSuite,
    example_of,
    idle_capture,
    stamped,
)

SPEC = IdleSpec(
    duration_s=48.0, rpm=640.0, cylinders=8, amplitude_mg=(2.6, 4.1, 7.4), orders=((2.0, 1.4), (8.0, 2.5)),
    taps_s=(2.4, 2.9), step=6e-4,
)  # fmt: skip
FACTS = {"cylinders": 8, "strokes": 4, "rpm": 640.0, "firing_order": None, "start_s": None, "stop_s": None, "coupling": ""}
RECIPE = load_recipe("idle")


@cache
def classes():
    return dict(Host.discover().stages)


def made(name):
    if name not in classes():
        pytest.skip(f"stage {name!r} is not installed")
    kind = classes()[name]
    return kind(kind.Settings.model_validate(dict(RECIPE.stage.get(name, {}))))


@cache
def before(name):
    """The example as the named stage of the recipe meets it."""
    example = example_of(idle_capture(SPEC, 5), FACTS, split_s=20.0)
    for earlier in RECIPE.stages[: RECIPE.stages.index(name)]:
        stage = made(earlier)
        if not isinstance(stage, Metric):
            example = example.after(stage)
    return example


def without_channels(example):
    return [replace(example.schema, signal=replace(example.signal, channels=()))]


class TestScreen(EstimatorSuite):
    # band powers through time, 2 kB a second and channel whatever the rate: a third of the bytes at 800 Hz
    growth = 0.35

    def stage(self):
        return made("screen")

    def example(self):
        return before("screen")

    def refused(self):
        volts = (ChannelSpec("u", "voltage", "V", "seat-rail", "x"),)
        schema = self.example().schema
        return [replace(schema, signal=replace(schema.signal, channels=volts))]


class TestResampleUniform(TransformSuite):
    def stage(self):
        return made("resample")

    def example(self):
        return before("resample")

    def test_uniform_clock_is_passed_through_untouched(self):
        for run in self.example().runs:
            assert self.whole(run).values.tobytes() == run.values.tobytes()


class TestResampleSlower(TransformSuite):
    """A rate that needs no more than every second sample: 1,280 Hz stay flat."""

    def stage(self):
        return made("resample")

    def example(self):
        return example_of(idle_capture(replace(SPEC, duration_s=6.0, rate_hz=7000.0), 5), FACTS, split_s=3.5)

    def test_the_rate_is_divided_by_a_whole_number(self):
        assert {self.whole(run).rate_hz for run in self.example().runs} == {3500.0}

    def test_other_quantities_than_acceleration_keep_their_rate(self):
        schema = self.example().schema
        sound = replace(schema.signal, channels=(ChannelSpec("p", "pressure", "Pa"), *schema.signal.channels))
        assert self.stage().schema(replace(schema, signal=sound)).signal.rate_hz == 7000.0


class TestResampleStamped(TransformSuite):
    def stage(self):
        return made("resample")

    def example(self):
        short = example_of(idle_capture(replace(SPEC, duration_s=12.0), 5), FACTS, split_s=7.0)
        return stamped(short, jitter_s=2e-4, seed=3)


class TestTrack(EstimatorSuite):
    # the band about the line through time, 1.1 kB a second and channel whatever the rate
    growth = 0.2

    def stage(self):
        return made("track")

    def example(self):
        return before("track")


class TestStretches(DerivationSuite):
    needs = ("screen",)

    def stage(self):
        return made("stretches")

    def example(self):
        return before("stretches")


class TestSpectrum(EstimatorSuite):
    def stage(self):
        return made("spectrum")

    def example(self):
        return before("spectrum")


class TestCombine(DerivationSuite):
    needs = ("spectra",)

    def stage(self):
        return made("combine")

    def example(self):
        return before("combine")


class TestOrders(EstimatorSuite):
    needs = ("track",)

    def stage(self):
        return made("orders")

    def example(self):
        return before("orders")


class TestLines(DerivationSuite):
    needs = ("spectra",)

    def stage(self):
        return made("lines")

    def example(self):
        return before("lines")


class TestFiringOrder(MetricSuite):
    needs = ("orders",)

    def stage(self):
        return made("firing_order")

    def example(self):
        return before("firing_order")


class TestHighestBin(MetricSuite):
    needs = ("combined",)

    def stage(self):
        return made("highest_bin")

    def example(self):
        return before("highest_bin")


def test_every_stage_of_the_recipe_is_tried_here():
    """A stage that joins the recipe joins the suites; those that act on other channels stand in a file of theirs."""
    tried = {
        kind().stage().name
        for kind in globals().values()
        if isinstance(kind, type) and kind.__name__.startswith("Test")
    }
    others = {name for name in RECIPE.stages if classes()[name].acts_on == ("pressure",)}
    assert tried == set(RECIPE.stages) - others
