"""Stages that listen to microphones keep the shipped contracts, on the sound of an idle heard at a rate of its own."""

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from thrumline.pipeline.contracts import Block, ChannelSpec, Metric, SignalSpec
from thrumline.pipeline.contracts.signal import NativeCounts
from thrumline.pipeline.host import Host
from thrumline.pipeline.recipe import load_recipe
from thrumline.pipeline.testing import EstimatorSuite, IdleSpec, MetricSuite, example_of, idle_capture
from thrumline.pipeline.testing.agreement import differences
from thrumline.pipeline.testing.examples import cut_at, piece

SPEC = IdleSpec(duration_s=44.0, rpm=640.0, cylinders=8, amplitude_mg=(2.6, 4.1, 7.4), orders=((2.0, 1.4),), step=6e-4)
FACTS = {"cylinders": 8, "strokes": 4, "rpm": 640.0, "firing_order": None, "start_s": None, "stop_s": None, "coupling": ""}
RECIPE = load_recipe("idle")
RATE_HZ = 2500.0
SOUND = ("sound", "sound_orders", "sound_level", "order_level")


@cache
def classes():
    return dict(Host.discover().stages)


def made(name):
    kind = classes()[name]
    return kind(kind.Settings.model_validate(dict(RECIPE.stage.get(name, {}))))


def heard(capture, factor=1.0):
    """Pressure at two microphones: firing order of 0.1 and 0.05 Pa, its half, noise; of the engine's own phase."""
    n = round(RATE_HZ * SPEC.duration_s)
    t = capture.time_s[0] + np.arange(n) / RATE_HZ
    phase = 2 * np.pi * np.cumsum(capture.speed_at(t)) / RATE_HZ
    noise = np.random.default_rng(8).standard_normal((2, n))
    tones = np.sin(4 * phase + 0.4) + 0.4 * np.sin(2 * phase)
    return t, factor * (np.array([[0.1], [0.05]]) * tones + 0.03 * noise)


@cache
def beside(name, factor=1.0):
    """The example as a stage beside the accelerations meets it: two stretches, products of the accelerations."""
    capture = idle_capture(SPEC, 5)
    example = example_of(capture, FACTS)
    for earlier in RECIPE.stages[: RECIPE.stages.index("stretches") + 1]:
        example = example.after(made(earlier))
    t, values = heard(capture, factor)
    channels = tuple(ChannelSpec(f"mic {k}", "pressure", "Pa", "driver's ear") for k in (1, 2))
    signal = SignalSpec(channels, uniform=True, rate_hz=RATE_HZ, duration_s=SPEC.duration_s)
    edges = [round(RATE_HZ * at) for at in (1.0, 24.0, 25.0, 43.0)]
    runs = tuple(
        Block(values[:, a:b].copy(), number, 0, float(t[a]), RATE_HZ)
        for number, (a, b) in enumerate(zip(edges[::2], edges[1::2], strict=True))
    )
    example = replace(
        example, runs=runs, schema=replace(example.schema, signal=signal), context=replace(example.context, signal=signal)
    )
    for earlier in SOUND[: SOUND.index(name)]:
        if not issubclass(classes()[earlier], Metric):
            example = example.after(made(earlier))
    return example


def without_sound(example):
    other = ChannelSpec("c1", "acceleration", "m s-2", "seat rail", "x")
    return [replace(example.schema, signal=replace(example.signal, channels=channels)) for channels in ((), (other,))]


class TestSound(EstimatorSuite):
    def stage(self):
        return made("sound")

    def example(self):
        return beside("sound")

    def refused(self):
        return without_sound(self.example())


class TestSoundSlowly(EstimatorSuite):
    """With the slow time weighting, which needs half a minute to forget."""

    def stage(self):
        return classes()["sound"](classes()["sound"].Settings(time_weighting="S"))

    def example(self):
        return beside("sound")


class TestSoundOrders(EstimatorSuite):
    needs = ("track",)

    def stage(self):
        return made("sound_orders")

    def example(self):
        return beside("sound_orders")


class TestSoundLevel(MetricSuite):
    needs = ("sound_sums",)

    def stage(self):
        return made("sound_level")

    def example(self):
        return beside("sound_level")


class TestOrderLevel(MetricSuite):
    needs = ("sound_orders",)

    def stage(self):
        return made("order_level")

    def example(self):
        return beside("order_level")


def test_every_stage_that_listens_is_tried_here():
    """A stage that joins them joins the suites."""
    assert set(SOUND) == {name for name in RECIPE.stages if classes()[name].acts_on == ("pressure",)}


def levels(factor):
    found = {}
    for name in ("sound_level", "order_level"):
        example = beside(name, factor)
        for reading in made(name).readings(example.products, example.context):
            found[reading.reading, reading.order] = reading
    return found


def test_twice_the_pressure_is_six_decibels_more_in_every_level():
    """A factor of two on the samples is 20 lg 2 = 6.0206 dB, once, in each reading."""
    once, twice = levels(1.0), levels(2.0)
    assert len(once) == 4
    for name, reading in once.items():
        assert twice[name].value - reading.value == pytest.approx(6.020600, abs=1e-4), name


def test_two_microphones_read_the_mean_of_their_mean_squares():
    """Orders of 0.1 and 0.05 Pa peak: 20 lg of the root of (0.1^2 + 0.05^2)/4 Pa^2 over 20 micropascal."""
    expected = 10 * np.log10((0.1**2 + 0.05**2) / 4 / 20e-6**2)
    assert levels(1.0)["order_level", 4.0].value == pytest.approx(expected, abs=0.05)


def test_native_counts_give_what_their_values_give():
    """Clipping and stillness are counted on the codes, levels on the values: all alike for both forms."""
    example = beside("sound")
    scale, offset = np.array([[1e-5], [1e-5]]), np.zeros((2, 1))
    products = []
    for native in (True, False):
        work = made("sound").open(example.signal, example.context, example.products)
        for run in example.runs:
            counts = np.round(run.values / scale).astype(np.int32)
            for block in cut_at(replace(run, values=counts * scale), [1, 4097, 30_001]):
                codes = counts[:, block.first : block.stop]
                form = NativeCounts(codes, scale, offset) if native else None
                work.accumulate(replace(piece(block, 0, block.n), native=form))
        products.append(work.finish())
    assert not differences(*products, 1e-12)
