"""What makes one task for a worker, and what becomes of its orders when one of them fails."""

from __future__ import annotations

import time
from collections import deque
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from threading import Condition, Event, Lock
from types import SimpleNamespace

import distributed
import pytest

from thrumline.pipeline.api import Spread
from thrumline.pipeline.contracts import CaptureRow, Fitness
from thrumline.pipeline.execution import handing_out, worker_side
from thrumline.pipeline.execution import spread as spreading
from thrumline.pipeline.execution.handing_out import TOGETHER, TOGETHER_BYTES, taken_together
from thrumline.pipeline.execution.orders import Done, Order
from thrumline.storage import Archive, Batch, DiskFull, Original, TreeRow


def orders_of(folder: Path, sizes):
    """An order for each size; its file is so long and takes no room on the disk."""
    made = []
    for n, size in enumerate(sizes, start=1):
        path = folder / f"{n}.csv"
        with path.open("wb") as file:
            file.truncate(size)
        made.append(Order(CaptureRow(n, path.name, "wren", "original", "seat", "idle", "1"), path, None))
    return made


def shares(orders, n_tasks):
    """How many orders each task gets until none is left."""
    queue, found = deque(orders), []
    while queue:
        found.append(len(taken_together(queue, n_tasks)))
    return found


def test_many_small_captures_go_together_and_the_last_one_by_one(tmp_path):
    """Full tasks while much is left, single orders at the end: no worker waits long for the other."""
    found = shares(orders_of(tmp_path, [1000] * 200), 4)
    assert found[0] == TOGETHER >= 4
    assert found == sorted(found, reverse=True)
    assert found[-4:] == [1, 1, 1, 1]
    assert sum(found) == 200


@pytest.mark.parametrize("n_orders", [1, 2, 7])
def test_as_few_orders_as_tasks_are_each_a_task(tmp_path, n_orders):
    """Nothing is gained by sharing a message where a worker would stand idle."""
    assert shares(orders_of(tmp_path, [1000] * n_orders), 4) == [1] * n_orders


def test_a_large_file_goes_by_itself(tmp_path):
    """Bytes of one task are bounded: a small capture does not wait behind two large ones."""
    sizes = [1000, TOGETHER_BYTES, 1000, *[1000] * 97]
    first, second = shares(orders_of(tmp_path, sizes), 4)[:2]
    assert (first, second) == (1, 1)


def test_order_without_a_file_takes_no_bytes(tmp_path):
    """Its capture is in the archive, or it will be refused."""
    orders = orders_of(tmp_path, [TOGETHER_BYTES] * 100)
    for order in orders:
        order.path.unlink()
    assert shares(orders, 4)[0] == TOGETHER


class FullDisk:
    """A bench that has no room for the second capture; ``unsettled`` batches fail at their end."""

    def __init__(self, unsettled=0):
        self.archive, self.unsettled, self.carried = self, unsettled, []

    @contextmanager
    def gathered(self):
        yield Batch()

    def settle(self, batch):
        self.unsettled -= 1
        if self.unsettled >= 0:
            raise DiskFull("to sync", found="no room")

    def carry_out(self, order):
        self.carried.append(order.row.row)
        if order.row.row == 2:
            raise OSError(28, "No space left on device")
        return Done(order.row.row, "c", "r", "s", Fitness("fit"))


def test_what_fails_one_order_of_a_task_leaves_the_others_done(tmp_path, monkeypatch):
    """Three captures together, the second meets a full disk: the first and the third come back whole."""
    held = SimpleNamespace(fingerprint="same", job=SimpleNamespace(plugins="same"), in_turn=Lock(), bench=FullDisk())
    monkeypatch.setattr(worker_side, "_held", lambda: held)
    first, second, third = worker_side.carry_out(orders_of(tmp_path, [10, 10, 10]))
    assert [first.fitness.state, third.fitness.state] == ["fit", "fit"]
    assert second.row == 2
    assert "2.csv: OSError: [Errno 28] No space left on device" in second.fitness.reasons[0].detail
    assert held.bench.carried == [1, 2, 3]


