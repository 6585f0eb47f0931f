"""What the first pass over a long capture keeps for the second: the very samples that one would have made."""

from __future__ import annotations

import pickle
from itertools import count

import numpy as np
import pytest

from thrumline.pipeline.api import Spread, run_study
from thrumline.pipeline.contracts import (
    Block,
    CaptureHead,
    ChannelHead,
    ChannelSpec,
    Clock,
    Fitness,
    GroupHead,
    SignalSpec,
)
from thrumline.pipeline.execution import spread as spreading
from thrumline.pipeline.execution import task
from thrumline.pipeline.execution.chain import measuring_pass, run_chain, survey_pass
from thrumline.pipeline.execution.kept import KEPT, KeepSamples, Kept, KeptLost, KeptSamples
from thrumline.pipeline.execution.samples import CaptureSamples, HeldArray
from thrumline.pipeline.host import Host
from thrumline.pipeline.recipe import bind, load_recipe
from thrumline.pipeline.testing import FleetSpec, IdleSpec, Slam, demo_fleet, idle_capture, write_fleet

FACTS = {"cylinders": 4, "rpm": 750.0, "coupling": ""}


def samples_at(rate):
    """70 s with a slam, so that there are two stretches."""
    capture = idle_capture(IdleSpec(duration_s=70, rate_hz=rate, rpm=750, cylinders=4, slam=Slam(40.0)), seed=3)
    counts = np.rint(np.asarray(capture.acceleration) / 1e-3).astype(np.int32)
    channels = tuple(ChannelHead(axis, "acceleration", "mm/s2", "m s-2", 1e-3, axis=axis) for axis in "xyz")
    head = CaptureHead(0, "test", (GroupHead("g0", channels, Clock(True, 0.25, rate), counts.shape[1], "int32"),))
    return CaptureSamples(head, {"g0_counts": HeldArray(counts)}, ["acceleration"])


@pytest.fixture(scope="module")
def quick():
    """14 kHz: every fourth sample is used after the screen."""
    return samples_at(14_000.0)


