"""Spreading orders over worker processes: an embedded cluster by default, an existing one when named."""

from __future__ import annotations

import os
import threading
import time
from collections import deque
from collections.abc import Generator, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any
from uuid import uuid4

from ...storage import Archive
from ..contracts import Fitness, Reason, ReasonCode, SettingsError, ThrumlineError
from .chain import PassRunner
from .early_workers import INLINE_UP_TO, START_METHOD, WORKER_ENVIRONMENT, import_once
from .orders import Done, Job, Order
from .passes import Pass, Watcher
from .task import Bench

IN_FLIGHT_PER_WORKER = 4
NO_WORKER_S = 60.0
"""A worker that died comes again within seconds where something looks after it; a cluster without any never goes on."""

TRIES = 3
"""A worker that dies while the job is handed out makes the hand-out fail for all: it is repeated."""

@dataclass(frozen=True, slots=True)
class Spread:
    """How to spread: ``workers`` processes here (None = one a core, 1 = this process alone), or a scheduler."""

    workers: int | None = None
    memory: str = "2GB"
    inline_up_to: int = INLINE_UP_TO
    """So few small captures are done in this process before a cluster has earned back what it costs to start."""
    inline_bytes: int = 48 << 20
    """Their files together may be so large."""
    scheduler: str | None = None
    tls_ca: str | None = None
    tls_cert: str | None = None
    tls_key: str | None = None

    @property
    def n_workers(self) -> int:
        """Processes to start."""
        return self.workers if self.workers is not None else os.cpu_count() or 1


def carried_out(job: Job, orders: Sequence[Order], archive: Archive, spread: Spread) -> Iterator[Done]:
    """Carry out all orders; yield each as it is done, in no particular order. What is done stays done.

    One ``deferred`` is not done yet: it was only taken in, and comes again when its chain has run.
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
    with _Cluster(job, spread) as cluster:
        long += yield from _while_starting(job, queue, archive, cluster)
        left = yield from _spread(cluster.client(), queue, spread)
        yield from _long(job, [*long, *left.deferred], archive, cluster.client(), spread)
    yield from _alone(job, left.suspects, archive, spread)


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
            long += _put_off(order, done)
            yield done
    finally:
        bench.close()
    return long


def _put_off(order: Order, done: Done) -> list[Order]:
    """What is still to be run, from the archive, of an order that was only taken in."""
    return [order.from_capture(done.capture_id or "", done.sha256 or "")] if done.deferred else []


def _while_starting(
    job: Job, queue: deque[Order], archive: Archive, cluster: _Cluster
) -> Generator[Done, None, list[Order]]:
    """Work in this process until the workers are up: start-up time is not lost. Gives back what is too long for that.

    With a stranger's stage in the recipe files are only taken in (readers have a process of their own).
    """
    bench, long = Bench(job, archive, defer_long=True), list[Order]()
    taken: list[Order] = []
    try:
        while queue and not cluster.ready():
            order = queue.popleft()
            if job.own_stages_only:
                done = bench.carry_out(order)
                long += _put_off(order, done)
                yield done
            elif order.known_capture is not None:
                taken.append(order)
            else:
                done = bench.taken_in(order)
                taken += _put_off(order, done)
                yield done
    finally:
        bench.close()
    queue.extendleft(reversed(taken))
    return long


class _Cluster:
    """A cluster coming up in the background; ``client`` waits for it."""

    def __init__(self, job: Job, spread: Spread) -> None:
        self._job, self._spread = job, spread
        self._ready = threading.Event()
        self._client: Any = None
        self._cluster: Any = None
        self._fault: BaseException | None = None
        self._thread = threading.Thread(target=self._start, daemon=True)

    def __enter__(self) -> _Cluster:
        self._thread.start()
        return self

    def __exit__(self, *exc_info: object) -> None:
        self._thread.join()
        for closing in (self._client, self._cluster):
            if closing is not None:
                closing.close()

    def ready(self) -> bool:
        """Whether workers can take orders, or starting them has failed."""
        return self._ready.is_set()

    def client(self) -> Any:
        """The client, once workers are up. Raises what starting them raised."""
        self._thread.join()
        if self._fault is not None:
            raise self._fault
        return self._client

    def _start(self) -> None:
        try:
            self._client = self._connected()
            for tries_left in reversed(range(TRIES)):
                try:
                    self._make_ready()
                except OSError:
                    if not tries_left:
                        raise
                else:
                    break
        except BaseException as error:  # noqa: BLE001  handed over to the waiting thread
            self._fault = error
        finally:
            self._ready.set()

    def _make_ready(self) -> None:
        """Hand the job to all workers. Raises OSError when one of them dies meanwhile."""
        from .worker_side import PLUGIN_NAME, BenchPlugin

        self._client.register_plugin(BenchPlugin(self._job), name=PLUGIN_NAME)
        _same_plugins(self._client, self._job)

    def _connected(self) -> Any:
        from dask import config
        from distributed import Client, LocalCluster, utils

        config.set(
            {
                "distributed.nanny.pre-spawn-environ": WORKER_ENVIRONMENT,
                "distributed.worker.multiprocessing-method": START_METHOD,
                "distributed.worker.profile.enabled": False,
                "distributed.scheduler.allowed-failures": 1,
                "distributed.worker.daemon": False,
                "distributed.comm.timeouts.connect": "20s",
                "distributed.admin.low-level-log-length": 0,
            }
        )
        if self._spread.scheduler is not None:
            return Client(self._spread.scheduler, security=_security(self._spread), timeout="20s")
        import_once()
        # distributed would import pandas here only to find out whether the process the workers come from can
        vars(utils)["_forkserver_preload_set"] = True
        self._cluster = LocalCluster(
            n_workers=self._spread.n_workers, threads_per_worker=1, processes=True, dashboard_address=None,
            memory_limit=self._spread.memory, silence_logs="ERROR", host="127.0.0.1",
        )  # fmt: skip
        return Client(self._cluster)


def expect_workers(spread: Spread, n_orders: int) -> None:
    """Have the process that workers are forked from import everything already, beside what this one still imports.

    For a run that will probably need workers; a process too many ends with this one.
    """
    if spread.scheduler is None and spread.n_workers > 1 and n_orders > spread.inline_up_to:
        import_once()


def _security(spread: Spread) -> Any:
    """TLS as given; a plain connection is for this machine only."""
    from distributed.security import Security

    if spread.tls_ca is None:
        address = spread.scheduler or ""
        if not any(local in address for local in ("127.0.0.1", "localhost", "[::1]")):
            raise SettingsError(
                f"scheduler {address!r} is on another machine", found="no TLS settings",
                allowed="--tls-ca, --tls-cert, --tls-key", todo="a scheduler runs any code sent to it: give all three",
            )  # fmt: skip
        return None
    return Security(
        tls_ca_file=spread.tls_ca, tls_client_cert=spread.tls_cert, tls_client_key=spread.tls_key,
        require_encryption=True,
    )  # fmt: skip


def _same_plugins(client: Any, job: Job) -> None:
    """Refuse to start when a worker's plugins differ. Raises PluginError with names and versions."""
    from .worker_side import OtherPlugins, plugins_here

    for address, (fingerprint, listing) in client.run(plugins_here).items():
        if fingerprint != job.plugins:
            raise OtherPlugins.than(job.listing, listing, address)


