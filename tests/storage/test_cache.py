"""The archive's cache: what is put comes back as it was or not at all, and no trouble of its own reaches anybody."""

from __future__ import annotations

import errno
import os

import pytest

from thrumline.storage import Archive, Disk

NAMES = [f"{n:02x}" * 16 for n in range(1, 5)]


@pytest.fixture
def archive(tmp_path):
    """An archive with one entry in its cache."""
    with Archive.open(tmp_path / "archive", role="coordinator", create=True) as made:
        assert made.cache.put(NAMES[0], b"a survey")
        yield made


def entries(archive):
    """Files in the cache."""
    return sorted(path for path in archive.layout.cache.rglob("*") if path.is_file())


def test_what_was_put_comes_back_and_nothing_else_does(archive):
    """By its identity; put again, the last one counts; empty bytes are bytes too."""
    assert archive.cache.get(NAMES[0]) == b"a survey"
    assert archive.cache.get(NAMES[1]) is None
    assert archive.cache.put(NAMES[0], b"another")
    assert archive.cache.put(NAMES[1], b"")
    assert archive.cache.get(NAMES[0]) == b"another"
    assert archive.cache.get(NAMES[1]) == b""
    assert len(entries(archive)) == 2


def test_another_process_finds_it(archive):
    """It lies in files: a worker beside the coordinator, and whoever comes later."""
    with Archive.open(archive.root, role="worker") as worker:
        assert worker.cache.get(NAMES[0]) == b"a survey"
        assert worker.cache.put(NAMES[2], b"from a worker")
    assert archive.cache.get(NAMES[2]) == b"from a worker"


@pytest.mark.parametrize("damage", ["emptied", "shortened", "a bit turned", "zeros", "a directory"])
def test_what_is_damaged_is_not_there_and_can_be_put_again(archive, damage):
    """Nothing was synced: after a power cut a file may be anything."""
    (path,) = entries(archive)
    data = path.read_bytes()
    path.chmod(0o644)
    if damage == "a directory":
        path.unlink()
        path.mkdir()
    else:
        turned = data[:-1] + bytes([data[-1] ^ 1])
        path.write_bytes({"emptied": b"", "shortened": data[:-1], "a bit turned": turned, "zeros": bytes(len(data))}[damage])
    assert archive.cache.get(NAMES[0]) is None
    if damage != "a directory":
        assert archive.cache.put(NAMES[0], b"a survey")
        assert archive.cache.get(NAMES[0]) == b"a survey"


class FullDisk(Disk):
    """Has no room for one kind of operation once it is told so."""

    failing = ""

    def point(self, operation, path):
        if operation == self.failing:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))


@pytest.mark.parametrize("operation", ["mkdir", "create", "write", "replace"])
def test_a_disk_that_fails_costs_the_entry_and_nothing_else(tmp_path, operation):
    """The caller is told False, what was there stays, and no half-written file is left behind."""
    disk = FullDisk()
    with Archive.open(tmp_path / "archive", role="coordinator", create=True, disk=disk) as archive:
        assert archive.cache.put(NAMES[0], b"before")
        disk.failing = operation
        assert not archive.cache.put(NAMES[1], b"while it is full")
        disk.failing = ""
        assert archive.cache.get(NAMES[0]) == b"before"
        assert archive.cache.get(NAMES[1]) is None
        assert [p for p in archive.layout.staging.rglob("*") if p.is_file()] == []
        assert archive.cache.put(NAMES[1], b"after")
        assert archive.cache.get(NAMES[1]) == b"after"


def test_a_disk_that_cannot_be_read_has_no_entry(tmp_path):
    """An error of reading is no reason to stop: the work is done again."""
    disk = FullDisk()
    with Archive.open(tmp_path / "archive", role="coordinator", create=True, disk=disk) as archive:
        assert archive.cache.put(NAMES[0], b"before")
        disk.failing = "read"
        assert archive.cache.get(NAMES[0]) is None
        disk.failing = ""


def test_a_cache_that_was_removed_by_hand_is_made_again(archive):
    """Whoever needs the room may take it, in the middle of a run too."""
    (path,) = entries(archive)
    path.unlink()
    path.parent.rmdir()
    assert archive.cache.get(NAMES[0]) is None
    archive.cache.put(NAMES[0], b"a survey")
    assert archive.cache.put(NAMES[0], b"a survey")
    assert archive.cache.get(NAMES[0]) == b"a survey"


def test_old_entries_are_cleared_and_counted(archive):
    """By the time they were put; the others stay."""
    archive.cache.put(NAMES[1], b"young")
    (old,) = (path for path in entries(archive) if path.name == NAMES[0])
    long_ago = old.stat().st_mtime - 1000.0
    os.utime(old, (long_ago, long_ago))
    assert archive.cache.clear(older_than_s=500.0) == 32 + len(b"a survey")
    assert archive.cache.get(NAMES[0]) is None
    assert archive.cache.get(NAMES[1]) == b"young"
    assert archive.cache.clear() == 32 + len(b"young")


def test_the_cache_is_no_finding_of_a_check_and_no_row_of_the_index(archive):
    """It belongs to nobody's promise."""
    report = archive.verify("bytes")
    assert (report.damage, report.unchecked, report.leftovers) == ([], [], [])
    assert archive.rebuild() == 0
