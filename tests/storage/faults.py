"""Faults for the archive's tests: a disk that kills, fails or loses power at the n-th operation, and the day's work.

Not a test module; loaded by ``conftest.py``.
"""

from __future__ import annotations

import errno
import hashlib
import os
import re
import shutil
from collections.abc import Callable
from pathlib import Path

import numpy as np

from thrumline.storage import Archive, Disk, StorageError

CAPTURE = hashlib.sha256(b"capture").hexdigest()[:32]
RESULT = hashlib.sha256(b"result").hexdigest()[:32]
COUNTS = np.random.default_rng(4).integers(-900, 900, size=(3, 700)).astype("int16")


class CountingDisk(Disk):
    """Counts operations; a subclass acts at operation ``at`` (from 1)."""

    def __init__(self, at: int = 0) -> None:
        self.at, self.n = at, 0
        self.seen: list[str] = []

    def point(self, operation: str, path: Path | str) -> None:
        self.n += 1
        self.seen.append(operation)
        if self.n == self.at:
            self.act(operation, path)

    def act(self, operation: str, path: Path | str) -> None:
        pass

    def together(self, jobs) -> None:
        """One after another, so that the n-th operation is the same one every time."""
        for job in jobs:
            job()

    def write_all(self, descriptor: int, piece: bytes) -> int:
        """Half of it, an operation of its own, then the rest: so a fault can strike in mid-file."""
        half = len(piece) // 2
        done = super().write_all(descriptor, piece[:half])
        self.point("write_rest", "")
        return done + super().write_all(descriptor, piece[half:])


class KillingDisk(CountingDisk):
    """Ends the process, without any clean-up, as kill -9 does."""

    def act(self, operation: str, path: Path | str) -> None:
        os._exit(9)


class FailingDisk(CountingDisk):
    """The n-th operation fails; with ``stays`` all later ones that need room or the device fail, too."""

    def __init__(self, at: int, number: int, *, stays: bool = False) -> None:
        super().__init__(at)
        self.number, self.stays, self.healed = number, stays, False

    def point(self, operation: str, path: Path | str) -> None:
        self.n += 1
        self.seen.append(operation)
        writes = operation not in {"read", "stat", "list", "walk", "open", "free", "rmtree", "unlink"}
        struck = self.n == self.at or (self.stays and self.n > self.at and writes)
        if self.at and struck and not self.healed:
            raise OSError(self.number, os.strerror(self.number), str(path))


class PowerCut(BaseException):
    """The machine is off: nothing the process does from here on reaches the device."""


class PowerCutDisk(CountingDisk):
    """Keeps account of what the device is sure to hold: bytes by fsync of a file, names by fsync of a directory.

    ``left`` writes what a cut leaves, in one of two ways a file system may go: ``least`` keeps only what was
    synced; ``names_ahead`` keeps every name (metadata was flushed early) with the bytes that were synced, which is
    where zero-length files come from.
    """

    def __init__(self, root: Path, at: int = 0) -> None:
        super().__init__(at)
        self.root = root
        self.bytes: dict[int, bytes] = {}
        self.entries: dict[int, dict[str, int]] = {root.lstat().st_ino: {}}
        self.folders: set[int] = {root.lstat().st_ino}
        self.off = False

    def point(self, operation: str, path: Path | str) -> None:
        if self.off:
            raise PowerCut
        super().point(operation, path)

    def act(self, operation: str, path: Path | str) -> None:
        self.off = True
        raise PowerCut

    def create(self, path: Path) -> int:
        descriptor = super().create(path)
        self.bytes.pop(os.fstat(descriptor).st_ino, None)
        return descriptor

    def mkdir(self, path: Path) -> bool:
        made = super().mkdir(path)
        if made:
            self.entries[path.lstat().st_ino] = {}
            self.folders.add(path.lstat().st_ino)
        return made

    def fsync(self, descriptor: int) -> None:
        super().fsync(descriptor)
        self.synced(descriptor)

    def synced(self, descriptor: int) -> None:
        status, here = os.fstat(descriptor), f"/proc/self/fd/{descriptor}"
        if status.st_ino in self.folders:
            self.entries[status.st_ino] = {e.name: e.inode() for e in os.scandir(here)}
        else:
            self.bytes[status.st_ino] = Path(here).read_bytes()

    def left(self, target: Path, how: str) -> None:
        target.mkdir()
        names = self.entries if how == "least" else self._names_now()
        self._write(self.root.lstat().st_ino, target, names)

    def _names_now(self) -> dict[int, dict[str, int]]:
        found = {}
        for folder, _, _ in os.walk(self.root):
            found[os.lstat(folder).st_ino] = {e.name: e.inode() for e in os.scandir(folder)}
        return found

    def _write(self, inode: int, target: Path, names: dict[int, dict[str, int]]) -> None:
        for name, inner in names.get(inode, {}).items():
            if name in {"catalogue.sqlite", "catalogue.sqlite-wal", "catalogue.sqlite-shm", "lock"}:
                continue  # SQLite keeps its own promise; here it is lost altogether and has to be rebuilt
            if inner in self.folders:
                # whoever owned a private place did so before the machine was started again
                after = re.sub(r"^([^-]+)-[0-9a-f]{8}-[0-9]+-", r"\1-00000000-1-", name)
                (target / after).mkdir()
                self._write(inner, target / after, names)
            else:
                (target / name).write_bytes(self.bytes.get(inner, b""))