@dataclass(slots=True)
class _Left:
    """What is left when the queue is empty: orders whose worker died, captures too long for one worker."""

    suspects: list[Order] = field(default_factory=list)
    deferred: list[Order] = field(default_factory=list)


def _spread(client: Any, queue: deque[Order], spread: Spread) -> Generator[Done, None, _Left]:
    """Few in flight, each released as it is done."""
    from distributed import as_completed

    left = _Left()
    # the client's own loop: another client of this process may be the default one
    waiting = as_completed(loop=client.loop)
    flying: dict[Any, Order] = {}
    limit = IN_FLIGHT_PER_WORKER * max(1, len(client.scheduler_info(n_workers=-1)["workers"]) or spread.n_workers)

    def launch() -> None:
        while queue and len(flying) < limit:
            order = queue.popleft()
            future = client.submit(_carry_out(), order, pure=False, key=f"row-{order.row.row}-{uuid4().hex}")
            flying[future.key] = order
            waiting.add(future)

    launch()
    while flying:
        future = _next_done(waiting, client)
        order = flying.pop(future.key)
        launch()
        if future.status == "finished":
            done: Done = future.result()
            left.deferred += _put_off(order, done)
            yield done
        else:
            yield from _troubled(client, order, future.exception(), queue, left)
            launch()
        future.release()
    return left


