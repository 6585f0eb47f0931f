"""What runs inside a worker process: one Bench a worker, and the function orders are carried out by.

Imported only when a cluster is used: distributed alone takes most of a second to import.
"""

from __future__ import annotations

import asyncio
from collections.abc import Iterable, Mapping, Sequence
from threading import Lock
from typing import Any

from distributed import WorkerPlugin, get_worker

from ...storage import StorageError
from ..contracts import PluginError
from ..host import Host
from .orders import Done, Job, Order
from .passes import Part, Watcher
from .task import Bench

PLUGIN_NAME = "thrumline-bench"


class OtherPlugins(PluginError):
    """A worker's plugins are not the coordinator's; ``worker`` is its address."""

    worker = ""

    @classmethod
    def than(cls, here: Iterable[Mapping[str, Any]], there: Iterable[Mapping[str, Any]], worker: str) -> OtherPlugins:
        """Naming, with versions, what only one of the two has."""
        ours, theirs = {_named(row) for row in here}, {_named(row) for row in there}
        error = cls(
            f"worker {worker} has other plugins than this machine",
            found=f"only there: {', '.join(sorted(theirs - ours)) or 'nothing'}; "
            f"only here: {', '.join(sorted(ours - theirs)) or 'nothing'}",
            todo="install the same plugins and versions on every machine",
        )  # fmt: skip
        error.worker = worker
        return error


def _named(row: Mapping[str, Any]) -> str:
    return f"{row['kind']} {row['name']} ({row['distribution']} {row['version']}, numbers {row['numeric_version']})"


class BenchPlugin(WorkerPlugin):
    """Holds one Bench on each worker: archive opened once, one reader child, the fingerprint of its plugins.

    ``stem`` is where reader children can be forked from, on this machine.
    """

    name = PLUGIN_NAME

    def __init__(self, job: Job, stem: str | None = None) -> None:
        self.job, self.stem = job, stem
        self.bench: Bench | None = None
        self.in_turn: Lock | None = None
        """Held while orders are carried out: a worker with several threads has one bench all the same."""
        self.fingerprint = ""
        self.listing: list[dict[str, Any]] = []

    async def setup(self, worker: Any) -> None:  # noqa: ARG002
        """Called on each worker as it joins, replacements of killed ones included.

        In a thread: importing all plugins takes seconds on a busy machine, and a worker that is silent so long
        is given up by the scheduler.
        """
        await asyncio.to_thread(self._prepare)

    def _prepare(self) -> None:
        host = Host.discover()
        self.in_turn = Lock()
        self.fingerprint, self.listing = host.fingerprint(), host.listing()
        self.bench = Bench(self.job, defer_long=True)
        self.bench.child.stem = self.stem

    def teardown(self, worker: Any) -> None:  # noqa: ARG002
        """Called as the worker leaves."""
        if self.bench is not None:
            self.bench.close()


def _held(worker: Any = None) -> BenchPlugin:
    held = (worker or get_worker()).plugins[PLUGIN_NAME]
    assert isinstance(held, BenchPlugin)
    return held


def carry_out(orders: Sequence[Order]) -> list[Done]:
    """Some orders on this worker, each for itself; what they commit is brought to the device together.

    Where another thread of the worker is at it, after that. Raises OtherPlugins when its plugins are not the
    coordinator's.
    """
    held = _held()
    if held.fingerprint != held.job.plugins:
        raise OtherPlugins.than(held.job.listing, held.listing, get_worker().address)
    assert held.bench is not None
    assert held.in_turn is not None
    archive = held.bench.archive
    try:
        with held.in_turn, archive.gathered() as batch:
            answers = [_carried_out(held.bench, order) for order in orders]
        # another thread goes on meanwhile: settling is mostly waiting for the device
        archive.settle(batch)
    except StorageError:
        # nothing of it has been told to anybody: each by itself, so that one row says what the disk said
        with held.in_turn:
            return [_carried_out(held.bench, order) for order in orders]
    return [done.settled(batch) for done in answers]


def _carried_out(bench: Bench, order: Order) -> Done:
    """What fails one order (a full disk, a fault of ours) does not take away what came of those before it."""
    try:
        return bench.carry_out(order)
    except Exception as error:  # noqa: BLE001
        return Done.failed(order.row, error)


def run_parts(
    order: Order, number: int, products: Mapping[str, Any], parts: Sequence[Part], *, keep: bool
) -> list[Watcher]:
    """Some parts of one pass over a long capture, on this worker."""
    held = _held()
    assert held.bench is not None
    assert held.in_turn is not None
    with held.in_turn:
        return held.bench.run_parts(order, number, products, parts, keep=keep)


def plugins_here(dask_worker: Any) -> tuple[str, list[dict[str, Any]]]:
    """Fingerprint and listing of this worker's plugins, for the coordinator's check at the start."""
    held = _held(dask_worker)
    return held.fingerprint, held.listing
