"""Stages of the other shipped recipes keep the contracts too: every stage and every check, met in recipe order."""

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from thrumline.pipeline.contracts import (
    Aside,
    Block,
    ChainSchema,
    ChannelSpec,
    Context,
    Estimator,
    Metric,
    SignalSpec,
    Transform,
)
from thrumline.pipeline.host import Host
from thrumline.pipeline.recipe import load_recipe, shipped_recipes
from thrumline.pipeline.testing import (
    DerivationSuite,
    EstimatorSuite,
    IdleSpec,
    MetricSuite,
    StageExample,
    TransformSuite,
    example_of,
    idle_capture,
)

SPEC = IdleSpec(
    duration_s=44.0, rpm=640.0, cylinders=8, amplitude_mg=(2.6, 4.1, 7.4), orders=((2.0, 1.4), (8.0, 2.5)),
    step=6e-4,
)  # fmt: skip
FACTS = {"cylinders": 8, "strokes": 4, "rpm": 640.0, "firing_order": None, "start_s": None, "stop_s": None, "coupling": ""}
OTHERS = [name for name in shipped_recipes() if name != "idle"]


@cache
def classes():
    return dict(Host.discover().stages)


def one_position():
    return example_of(idle_capture(SPEC, 5), FACTS)


def two_positions():
    spec = replace(SPEC, amplitude_mg=(26.0, 41.0, 74.0, 2.6, 4.1, 7.4))
    asked = made("two-sided", "isolation").settings
    return example_of(idle_capture(spec, 5), FACTS, positions=(asked.reference_position, asked.response_position))


def run_up():
    capture = idle_capture(replace(SPEC, rpm=900.0, run_to_rpm=2400.0), 5)
    example = example_of(capture, {**FACTS, "rpm": None})
    logged = Aside("rpm", "speed", "Hz", capture.time_s[::40], capture.speed_hz[::40])
    return replace(example, context=replace(example.context, asides=(logged,)))


def rig():
    """A spring of 300 N/mm with a loss angle of 0.1 rad, shaken at 15 Hz under a preload of 800 N."""
    rate_hz, amplitude = 1000.0, 2e-4
    t = np.arange(30_000) / rate_hz
    noise = np.random.default_rng(3).standard_normal((2, t.size))
    motion = amplitude * np.sin(2 * np.pi * 15.0 * t) + 1e-8 * noise[0]
    force = 800.0 + 3e5 * amplitude * np.sin(2 * np.pi * 15.0 * t + 0.1) + 1e-3 * noise[1]
    channels = (
        ChannelSpec("f", "force", "N", "rig", "z"), ChannelSpec("d", "displacement", "m", "rig", "z"),
    )  # fmt: skip
    signal = SignalSpec(channels, uniform=True, rate_hz=rate_hz, duration_s=30.0)
    run = Block(np.stack([force, motion]), 0, 0, 0.0, rate_hz)
    return StageExample((run,), ChainSchema(signal), Context(signal, {}, span_s=(0.0, float(t[-1]))))


BEGINNINGS = {"two-sided": two_positions, "rig-stiffness": rig, "run-up": run_up}


def stages_of(recipe):
    """The stages that see what the recipe is about; test_conformance_sound holds those beside it."""
    return [name for name in load_recipe(recipe).stages if classes()[name].acts_on != ("pressure",)]


def made(recipe, name):
    kind = classes()[name]
    return kind(kind.Settings.model_validate(dict(load_recipe(recipe).stage.get(name, {}))))


@cache
def before(recipe, name):
    """The example as this stage of this recipe meets it."""
    example = BEGINNINGS.get(recipe, one_position)()
    stages = stages_of(recipe)
    for earlier in stages[: stages.index(name)]:
        stage = made(recipe, earlier)
        if not isinstance(stage, Metric):
            example = example.after(stage)
    return example


def suite_of(recipe, name):
    """The suite of the stage's kind, tried on this recipe's example."""
    kind = classes()[name]
    base = next(
        suite
        for contract, suite in (
            (Transform, TransformSuite), (Estimator, EstimatorSuite), (Metric, MetricSuite), (object, DerivationSuite),
        )
        if issubclass(kind, contract)
    )  # fmt: skip
    members = {"stage": lambda self: made(recipe, name), "example": lambda self: before(recipe, name)}
    return type("Tried", (base,), members)()


def new_stages():
    """Each stage once: in the first recipe that has it with settings of its own, idle's stages left to their file."""
    idle = load_recipe("idle").stages
    seen = set()
    for recipe in OTHERS:
        for name in stages_of(recipe):
            if name not in idle and name not in seen:
                seen.add(name)
                yield recipe, name