Ack = Callable[[str], None]


def source_file(folder: Path) -> Path:
    """The file that is taken in, long unchanged."""
    path = folder / "idle.csv"
    path.write_bytes(b"time,x,y,z\n" + bytes(range(48, 58)) * 300)
    os.utime(path, (1_700_000_000, 1_700_000_000))
    return path


def days_work(archive: Archive, source: Path, ack: Ack) -> None:
    """Everything a night run does once; idempotent. ``ack`` is called as soon as something is promised."""
    original = archive.put_original(source, name="idle.csv", origin="rig-1")
    ack("original")
    if not archive.has("captures", CAPTURE):
        with archive.draft("captures", CAPTURE) as draft:
            store = draft.zarr("capture.zarr")
            counts = store.array("g0_counts", dtype="int16", rows=3, dims=("channel", "time"))
            for start in range(0, COUNTS.shape[1], 200):
                counts.append(COUNTS[:, start : start + 200])
            store.put("overview", COUNTS[:, :10].astype("float32"), dims=("channel", "frame"))
            draft.zarr("strip.zarr", packed=True).put("strip", COUNTS[:, :20], dims=("channel", "frame"))
            draft.commit({"original": original.sha256, "summary": {"rate": 1000.0}}, {"host": "rig"})
    ack("capture")
    archive.note_committed("captures", CAPTURE)
    if not archive.has("results", RESULT):
        archive.put_small("results", RESULT, {"capture_id": CAPTURE, "summary": {"mg": 12.5}}, {})
    ack("result")
    archive.put_fact(CAPTURE, {"platform": "wren", "part": "candidate-A"})
    ack("fact")
    archive.put_decision("study", "wren idle", {"limit_percent": 15})
    ack("decision")
    archive.quarantine(original.sha256, {"code": "gaps", "detail": "2 s lost"})
    ack("quarantine")


def work_together(archive: Archive, source: Path, ack: Ack) -> None:
    """The same with what a worker does in a batch, acknowledged when the batch is settled."""
    with Archive.open(archive.root, role="worker", disk=archive.disk) as worker:
        with worker.settled_together() as batch:
            original = worker.put_original(source, name="idle.csv", origin="rig-1")
            if not worker.has("captures", CAPTURE):
                with worker.draft("captures", CAPTURE) as draft:
                    store = draft.zarr("capture.zarr")
                    counts = store.array("g0_counts", dtype="int16", rows=3, dims=("channel", "time"))
                    counts.append(COUNTS)
                    draft.zarr("strip.zarr", packed=True).put("strip", COUNTS[:, :20], dims=("channel", "frame"))
                    draft.commit({"original": original.sha256, "summary": {"rate": 1000.0}}, {"host": "rig"})
            if not worker.has("results", RESULT):
                worker.put_small("results", RESULT, {"capture_id": CAPTURE, "summary": {"mg": 12.5}}, {})
            worker.quarantine(original.sha256, {"code": "gaps", "detail": "2 s lost"})
        for name in ("original", "capture", "result", "quarantine"):
            ack(name)
    archive.note_original(batch.originals[original.path])
    archive.note_committed("captures", CAPTURE)
    archive.note_committed("results", RESULT)
    archive.put_fact(CAPTURE, {"platform": "wren", "part": "candidate-A"})
    ack("fact")
    archive.put_decision("study", "wren idle", {"limit_percent": 15})
    ack("decision")
    archive.quarantine(original.sha256, {"code": "gaps", "detail": "2 s lost"})


