"""Handing orders out to workers: several small ones together, few in flight, what befalls a worker found out."""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Generator, Sequence
from dataclasses import dataclass, field
from typing import Any
from uuid import uuid4

from ..contracts import ThrumlineError
from .cluster import Spread
from .orders import Done, Order

IN_FLIGHT_PER_WORKER = 2
"""Tasks on the way to each worker: one in hand and one that waits for it."""

TOGETHER = 8
"""So many orders make a task at most. One costs 20 ms of two cores to hand out, its answer to bring back."""

TOGETHER_BYTES = 32 << 20
"""Files of one task: a large one goes by itself, and whoever waits for an answer waits for seconds."""

NO_WORKER_S = 60.0
"""A worker that died comes again within seconds where something looks after it; a cluster without any never goes on."""


@dataclass(slots=True)
class Left:
    """What is left when the queue is empty: orders whose worker died, captures too long for one worker.

    ``disturbed``: orders whose task came back with an error of no order's own (a connection that broke, a worker that
    was not made ready), and that error. What an order itself does wrong, its worker says.
    """

    suspects: list[Order] = field(default_factory=list)
    disturbed: list[tuple[Order, BaseException]] = field(default_factory=list)
    deferred: list[Order] = field(default_factory=list)


def put_off(order: Order, done: Done) -> list[Order]:
    """What is still to be run, from the archive, of an order that was only taken in."""
    return [order.from_capture(done.capture_id or "", done.sha256 or "")] if done.deferred else []


def taken_together(queue: deque[Order], n_tasks: int) -> list[Order]:
    """Take the next orders for one task off the queue, which is not empty.

    The share shrinks with the queue: what is left when the last are handed out would go on on one worker alone.
    """
    n = max(1, min(TOGETHER, len(queue) // (2 * n_tasks)))
    taken = [queue.popleft()]
    n_bytes = _size(taken[0])
    while queue and len(taken) < n:
        n_bytes += _size(queue[0])
        if n_bytes > TOGETHER_BYTES:
            break
        taken.append(queue.popleft())
    return taken


def _size(order: Order) -> int:
    """Bytes of an order's file; none where the file is gone, and its capture in the archive or the order refused."""
    try:
        return order.path.stat().st_size
    except OSError:
        return 0


def handed_out(client: Any, queue: deque[Order], spread: Spread) -> Generator[Done, None, Left]:
    """Few tasks in flight, each released as it is done."""
    from distributed import as_completed

    from .worker_side import carry_out

    left = Left()
    # the client's own loop: another client of this process may be the default one
    waiting = as_completed(loop=client.loop)
    flying: dict[Any, list[Order]] = {}
    limit = IN_FLIGHT_PER_WORKER * n_workers(client, spread)

    def launch() -> None:
        while queue and len(flying) < limit:
            orders = taken_together(queue, limit)
            future = client.submit(carry_out, orders, pure=False, key=f"row-{orders[0].row.row}-{uuid4().hex}")
            flying[future.key] = orders
            waiting.add(future)

    launch()
    while flying:
        future = _next_done(waiting, client)
        said = _said(future)
        if said is None:
            waiting.add(future)
            continue
        orders = flying.pop(future.key)
        launch()
        if isinstance(said, list):
            for order, done in zip(orders, said, strict=True):
                left.deferred += put_off(order, done)
                yield done
        else:
            _troubled(client, orders, said, queue, left)
            launch()
        future.release()
    return left


def _said(future: Any) -> list[Done] | BaseException | None:
    """What a task that was done came to: its answers, or its error. None where its worker died before telling them.

    It is on its way again then, which takes for ever where there is no worker any more: whoever waits looks for one.
    """
    try:
        if future.status == "finished":
            answers: list[Done] = future.result(timeout=NO_WORKER_S)
            return answers
        if future.status in ("error", "cancelled"):
            error: BaseException = future.exception(timeout=NO_WORKER_S)
            return error
    except Exception as error:  # noqa: BLE001  the task's own, or that nothing came within the time
        return error if future.status in ("error", "cancelled") else None
    return None


def n_workers(client: Any, spread: Spread) -> int:
    """Workers there now; as many as were asked for while none has shown itself."""
    return max(1, len(client.scheduler_info(n_workers=-1)["workers"]) or spread.n_workers)


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
    client: Any, orders: Sequence[Order], error: BaseException, queue: deque[Order], left: Left
) -> None:
    """Orders that came back with an error: to be run one by one, or elsewhere."""
    kind = type(error).__name__
    if kind == "KilledWorker":
        left.suspects += orders
    elif kind == "OtherPlugins":
        # it joined after the check at the start: it has to go, its orders go to the others
        client.retire_workers(workers=[error.worker], close_workers=True)  # type: ignore[attr-defined]
        if not client.scheduler_info(n_workers=-1)["workers"]:
            raise error
        queue.extend(orders)
    else:
        left.disturbed += [(order, error) for order in orders]
