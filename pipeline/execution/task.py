"""One capture, start to end: the fused, idempotent function that every worker runs."""

from __future__ import annotations

import platform
import time
from collections.abc import Mapping, Sequence
from dataclasses import replace
from importlib.metadata import version
from typing import Any

from ...storage import Archive, Original, StorageError, Tree, TreeRow
from ..contracts import CaptureHead, Derivation, Fitness, ReaderRefusal, Reason, ReasonCode, SchemaError
from ..recipe import BoundRecipe
from .chain import BESIDE, ChainOutcome, PassRunner, beside_pass, measuring_pass, run_chain, survey_pass
from .identity import RecipeSpelling, SpeltRecipe
from .intake import TakenIn, head_facts, open_capture, take_in
from .kept import LEAST_STRIDE
from .orders import Done, Job, Order
from .own_memory import keep_freed_memory
from .passes import Part, Watcher
from .reader_child import ReaderChild
from .results import commit_result, summary_done
from .samples import CaptureSamples
from .surveyed import Survey

LIBRARIES = ("thrumline", "numpy", "scipy", "zarr", "pandas")


class Bench:
    """What a worker keeps between orders: the archive opened once, one long-lived reader child.

    ``recalls``: whether first passes that are known need not be made again; whoever repairs makes everything anew.
    """

    def __init__(
        self, job: Job, archive: Archive | None = None, *, defer_long: bool = False, recalls: bool = True
    ) -> None:
        self.job, self.defer_long, self.recalls = job, defer_long, recalls
        keep_freed_memory()
        self._owns = archive is None
        self.archive = archive if archive is not None else Archive.open(job.archive, role="worker")
        self.child = ReaderChild(job.readers.paths)
        self.spelling = RecipeSpelling(job.recipe)
        self.libraries = {name: version(name) for name in LIBRARIES}

    def close(self) -> None:
        """End the reader child."""
        self.child.close()
        if self._owns:
            self.archive.close()

    def carry_out(self, order: Order) -> Done:
        """Take the file in, run the recipe, commit the result. Never raises for what a file or a plugin does."""
        known = self._from_archive(order)
        if known is not None:
            return known
        started = time.perf_counter()
        if not order.path.is_file():
            return Done.refused(order.row.row, _missing(order))
        original = self.archive.put_original(order.path, name=order.name, origin=order.row.file)
        return self._carried_out(order, original, started)

    def taken_in(self, order: Order) -> Done:
        """Take the file in and leave its chain to a worker: ``deferred``, or refused."""
        if not order.path.is_file():
            return Done.refused(order.row.row, _missing(order))
        original = self.archive.put_original(order.path, name=order.name, origin=order.row.file)
        try:
            taken = self._taken(order, original)
        except ReaderRefusal as refusal:
            self.archive.quarantine(original.sha256, self._refusal_record(refusal, order))
            return replace(Done.refused(order.row.row, refusal.reason, original.sha256), original=original)
        return Done(
            order.row.row, taken.capture_id, None, original.sha256, Fitness("fit"), original=original,
            committed=taken.committed, new_capture=taken.new, deferred=True,
        )  # fmt: skip

    def carry_out_original(self, order: Order, sha256: str) -> Done:
        """The same for bytes that are in the archive already, whatever became of the file they came from."""
        original = Original(sha256, 0, order.path, new=False)
        return replace(self._carried_out(order, original, time.perf_counter()), original=None)

    def _carried_out(self, order: Order, original: Original, started: float) -> Done:
        kept = time.perf_counter()
        try:
            taken = self._taken(order, original)
        except ReaderRefusal as refusal:
            self.archive.quarantine(original.sha256, self._refusal_record(refusal, order))
            return replace(Done.refused(order.row.row, refusal.reason, original.sha256), original=original)
        read = time.perf_counter()
        done = self._result(order, taken, original.sha256)
        spent = {"original": kept - started, "read": read - kept, "chain": time.perf_counter() - read}
        return replace(done, seconds=spent, original=original)

    def room_to_keep(self, order: Order) -> bool:
        """Whether the disk has room for what the first pass over a long capture may keep for the second."""
        taken = open_capture(self.archive, order.known_capture or "")
        group = None if taken is None else taken.head.groups[0]
        if group is None:
            return False
        try:
            self.archive.check_floor(8 * group.n_samples * len(group.channels) // LEAST_STRIDE)
        except StorageError:
            return False
        return True

    def run_parts(
        self, order: Order, number: int, products: Mapping[str, Any], parts: Sequence[Part], *, keep: bool
    ) -> list[Watcher]:
        """Some parts of one pass over a long capture in the archive; the estimators as they stand.

        With ``keep`` the first pass may keep samples for the second, in this process' place in the archive.
        """
        assert order.known_capture is not None
        taken = open_capture(self.archive, order.known_capture)
        assert taken is not None, "a part of a capture that is not in the archive"
        recipe = self.job.recipe
        samples = samples_of(taken, recipe)
        context = samples.context(facts_of(order, recipe))
        whole = survey_pass(recipe, samples, context, self.archive.staging.new_path if keep else None)
        if number:
            chosen = recipe.stages[recipe.choice]
            assert isinstance(chosen, Derivation)
            fitness, beside = products[chosen.makes], samples.beside(recipe.beside)
            whole = measuring_pass(recipe, samples, context, products, fitness)
            if number == BESIDE and beside is not None:
                whole = beside_pass(recipe, beside, context, products, fitness)
        return whole.run(parts)

    def carry_out_in_parts(self, order: Order, run_pass: PassRunner) -> Done:
        """A long capture's chain with its passes gone over elsewhere."""
        done = self._from_archive(order, run_pass)
        assert done is not None, "a long capture that is not in the archive"
        return done

    def _from_archive(self, order: Order, run_pass: PassRunner | None = None) -> Done | None:
        """Run the recipe over a capture that is in the archive already; None where it is not."""
        if order.known_capture is None or order.known_sha256 is None:
            return None
        started = time.perf_counter()
        taken = open_capture(self.archive, order.known_capture)
        if taken is None:
            return None
        done = self._result(order, taken, order.known_sha256, run_pass)
        return replace(done, seconds={"chain": time.perf_counter() - started})

    def _taken(self, order: Order, original: Original) -> TakenIn:
        found = take_in(
            self.archive, self.child, self.job.readers, original, order.name, order.row.mapping
        )
        if order.capture is None and len(found) > 1:
            raise ReaderRefusal(
                ReasonCode.AMBIGUOUS, f"{order.row.file}: which capture of the file", found=f"{len(found)} captures",
                todo="add a column `capture` to the table: 0 for the first",
            )  # fmt: skip
        return found[order.capture or 0]

    def _refusal_record(self, refusal: ReaderRefusal, order: Order) -> dict[str, Any]:
        return {
            **refusal.reason.as_json(), "file": order.row.file, "mapping": order.row.mapping.as_json(),
            "readers": self.job.readers.fingerprint(),
        }  # fmt: skip

    def _result(
        self, order: Order, taken: TakenIn, sha256: str, run_pass: PassRunner | None = None
    ) -> Done:
        said = self.spelling.of(order.row)
        result_id = said.result(taken.capture_id)
        base = Done(
            order.row.row, taken.capture_id, result_id, sha256, Fitness("fit"), facts=head_facts(taken.head),
            committed=taken.committed, new_capture=taken.new,
        )  # fmt: skip
        known = self.archive.tree("results", result_id)
        if known is not None:
            return summary_done(base, known.content["summary"])
        if self.defer_long and run_pass is None and is_long(taken.head):
            return replace(base, deferred=True)
        try:
            tree, outcome = self._computed(order, taken, said, run_pass)
        except SchemaError as error:
            unworkable = Done.unworkable(order.row.row, taken.capture_id, sha256, error.sentence())
            return replace(unworkable, committed=taken.committed, new_capture=taken.new)
        rows = (*base.committed, TreeRow.of(tree))
        if not tree.fresh:
            return summary_done(replace(base, new_result=True, committed=rows), tree.content["summary"])
        fitness = replace(outcome.fitness, levels={})
        return replace(base, new_result=True, committed=rows, fitness=fitness, readings=tuple(outcome.readings))

    def _computed(
        self, order: Order, taken: TakenIn, said: SpeltRecipe, run_pass: PassRunner | None = None
    ) -> tuple[Tree, ChainOutcome]:
        recipe = self.job.recipe
        samples = samples_of(taken, recipe)
        survey = Survey.of(self.archive, taken.capture_id, recipe, said) if self.recalls else None
        outcome = run_chain(recipe, samples, facts_of(order, recipe), run_pass, survey)
        run: dict[str, Any] = {"host": platform.node(), "finished": time.time(), "libraries": self.libraries}
        if outcome.recalled:
            run["survey"] = "recalled"
        made_by = {"channels": said.channels, "recipe": said.recipe}
        result_id = said.result(taken.capture_id)
        return commit_result(self.archive, result_id, taken.capture_id, outcome, made_by, run), outcome


LONG_VALUES = 64 << 20
"""Values (channels x samples) from which a capture is cut into parts: half a gigabyte as float64."""


def is_long(head: CaptureHead) -> bool:
    """Whether a capture is worth cutting into parts."""
    group = head.groups[0]
    return group.n_samples * len(group.channels) >= LONG_VALUES


def samples_of(taken: TakenIn, recipe: BoundRecipe) -> CaptureSamples:
    """The capture's samples as the recipe wants them."""
    return CaptureSamples(taken.head, taken.arrays, recipe.quantities)


def facts_of(order: Order, recipe: BoundRecipe) -> dict[str, Any]:
    """The row's facts that some stage declared."""
    return {name: order.row.fact(name) for name in recipe.uses_facts}


def _missing(order: Order) -> Reason:
    return Reason(ReasonCode.MISSING_FILE, f"row {order.row.row}: {order.row.file!r} is not at {order.path}")
