"""The chain runner: two passes, stretches, transforms in between, faults that stay where they are."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest

from thrumline.pipeline.contracts import (
    Accumulator,
    Block,
    BlockFlow,
    CaptureHead,
    ChannelHead,
    Clock,
    Derivation,
    Estimator,
    Fitness,
    GroupHead,
    Metric,
    ProductSpec,
    Reading,
    ReasonCode,
    RecipeError,
    SchemaError,
    StageSettings,
    Transform,
)
from thrumline.pipeline.execution.chain import run_chain
from thrumline.pipeline.execution.samples import CaptureSamples, HeldArray, Run
from thrumline.pipeline.recipe import Recipe, bind


def samples_of(values, rate_hz=100.0, start_s=0.0, stamps=None):
    """A capture held in memory: integer counts of 1 mm s-2, axes x, y, z."""
    counts = np.asarray(values)
    channels = tuple(
        ChannelHead(name, "acceleration", "mm/s2", "m s-2", 1e-3, axis=name) for name in "xyz"[: len(counts)]
    )
    clock = Clock(stamps is None, start_s, rate_hz, tick_s=1e-3 if stamps is not None else 0.0)
    group = GroupHead("g0", channels, clock, counts.shape[1], str(counts.dtype))
    arrays = {"g0_counts": HeldArray(counts)}
    if stamps is not None:
        arrays["g0_stamps"] = HeldArray(np.asarray(stamps))
    return CaptureSamples(CaptureHead(0, "test", (group,)), arrays, ["acceleration"])


@dataclass
class Summing(Accumulator):
    """Sum and count of every sample that comes by, and the runs they came in."""

    total: float = 0.0
    n: int = 0

    def __post_init__(self):
        self.firsts = []

    def accumulate(self, block: Block) -> None:
        self.total += float(block.values.sum())
        self.n += block.n
        if block.first == 0:
            self.firsts.append(block.start_s)

    def merge(self, other):
        self.total, self.n = self.total + other.total, self.n + other.n

    def finish(self):
        return {"total": self.total, "n": self.n, "firsts": self.firsts}


class Survey(Estimator[StageSettings]):
    """Sums in the first pass."""

    name, numeric_version, makes = "survey", 1, "survey"

    def schema(self, incoming):
        return incoming.plus(ProductSpec("survey", (), "m s-2"))

    def open(self, signal, context, products):
        return Summing()


class Measure(Survey):
    """Sums in the second pass."""

    name, makes = "measure", "measure"

    def schema(self, incoming):
        return incoming.plus(ProductSpec("measure", (), "m s-2"))


class Choice(Derivation[StageSettings]):
    """Uses seconds 1 to 2 and 3 to 4."""

    name, numeric_version, makes, selects = "choice", 1, "choice", True

    def schema(self, incoming):
        if "survey" not in incoming.products:
            raise SchemaError("stage 'choice' wants product 'survey'", found=", ".join(incoming.products))
        return incoming.plus(ProductSpec("choice", (), ""))

    def derive(self, products, context):
        return Fitness("fit", stretches=((1.0, 2.0), (3.0, 4.0)))


class Doubling(Transform[StageSettings]):
    """Twice each value, one block late, so that flushing matters."""

    name, numeric_version = "doubling", 1

    def schema(self, incoming):
        return incoming

    def open(self, signal, context):
        return _Late()


class _Late(BlockFlow):
    def __init__(self):
        self.held = None

    def push(self, block):
        out, self.held = self.held, Block(block.values * 2, block.run, block.first, block.start_s, block.rate_hz)
        return [] if out is None else [out]

    def flush(self):
        out, self.held = self.held, None
        return [] if out is None else [out]


class Telling(Metric[StageSettings]):
    """The mean of the second pass as a reading."""

    name, numeric_version, reading_names = "telling", 1, ("telling",)

    def schema(self, incoming):
        return incoming

    def readings(self, products, context):
        got = products["measure"]
        return [Reading("telling", "", "rss", "mg", "peak", got["total"] / got["n"])]


class Breaking(Measure):
    """Breaks on the first block."""

    name, makes = "breaking", "measure"

    def open(self, signal, context, products):
        raise RuntimeError("no such luck")


STAGES = {kind.name: kind for kind in (Survey, Measure, Choice, Doubling, Telling, Breaking)}


def bound(*names):
    return bind(Recipe(name="t", title="t", stages=names), {}, STAGES)


def test_first_pass_sees_all_and_second_pass_the_stretches_only():
    """500 samples in the survey; 2 stretches of 100 samples measured, each starting on time."""
    outcome = run_chain(bound("survey", "choice", "measure"), samples_of(np.ones((1, 500), dtype=np.int32)), {})
    assert outcome.products["survey"]["n"] == 500
    assert outcome.products["measure"]["n"] == 200
    assert outcome.products["measure"]["firsts"] == pytest.approx([1.0, 3.0])
    assert outcome.products["measure"]["total"] == pytest.approx(0.2, rel=1e-12)


def test_a_transform_before_the_choice_acts_in_both_passes():
    """A transform stands once in the recipe and serves what comes after it, in either pass."""
    outcome = run_chain(
        bound("doubling", "survey", "choice", "measure"), samples_of(np.ones((1, 500), dtype=np.int32)), {}
    )
    assert outcome.products["survey"]["total"] == pytest.approx(1.0)
    assert outcome.products["measure"]["total"] == pytest.approx(0.4)


def test_a_failing_stage_loses_its_own_readings_and_no_others():
    """The metric that needs the broken product says so; the survey's product is there."""
    outcome = run_chain(bound("survey", "choice", "breaking", "telling"), samples_of(np.ones((1, 500), np.int32)), {})
    reasons = {reading.absent.code for reading in outcome.readings if reading.absent}
    assert reasons == {ReasonCode.STAGE_FAILED}
    assert "no such luck" in outcome.readings[0].absent.detail
    assert outcome.products["survey"]["n"] == 500
    assert "no such luck" in outcome.faults["breaking"]


