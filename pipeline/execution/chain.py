"""One capture through a bound recipe: at most two passes over the samples, products, readings, fitness."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, Protocol

from ..contracts import Context, Derivation, Estimator, Fitness, Metric, Reading, Reason, ReasonCode, Stage, Transform
from ..contracts.records import ENERGY
from ..recipe import BoundRecipe
from .circumstances import with_circumstances
from .kept import KEPT, KeepSamples, Kept, KeptSamples, stride_of, worth_keeping
from .passes import Pass, Piece, Products, Watcher
from .samples import CaptureSamples, Run

SURVEY, MEASURING, BESIDE = 0, 1, 2
"""Numbers of the passes: the whole capture, its stretches, the stretches of the channels beside the signal."""

_AMPLITUDE, _LEVEL = (("rss", "mg", "peak"), ("mean", "mg", "peak")), ((ENERGY, "dB", "rms"),)
"""Combination, unit and detector of the readings a metric that failed leaves absent."""

PassRunner = Callable[[int, Pass, Mapping[str, Any]], list[Watcher]]
"""Goes over a pass and returns its estimators, not finished: here, or spread over workers."""


@dataclass(frozen=True, slots=True)
class ChainOutcome:
    """What came of one capture: fitness, readings, all products, and tracebacks of stages that failed.

    ``recalled``: whether the first pass was known.
    """

    fitness: Fitness
    readings: tuple[Reading, ...]
    products: Mapping[str, Any]
    faults: Mapping[str, str] = field(default_factory=dict)
    recalled: bool = False


class KnownSurvey(Protocol):
    """Where the products of the first pass may be found, and are put for the next time."""

    def recalled(self) -> Mapping[str, Any] | None:
        """All of them, or None."""

    def keep(self, products: Mapping[str, Any]) -> None:
        """Take them over."""


def run_chain(
    recipe: BoundRecipe, samples: CaptureSamples, facts: Mapping[str, Any], run_pass: PassRunner | None = None,
    survey: KnownSurvey | None = None,
) -> ChainOutcome:  # fmt: skip
    """Run the whole chain over one capture. Raises SchemaError before a sample is read if it cannot work.

    With ``survey`` the first pass is gone over only where it does not know what came of it.
    """
    beside = samples.beside(recipe.beside) if recipe.beside else None
    recipe.check(samples.signal, None if beside is None else beside.signal)
    here: PassRunner = lambda _, whole, __: whole.run()  # noqa: E731
    return _ChainRun(recipe, samples, samples.context(facts), run_pass or here, beside, survey).outcome()


def survey_pass(
    recipe: BoundRecipe, samples: CaptureSamples, context: Context, keep: Callable[[], Path] | None = None
) -> Pass:
    """The first pass: all runs, stages up to the one that decides the stretches.

    With ``keep``, which gives a fresh file, the samples that come out of its transforms are kept there where the
    second pass is better off to read them; that one finds them among the products.
    """
    stages = [stage for stage in recipe.stages[: recipe.choice + 1] if recipe.sees_signal(stage)]
    if keep is not None and worth_keeping(samples, stages):
        stages.append(KeepSamples(keep()))
    return Pass(stages, samples, context, {}, [Piece(run) for run in samples.runs])


def measuring_pass(
    recipe: BoundRecipe, samples: CaptureSamples, context: Context, products: Mapping[str, Any], fitness: Fitness
) -> Pass:
    """The second pass: the stretches, stages after the choice, and the transforms before it once more.

    Unless the first pass kept what came out of those.
    """
    stages = [stage for stage in recipe.stages if recipe.sees_signal(stage)]
    after = [stage for stage in recipe.stages[recipe.choice + 1 :] if recipe.sees_signal(stage)]
    before = stages[: len(stages) - len(after)]
    transforms = [stage for stage in before if isinstance(stage, Transform)]
    vectors = fitness.facts.get("static_vector", {})
    known = replace(context, gravity={position: (v[0], v[1], v[2]) for position, v in vectors.items()})
    kept = products.get(KEPT)
    if isinstance(kept, Kept) and kept.whole:
        slower = KeptSamples(kept)
        return Pass(after, slower, known, products, list(_stretch_pieces(slower, fitness, [])))
    return Pass([*transforms, *after], samples, known, products, list(_stretch_pieces(samples, fitness, transforms)))


def beside_context(beside: CaptureSamples, context: Context) -> Context:
    """What stages beside the signal may know: all the others know, of their own channels and clock."""
    span_s = (beside.time_at(0), beside.time_at(beside.n_samples - 1))
    return replace(context, signal=beside.signal, gaps=beside.gaps, span_s=span_s)


def beside_pass(
    recipe: BoundRecipe, beside: CaptureSamples, context: Context, products: Mapping[str, Any], fitness: Fitness
) -> Pass:
    """The second pass of the channels beside the signal, at their own rate; the first one is not theirs."""
    stages = [stage for stage in recipe.stages if recipe.sees_beside(stage)]
    transforms = [stage for stage in stages if isinstance(stage, Transform)]
    pieces = list(_stretch_pieces(beside, fitness, transforms))
    return Pass(stages, beside, beside_context(beside, context), products, pieces)


def _stretch_pieces(
    samples: CaptureSamples | KeptSamples, fitness: Fitness, transforms: Sequence[Transform[Any]]
) -> Iterator[Piece]:
    """Samples of each stretch, with the margin the transforms need to be exact inside it.

    A piece begins where the first pass had a sample too after a decimation: both make the same samples.
    """
    halo = sum(transform.halo_s(samples.signal) for transform in transforms)
    stride = stride_of(samples.signal, transforms)
    for start_s, stop_s in fitness.stretches:
        for run in samples.runs:
            first = max(run.start, samples.index_at(start_s - halo))
            last = min(run.stop, samples.index_at(stop_s + halo))
            first = run.start + (first - run.start) // stride * stride
            if last > first:
                yield Piece(Run(first, last), (start_s, stop_s))


class _ChainRun:
    """State of one capture's way through the chain."""

    def __init__(
        self, recipe: BoundRecipe, samples: CaptureSamples, context: Context, run_pass: PassRunner,
        beside: CaptureSamples | None, survey: KnownSurvey | None,
    ) -> None:  # fmt: skip
        self.recipe, self.samples, self.context, self.run_pass = recipe, samples, context, run_pass
        self.beside, self.survey = beside, survey
        self.products, self.recalled = Products(), False

    def outcome(self) -> ChainOutcome:
        """All of the chain; what was kept on the way is not needed after it."""
        try:
            return self._outcome()
        finally:
            kept = self.products.pop(KEPT, None)
            if isinstance(kept, Kept):
                kept.drop()

    def _outcome(self) -> ChainOutcome:
        choice = self.recipe.choice
        fitness = self._whole() if choice < 0 else self._survey()
        if fitness.state != "fit":
            return ChainOutcome(fitness, (), self.products, self.products.faults, self.recalled)
        self._go(MEASURING, measuring_pass(self.recipe, self.samples, self.context, self.products, fitness))
        if self.beside is not None:
            self._go(BESIDE, beside_pass(self.recipe, self.beside, self.context, self.products, fitness))
        readings = self._derived_and_read(self.recipe.stages[choice + 1 :])
        told = with_circumstances(fitness, readings, self.context.asides, self.products)
        return ChainOutcome(*told, self.products, self.products.faults, self.recalled)

    def _whole(self) -> Fitness:
        step = 1.0 / (self.samples.signal.rate_hz or 1.0)
        at = self.samples.time_at
        return Fitness("fit", stretches=tuple((at(r.start), at(r.stop - 1) + step) for r in self.samples.runs))

    def _survey(self) -> Fitness:
        chosen = self.recipe.stages[self.recipe.choice]
        assert isinstance(chosen, Derivation)
        known = None if self.survey is None else self.survey.recalled()
        if known is not None:
            self.products.update(known)
            self.recalled = True
            fitness: Fitness = known[chosen.makes]
            return fitness
        self._go(SURVEY, survey_pass(self.recipe, self.samples, self.context))
        before = self.recipe.stages[: self.recipe.choice + 1]
        self._derived_and_read(before)
        if chosen.makes in self.products.failed:
            return Fitness("unfit", reasons=(Reason(ReasonCode.STAGE_FAILED, self.products.failed[chosen.makes]),))
        for stage in before:
            self._give_up(stage)
        if self.survey is not None:
            self.survey.keep({name: made for name, made in self.products.items() if name != KEPT})
        made: Fitness = self.products[chosen.makes]
        return made

    def _give_up(self, stage: Stage[Any]) -> None:
        """Let go of what of a product was for the choice only."""
        if isinstance(stage, Estimator) and stage.makes in self.products:
            try:
                self.products[stage.makes] = stage.lasting(self.products[stage.makes])
            except Exception as error:  # noqa: BLE001  a stranger's stage may raise anything
                del self.products[stage.makes]
                self.products.note_fault(stage, error, makes=stage.makes)

    def _go(self, number: int, whole: Pass) -> None:
        if whole.watches:
            for watcher in self.run_pass(number, whole, self.products):
                watcher.finish_into(self.products)

    def _derived_and_read(self, stages: Sequence[Stage[Any]]) -> list[Reading]:
        readings: list[Reading] = []
        for stage in stages:
            context = self._context_of(stage)
            if context is None:
                continue
            if isinstance(stage, Derivation):
                try:
                    self.products[stage.makes] = stage.derive(self.products, context)
                except Exception as error:  # noqa: BLE001  a stranger's stage may raise anything
                    self.products.note_fault(stage, error, makes=stage.makes)
            elif isinstance(stage, Metric):
                readings += self._readings_of(stage, context)
        return readings

    def _context_of(self, stage: Stage[Any]) -> Context | None:
        """What the stage may know; None where the capture has no channel for it."""
        if self.recipe.sees_signal(stage):
            return self.context
        return None if self.beside is None else beside_context(self.beside, self.context)

    def _readings_of(self, stage: Metric[Any], context: Context) -> Sequence[Reading]:
        try:
            return stage.readings(self.products, context)
        except Exception as error:  # noqa: BLE001
            reason = Reason(ReasonCode.STAGE_FAILED, self.products.note_fault(stage, error, makes=stage.name))
            return [
                Reading(name, position, *kind, None, absent=reason)
                for name in stage.reading_names
                for position in context.signal.positions
                for kind in (_LEVEL if name in stage.in_decibels else _AMPLITUDE)
            ]
