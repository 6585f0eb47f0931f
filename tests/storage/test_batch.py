"""A worker's batch: settled whole at its end, unseen before, gone where something was raised."""

from __future__ import annotations

import errno
import hashlib
import os
from concurrent.futures import ThreadPoolExecutor
from threading import Event

import numpy as np
import pytest

from thrumline.storage import Archive, Disk, DiskFull, NotAllowed, TreeRow

IDS = [hashlib.sha256(f"{n}".encode()).hexdigest()[:32] for n in range(4)]


@pytest.fixture
def root(tmp_path):
    """An archive, made."""
    Archive.open(tmp_path / "archive", role="coordinator", create=True).close()
    return tmp_path / "archive"


def file_of(folder, name, text):
    """A file to take in."""
    path = folder / name
    path.write_text(text)
    return path


def capture(archive, identity, original, value=1.0):
    """A small capture with one array; its tree."""
    with archive.draft("captures", identity) as draft:
        draft.zarr("capture.zarr").put("overview", np.full((2, 3), value), dims=("channel", "frame"))
        return draft.commit({"original": original.sha256, "summary": {"value": value}}, {})


def visible(root):
    """What another process sees."""
    with Archive.open(root, role="reader") as archive:
        originals = sorted(path.name for path in (root / "originals").rglob("*") if path.is_file())
        return originals, archive.ids("captures"), archive.ids("results"), archive.quarantined()


def test_nothing_is_seen_until_the_end_and_then_all_of_it(root, tmp_path):
    """Two files, their captures, a result, a refusal: each is there whole, as if it had been settled by itself."""
    files = [file_of(tmp_path, f"{n}.csv", f"{n}\n" * 50) for n in range(2)]
    with Archive.open(root, role="worker") as worker:
        with worker.settled_together() as batch:
            originals = [worker.put_original(path, name=path.name, origin="rig") for path in files]
            assert [one.path.read_bytes() for one in originals] == [path.read_bytes() for path in files]
            told = [capture(worker, identity, one) for identity, one in zip(IDS, originals, strict=False)]
            worker.put_small("results", IDS[2], {"capture_id": IDS[0], "summary": {}}, {})
            assert worker.quarantine(originals[1].sha256, {"code": "gaps"}) is None
            assert visible(root) == ([], [], [], [])
        assert [batch.trees["captures", tree.id] for tree in told] == told
        settled = [batch.originals[one.path] for one in originals]
    names, captures, results, held = visible(root)
    assert (captures, results) == (sorted(IDS[:2]), [IDS[2]])
    assert [entry["sha256"] for entry in held] == [originals[1].sha256]
    assert len(names) == 4
    assert all(one.new and one.arrival is not None and one.path.is_file() for one in settled)
    with Archive.open(root, role="coordinator") as archive:
        report = archive.verify("deep")
        assert (report.damage, report.unchecked, report.leftovers) == ([], [], [])
        assert archive.arrivals(settled[0].sha256) == [{"name": "0.csv", "origin": "rig", "size": "100"}]
        assert [TreeRow.of(archive.tree("captures", tree.id)).seal for tree in told] == [tree.seal for tree in told]


def test_what_is_raised_inside_drops_all_of_it(root, tmp_path):
    """And the next batch of the same worker is a new one."""
    path = file_of(tmp_path, "a.csv", "1,2\n")
    with Archive.open(root, role="worker") as worker:

        def fails():
            with worker.settled_together():
                capture(worker, IDS[0], worker.put_original(path, name="a.csv"))
                raise ZeroDivisionError

        with pytest.raises(ZeroDivisionError):
            fails()
        assert visible(root) == ([], [], [], [])
        assert [path for path in (root / "staging").rglob("*") if path.is_file()] == []
        with worker.settled_together():
            capture(worker, IDS[1], worker.put_original(path, name="a.csv"))
    assert visible(root)[1] == [IDS[1]]


