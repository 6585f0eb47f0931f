"""Examples a conformance suite runs a stage on: runs of samples, the schema before it, the products it needs."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise
from typing import Any

import numpy as np

from ..contracts import (
    Block,
    ChainSchema,
    ChannelSpec,
    Context,
    Derivation,
    Estimator,
    Fitness,
    ProductSpec,
    SignalSpec,
    Stage,
    Transform,
)
from .components import FloatArray
from .simulator import SimulatedCapture


@dataclass(frozen=True, slots=True)
class StageExample:
    """What one stage is tried on.

    ``runs`` are whole runs as single blocks (run numbers 0, 1, ...); ``schema`` is what the stages before
    offer, ``products`` the same with data.
    """

    runs: tuple[Block, ...]
    schema: ChainSchema
    context: Context
    products: Mapping[str, Any] = field(default_factory=dict)

    @property
    def signal(self) -> SignalSpec:
        """The signal's description."""
        return self.schema.signal

    def with_product(self, name: str, product: Any, dims: tuple[str, ...] = (), unit: str = "") -> StageExample:
        """The example after one more stage."""
        schema = self.schema.plus(ProductSpec(name, dims, unit))
        return replace(self, schema=schema, products={**self.products, name: product})

    def after(self, stage: Stage[Any]) -> StageExample:
        """The example as the next stage meets it: samples transformed or cut to stretches, products added.

        A metric changes nothing.
        """
        schema = stage.schema(self.schema)
        if isinstance(stage, Transform):
            runs = tuple(joined(transformed(stage, self, [run])) for run in self.runs)
            context = replace(self.context, signal=schema.signal)
            return replace(self, runs=runs, schema=schema, context=context)
        if isinstance(stage, Estimator):
            accumulator = stage.open(self.signal, self.context, self.products)
            for run in self.runs:
                accumulator.accumulate(run)
            made = accumulator.finish()
        elif isinstance(stage, Derivation):
            made = stage.derive(self.products, self.context)
        else:
            return self
        runs = self._stretches(made) if isinstance(made, Fitness) else self.runs
        return replace(self, runs=runs, schema=schema, products={**self.products, stage.makes: made})

    def _stretches(self, fitness: Fitness) -> tuple[Block, ...]:
        """The chosen stretches as runs of their own, counted from their first sample."""
        parts: list[Block] = []
        for run in self.runs:
            for start_s, stop_s in fitness.stretches:
                edges = [max(math.ceil((at - run.start_s) * run.rate_hz - 1e-6), 0) for at in (start_s, stop_s)]
                part = piece(run, edges[0], min(edges[1], run.n)) if edges[0] < run.n else None
                if part is not None and part.n:
                    parts.append(replace(part, run=len(parts), first=0))
        return tuple(parts)


def example_of(
    capture: SimulatedCapture,
    facts: Mapping[str, Any] | None = None,
    *,
    positions: Sequence[str] = ("seat-rail",),
    split_s: float | None = None,
) -> StageExample:
    """A simulated capture as an example, its channels in threes (x, y, z) at the positions in turn.

    ``split_s`` cuts it into two runs, as a gap does. Raises ValueError where positions are too few.
    """
    n_channel = len(capture.acceleration)
    if n_channel > 3 * len(positions):
        raise ValueError(f"{n_channel} channels need {-(-n_channel // 3)} positions, found {list(positions)}")
    channels = tuple(
        ChannelSpec(f"c{place + 1}", "acceleration", "m s-2", positions[place // 3], "xyz"[place % 3])
        for place in range(n_channel)
    )
    n = len(capture.time_s)
    signal = SignalSpec(channels, uniform=True, rate_hz=capture.rate_hz, duration_s=n / capture.rate_hz)
    edges = [0, *([] if split_s is None else [round(split_s * capture.rate_hz)]), n]
    runs = tuple(
        Block(capture.acceleration[:, a:b].copy(), number, 0, float(capture.time_s[a]), capture.rate_hz)
        for number, (a, b) in enumerate(pairwise(edges))
    )
    span = (float(capture.time_s[0]), float(capture.time_s[-1]))
    context = Context(signal, dict(facts or {}), span_s=span)
    return StageExample(runs, ChainSchema(signal), context)


def stamped(example: StageExample, jitter_s: float, seed: int) -> StageExample:
    """The example on a clock that is not uniform: stamps off by up to ``jitter_s``, samples as they are."""
    rng = np.random.default_rng(seed)
    runs = tuple(
        replace(run, times_s=run.start_s + np.arange(run.n) / run.rate_hz + rng.uniform(-jitter_s, jitter_s, run.n))
        for run in example.runs
    )
    signal = replace(example.signal, uniform=False)
    return replace(
        example, runs=runs, schema=replace(example.schema, signal=signal),
        context=replace(example.context, signal=signal),
    )  # fmt: skip


def piece(run: Block, start: int, stop: int) -> Block:
    """Samples ``start`` up to ``stop`` of a block, on the same run's count and clock."""
    times = None if run.times_s is None else run.times_s[start:stop]
    at_s = run.start_s + start / run.rate_hz if times is None or not len(times) else float(times[0])
    values = run.values[:, start:stop].copy()
    values.setflags(write=False)
    return Block(values, run.run, run.first + start, at_s, run.rate_hz, times)


def cut_at(run: Block, cuts: Sequence[int]) -> list[Block]:
    """A run cut before the given samples; empty pieces are left out."""
    edges = [0, *sorted({cut for cut in cuts if 0 < cut < run.n}), run.n]
    return [piece(run, a, b) for a, b in pairwise(edges)]


def awkward_cuts(n: int, seed: int) -> list[list[int]]:
    """Ways of cutting ``n`` samples that have caught faults: single samples, one end, halves, at random."""
    rng = np.random.default_rng(seed)
    return [
        [1, 2, 3],
        [n - 1],
        [n // 2],
        list(range(97, n, 1009)),
        sorted(int(cut) for cut in rng.integers(1, n, 12)),
        sorted(int(cut) for cut in rng.integers(1, n, 60)),
    ]


def transformed(stage: Transform[Any], example: StageExample, blocks: Sequence[Block]) -> list[Block]:
    """What a transform makes of one run that comes in these blocks."""
    flow = stage.open(example.signal, example.context)
    made = [out for block in blocks for out in flow.push(block)]
    return [block for block in [*made, *flow.flush()] if block.n]


def joined(blocks: Sequence[Block]) -> Block:
    """Consecutive blocks of one run as one. Raises ValueError where they do not follow on each other."""
    for before, after in pairwise(blocks):
        if (before.run, before.stop) != (after.run, after.first):
            raise ValueError(f"block {after.run}:{after.first} does not follow {before.run}:{before.stop}")
    values: FloatArray = np.concatenate([block.values for block in blocks], axis=-1)
    first = blocks[0]
    parts = [block.times_s for block in blocks if block.times_s is not None]
    times = np.concatenate(parts) if parts else None
    return Block(values, first.run, first.first, first.start_s, first.rate_hz, times)