def missing(archive: Archive, acks: list[str], source: Path) -> list[str]:
    """Acknowledged things that are not there, or not as they were written."""
    sha256 = hashlib.sha256(source.read_bytes()).hexdigest()
    kept = archive.original(sha256)
    capture, result = archive.tree("captures", CAPTURE), archive.tree("results", RESULT)
    there = {
        "original": kept is not None and kept.read_bytes() == source.read_bytes() and len(archive.arrivals(sha256)) == 1,
        "capture": capture is not None
        and bool((capture.zarr("capture.zarr").array("g0_counts").read_all() == COUNTS).all())
        and bool((capture.zarr("strip.zarr").array("strip").read_all() == COUNTS[:, :20]).all()),
        "result": result is not None and result.content["summary"] == {"mg": 12.5},
        "fact": archive.facts(CAPTURE) == [{"platform": "wren", "part": "candidate-A"}],
        "decision": archive.decision("study", "wren idle") == {"limit_percent": 15},
        "quarantine": [held["sha256"] for held in archive.quarantined()] == [sha256],
    }
    return [name for name in acks if not there[name]]


STEPS = ["original", "capture", "result", "fact", "decision", "quarantine"]


def index(archive: Archive) -> dict[str, list[tuple[object, ...]]]:
    """All rows of the catalogue that a rebuild has to restore."""
    return {name: archive.catalogue.table(name) for name in ("trees", "originals", "records")}


def violations(root: Path, source: Path, acks: list[str]) -> list[str]:
    """What is wrong with an archive after an interruption and one undisturbed retry; empty when all is well.

    Acknowledged means there, visible means whole, one retry heals, no duplicates, a clean check, nothing left over.
    """
    try:
        return _violations(root, source, acks)
    except StorageError as error:
        return [f"unusable: {error}"]


def _violations(root: Path, source: Path, acks: list[str]) -> list[str]:
    found = []
    if (root / "FORMAT").exists():
        with Archive.open(root, role="reader") as archive:
            found += [f"acknowledged but missing: {name}" for name in missing(archive, acks, source)]
            found += [f"visible but not whole: {d.path}: {d.what}" for d in archive.verify("deep").damage]
    elif acks:
        found.append("acknowledged, but there is no archive")
    with Archive.open(root, role="coordinator", create=True) as archive:
        days_work(archive, source, lambda _: None)
        found += [f"not healed by one retry: {name}" for name in missing(archive, STEPS, source)]
        report = archive.verify("deep")
        found += [f"damage after the retry: {d}" for d in report.damage + report.unchecked]
        counts = {"originals": 1, "records": 4, "captures": 1, "results": 1}
        found += [] if report.counts == counts else [f"duplicates: {report.counts}"]
        known = index(archive)
        archive.rebuild()
        found += [] if index(archive) == known else ["the catalogue differs from a rebuilt one"]
    # a private place of this very process, which is alive, is nobody's leftover yet
    left = [p.name for p in (root / "staging").iterdir() if f"-{os.getpid()}-" not in p.name]
    return found + [f"left in staging: {name}" for name in left]


def copied(root: Path, target: Path) -> Path:
    """A copy of an archive."""
    shutil.copytree(root, target)
    return target


FAULTS = {"ENOSPC": errno.ENOSPC, "EIO": errno.EIO}