def _next_done(waiting: Any, client: Any) -> Any:
    """The next future that is done. Raises ThrumlineError when for a minute there was no worker to do any."""
    since: float | None = None
    while not waiting.has_ready():
        with waiting.thread_condition:
            # asked again under the lock that whoever hands a future in needs: none is slept through
            if not waiting.has_ready():
                waiting.thread_condition.wait(timeout=1.0)
        if waiting.has_ready() or client.ncores():
            since = None
            continue
        since = since or time.monotonic()
        if time.monotonic() - since > NO_WORKER_S:
            raise ThrumlineError(
                f"workers on the scheduler {client.scheduler.address}", found=f"none left for {NO_WORKER_S:g} s",
                todo="start workers and run the study again: what was done stays done",
            )  # fmt: skip
    return next(waiting)


def _troubled(
    client: Any, order: Order, error: BaseException, queue: deque[Order], left: _Left
) -> Iterator[Done]:
    """An order that came back with an error: to be run alone, run elsewhere, or failed."""
    kind = type(error).__name__
    if kind == "KilledWorker":
        left.suspects.append(order)
    elif kind == "OtherPlugins":
        # it joined after the check at the start: it has to go, its orders go to the others
        client.retire_workers(workers=[error.worker], close_workers=True)  # type: ignore[attr-defined]
        if not client.scheduler_info(n_workers=-1)["workers"]:
            raise error
        queue.append(order)
    else:
        yield _failed(order, error)


PARTS_PER_WORKER = 4
"""Parts of a long capture for each worker: enough that none waits long for the last one."""


def _long(job: Job, orders: Sequence[Order], archive: Archive, client: Any, spread: Spread) -> Iterator[Done]:
    """Long captures one after the other, each pass cut into parts over all workers and merged in order."""
    if not orders:
        return
    bench = Bench(job, archive)
    n_parts = PARTS_PER_WORKER * max(1, len(client.scheduler_info(n_workers=-1)["workers"]) or spread.n_workers)
    try:
        for order in orders:
            yield bench.carry_out_in_parts(order, _parts_runner(client, order, n_parts))
    finally:
        bench.close()


def _parts_runner(client: Any, order: Order, n_parts: int) -> PassRunner:
    from .worker_side import run_parts

    def run_pass(number: int, whole: Pass, products: Mapping[str, Any]) -> list[Watcher]:
        parts = whole.parts(-(-whole.samples.n_samples // n_parts))
        # once to each worker, not with each part: the screen's bands of an hour are tens of megabytes
        (shared,) = client.scatter([dict(products)], broadcast=True, hash=False)
        futures = [client.submit(run_parts, order, number, shared, [part], pure=False) for part in parts]
        merged: list[Watcher] = futures[0].result()
        for future in futures[1:]:
            for mine, later in zip(merged, future.result(), strict=True):
                mine.take_over(later)
            future.release()
        return merged

    return run_pass


def _carry_out() -> Any:
    from .worker_side import carry_out

    return carry_out


def _alone(job: Job, suspects: Sequence[Order], archive: Archive, spread: Spread) -> Iterator[Done]:
    """Each order that was on a dying worker once more, by itself: the culprit shows, the innocent finish."""
    for order in suspects:
        archive.note_attempt(str(order.path), "the worker died")
        with _Cluster(job, _one_worker(spread)) as cluster:
            again = yield from _spread(cluster.client(), deque([order]), spread)
        if again.suspects:
            detail = f"{order.row.file}: the worker died twice on this capture, the second time with nothing else"
            yield _killing(order, Reason(ReasonCode.WORKER_KILLED, detail), archive)


def _killing(order: Order, reason: Reason, archive: Archive) -> Done:
    """A capture that kills whoever runs it: refused, and its original noted among those held in quarantine."""
    original, sha256 = None, order.known_sha256
    if sha256 is None and order.path.is_file():
        original = archive.put_original(order.path, name=order.name, origin=order.row.file)
        sha256 = original.sha256
    if sha256 is not None:
        archive.quarantine(
            sha256, {**reason.as_json(), "file": order.row.file, "mapping": order.row.mapping.as_json()}
        )
    return replace(Done.refused(order.row.row, reason, sha256), original=original)


def _one_worker(spread: Spread) -> Spread:
    return spread if spread.scheduler is not None else replace(spread, workers=1)


def _failed(order: Order, error: BaseException | None) -> Done:
    """An error no capture should cause (a full disk, a fault of ours): this row says so, the others go on."""
    cause = f"{order.row.file}: {type(error).__name__}: {error}"
    return Done(order.row.row, None, None, None, Fitness("unfit", (Reason(ReasonCode.STAGE_FAILED, cause),)))