def checks():
    for recipe, name in new_stages():
        if name not in classes():
            yield pytest.param(recipe, name, "", marks=pytest.mark.skip(reason=f"stage {name!r} is not installed"))
            continue
        for check in dir(suite_of(recipe, name)):
            if check.startswith("test_"):
                yield pytest.param(recipe, name, check, id=f"{name}-{check.removeprefix('test_')}")


@pytest.mark.parametrize(("recipe", "name", "check"), list(checks()))
def test_stage_keeps_its_contract(recipe, name, check):
    getattr(suite_of(recipe, name), check)()


@pytest.mark.parametrize("recipe", OTHERS)
def test_recipe_runs_to_its_readings(recipe):
    """Every metric of the recipe gives at least one value on a signal made for it."""
    for name in stages_of(recipe):
        if issubclass(classes()[name], Metric) and name != "highest_bin":
            example = before(recipe, name)
            readings = made(recipe, name).readings(example.products, example.context)
            assert any(reading.value is not None for reading in readings), (name, readings)


def twice_as_strong(example):
    """The same capture with every motion twice as large; what a sensor's static share says of gravity stays."""
    still = [run.values.mean(axis=-1, keepdims=True) for run in example.runs]
    runs = tuple(
        replace(run, values=mean + 2.0 * (run.values - mean), native=None)
        for run, mean in zip(example.runs, still, strict=True)
    )
    return replace(example, runs=runs)


def readings_of(recipe, example):
    found = {}
    for name in stages_of(recipe):
        stage = made(recipe, name)
        if isinstance(stage, Metric):
            for reading in stage.readings(example.products, example.context):
                found[reading.reading, reading.position, reading.combination, reading.order] = reading
        else:
            example = example.after(stage)
    return found


SAME_UNIT = {"mg": 2.0, "m/s2": 2.0, "m/s^1.75": 2.0, "": 1.0, "1": 1.0, "dB": 1.0, "deg": 1.0, "N/mm": 1.0, "N/m": 1.0}


@pytest.mark.parametrize("recipe", shipped_recipes())
def test_twice_the_motion_is_twice_each_amplitude_and_no_other_frequency_or_ratio(recipe):
    """No stage on the way changes a unit: a factor on all samples comes out as it went in, once, in each reading."""
    example = BEGINNINGS.get(recipe, one_position)()
    once, twice = readings_of(recipe, example), readings_of(recipe, twice_as_strong(example))
    assert once.keys() == twice.keys()
    valued = [name for name, reading in once.items() if reading.value is not None]
    assert valued
    for name in valued:
        expected = SAME_UNIT[once[name].unit] * once[name].value
        assert twice[name].value == pytest.approx(expected, rel=2e-3, abs=1e-9), (name, once[name].unit)
        if once[name].frequency_hz is not None:
            assert twice[name].frequency_hz == pytest.approx(once[name].frequency_hz, rel=1e-4), name


@pytest.mark.parametrize("recipe", shipped_recipes())
def test_products_tell_the_rate_and_the_length_they_were_made_from(recipe):
    """A product that names a rate or seconds names those of the samples that its stage was given."""
    example = BEGINNINGS.get(recipe, one_position)()
    told = 0
    for name in stages_of(recipe):
        stage = made(recipe, name)
        if isinstance(stage, Metric):
            continue
        made_of = example
        example = example.after(stage)
        if not isinstance(stage, Estimator):
            continue
        product = example.products[stage.makes]
        seconds = sum(run.n / run.rate_hz for run in made_of.runs)
        if hasattr(product, "rate_hz"):
            told += 1
            assert product.rate_hz == pytest.approx(made_of.signal.rate_hz, rel=1e-12), name
        if hasattr(product, "n_samples"):
            told += 1
            assert product.n_samples == sum(run.n for run in made_of.runs), name
        if hasattr(product, "frequency"):
            told += 1
            assert product.frequency[-1] <= made_of.signal.rate_hz / 2 * (1 + 1e-9), name
        for field in ("used_s", "duration_s"):
            if hasattr(product, field):
                told += 1
                # a settling filter and the last, unfinished segment leave some seconds out; none may be added
                assert 0.8 * seconds <= getattr(product, field) <= seconds * (1 + 1e-9), (name, field)
        for channel in getattr(product, "channels", ()):
            told += 1
            assert channel in made_of.signal.channels, name
    assert told >= 3