def test_where_somebody_was_first_theirs_is_told(root, tmp_path):
    """Trees, originals and arrivals: one of each stays, whoever it was."""
    path = file_of(tmp_path, "a.csv", "1,2\n")
    with Archive.open(root, role="worker") as one, Archive.open(root, role="worker") as other:
        with one.settled_together() as batch:
            original = one.put_original(path, name="a.csv")
            mine = capture(one, IDS[0], original, 1.0)
            theirs = capture(other, IDS[0], other.put_original(path, name="a.csv"), 2.0)
        assert batch.trees["captures", IDS[0]].content == theirs.content != mine.content
        assert not batch.trees["captures", IDS[0]].fresh
        assert not batch.originals[original.path].new
        assert len(one.arrivals(original.sha256)) == 1
    names, captures, *_ = visible(root)
    assert (len(names), captures) == (2, [IDS[0]])


def test_the_same_file_twice_in_a_batch_is_one_original_with_both_arrivals(root, tmp_path):
    """Two rows of a table may name copies of one recording; the same row twice says nothing new."""
    first, copy = file_of(tmp_path, "a.csv", "1,2\n"), file_of(tmp_path, "b.csv", "1,2\n")
    with Archive.open(root, role="worker") as worker:
        with worker.settled_together() as batch:
            put = [worker.put_original(path, name=path.name) for path in (first, copy, first)]
        assert sorted(one.new for one in batch.originals.values()) == [False, False, True]
        assert sorted(arrival["name"] for arrival in worker.arrivals(put[0].sha256)) == ["a.csv", "b.csv"]


def test_what_is_to_be_read_back_at_once_is_not_put_off_and_its_original_goes_ahead(root, tmp_path):
    """A capture too large to be held in memory is committed by itself, and never stands without its original."""
    path = file_of(tmp_path, "a.csv", "1,2\n")

    class Watching(Disk):
        seen = ()

        def rename(self, source, target):
            self.seen = (*self.seen, (target.parent.parent.name, len(visible(root)[0])))
            return super().rename(source, target)

    disk = Watching()
    with Archive.open(root, role="worker", disk=disk) as worker:
        with worker.settled_together() as batch:
            original = worker.put_original(path, name="a.csv")
            with worker.draft("captures", IDS[0]) as draft:
                draft.zarr("capture.zarr").put("overview", np.ones((2, 3)), dims=("channel", "frame"))
                tree = draft.commit({"original": original.sha256, "summary": {}}, {}, at_once=True)
            assert visible(root)[1] == [IDS[0]]
            assert (tree.zarr("capture.zarr").array("overview").read_all() == 1.0).all()
            worker.put_small("results", IDS[2], {"capture_id": IDS[0], "summary": {}}, {})
        assert batch.originals[original.path].new
        assert len(worker.arrivals(original.sha256)) == 1
    # the original and its arrival were there before the capture
    assert disk.seen == (("captures", 2), ("results", 2))


def test_only_a_worker_settles_together_and_one_batch_at_a_time(root):
    """The coordinator's index would speak of what is not there."""
    with Archive.open(root, role="coordinator") as archive, pytest.raises(NotAllowed), archive.settled_together():
        pass
    worker = Archive.open(root, role="worker")
    with worker, worker.settled_together(), pytest.raises(NotAllowed), worker.settled_together():
        pass


class FullDisk(Disk):
    """Has no room from a moment on."""

    full = False

    def fsync(self, descriptor):
        if self.full:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        super().fsync(descriptor)


def test_a_disk_that_is_full_at_the_end_is_told_and_leaves_nothing(root, tmp_path):
    """Typed, nothing visible, nothing left in the private place; with room again the same work goes through."""
    path, disk = file_of(tmp_path, "a.csv", "1,2\n"), FullDisk()
    with Archive.open(root, role="worker", disk=disk) as worker:

        def work():
            with worker.settled_together():
                capture(worker, IDS[0], worker.put_original(path, name="a.csv"))
                disk.full = full

        full = True
        with pytest.raises(DiskFull):
            work()
        disk.full = full = False
        assert visible(root) == ([], [], [], [])
        assert [path for path in (root / "staging").rglob("*") if path.is_file()] == []
        work()
    assert visible(root)[1] == [IDS[0]]