def test_two_threads_of_a_worker_take_turns_at_its_one_bench(tmp_path, monkeypatch):
    """Side by side, what one of them told would be in the other's batch and not yet on the device."""

    class Busy(FullDisk):
        at_once, most = 0, 0

        def carry_out(self, order):
            self.at_once += 1
            self.most = max(self.most, self.at_once)
            time.sleep(0.02)
            self.at_once -= 1
            return Done(order.row.row, "c", "r", "s", Fitness("fit"))

    held = SimpleNamespace(fingerprint="same", job=SimpleNamespace(plugins="same"), in_turn=Lock(), bench=Busy())
    monkeypatch.setattr(worker_side, "_held", lambda: held)
    with ThreadPoolExecutor(2) as threads:
        answers = list(threads.map(worker_side.carry_out, [orders_of(tmp_path, [10, 10])] * 2))
    assert [done.fitness.state for answer in answers for done in answer] == ["fit"] * 4
    assert held.bench.most == 1


def test_while_one_thread_waits_for_the_device_the_other_carries_out(tmp_path, monkeypatch):
    """The first batch is on the device only when an order of the second is in hand."""
    begun, seconds = Event(), 60

    class Slow(FullDisk):
        def settle(self, batch):
            assert len(self.carried) == 2 or begun.wait(seconds), "nobody goes on"

        def carry_out(self, order):
            done = super().carry_out(order)
            if len(self.carried) == 2:
                begun.set()
            return done

    held = SimpleNamespace(fingerprint="same", job=SimpleNamespace(plugins="same"), in_turn=Lock(), bench=Slow())
    monkeypatch.setattr(worker_side, "_held", lambda: held)
    with ThreadPoolExecutor(2) as threads:
        answers = list(threads.map(worker_side.carry_out, [orders_of(tmp_path, [10])] * 2))
    assert [done.fitness.state for answer in answers for done in answer] == ["fit"] * 2


def test_a_batch_that_cannot_be_settled_is_gone_through_one_by_one(tmp_path, monkeypatch):
    """Nothing of it had been told: each order once more by itself, so that the disk fails only what it has no room for."""
    bench = FullDisk(unsettled=1)
    held = SimpleNamespace(fingerprint="same", job=SimpleNamespace(plugins="same"), in_turn=Lock(), bench=bench)
    monkeypatch.setattr(worker_side, "_held", lambda: held)
    answers = worker_side.carry_out(orders_of(tmp_path, [10, 10, 10]))
    assert [done.fitness.state for done in answers] == ["fit", "unfit", "fit"]
    assert bench.carried == [1, 2, 3, 1, 2, 3]


def test_a_settled_batch_tells_the_original_and_the_rows_of_whoever_was_first(tmp_path):
    """What was told while the batch was open is put right: another worker's tree has another seal."""
    copy = tmp_path / "staged" / "1"
    put = Original("ab" * 32, 3, copy, new=True)
    settled = Original("ab" * 32, 3, tmp_path / "originals" / "ab", new=False)
    with Archive.open(tmp_path / "archive", role="coordinator", create=True) as archive:
        ours = TreeRow.of(archive.put_small("captures", "ab" * 16, {"original": "a", "summary": 1}, {"host": "ours"}))
        theirs = archive.put_small("captures", "ab" * 16, {"original": "a", "summary": 1}, {"host": "theirs"})
        other = TreeRow.of(archive.put_small("results", "cd" * 16, {"capture_id": "c", "summary": 2}, {}))
    told = replace(ours, seal="of ours")
    done = Done(1, "c", "r", "s", Fitness("fit"), original=put, committed=(told, other))
    batch = Batch(trees={("captures", "ab" * 16): theirs}, originals={copy: settled})
    assert done.settled(batch) == replace(done, original=settled, committed=(ours, other))
    assert done.settled(Batch()) == done


class KilledWorker(Exception):
    """As the scheduler calls a task whose workers died; it goes by this name alone."""


