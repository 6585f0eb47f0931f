"""Several processes at one archive: the same files at once, two coordinators, a killed one."""

from __future__ import annotations

import hashlib
import multiprocessing
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest

from thrumline.storage import Archive, ArchiveBusy, Disk, NotAllowed, records

N_FILES, N_PROCESSES = 200, 4
FORK = multiprocessing.get_context("fork")


def _identity(sha256: str) -> str:
    return hashlib.sha256(f"{sha256}/0".encode()).hexdigest()[:32]


def _ingest(root: Path, files: list[Path], start, answers) -> None:
    with Archive.open(root, role="worker") as archive:
        start.wait()
        fresh = 0
        for n, path in enumerate(files):
            original = archive.put_original(path, name=path.name, origin=f"process {os.getpid()}")
            identity = _identity(original.sha256)
            if archive.has("captures", identity):
                continue
            with archive.draft("captures", identity) as draft:
                array = draft.zarr("capture.zarr").array("g0_counts", dtype="int16", rows=2, dims=("channel", "time"))
                array.append(np.full((2, 50), n, dtype="int16"))
                tree = draft.commit({"original": original.sha256}, {"process": os.getpid()})
            fresh += tree.fresh
            archive.put_fact(identity, {"platform": "wren", "n": n})
        answers.put(fresh)


@pytest.fixture
def files(quick_path: Path) -> list[Path]:
    folder = quick_path / "in"
    folder.mkdir()
    paths = [folder / f"run-{n}.csv" for n in range(N_FILES)]
    for n, path in enumerate(paths):
        path.write_bytes(f"x,y\n{n},1\n".encode() * 20)
    return paths


def _all_at_once(root: Path, files: list[Path]) -> int:
    """Four processes begin at one barrier; how many commits were the first of their identity."""
    start, answers = FORK.Barrier(N_PROCESSES), FORK.Queue()
    workers = [FORK.Process(target=_ingest, args=(root, files, start, answers)) for _ in range(N_PROCESSES)]
    for worker in workers:
        worker.start()
    fresh = sum(answers.get(timeout=100) for _ in workers)
    for worker in workers:
        worker.join()
        assert worker.exitcode == 0
    return fresh


def test_four_processes_with_the_same_200_files_make_200_captures(faults, quick_path: Path, files) -> None:
    """Every capture is committed once; losing the race is success; the catalogue equals a rebuilt one."""
    root = quick_path / "archive"
    with Archive.open(root, role="coordinator", create=True):
        pass
    assert _all_at_once(root, files) == N_FILES
    with Archive.open(root, role="coordinator") as archive:
        report = archive.verify("data")
        assert report.exit_code == 0
        assert report.leftovers == []
        assert (report.counts["originals"], report.counts["captures"]) == (N_FILES, N_FILES)
        # one arrival a process and file, one fact a capture however many processes said it
        n_facts = report.counts["records"] - N_PROCESSES * N_FILES
        assert n_facts == N_FILES
        known = faults.index(archive)
        archive.rebuild()
        assert faults.index(archive) == known


def test_a_check_beside_working_processes_takes_nothing_unfinished_for_damage(quick_path: Path, files) -> None:
    """What is committed, said or cleared out while the check is under way is no damage."""
    root = quick_path / "archive"
    Archive.open(root, role="coordinator", create=True).close()
    start, answers = FORK.Barrier(2), FORK.Queue()
    workers = [FORK.Process(target=_ingest, args=(root, files, start, answers)) for _ in range(2)]
    for worker in workers:
        worker.start()
    damage, n = [], 0
    with Archive.open(root, role="reader") as archive:
        while any(worker.is_alive() for worker in workers) and answers.empty():
            report = archive.verify("data")
            damage += report.damage + report.unchecked
            n += 0 < report.counts["captures"] < N_FILES
    for worker in workers:
        worker.join()
    assert damage == []
    assert n > 0, "too few checks fell into the working time to show anything"


