"""One capture, start to end: the fused, idempotent function that every worker runs."""

from __future__ import annotations

import platform
import time
from dataclasses import replace
from importlib.metadata import version
from typing import Any

from ...storage import Archive, Original
from ..contracts import Fitness, ReaderRefusal, Reason, ReasonCode, SchemaError
from .chain import run_chain
from .identity import result_identity
from .intake import TakenIn, head_facts, open_capture, take_in
from .orders import Done, Job, Order
from .reader_child import ReaderChild
from .results import commit_result, summary_done
from .samples import CaptureSamples

LIBRARIES = ("thrumline", "numpy", "scipy", "zarr", "pandas")


class Bench:
    """What a worker keeps between orders: the archive opened once, one long-lived reader child."""

    def __init__(self, job: Job, archive: Archive | None = None) -> None:
        self.job = job
        self._owns = archive is None
        self.archive = archive if archive is not None else Archive.open(job.archive, role="worker")
        self.child = ReaderChild(job.readers.paths)
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
        original = self.archive.put_original(order.path, name=order.path.name, origin=order.row.file)
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

    def _from_archive(self, order: Order) -> Done | None:
        """Run the recipe over a capture that is in the archive already; None where it is not."""
        if order.known_capture is None or order.known_sha256 is None:
            return None
        started = time.perf_counter()
        taken = open_capture(self.archive, order.known_capture)
        if taken is None:
            return None
        done = self._result(order, taken, order.known_sha256)
        return replace(done, seconds={"chain": time.perf_counter() - started})

    def _taken(self, order: Order, original: Original) -> TakenIn:
        found = take_in(
            self.archive, self.child, self.job.readers, original, order.path.name, order.row.mapping
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

    def _result(self, order: Order, taken: TakenIn, sha256: str) -> Done:
        result_id = result_identity(taken.capture_id, self.job.recipe, order.row)
        known = self.archive.tree("results", result_id)
        if known is None:
            try:
                known = self._computed(order, taken, result_id)
            except SchemaError as error:
                return Done.unworkable(order.row.row, taken.capture_id, sha256, error.sentence())
            new_result = True
        else:
            new_result = False
        base = Done(
            order.row.row, taken.capture_id, result_id, sha256, Fitness("fit"), facts=head_facts(taken.head),
            new_capture=taken.new, new_result=new_result,
        )  # fmt: skip
        return summary_done(base, known.content["summary"])

    def _computed(self, order: Order, taken: TakenIn, result_id: str) -> Any:
        recipe = self.job.recipe
        samples = CaptureSamples(taken.head, taken.arrays, recipe.quantities)
        facts = {name: order.row.fact(name) for name in recipe.uses_facts}
        outcome = run_chain(recipe, samples, facts)
        run = {"host": platform.node(), "finished": time.time(), "libraries": self.libraries}
        return commit_result(self.archive, result_id, taken.capture_id, outcome, recipe.identity(order.row), run)


def _missing(order: Order) -> Reason:
    return Reason(ReasonCode.MISSING_FILE, f"row {order.row.row}: {order.row.file!r} is not at {order.path}")
