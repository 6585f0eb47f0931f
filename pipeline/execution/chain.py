"""One capture through a bound recipe: at most two passes over the samples, products, readings, fitness."""

from __future__ import annotations

import traceback
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from ..contracts import (
    Accumulator,
    Block,
    BlockFlow,
    ChainSchema,
    Context,
    Derivation,
    Estimator,
    Fitness,
    Metric,
    Reading,
    Reason,
    ReasonCode,
    SignalSpec,
    Stage,
    ThrumlineError,
    Transform,
)
from ..recipe import BoundRecipe
from .samples import CaptureSamples, Run


@dataclass(frozen=True, slots=True)
class ChainOutcome:
    """What came of one capture: fitness, readings, all products, and tracebacks of stages that failed."""

    fitness: Fitness
    readings: tuple[Reading, ...]
    products: Mapping[str, Any]
    faults: Mapping[str, str] = field(default_factory=dict)


class StageFault(ThrumlineError):
    """A stage needs a product whose own stage failed, or raised itself."""


class Products(dict[str, Any]):
    """Products by name; asking for one that failed raises StageFault naming the stage at fault."""

    def __init__(self) -> None:
        super().__init__()
        self.failed: dict[str, str] = {}

    def __missing__(self, name: str) -> Any:
        cause = self.failed.get(name, "no stage of the recipe makes it")
        raise StageFault(f"product {name!r} is missing", found=cause)


def run_chain(recipe: BoundRecipe, samples: CaptureSamples, facts: Mapping[str, Any]) -> ChainOutcome:
    """Run the whole chain over one capture. Raises SchemaError before a sample is read if it cannot work."""
    recipe.check(samples.signal)
    return _ChainRun(recipe, samples, samples.context(facts)).outcome()


class _ChainRun:
    """State of one capture's way through the chain."""

    def __init__(self, recipe: BoundRecipe, samples: CaptureSamples, context: Context) -> None:
        self.recipe, self.samples, self.context = recipe, samples, context
        self.products = Products()
        self.faults: dict[str, str] = {}

    def outcome(self) -> ChainOutcome:
        choice = self.recipe.choice
        before, after = self.recipe.stages[: choice + 1], self.recipe.stages[choice + 1 :]
        fitness = self._whole() if choice < 0 else self._survey(before)
        if fitness.state != "fit":
            return ChainOutcome(fitness, (), self.products, self.faults)
        transforms = [stage for stage in before if isinstance(stage, Transform)]
        self._pass([*transforms, *after], self._stretches(fitness, transforms))
        readings = self._products_and_readings(after)
        return ChainOutcome(fitness, tuple(readings), self.products, self.faults)

    def _whole(self) -> Fitness:
        return Fitness("fit", stretches=tuple((self.samples.time_at(r.start), self._end(r)) for r in self.samples.runs))

    def _end(self, run: Run) -> float:
        return self.samples.time_at(run.stop - 1) + 1.0 / (self.samples.signal.rate_hz or 1.0)

    def _survey(self, stages: Sequence[Stage[Any]]) -> Fitness:
        self._pass(stages, ((run, None) for run in self.samples.runs))
        self._products_and_readings(stages)
        chosen = stages[-1]
        assert isinstance(chosen, Derivation)
        if chosen.makes in self.products.failed:
            cause = self.products.failed[chosen.makes]
            return Fitness("unfit", reasons=(Reason(ReasonCode.STAGE_FAILED, cause),))
        fitness: Fitness = self.products[chosen.makes]
        return fitness

    def _stretches(
        self, fitness: Fitness, transforms: Sequence[Transform[Any]]
    ) -> Iterator[tuple[Run, tuple[float, float]]]:
        """Samples of each stretch, with the margin the transforms before need to be exact inside it."""
        halo = sum(transform.halo_s(self.samples.signal) for transform in transforms)
        for start_s, stop_s in fitness.stretches:
            for run in self.samples.runs:
                first = max(run.start, self.samples.index_at(start_s - halo))
                last = min(run.stop, self.samples.index_at(stop_s + halo))
                if last > first:
                    yield Run(first, last), (start_s, stop_s)

    def _pass(
        self, stages: Sequence[Stage[Any]], pieces: Iterable[tuple[Run, tuple[float, float] | None]]
    ) -> None:
        """Push all pieces through transforms and estimators in order; then finish the estimators' products."""
        line = _Line.opened(stages, self.samples.signal, self.context, self.products)
        if line.watchers:
            for number, (run, window) in enumerate(pieces):
                line.feed_run(self.samples.blocks(run, number), window)
        line.finish(self.products, self.faults)

    def _products_and_readings(self, stages: Sequence[Stage[Any]]) -> list[Reading]:
        readings: list[Reading] = []
        for stage in stages:
            if isinstance(stage, Derivation):
                try:
                    self.products[stage.makes] = stage.derive(self.products, self.context)
                except Exception as error:  # noqa: BLE001  a stranger's stage may raise anything
                    _note_fault(stage, error, self.products, self.faults, makes=stage.makes)
            elif isinstance(stage, Metric):
                readings += self._readings_of(stage)
        return readings

    def _readings_of(self, stage: Metric[Any]) -> Sequence[Reading]:
        try:
            return stage.readings(self.products, self.context)
        except Exception as error:  # noqa: BLE001
            cause = _note_fault(stage, error, self.products, self.faults, makes=stage.name)
            reason = Reason(ReasonCode.STAGE_FAILED, cause)
            return [
                Reading(name, position, combination, "mg", "peak", None, absent=reason)
                for name in stage.reading_names
                for position in self.context.signal.positions
                for combination in ("rss", "mean")
            ]


