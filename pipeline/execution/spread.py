"""Spreading orders over worker processes: an embedded cluster by default, an existing one when named."""

from __future__ import annotations

from collections import deque
from collections.abc import Generator, Iterable, Iterator, Mapping, Sequence
from contextlib import ExitStack
from dataclasses import replace
from pathlib import Path
from typing import Any

from ...storage import Archive
from ..contracts import Reason, ReasonCode
from .chain import PassRunner
from .cluster import Cluster, Spread, expect_workers
from .early_workers import START_METHOD
from .handing_out import Left, handed_out, n_workers, put_off
from .kept import KeptLost
from .orders import Done, Job, Order
from .passes import Pass, Watcher
from .task import Bench

__all__ = ["Spread", "carried_out", "expect_workers"]


def carried_out(
    job: Job, orders: Sequence[Order], archive: Archive, spread: Spread, ending: ExitStack | None = None
) -> Generator[Done]:
    """Carry out all orders; yield each as it is done, in no particular order. What is done stays done.

    One ``deferred`` is not done yet: it was only taken in, and comes again when its chain has run. With ``ending``
    workers are let go in the background, and whoever closes it has waited for them.
    """
    if not orders:
        return
    alone = spread.n_workers <= 1
    few = alone or (job.own_stages_only and _few(orders, spread))
    queue = deque(orders)
    if spread.scheduler is None and few:
        long = yield from _inline(job, orders, archive, defer_long=not alone)
        if not long:
            return
        queue.clear()
    else:
        long = []
    with Cluster(job, spread, _to_be_read(queue), ending) as cluster:
        if spread.scheduler is not None or START_METHOD != "forkserver":
            long += yield from _while_starting(job, queue, archive, cluster)
        left = yield from handed_out(cluster.client(), queue, spread)
        yield from _long(job, [*long, *left.deferred], archive, cluster.client(), spread)
    yield from _one_by_one(job, left, archive, spread)


def _to_be_read(orders: Iterable[Order]) -> Path | None:
    """One of the files that will be read; None where all captures are in the archive."""
    return next((order.path for order in orders if order.known_capture is None), None)


def _few(orders: Sequence[Order], spread: Spread) -> bool:
    """Whether a cluster would cost more than it saves."""
    if len(orders) > spread.inline_up_to:
        return False
    sizes = (order.path.stat().st_size for order in orders if order.path.is_file())
    return sum(sizes) <= spread.inline_bytes


def _inline(
    job: Job, orders: Sequence[Order], archive: Archive, *, defer_long: bool
) -> Generator[Done, None, list[Order]]:
    """All in this process; with ``defer_long`` what is worth all workers is only taken in, and given back."""
    bench, long = Bench(job, archive, defer_long=defer_long), list[Order]()
    try:
        for order in orders:
            done = bench.carry_out(order)
            long += put_off(order, done)
            yield done
    finally:
        bench.close()
    return long


def _while_starting(
    job: Job, queue: deque[Order], archive: Archive, cluster: Cluster
) -> Generator[Done, None, list[Order]]:
    """Work in this process until the workers are up: start-up time is not lost. Gives back what is too long for that.

    Only where that takes seconds: forked ones are up before a reader child of this process had read its first file.
    With a stranger's stage in the recipe files are only taken in (readers have a process of their own).
    """
    bench, long = Bench(job, archive, defer_long=True), list[Order]()
    taken: list[Order] = []
    try:
        while queue and not cluster.ready():
            order = queue.popleft()
            if job.own_stages_only:
                done = bench.carry_out(order)
                long += put_off(order, done)
                yield done
            elif order.known_capture is not None:
                taken.append(order)
            else:
                done = bench.taken_in(order)
                taken += put_off(order, done)
                yield done
    finally:
        bench.close()
    queue.extendleft(reversed(taken))
    return long


PARTS_PER_WORKER = 4
"""Parts of a long capture for each worker: enough that none waits long for the last one."""


def _long(job: Job, orders: Sequence[Order], archive: Archive, client: Any, spread: Spread) -> Iterator[Done]:
    """Long captures one after the other, each pass cut into parts over all workers and merged in order."""
    if not orders:
        return
    bench = Bench(job, archive)
    n_parts = PARTS_PER_WORKER * n_workers(client, spread)
    try:
        for order in orders:
            yield _in_parts(bench, client, order, n_parts)
    finally:
        bench.close()


def _in_parts(bench: Bench, client: Any, order: Order, n_parts: int) -> Done:
    """One long capture; what goes wrong with it does not take the others away."""
    keep = bench.room_to_keep(order)
    try:
        try:
            return bench.carry_out_in_parts(order, _parts_runner(client, order, n_parts, keep=keep))
        except KeptLost:
            # a worker died after it had kept samples for the second pass: both passes make them then
            return bench.carry_out_in_parts(order, _parts_runner(client, order, n_parts, keep=False))
    except Exception as error:  # noqa: BLE001  a part raises what befell its worker
        if type(error).__name__ == "KilledWorker":
            return _killing(order, "two workers died on a part of this capture", bench.archive)
        return Done.failed(order.row, error)


def _parts_runner(client: Any, order: Order, n_parts: int, *, keep: bool) -> PassRunner:
    from .worker_side import run_parts

    def run_pass(number: int, whole: Pass, products: Mapping[str, Any]) -> list[Watcher]:
        parts = whole.parts(-(-whole.samples.n_samples // n_parts))
        # once to each worker, not with each part: the screen's bands of an hour are tens of megabytes
        (shared,) = client.scatter([dict(products)], broadcast=True, hash=False)
        futures = [client.submit(run_parts, order, number, shared, [part], keep=keep, pure=False) for part in parts]
        merged: list[Watcher] = futures[0].result()
        for future in futures[1:]:
            for mine, later in zip(merged, future.result(), strict=True):
                mine.take_over(later)
            future.release()
        return merged

    return run_pass


def _one_by_one(job: Job, left: Left, archive: Archive, spread: Spread) -> Iterator[Done]:
    """Each order that was on a dying or disturbed worker once more, by itself: the culprit shows, the innocent finish.

    What an innocent one had committed before its worker died is found in the archive.
    """
    tried = [(order, "the worker died") for order in left.suspects]
    tried += [(order, f"{type(error).__name__}: {error}") for order, error in left.disturbed]
    if not tried:
        return
    with Cluster(job, spread.with_one_worker()) as cluster:
        for order, what in tried:
            archive.note_attempt(str(order.path), what)
            again = yield from handed_out(cluster.client(), deque([order]), spread)
            yield from _long(job, again.deferred, archive, cluster.client(), spread)
            yield from (Done.failed(order.row, error) for _, error in again.disturbed)
            if again.suspects:
                how = "the worker died twice on this capture, the second time with nothing else"
                yield _killing(order, how, archive)


def _killing(order: Order, how: str, archive: Archive) -> Done:
    """A capture that kills whoever runs it: refused, and its original noted among those held in quarantine."""
    reason = Reason(ReasonCode.WORKER_KILLED, f"{order.row.file}: {how}")
    original, sha256 = None, order.known_sha256
    if sha256 is None and order.path.is_file():
        original = archive.put_original(order.path, name=order.name, origin=order.row.file)
        sha256 = original.sha256
    if sha256 is not None:
        archive.quarantine(
            sha256, {**reason.as_json(), "file": order.row.file, "mapping": order.row.mapping.as_json()}
        )
    return replace(Done.refused(order.row.row, reason, sha256), original=original)