def outcome(samples, n_parts, folder=None):
    """Recipe idle in parts that crossed a process border; with a folder, the first pass keeps its samples there."""
    bound = bind(load_recipe("idle"), {}, Host.discover().stages)
    facts = {name: FACTS.get(name) for name in bound.uses_facts}
    numbers, seen = count(), {}

    def run_pass(number, whole, products):
        parts = whole.parts(-(-samples.n_samples // n_parts))
        gathered = []
        for part in parts:
            here = whole
            if folder is not None and number == 0:
                here = survey_pass(bound, samples, samples.context(facts), lambda: folder / str(next(numbers)))
            gathered.append(pickle.loads(pickle.dumps(here.run([part]))))
        merged, rest = gathered[0], gathered[1:]
        for later in rest:
            for mine, other in zip(merged, later, strict=True):
                mine.take_over(other)
        seen[number] = [stage.name for stage in whole.stages], products.get(KEPT), sorted(folder.iterdir()) if folder else []
        return merged

    return run_chain(bound, samples, facts, run_pass if n_parts > 1 else None), seen


@pytest.mark.parametrize("n_parts", [2, 7])
def test_what_was_kept_reads_as_what_is_made_again(quick, tmp_path, n_parts):
    """Spectra to 1e-12, readings to 1e-9, the track's stretches to the letter; and the second pass has no filter."""
    (whole, _), (kept, seen) = outcome(quick, 1), outcome(quick, n_parts, tmp_path)
    assert seen[1][0] == ["spectrum", "orders"]
    assert isinstance(seen[1][1], Kept)
    assert len(seen[1][2]) == n_parts
    assert kept.fitness.stretches == whole.fitness.stretches
    assert len(whole.fitness.stretches) == 2
    assert kept.faults == whole.faults == {}
    auto = whole.products["spectra"].auto
    np.testing.assert_allclose(kept.products["spectra"].auto, auto, rtol=1e-12, atol=1e-12 * np.median(auto))
    for mine, other in zip(whole.readings, kept.readings, strict=True):
        assert (mine.reading, mine.combination, mine.absent) == (other.reading, other.combination, other.absent)
        assert other.value == pytest.approx(mine.value, rel=1e-9)


@pytest.mark.parametrize("start_s", [1.25, 1.25 + 1 / 14_000, 1.25 + 2 / 14_000, 1.25 + 3 / 14_000])
def test_a_stretch_begins_where_the_first_pass_had_a_sample_too(quick, start_s):
    """Wherever it starts: every fourth sample counts from the run's first one, not from the piece's."""
    bound = bind(load_recipe("idle"), {}, Host.discover().stages)
    context = quick.context({name: FACTS.get(name) for name in bound.uses_facts})
    measuring = measuring_pass(bound, quick, context, {}, Fitness("fit", stretches=((start_s, 40.0),)))
    (piece,) = measuring.pieces
    assert piece.run.start % 4 == 0
    assert piece.run.start > 0


def test_files_of_kept_samples_are_gone_when_the_chain_is_done(quick, tmp_path):
    """They are not among the products either: a result holds nothing of how it was computed."""
    done, seen = outcome(quick, 3, tmp_path)
    assert seen[1][2]
    assert not list(tmp_path.iterdir())
    assert KEPT not in done.products


def test_a_capture_that_is_hardly_made_slower_keeps_nothing(tmp_path):
    """At 7 kHz every second sample is used: writing them would cost what it saves."""
    done, seen = outcome(samples_at(7_000.0), 2, tmp_path)
    assert seen[1][0] == ["resample", "spectrum", "orders"]
    assert seen[1][2] == []
    assert done.fitness.state == "fit"


SIGNAL = SignalSpec((ChannelSpec("x", "acceleration", "m s-2", "", "x"),), uniform=True, rate_hz=100.0)


def keeper(path, first, values):
    """A part of a pass that kept these samples."""
    made = KeepSamples(path).open(SIGNAL, None, {})
    made.accumulate(Block(np.asarray([values]), 0, first, 1.0 + first / 100.0, 100.0))
    return made


def test_parts_in_any_order_make_one_run(tmp_path):
    early, late = keeper(tmp_path / "a", 0, [1.0, 2.0]), keeper(tmp_path / "b", 2, [3.0, 4.0, 5.0])
    late.merge(early)
    kept = late.finish()
    assert kept.whole
    samples = KeptSamples(kept)
    assert (samples.n_samples, samples.signal.duration_s, samples.index_at(1.03)) == (5, 0.05, 3)
    blocks = list(samples.blocks(samples.runs[0], 0))
    assert np.concatenate([b.values for b in blocks], axis=-1).tolist() == [[1.0, 2.0, 3.0, 4.0, 5.0]]
    assert [(b.first, b.start_s) for b in blocks] == [(0, 1.0), (2, pytest.approx(1.02))]


def test_a_hole_between_parts_is_not_whole(tmp_path):
    early, late = keeper(tmp_path / "a", 0, [1.0]), keeper(tmp_path / "b", 2, [3.0])
    early.merge(late)
    assert not early.finish().whole


def test_a_disk_that_fails_keeps_nothing_and_ends_nothing(tmp_path):
    """The folder does not exist: what was asked is not done, and said by an empty product, not by a fault."""
    assert not keeper(tmp_path / "nowhere" / "a", 0, [1.0]).finish().whole


@pytest.mark.parametrize("spoil", [lambda path: path.unlink(), lambda path: path.write_bytes(b"")])
def test_a_lost_or_shortened_file_is_told(tmp_path, spoil):
    """Never other samples than were kept."""
    kept = keeper(tmp_path / "a", 0, [1.0, 2.0]).finish()
    spoil(tmp_path / "a")
    samples = KeptSamples(kept)
    with pytest.raises(KeptLost) as lost:
        list(samples.blocks(samples.runs[0], 0))
    again = pickle.loads(pickle.dumps(lost.value))
    assert (type(again), str(again)) == (KeptLost, str(lost.value))


class Spoiling:
    """Between the passes the kept files vanish, as when the worker that wrote them has ended."""

    def __init__(self):
        self.kept_runs = []

    def parts_runner(self, made):
        def runner(client, order, n_parts, *, keep):
            inner = made(client, order, n_parts, keep=keep)
            self.kept_runs.append(keep)

            def run_pass(number, whole, products):
                if number == 1 and isinstance(products.get(KEPT), Kept):
                    products[KEPT].drop()
                return inner(number, whole, products)

            return run_pass

        return runner


@pytest.fixture
def one_quick_capture(tmp_path):
    spec = FleetSpec(
        platforms=demo_fleet().platforms[:1], parts=("original",), repeats=1, faults=(), duration_s=12.0,
        rates_hz=(13_000.0,), taps=False,
    )  # fmt: skip
    made = write_fleet(tmp_path / "study", spec, 11)
    lines = [line for line in made.read_text(encoding="utf-8").splitlines() if "minimum_duration_s" not in line]
    made.write_text("minimum_duration_s = 3\n" + "\n".join(lines) + "\n", encoding="utf-8")
    return made


def values(study, archive, workers):
    run = run_study(study, archive_dir=archive, out_dir=archive.with_suffix(".out"), spread=Spread(workers=workers))
    assert [entry["state"] for entry in run.captures] == ["fit"]
    return {(r["reading"], r["position"], r["combination"]): r["value"] for r in run.readings}


@pytest.mark.parametrize("lost", [False, True])
def test_over_workers_kept_samples_read_the_same_and_lost_ones_are_made_again(
    one_quick_capture, tmp_path, monkeypatch, lost
):
    """From table to reading, two workers; nothing is left in the archive's private places."""
    alone = values(one_quick_capture, tmp_path / "alone", 1)
    monkeypatch.setattr(task, "LONG_VALUES", 1000)
    spoiling, made, dropped = Spoiling(), spreading._parts_runner, []
    drop = Kept.drop
    monkeypatch.setattr(Kept, "drop", lambda kept: (dropped.append(kept.whole), drop(kept)))
    if lost:
        monkeypatch.setattr(spreading, "_parts_runner", spoiling.parts_runner(made))
    assert values(one_quick_capture, tmp_path / "parted", 2) == pytest.approx(alone, rel=1e-9)
    assert spoiling.kept_runs == ([True, False] if lost else [])
    # once by the test where they are lost, once when the chain is done with them
    assert dropped == [True] * (2 if lost else 1)
    assert not [path for path in (tmp_path / "parted" / "staging").rglob("*") if path.is_file()]
