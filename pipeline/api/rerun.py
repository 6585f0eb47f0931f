"""Only what is missing: which rows of a table already have their result, without reading a sample.

A known file's bytes (by the archive's memory of path, size and times) and its row's mapping give the capture
identities each installed reader would make; one that the archive holds answers for the file.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from ...storage import Archive
from ..contracts import Fitness, Reason
from ..execution.identity import Identities
from ..execution.orders import Done, Job, Order
from ..execution.results import summary_done


@dataclass(frozen=True, slots=True)
class Known:
    """Orders whose answer the archive holds, and those that have to run (some from an archived capture)."""

    done: tuple[Done, ...]
    missing: tuple[Order, ...]


def known_orders(job: Job, orders: Sequence[Order], archive: Archive) -> Known:
    """Split the orders; the catalogue answers, no file is opened."""
    sources = {order.row.row: archive.recalled_sha256(order.path) for order in orders}
    names = Identities(job.recipe, job.readers.versions)
    captures = {order.row.row: _capture(names, order, sources[order.row.row], archive) for order in orders}
    results = {
        order.row.row: names.result(capture, order.row)
        for order in orders
        if (capture := captures[order.row.row]) is not None
    }
    present = archive.having("results", list(results.values()))
    summaries = archive.catalogue.summaries("results", sorted(present))
    facts = archive.catalogue.summaries("captures", sorted({c for c in captures.values() if c}))
    done: list[Done] = []
    missing: list[Order] = []
    for order in orders:
        number = order.row.row
        sha256, capture_id, result_id = sources[number], captures[number], results.get(number)
        if result_id in summaries:
            assert capture_id is not None
            base = Done(number, capture_id, result_id, sha256, Fitness("fit"), facts=facts.get(capture_id, {}))
            done.append(summary_done(base, summaries[result_id]))
        elif (refusal := _refusal(job, order, sha256, archive)) is not None:
            done.append(refusal)
        else:
            missing.append(order if capture_id is None else order.from_capture(capture_id, sha256 or ""))
    return Known(tuple(done), tuple(missing))


def note_done(archive: Archive, done: Done) -> None:
    """Index what a worker took in and committed."""
    if done.original is not None:
        archive.note_original(done.original)
    if done.committed:
        archive.note_rows(done.committed)


def _capture(names: Identities, order: Order, sha256: str | None, archive: Archive) -> str | None:
    """The one capture of these bytes under this mapping that the archive holds, or None."""
    if sha256 is None:
        return None
    there = {identity for kind, identity in archive.catalogue.made_from(sha256) if kind == "captures"}
    if not there:
        return None
    fitting = there.intersection(names.captures(sha256, order.capture or 0, order.row.mapping))
    return fitting.pop() if len(fitting) == 1 else None


def _refusal(job: Job, order: Order, sha256: str | None, archive: Archive) -> Done | None:
    """What these bytes were refused for before, by the same readers under the same mapping."""
    if sha256 is None:
        return None
    for held in archive.quarantined(sha256):
        record: dict[str, Any] = held["reason"]
        same = record.get("mapping") == order.row.mapping.as_json()
        if same and record.get("readers") == job.readers.fingerprint():
            return Done.refused(order.row.row, Reason.from_json(record), sha256)
    return None