def _note_fault(
    stage: Stage[Any], error: Exception, products: Products, faults: dict[str, str], *, makes: str
) -> str:
    cause = f"stage {stage.name!r}: {type(error).__name__}: {error}"
    products.failed[makes] = cause
    faults[stage.name] = "".join(traceback.format_exception(error))
    return cause


@dataclass(slots=True)
class _Watcher:
    """An estimator at work, or the fault that ended it."""

    stage: Estimator[Any]
    accumulator: Accumulator | None
    error: Exception | None = None

    def watch(self, block: Block) -> None:
        if self.accumulator is None:
            return
        try:
            self.accumulator.accumulate(block)
        except Exception as error:  # noqa: BLE001
            self.accumulator, self.error = None, error


class _Line:
    """Transforms and estimators of one pass, in order."""

    def __init__(self, slots: Sequence[BlockFlow | _Watcher]) -> None:
        self.slots = slots
        self.watchers = [slot for slot in slots if isinstance(slot, _Watcher)]
        self._window: tuple[float, float] | None = None
        self._first_after: dict[int, int] = {}
        self._last_flow = max((i for i, s in enumerate(slots) if isinstance(s, BlockFlow)), default=-1)

    @classmethod
    def opened(
        cls, stages: Sequence[Stage[Any]], signal: SignalSpec, context: Context, products: Products
    ) -> _Line:
        schema = ChainSchema(signal)
        slots: list[BlockFlow | _Watcher] = []
        for stage in stages:
            here = replace(context, signal=schema.signal)
            if isinstance(stage, Transform):
                slots.append(stage.open(schema.signal, here))
                schema = stage.schema(schema)
            elif isinstance(stage, Estimator):
                slots.append(_opened_watcher(stage, here, products))
        return cls(slots)

    def feed_run(self, blocks: Iterable[Block], window: tuple[float, float] | None) -> None:
        """One run (or stretch): all its blocks, then what the transforms still hold."""
        self._window, self._first_after = window, {}
        for block in blocks:
            self._feed(block, 0)
        for i, slot in enumerate(self.slots):
            if isinstance(slot, BlockFlow):
                for block in slot.flush():
                    self._feed(block, i + 1)

    def _feed(self, block: Block, at: int) -> None:
        for i in range(at, len(self.slots)):
            slot = self.slots[i]
            if isinstance(slot, BlockFlow):
                for made in slot.push(block):
                    self._feed(made, i + 1)
                return
            inside = self._inside(block, i)
            if inside is not None:
                slot.watch(inside)

    def _inside(self, block: Block, at: int) -> Block | None:
        """The part of the block inside the stretch, counted from the stretch's first sample."""
        if self._window is None:
            return block
        start_s, stop_s = self._window
        first = _count_before(block, start_s)
        last = _count_before(block, stop_s)
        if last <= first:
            return None
        origin = self._first_after.setdefault(at, block.first + first)
        return Block(
            block.values[:, first:last], block.run, block.first + first - origin,
            block.start_s + first / block.rate_hz if block.times_s is None else float(block.times_s[first]),
            block.rate_hz, None if block.times_s is None else block.times_s[first:last],
        )  # fmt: skip

    def finish(self, products: Products, faults: dict[str, str]) -> None:
        """Make the estimators' products; a fault ends one product, not the others."""
        for watcher in self.watchers:
            try:
                if watcher.error is not None:
                    raise watcher.error
                assert watcher.accumulator is not None
                products[watcher.stage.makes] = watcher.accumulator.finish()
            except Exception as error:  # noqa: BLE001
                _note_fault(watcher.stage, error, products, faults, makes=watcher.stage.makes)


def _opened_watcher(stage: Estimator[Any], context: Context, products: Products) -> _Watcher:
    try:
        return _Watcher(stage, stage.open(context.signal, context, products))
    except Exception as error:  # noqa: BLE001
        return _Watcher(stage, None, error)


def _count_before(block: Block, time_s: float) -> int:
    """How many samples of the block lie before an instant (to a millionth of a sample)."""
    if block.times_s is not None:
        return int(block.times_s.searchsorted(time_s - 1e-6 / block.rate_hz))
    exact = (time_s - block.start_s) * block.rate_hz - 1e-6
    return min(max(int(-(-exact // 1)), 0), block.n)