def test_all_orders_of_a_task_whose_worker_died_are_suspects(tmp_path):
    """None of them is refused for it: each is tried once more by itself."""
    orders, left = orders_of(tmp_path, [10] * 3), handing_out.Left()
    handing_out._troubled(None, orders, KilledWorker(), deque(), left)
    assert (left.suspects, left.disturbed) == (orders, [])


def test_a_task_that_came_back_with_an_error_of_no_orders_own_fails_none_of_them(tmp_path):
    """A broken connection, a worker that was not ready: each order is tried once more by itself."""
    orders, left, broken = orders_of(tmp_path, [10] * 3), handing_out.Left(), OSError("connection reset")
    handing_out._troubled(None, orders, broken, deque(), left)
    assert (left.suspects, left.disturbed) == ([], [(order, broken) for order in orders])


class Ready:
    """Hands out what is done, in turn, as the scheduler's client tells it."""

    def __init__(self, loop=None):
        self.futures, self.thread_condition = [], Condition()

    def has_ready(self):
        return bool(self.futures)

    def add(self, future):
        self.futures.append(future)

    def __next__(self):
        return self.futures.pop(0)


class Told:
    """A task that was done, and lost with its worker ``times`` before its answers were fetched."""

    def __init__(self, key, orders, times):
        self.key, self._orders, self._times = key, orders, times
        self.released = False

    @property
    def status(self):
        self._times -= 1
        return "lost" if self._times >= 0 else "finished"

    def result(self, timeout):
        return [Done(order.row.row, "c", "r", "s", Fitness("fit")) for order in self._orders]

    def exception(self, timeout=None):
        raise AssertionError("asked for the error of a task that has none: with no worker left, for ever")

    def release(self):
        self.released = True


@pytest.mark.parametrize("times", [0, 1, 3])
def test_a_task_lost_with_its_worker_before_it_was_told_is_waited_for_again(tmp_path, monkeypatch, times):
    """Its answers stay with the worker until they are fetched; the scheduler has another one make them."""
    made = []

    def submit(_, orders, *, pure, key):
        made.append(Told(key, orders, times))
        return made[-1]

    client = SimpleNamespace(
        loop=None, submit=submit, ncores=lambda: {"one": 1}, scheduler_info=lambda n_workers: {"workers": {"one": {}}}
    )
    monkeypatch.setattr(distributed, "as_completed", Ready)
    done = list(handing_out.handed_out(client, deque(orders_of(tmp_path, [10] * 5)), Spread(workers=1)))
    assert sorted(item.row for item in done) == [1, 2, 3, 4, 5]
    assert all(future.released for future in made)


class ClusterAtHand:
    """Stands where a cluster would come up."""

    def __init__(self, *_):
        self.client = lambda: None

    def __enter__(self):
        return self

    def __exit__(self, *_):
        return None


@pytest.mark.parametrize("again", [True, False])
def test_a_disturbed_order_is_failed_only_when_it_is_disturbed_alone_as_well(tmp_path, monkeypatch, again):
    """The second time by itself: done, or unfit with the error in words."""
    orders, noted = orders_of(tmp_path, [10, 10]), []

    def alone(_client, queue, _spread):
        order = queue.popleft()
        if again:
            return handing_out.Left(disturbed=[(order, OSError("connection reset"))])
        yield Done(order.row.row, "c", "r", "s", Fitness("fit"))
        return handing_out.Left()

    def generated(*asked):
        return (yield from alone(*asked))

    monkeypatch.setattr(spreading, "Cluster", ClusterAtHand)
    monkeypatch.setattr(spreading, "handed_out", generated)
    archive = SimpleNamespace(note_attempt=lambda key, what: noted.append(what))
    left = handing_out.Left(disturbed=[(order, KeyError("no bench")) for order in orders])
    done = list(spreading._one_by_one(None, left, archive, Spread(workers=2)))
    assert [item.row for item in done] == [1, 2]
    assert [item.fitness.state for item in done] == (["unfit"] * 2 if again else ["fit"] * 2)
    assert noted == ["KeyError: 'no bench'"] * 2
    assert not again or "OSError: connection reset" in done[0].fitness.reasons[0].detail