def test_without_create_once_two_writers_lose_a_record(faults, quick_path: Path, monkeypatch) -> None:
    """Mutation check of linking into place: with a plain rename over the name, a record said first is gone."""
    root = quick_path / "archive"
    with Archive.open(root, role="coordinator", create=True) as archive:
        numbers = records.Records.numbers
        for overwrite in (False, True):
            capture = ("a" if overwrite else "b") * 32
            archive.put_fact(capture, {"said": "first"})
            # the second writer looked before the first one wrote
            stale = [True]
            monkeypatch.setattr(
                records.Records, "numbers", lambda self, d, stem="", s=stale: [] if s and s.pop() else numbers(self, d, stem)
            )  # fmt: skip
            if overwrite:
                monkeypatch.setattr(Disk, "link", lambda self, source, target: source.replace(target) == target)
            with Archive.open(root, role="worker") as second:
                second.put_fact(capture, {"said": "second"})
            said = [fact["said"] for fact in archive.facts(capture)]
            assert said == (["second"] if overwrite else ["first", "second"])


_HOLD = "import sys, time; from thrumline.storage import Archive; a = Archive.open(sys.argv[1], role='coordinator'); "
_HOLD += "print('held', flush=True); time.sleep(100)"


@pytest.fixture
def holder(quick_path: Path):
    root = quick_path / "archive"
    with Archive.open(root, role="coordinator", create=True):
        pass
    process = subprocess.Popen([sys.executable, "-c", _HOLD, str(root)], stdout=subprocess.PIPE)
    assert process.stdout is not None
    assert process.stdout.readline() == b"held\n"
    yield root, process
    process.kill()
    process.wait()
    process.stdout.close()


def test_a_second_coordinator_is_refused_at_once_and_starts_at_once_after_kill_9(holder) -> None:
    """The lock is the operating system's: it goes with its holder, whatever way that ends."""
    root, process = holder
    began = time.perf_counter()
    with pytest.raises(ArchiveBusy, match=f"another coordinator at work .process {process.pid}."):
        Archive.open(root, role="coordinator")
    refused = time.perf_counter() - began
    os.kill(process.pid, signal.SIGKILL)
    process.wait()
    began = time.perf_counter()
    with Archive.open(root, role="coordinator") as archive:
        started = time.perf_counter() - began
        assert archive.verify().exit_code == 0
    assert refused < 1.0
    assert started < 2.0


def test_workers_and_readers_work_beside_a_coordinator(holder, quick_path: Path) -> None:
    """They take no lock."""
    root, _ = holder
    path = quick_path / "a.csv"
    path.write_bytes(b"1\n")
    with Archive.open(root, role="worker") as worker:
        sha256 = worker.put_original(path, name="a.csv").sha256
    with Archive.open(root, role="reader") as reader:
        assert reader.original(sha256) is not None


def test_without_the_lock_two_coordinators_would_both_start(holder, monkeypatch) -> None:
    """Mutation check of the lock."""
    from thrumline.storage import lock

    root, _ = holder
    monkeypatch.setattr(lock, "_take", lambda descriptor: None)
    Archive.open(root, role="coordinator").close()


def test_each_role_is_held_to_what_it_may_do(quick_path: Path) -> None:
    """A reader writes nothing; a worker has no catalogue; only a coordinator makes an archive."""
    root = quick_path / "archive"
    with pytest.raises(NotAllowed, match="to create an archive; found role 'worker'; allowed: coordinator"):
        Archive.open(root, role="worker", create=True)
    Archive.open(root, role="coordinator", create=True).close()
    before = sorted(path for path in root.rglob("*") if path.is_file())
    with Archive.open(root, role="reader") as reader:
        for write in (
            lambda: reader.put_original(__file__, name="x"),
            lambda: reader.draft("captures", "a" * 32),
            lambda: reader.put_fact("a" * 32, {}),
            lambda: reader.put_decision("study", "x", {}),
            lambda: reader.repair(lambda kind, identity: None),
            reader.rebuild,
        ):
            with pytest.raises(NotAllowed):
                write()
    with Archive.open(root, role="worker") as worker, pytest.raises(NotAllowed, match="the catalogue"):
        worker.note_attempt("x", "y")
    assert sorted(path for path in root.rglob("*") if path.is_file()) == before


def test_a_forked_child_does_not_share_its_parents_private_place(quick_path: Path) -> None:
    """Else the parent's end would sweep what the child is writing."""
    root = quick_path / "archive"
    with Archive.open(root, role="coordinator", create=True) as archive:
        ours = archive.staging.new_path().parent
        answers = FORK.Queue()
        child = FORK.Process(target=lambda: answers.put(archive.staging.new_path().parent))
        child.start()
        theirs = answers.get(timeout=30)
        child.join()
    assert ours != theirs