def test_a_chain_that_cannot_work_is_refused_before_a_sample_is_read():
    """The choice needs the survey; the samples would raise if anyone touched them."""

    class Untouchable:
        shape = (1, 500)

        def read(self, start, stop):
            raise AssertionError("a sample was read")

    samples = samples_of(np.ones((1, 500), dtype=np.int32))
    samples._counts = Untouchable()
    with pytest.raises(SchemaError, match="wants product 'survey'"):
        run_chain(bound("choice", "measure"), samples, {})


def test_a_gap_makes_two_runs_and_no_block_crosses_it():
    """Whole-millisecond stamps with a hole of 2 s: two runs, each starting at its own instant."""
    stamps = np.concatenate([np.arange(0, 3000, 10), np.arange(5000, 8000, 10)])
    outcome = run_chain(bound("survey", "choice", "measure"), samples_of(np.ones((1, 600), np.int32), stamps=stamps), {})
    assert outcome.products["survey"]["firsts"] == pytest.approx([0.0, 5.0])


def test_two_stages_that_choose_stretches_are_refused():
    """Stretches are chosen once: a second choice would undo the first."""

    class Again(Choice):
        """A second one."""

        name = "again"

    with pytest.raises(RecipeError, match="chosen once"):
        bind(Recipe(name="t", title="t", stages=("survey", "choice", "again")), {}, {**STAGES, "again": Again})


@pytest.mark.parametrize("channels", [(), (0,), (1, 2), (0, 1, 2), (0, 2), (2, 1)])
def test_a_block_hands_out_its_channels_in_the_order_asked_for(channels):
    """Neighbours as a view: two stages that look at all channels make no copies."""
    values = np.arange(12.0).reshape(3, 4)
    found = Block(values, 0, 0, 0.0, 100.0).values_of(channels)
    np.testing.assert_array_equal(found, values[list(channels)] if channels else np.empty((0, 4)))
    assert np.shares_memory(found, values) == (channels in ((0,), (1, 2), (0, 1, 2)))


@pytest.mark.parametrize("dtype", [np.int32, np.float64])
@pytest.mark.parametrize("stamped", [False, True])
def test_passes_share_the_samples_of_a_capture_of_one_block(dtype, stamped):
    """Read and made into values once; each pass finds them where and when they would be without the other."""
    values = (np.arange(60.0).reshape(2, 30) ** 2).astype(dtype)
    stamps = 500 + 10 * np.arange(30) if stamped else None
    samples, alone = (samples_of(values, start_s=0.5, stamps=stamps) for _ in range(2))
    (first,) = samples.blocks(Run(0, 30), 0)
    np.testing.assert_allclose(first.values, 1e-3 * values)
    (later,) = samples.blocks(Run(7, 20), 1, counted_from=5)
    assert np.shares_memory(later.values, first.values)
    assert not later.values.flags.writeable
    (wanted,) = alone.blocks(Run(7, 20), 1, counted_from=5)
    assert later.values.tolist() == wanted.values.tolist() == first.values[:, 7:20].tolist()
    assert (later.run, later.first, later.start_s) == (1, 2, wanted.start_s)
    assert wanted.start_s == pytest.approx(0.57)