def test_a_batch_makes_fewer_syncs_than_its_parts(root, tmp_path):
    """What it is for: counted, eight captures with their originals."""

    class Counting(Disk):
        n = 0

        def fsync(self, descriptor):
            self.n += 1
            super().fsync(descriptor)

    counts = []
    for together in (False, True):
        disk = Counting()
        with Archive.open(root, role="worker", disk=disk) as worker:
            for name in ("warm", "x"):
                before = disk.n
                files = [file_of(tmp_path, f"{name}-{together}-{n}.csv", f"{name}{together}{n}\n") for n in range(8)]
                ids = [hashlib.sha256(path.name.encode()).hexdigest()[:32] for path in files]
                if together:
                    with worker.settled_together():
                        for path, identity in zip(files, ids, strict=True):
                            capture(worker, identity, worker.put_original(path, name=path.name))
                else:
                    for path, identity in zip(files, ids, strict=True):
                        capture(worker, identity, worker.put_original(path, name=path.name))
            counts.append(disk.n - before)
    alone, batch = counts
    assert batch < 0.9 * alone


class SettlingDisk(Disk):
    """Stops at the first sync of a file until it is let go on."""

    def __init__(self):
        self.there, self.go_on = Event(), Event()

    def fsync(self, descriptor):
        self.there.set()
        assert self.go_on.wait(60)
        super().fsync(descriptor)


def test_while_a_batch_is_settled_the_next_is_gathered_and_neither_takes_from_the_other(root, tmp_path):
    """In two threads of a worker: what is told of the first is there though the second is still open."""
    files = [file_of(tmp_path, f"{n}.csv", f"{n}\n" * 50) for n in range(2)]
    disk = SettlingDisk()
    with Archive.open(root, role="worker", disk=disk) as worker, ThreadPoolExecutor(1) as beside:
        with worker.gathered() as first:
            original = worker.put_original(files[0], name="0.csv", origin="rig")
            capture(worker, IDS[0], original)
            worker.quarantine(original.sha256, {"code": "gaps"})
        settled = beside.submit(worker.settle, first)
        assert disk.there.wait(60)
        with worker.gathered() as second:
            capture(worker, IDS[1], worker.put_original(files[1], name="1.csv", origin="rig"))
            assert visible(root) == ([], [], [], [])
            disk.go_on.set()
            settled.result()
            names, captures, _, held = visible(root)
            assert (len(names), captures, [entry["sha256"] for entry in held]) == (2, [IDS[0]], [original.sha256])
        worker.settle(second)
        assert visible(root)[1] == sorted(IDS[:2])


def test_facts_of_several_captures_are_noted_together_as_each_by_itself(root):
    """Numbers, what is said, the index; what was said before is not said again, and what changed is."""
    with Archive.open(root, role="coordinator") as archive:
        assert archive.put_facts({IDS[0]: {"part": "original"}, IDS[1]: {"part": "candidate-A"}}) == {IDS[0]: 1, IDS[1]: 1}
        assert archive.put_fact(IDS[2], {"part": "original"}) == 1
        again = archive.put_facts({IDS[0]: {"part": "original"}, IDS[1]: {"part": "candidate-B"}, IDS[3]: {"part": "x"}})
        assert again == {IDS[0]: None, IDS[1]: 2, IDS[3]: 1}
        assert [fact["part"] for fact in archive.facts(IDS[1])] == ["candidate-A", "candidate-B"]
        known = archive.catalogue.table("records")
        assert archive.rebuild() == len(known) == 5
        assert archive.catalogue.table("records") == known
        assert archive.put_facts({}) == {}
    with Archive.open(root, role="worker") as worker:
        assert worker.put_facts({IDS[0]: {"part": "original"}, IDS[1]: {"part": "candidate-C"}}) == {IDS[0]: None, IDS[1]: 3}
