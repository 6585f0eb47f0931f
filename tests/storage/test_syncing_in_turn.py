"""How a group of files is brought to the device: quick devices in turn, slow ones side by side."""

from __future__ import annotations

import os
import sys
import threading
from contextlib import nullcontext
from types import SimpleNamespace

import numpy as np
import pytest

from thrumline.storage import Archive, Disk, fsio

ID = "ab" * 16


@pytest.fixture
def clock(monkeypatch):
    """Stands still unless a job moves it: a busy machine is no slow device."""
    now = [0.0]
    monkeypatch.setattr(fsio, "time", SimpleNamespace(perf_counter=lambda: now[0]))
    return now


def threads_used(clock: list[float], first_takes: float) -> list[threading.Thread]:
    used: list[threading.Thread] = []
    disk = Disk()

    def job() -> None:
        if not used:
            clock[0] += first_takes
        used.append(threading.current_thread())

    disk.together([job] * 5)
    disk.rest()
    return used


def test_a_quick_device_is_synced_by_the_thread_that_waits(clock) -> None:
    """Handing over costs more than it saves there; and a process without threads may still be forked."""
    assert threads_used(clock, 0.0) == [threading.current_thread()] * 5


def test_a_slow_device_is_synced_side_by_side(clock) -> None:
    """From the second on, since the first tells that it is slow; each job is done once."""
    used = threads_used(clock, 0.02)
    assert len(used) == 5
    assert used[0] is threading.current_thread()
    assert all(thread is not threading.current_thread() for thread in used[1:])


@pytest.mark.parametrize("first_takes", [0.0, 0.02])
def test_an_error_of_any_job_is_raised(clock, first_takes: float) -> None:
    """Whether in turn or side by side, no error of a single fsync is lost."""

    def first() -> None:
        clock[0] += first_takes

    def failing() -> None:
        raise OSError(5, "no device")

    with pytest.raises(OSError, match="no device"):
        Disk().together([first, lambda: None, failing, lambda: None])


@pytest.mark.skipif(sys.platform != "linux", reason="the hint exists on Linux only")
def test_all_files_of_a_capture_set_out_before_the_first_is_waited_for(tmp_path, monkeypatch) -> None:
    """The hint promises nothing: each file is synced as well, after it."""
    seen: list[tuple[str, int]] = []
    advise, fsync = os.posix_fadvise, os.fsync
    monkeypatch.setattr(os, "posix_fadvise", lambda d, *a: (seen.append(("start", os.fstat(d).st_ino)), advise(d, *a)))
    monkeypatch.setattr(os, "fsync", lambda d: (seen.append(("fsync", os.fstat(d).st_ino)), fsync(d)))
    opened = Archive.open(tmp_path / "archive", role="coordinator", create=True)
    with opened as archive, archive.draft("captures", ID) as draft:
        draft.zarr("capture.zarr").put("counts", np.arange(9, dtype="int16"), dims=("time",))
        seen.clear()
        draft.commit({}, {})
        committed = list(seen)
    started = [inode for what, inode in committed if what == "start"]
    assert len(started) == 4
    assert [what for what, _ in committed[:4]] == ["start"] * 4
    assert set(started) <= {inode for what, inode in committed[4:] if what == "fsync"}


def test_a_hint_that_is_refused_changes_nothing(tmp_path, monkeypatch) -> None:
    """Some file systems do not know it."""

    def refused(*_: object) -> None:
        raise OSError(22, "not here")

    monkeypatch.setattr(os, "posix_fadvise", refused, raising=False)
    with Archive.open(tmp_path / "archive", role="coordinator", create=True) as archive:
        archive.put_small("captures", ID, {}, {})
        assert archive.tree("captures", ID) is not None


@pytest.mark.skipif(sys.platform != "linux", reason="the hint exists on Linux only")
@pytest.mark.parametrize("together", [True, False])
def test_originals_of_a_batch_leave_memory_after_they_are_on_the_device(tmp_path, monkeypatch, together) -> None:
    """Before that the hint drops nothing; one put by itself stays, since whoever put it reads it next."""
    Archive.open(tmp_path / "archive", role="coordinator", create=True).close()
    source = tmp_path / "a.csv"
    source.write_bytes(b"1,2,3\n" * 1000)
    seen: list[tuple[str, int]] = []
    advise, fsync = os.posix_fadvise, os.fsync
    monkeypatch.setattr(os, "posix_fadvise", lambda d, *a: (seen.append(("hint", os.fstat(d).st_ino)), advise(d, *a)))
    monkeypatch.setattr(os, "fsync", lambda d: (seen.append(("fsync", os.fstat(d).st_ino)), fsync(d)))
    with Archive.open(tmp_path / "archive", role="worker") as archive:
        with archive.settled_together() if together else nullcontext():
            put = archive.put_original(source, name="a.csv", origin="rig")
        inode = archive.original(put.sha256).stat().st_ino
    asked = [what for what, which in seen if which == inode]
    assert asked == (["hint", "fsync", "hint"] if together else ["hint", "fsync"])
