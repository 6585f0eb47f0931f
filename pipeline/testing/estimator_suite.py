"""Conformance of estimators: cutting and splitting change nothing, memory does not grow with the samples."""

from __future__ import annotations

import pickle
from dataclasses import replace
from typing import Any

import numpy as np

from ..contracts import Accumulator, Block, Estimator
from .agreement import differences
from .examples import StageExample, awkward_cuts, cut_at, piece
from .stage_suite import StageSuite


class EstimatorSuite(StageSuite):
    """Checks for an estimator; write ``stage``, ``example`` and, where it needs products, ``needs``.

    ``growth`` is the share of the samples' bytes by which its state may grow in a record of
    ``long_record_s`` (a track with some values a second needs a little).
    """

    rtol: float = 1e-12
    growth: float = 0.05
    long_record_s: float = 20_000.0

    def stage(self) -> Estimator[Any]:
        """A fresh estimator."""
        raise NotImplementedError("write stage()")

    def exercised(self, stage: Any, example: StageExample) -> Any:
        """All runs, whole."""
        accumulator = stage.open(example.signal, example.context, example.products)
        for run in example.runs:
            accumulator.accumulate(piece(run, 0, run.n))
        return accumulator.finish()

    def opened(self) -> Accumulator:
        """A fresh accumulator on the example."""
        example = self.example()
        return self.stage().open(example.signal, example.context, example.products)

    def product_of(self, blocks: list[Block]) -> Any:
        """The product of these blocks in order."""
        accumulator = self.opened()
        for block in blocks:
            accumulator.accumulate(block)
        return accumulator.finish()

    def whole(self) -> Any:
        """The product when every run comes in one block."""
        return self.product_of([piece(run, 0, run.n) for run in self.example().runs])

    def test_product_is_announced_by_the_schema(self) -> None:
        """``makes`` is a name the schema offers afterwards, and not one taken before."""
        stage, incoming = self.stage(), self.example().schema
        assert stage.makes in stage.schema(incoming).products
        assert stage.makes not in incoming.products

    def test_signal_passes_an_estimator_unchanged(self) -> None:
        """Estimators watch: unit, rate and channels after them are those before."""
        incoming = self.example().schema
        assert self.stage().schema(incoming).signal == incoming.signal

    def test_cutting_the_input_anywhere_changes_nothing(self) -> None:
        """The block rule, 1e-12 of the largest value of each array."""
        whole = self.whole()
        for number in range(len(awkward_cuts(1000, 0))):
            blocks = [
                block
                for run in self.example().runs
                for block in cut_at(run, awkward_cuts(run.n, seed=run.run)[number])
            ]
            apart = differences(whole, self.product_of(blocks), self.rtol)
            assert not apart, f"cut the {number}. way: {apart}"

    def test_parts_of_one_run_merge_to_the_whole(self) -> None:
        """Two and three workers on one run: parts on the grid, with its overlap, merged in order."""
        example = self.example()
        length, hop = self.stage().grid(example.signal, example.context, example.products)
        assert 1 <= hop <= length, f"grid ({length}, {hop}) cannot be"
        whole = self.whole()
        for shares in ((0.5,), (0.2, 0.7), (0.93,)):
            apart = differences(whole, self._merged(shares, length, hop), self.rtol)
            assert not apart, f"parts at {shares}, grid ({length}, {hop}): {apart}"

    def test_parts_survive_the_way_between_workers(self) -> None:
        """An accumulator pickles in the middle of its work, and goes on."""
        runs = self.example().runs
        accumulator = self.opened()
        for run in runs:
            half = run.n // 2
            accumulator.accumulate(piece(run, 0, half))
            accumulator = pickle.loads(pickle.dumps(accumulator))  # noqa: S301
            accumulator.accumulate(piece(run, half, run.n))
        apart = differences(self.whole(), accumulator.finish(), self.rtol)
        assert not apart, f"after pickling in mid-run: {apart}"

    def test_memory_does_not_grow_with_the_samples(self) -> None:
        """In a record of hours, further samples add a small share of their bytes to the pickled state."""
        run = max(self.example().runs, key=lambda item: item.n)
        once, longer = self._state_after(run, 1), self._state_after(run, 4)
        allowed = self.growth * 3 * run.values.nbytes + 4096
        assert longer - once <= allowed, f"state grew from {once} to {longer} bytes, allowed {allowed:.0f} more"

    def test_product_pickles_whole(self) -> None:
        """Products travel between processes."""
        whole = self.whole()
        assert not differences(whole, pickle.loads(pickle.dumps(whole)), 0.0)  # noqa: S301

    def _merged(self, shares: tuple[float, ...], length: int, hop: int) -> Any:
        merged: Accumulator | None = None
        for run in self.example().runs:
            # a stage that cannot be split says so by a hop beyond any record: then the whole run is one part
            starts = sorted({0, *(round(share * run.n / hop) * hop for share in shares)})
            ends = [*(start + length - hop for start in starts[1:]), run.n]
            for start, end in zip(starts, ends, strict=True):
                if start >= run.n:
                    continue
                part = self.opened()
                part.accumulate(piece(run, start, min(end, run.n)))
                if merged is None:
                    merged = part
                else:
                    merged.merge(part)
        assert merged is not None, "the example has no samples"
        return merged.finish()

    def _state_after(self, run: Block, times: int) -> int:
        example = self.example()
        signal = replace(example.signal, duration_s=self.long_record_s)
        context = replace(example.context, signal=signal)
        accumulator = self.stage().open(signal, context, example.products)
        for lap in range(times):
            first = run.first + lap * run.n
            at_s = run.start_s + lap * run.n / run.rate_hz
            stamps = None if run.times_s is None else run.times_s + lap * run.n / run.rate_hz
            values: np.ndarray[Any, np.dtype[np.float64]] = run.values.copy()
            accumulator.accumulate(Block(values, run.run, first, at_s, run.rate_hz, stamps))
        return len(pickle.dumps(accumulator))
