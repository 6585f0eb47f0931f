"""A long capture cut into parts over workers gives the same products as one pass by one worker."""

from __future__ import annotations

import pickle

import numpy as np
import pytest

from thrumline.pipeline.contracts import CaptureHead, ChannelHead, Clock, Fitness, GroupHead
from thrumline.pipeline.execution.chain import measuring_pass, run_chain, survey_pass
from thrumline.pipeline.execution.samples import CaptureSamples, HeldArray
from thrumline.pipeline.host import Host
from thrumline.pipeline.recipe import bind, load_recipe
from thrumline.pipeline.testing import IdleSpec, Slam, idle_capture

FACTS = {"cylinders": 4, "rpm": 750.0, "coupling": ""}


@pytest.fixture(scope="module", params=[800.0, 7000.0], ids=["as sampled", "made slower"])
def samples(request):
    """70 s with a slam, so that there are two stretches; at 7 kHz every second sample is used."""
    rate = request.param
    capture = idle_capture(IdleSpec(duration_s=70, rate_hz=rate, rpm=750, cylinders=4, slam=Slam(40.0)), seed=3)
    counts = np.rint(np.asarray(capture.acceleration) / 1e-3).astype(np.int32)
    channels = tuple(ChannelHead(axis, "acceleration", "mm/s2", "m s-2", 1e-3, axis=axis) for axis in "xyz")
    head = CaptureHead(0, "test", (GroupHead("g0", channels, Clock(True, 0.0, rate), counts.shape[1], "int32"),))
    return CaptureSamples(head, {"g0_counts": HeldArray(counts)}, ["acceleration"])


def outcome(samples, n_parts, leave_out=0):
    """Run recipe idle; each pass in parts, each part by estimators of its own that crossed a process border."""
    recipe = load_recipe("idle")
    bound = bind(recipe, {}, Host.discover().stages)
    facts = {name: FACTS.get(name) for name in bound.uses_facts}

    def run_pass(number, whole, _):
        parts = whole.parts(-(-samples.n_samples // n_parts))
        parts = parts[: len(parts) - leave_out] if number else parts
        gathered = [pickle.loads(pickle.dumps(whole.run([part]))) for part in parts]
        merged, rest = gathered[0], gathered[1:]
        for later in rest:
            for mine, other in zip(merged, later, strict=True):
                mine.take_over(other)
        return merged

    return run_chain(bound, samples, facts, run_pass if n_parts > 1 else None)


@pytest.mark.parametrize("n_parts", [2, 5, 13])
def test_parts_merge_to_the_same_products_as_one_pass(samples, n_parts):
    """Readings to 1e-9 (tracks are refined iteratively), spectra to 1e-12, fitness to the letter."""
    whole, parted = outcome(samples, 1), outcome(samples, n_parts)
    assert whole.fitness.state == "fit"
    assert len(whole.fitness.stretches) == 2
    assert parted.fitness.stretches == whole.fitness.stretches
    assert parted.faults == whole.faults == {}
    auto = whole.products["spectra"].auto
    # near half the new rate a filter has left less than the rounding of its sums, which is of the floor's size
    np.testing.assert_allclose(parted.products["spectra"].auto, auto, rtol=1e-12, atol=1e-12 * np.median(auto))
    for mine, other in zip(whole.readings, parted.readings, strict=True):
        assert (mine.reading, mine.combination, mine.absent) == (other.reading, other.combination, other.absent)
        assert other.value == pytest.approx(mine.value, rel=1e-9)
        assert other.std_uncertainty == pytest.approx(mine.std_uncertainty, rel=1e-6)


def test_a_part_that_is_left_out_shows(samples):
    """Mutation check: without its last part the spectrum is another one."""
    whole, short = outcome(samples, 1), outcome(samples, 5, leave_out=1)
    assert not np.allclose(short.products["spectra"].auto, whole.products["spectra"].auto, rtol=1e-6)


def test_stages_for_other_quantities_are_not_shown_the_accelerations(samples):
    """Recipe idle listens to microphones as well; without one its stages for sound cost nothing."""
    bound = bind(load_recipe("idle"), {}, Host.discover().stages)
    context = samples.context({name: FACTS.get(name) for name in bound.uses_facts})
    fitness = Fitness("fit", stretches=((1.0, 40.0),))
    measuring = [stage.name for stage in measuring_pass(bound, samples, context, {}, fitness).stages]
    assert measuring == ["resample", "spectrum", "orders"]
    assert [stage.name for stage in survey_pass(bound, samples, context).stages] == ["screen", "resample", "track"]
