"""Planted faults through the recipe's own chain, real speed track included, get their state and code."""

import itertools
from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from thrumline.pipeline.contracts import Block, Fitness
from thrumline.pipeline.host import Host
from thrumline.pipeline.recipe import load_recipe
from thrumline.pipeline.testing import FAULTS, IdleSpec, example_of, idle_capture
from thrumline.pipeline.testing.faults import faulty_spec, holes

SPEC = IdleSpec(
    duration_s=42.0, rate_hz=500.0, rpm=690.0, cylinders=6, amplitude_mg=(3.0, 2.0, 7.0), orders=((1.5, 0.8), (6.0, 2.0)),
    taps_s=(1.8, 2.4), step=6e-4,
)  # fmt: skip
RECIPE = load_recipe("idle")


@cache
def stage(name):
    kind = Host.discover().stages[name]
    return kind(kind.Settings.model_validate(dict(RECIPE.stage.get(name, {}))))


def through_the_chain(capture, rpm=SPEC.rpm, cylinders=SPEC.cylinders) -> Fitness:
    """The recipe's stages up to the choice of stretches; rpm is nominal, as in a table."""
    facts = {
        "cylinders": cylinders, "strokes": 4, "rpm": rpm, "firing_order": None, "start_s": None, "stop_s": None,
        "coupling": "",
    }  # fmt: skip
    example = example_of(capture, facts)
    breaks = np.flatnonzero(np.diff(capture.time_s) > 1.5 / capture.rate_hz) + 1
    if breaks.size:
        edges = [0, *breaks, len(capture.time_s)]
        runs = tuple(
            Block(capture.acceleration[:, a:b], number, 0, float(capture.time_s[a]), capture.rate_hz)
            for number, (a, b) in enumerate(itertools.pairwise(edges))
        )
        gaps = tuple((float(capture.time_s[i - 1]), float(capture.time_s[i])) for i in breaks)
        example = replace(example, runs=runs, context=replace(example.context, gaps=gaps))
    for name in RECIPE.stages[: RECIPE.stages.index("stretches") + 1]:
        example = example.after(stage(name))
    return example.products["stretches"]


def codes(fitness):
    return [str(reason.code) for reason in fitness.reasons]


def test_without_a_fault_only_the_markers_are_cut():
    fitness = through_the_chain(idle_capture(SPEC, 1))
    assert (fitness.state, codes(fitness)) == ("fit", [])
    (cut,) = fitness.cuts
    assert 4.4 <= cut.stop_s <= 5.2
    assert fitness.facts["n_markers"] in {1, 2}
    assert fitness.facts["speed_rpm"] == pytest.approx(690.0, rel=0.005)


@pytest.mark.parametrize("kind", ["clipped", "short", "hunting", "slam"])
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_planted_fault_gets_its_state_and_code(kind, seed):
    fitness = through_the_chain(idle_capture(faulty_spec(SPEC, kind), seed))
    state, code = FAULTS[kind]
    assert fitness.state == state
    assert code in codes(fitness)


@pytest.mark.parametrize("seed", [1, 2])
def test_two_seconds_lost_five_times_are_gaps(seed):
    fitness = through_the_chain(idle_capture(SPEC, seed).without(holes(SPEC.duration_s)))
    assert (fitness.state, codes(fitness)) == ("unfit", ["gaps"])


def test_a_wander_just_allowed_is_fit_and_one_just_over_is_hunting():
    """Slow sines on speed of 2.4 and 3.4 % peak: standard deviations of 1.7 and 2.4 %."""
    calm = replace(SPEC, wander=0.001, taps_s=())
    assert through_the_chain(idle_capture(replace(calm, hunt=(0.024, 8.0)), 4)).state == "fit"
    assert codes(through_the_chain(idle_capture(replace(calm, hunt=(0.034, 8.0)), 4))) == ["hunting"]


def test_a_capture_without_a_firing_line_is_fit_and_has_no_steadiness():
    """Engine off: noise alone. Steadiness is not available, which is no fault."""
    off = replace(SPEC, amplitude_mg=(0.0, 0.0, 0.0), orders=(), taps_s=())
    fitness = through_the_chain(idle_capture(off, 5))
    assert (fitness.state, codes(fitness)) == ("fit", [])
    assert "wander_percent" not in fitness.facts
