"""Conformance of transforms: cutting changes nothing, nothing is changed silently."""

from __future__ import annotations

from typing import Any

import numpy as np

from ..contracts import Block, Transform
from .agreement import differences
from .examples import StageExample, awkward_cuts, cut_at, joined, piece, transformed
from .stage_suite import StageSuite


class TransformSuite(StageSuite):
    """Checks for a transform; write ``stage`` and ``example`` (two runs make the checks sharper)."""

    rtol: float = 1e-12

    def stage(self) -> Transform[Any]:
        """A fresh transform."""
        raise NotImplementedError("write stage()")

    def exercised(self, stage: Any, example: StageExample) -> Any:
        """All runs, whole."""
        return [transformed(stage, example, [piece(run, 0, run.n)]) for run in example.runs]

    def whole(self, run: Block) -> Block:
        """The run's output when it comes in one block."""
        return joined(transformed(self.stage(), self.example(), [piece(run, 0, run.n)]))

    def test_cutting_the_input_anywhere_changes_nothing(self) -> None:
        """The block rule: 1e-12 of the largest value, same count, same clock."""
        for run in self.example().runs:
            whole = self.whole(run)
            for cuts in awkward_cuts(run.n, seed=run.run):
                made = joined(transformed(self.stage(), self.example(), cut_at(run, cuts)))
                apart = differences(whole, made, self.rtol, "output")
                assert not apart, f"cut at {cuts[:5]}...: {apart}"

    def test_one_run_leaves_no_trace_in_the_next(self) -> None:
        """A new run starts afresh: the flow gives what each run alone gives."""
        example = self.example()
        flow = self.stage().open(example.signal, example.context)
        for run in example.runs:
            made = [*flow.push(piece(run, 0, run.n)), *flow.flush()]
            apart = differences(self.whole(run), joined([block for block in made if block.n]), self.rtol, "output")
            assert not apart, f"run {run.run}: {apart}"

    def test_channels_are_those_of_the_schema(self) -> None:
        """What the schema says of channels is what blocks hold."""
        example = self.example()
        answer = self.stage().schema(example.schema).signal
        for run in example.runs:
            assert len(self.whole(run).values) == len(answer.channels)

    def test_units_are_not_changed_silently(self) -> None:
        """A channel that keeps its name keeps its quantity, and its unit with it."""
        example = self.example()
        before = {channel.name: channel for channel in example.signal.channels}
        for channel in self.stage().schema(example.schema).signal.channels:
            was = before.get(channel.name)
            if was is not None and was.quantity == channel.quantity:
                assert was.unit == channel.unit, f"channel {channel.name}: {was.unit} became {channel.unit}"

    def test_rate_is_that_of_the_schema(self) -> None:
        """A block's rate is the schema's rate, and a uniform schema has no stamps."""
        example = self.example()
        answer = self.stage().schema(example.schema).signal
        for run in example.runs:
            made = self.whole(run)
            if answer.rate_hz is not None:
                assert abs(made.rate_hz / answer.rate_hz - 1.0) < 1e-9, f"{made.rate_hz} against {answer.rate_hz}"
            assert (made.times_s is None) == answer.uniform, "stamps and schema contradict each other"

    def test_length_and_place_in_time_are_kept(self) -> None:
        """Output covers the run's own seconds, up to the halo at either end."""
        example = self.example()
        for run in example.runs:
            made = self.whole(run)
            slack = self.stage().halo_s(example.signal) + 2.0 / min(run.rate_hz, made.rate_hz)
            (start, stop), (begun, ended) = _seconds(run), _seconds(made)
            assert abs(begun - start) <= slack, f"output starts {begun - start:+.6f} s off"
            assert abs(ended - stop) <= slack, f"output ends {ended - stop:+.6f} s off"
            expected = (ended - begun) * made.rate_hz + 1.0
            assert abs(made.n - expected) <= 1.0, f"{made.n} samples where {expected:.1f} fit"

    def test_finite_in_finite_out(self) -> None:
        """No transform makes numbers that are none."""
        for run in self.example().runs:
            assert np.all(np.isfinite(self.whole(run).values))

    def test_halo_is_enough(self) -> None:
        """A piece given with its halo on both sides comes out as it does from the whole run.

        Checked at the instants both outputs share; a transform that starts its own clock at every piece
        shares none.
        """
        example = self.example()
        halo = self.stage().halo_s(example.signal)
        for run in example.runs:
            inside = slice(round(0.4 * run.n), round(0.6 * run.n))
            margin = round(halo * run.rate_hz) + 1
            part = piece(run, max(inside.start - margin, 0), min(inside.stop + margin, run.n))
            alone = Block(part.values, part.run, 0, part.start_s, part.rate_hz, part.times_s)
            made = joined(transformed(self.stage(), example, [alone]))
            self._agree_inside(self.whole(run), made, _seconds(piece(run, inside.start, inside.stop)))

    def _agree_inside(self, whole: Block, made: Block, span: tuple[float, float]) -> None:
        places = _instants(whole)
        mine = _instants(made)
        mine_inside = np.flatnonzero((mine >= span[0]) & (mine <= span[1]))
        nearest = np.clip(np.searchsorted(places, mine[mine_inside] - 1e-9), 0, len(places) - 1)
        shared = np.abs(places[nearest] - mine[mine_inside]) < 2e-9
        first, second = whole.values[:, nearest[shared]], made.values[:, mine_inside[shared]]
        apart = float(np.max(np.abs(first - second), initial=0.0))
        largest = float(np.max(np.abs(whole.values), initial=0.0))
        assert apart <= 1e-9 * largest, f"inside the halo: apart by {apart:.3g} of {largest:.3g}"


def _instants(block: Block) -> np.ndarray[Any, np.dtype[np.float64]]:
    return block.start_s + np.arange(block.n) / block.rate_hz if block.times_s is None else block.times_s


def _seconds(block: Block) -> tuple[float, float]:
    instants = _instants(block)
    return float(instants[0]), float(instants[-1])
