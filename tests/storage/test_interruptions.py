"""Interrupted at every single file operation: killed, out of room, failing device, power cut.

Order: the loops that must find nothing; then the mutations, where a protection is switched off and the same loop must
find something. Each loop counts n = 1, 2, ... until the run ends unharmed, so no point is chosen by hand.
"""

from __future__ import annotations

import contextlib
import errno
import os
from pathlib import Path

import pytest

from thrumline.storage import Archive, Disk, StorageError

EVERY_POINT_AT_NIGHT = [pytest.param(1, marks=pytest.mark.nightly), 7]
"""By day every seventh operation, at night each one."""


def _killed_at(faults, root: Path, source: Path, n: int, disk_type=None, work="days_work") -> tuple[bool, list[str]]:
    """Run the day's work in a child that ends at the n-th operation; (whether it did, what was acknowledged)."""
    read_end, write_end = os.pipe()
    child = os.fork()
    if child == 0:
        try:
            os.close(read_end)
            disk = (disk_type or faults.KillingDisk)(n)
            with Archive.open(root, role="coordinator", create=True, disk=disk) as archive:
                faults.days_work(archive, source, lambda name: os.write(write_end, f"{name} ".encode()))
            os._exit(0)
        except BaseException:  # noqa: BLE001 - the child must not go on as a second test run
            os._exit(3)
    os.close(write_end)
    with os.fdopen(read_end, "rb") as pipe:
        acks = pipe.read().decode().split()
    code = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
    assert code in {0, 9}
    return code == 9, acks


BOTH_WAYS = pytest.mark.parametrize("work", ["days_work", "work_together"])
"""Each thing settled by itself, and all of a worker's at the end of a batch."""


@BOTH_WAYS
@pytest.mark.parametrize("step", [pytest.param(1, marks=pytest.mark.nightly), 3])
def test_killed_at_any_operation_nothing_is_half_visible_and_one_retry_heals(faults, quick_path, step, work) -> None:
    """At least 100 points; acknowledged means there, visible means whole, no duplicates."""
    source = faults.source_file(quick_path)
    found, n = {}, 0
    while True:
        n += step
        root = quick_path / f"killed-{n}"
        struck, acks = _killed_at(faults, root, source, n, work=work)
        if not struck:
            break
        wrong = faults.violations(root, source, acks)
        if wrong:
            found[n] = wrong
    assert n > 100
    assert found == {}


@BOTH_WAYS
@pytest.mark.parametrize("fault", ["ENOSPC", "EIO"])
@pytest.mark.parametrize("stays", [False, True], ids=["once", "stays"])
@pytest.mark.parametrize("step", EVERY_POINT_AT_NIGHT)
def test_failing_at_any_operation_gives_a_typed_error_and_one_retry_heals(
    faults, quick_path, fault, stays, step, work
) -> None:
    """The process lives on: the retry uses the same open archive where opening had succeeded."""
    source = faults.source_file(quick_path)
    found, n, harmless = {}, 0, 0
    while True:
        n += step
        root, acks = quick_path / f"{fault}-{n}", []
        disk = faults.FailingDisk(n, faults.FAULTS[fault], stays=stays)
        archive = None
        try:
            archive = Archive.open(root, role="coordinator", create=True, disk=disk)
            getattr(faults, work)(archive, source, acks.append)
            archive.close()
            raised = None
        except StorageError as error:
            raised = error
        if disk.n < n:
            break
        harmless += raised is None
        wrong = []
        if archive is not None:
            disk.healed = True
            wrong += _retried(faults, archive, source, acks)
        wrong += faults.violations(root, source, acks)
        if wrong:
            found[n] = wrong
    assert n > 100
    assert found == {}
    assert harmless < n / step / 10, "a fault that nobody notices is allowed only while cleaning up"


def _retried(faults, archive: Archive, source: Path, acks: list[str]) -> list[str]:
    wrong = [f"acknowledged but missing: {name}" for name in faults.missing(archive, acks, source)]
    try:
        if archive._catalogue is not None:
            faults.days_work(archive, source, lambda _: None)
    except StorageError as error:
        wrong.append(f"the same process cannot go on: {error}")
    finally:
        archive._let_go()
    return wrong


def _cut_at(
    faults, folder: Path, source: Path, n: int, disk_type, work="days_work"
) -> tuple[bool, dict[str, list[str]]]:
    """Power off at the n-th operation; (whether it came to that, violations by how the file system went)."""
    folder.mkdir()
    disk, acks = disk_type(folder, n), []
    try:
        with Archive.open(folder / "archive", role="coordinator", create=True, disk=disk) as archive:
            getattr(faults, work)(archive, source, acks.append)
    except faults.PowerCut:
        archive = None
    struck = disk.off
    found = {}
    for how in ("least", "names_ahead"):
        left = folder.with_name(f"{folder.name}-{how}")
        disk.left(left, how)
        wrong = faults.violations(left / "archive", source, acks) if (left / "archive").exists() or acks else []
        if wrong:
            found[how] = wrong
    return struck, found


@BOTH_WAYS
@pytest.mark.parametrize("step", EVERY_POINT_AT_NIGHT)
def test_power_cut_at_any_operation_loses_nothing_acknowledged(faults, quick_path: Path, step: int, work) -> None:
    """In both ways a file system may go: only what was synced is left, or names are left without their bytes."""
    source = faults.source_file(quick_path)
    found, n, struck = {}, 0, True
    while struck:
        n += step
        struck, wrong = _cut_at(faults, quick_path / f"cut-{n}", source, n, faults.PowerCutDisk, work)
        if wrong:
            found[n] = wrong
    assert n > 100
    assert found == {}


# mutations: without the protection, the loop above must find something


def _last_cut(faults, quick_path: Path, disk_type, work="days_work") -> dict[str, list[str]]:
    """What is found when the power goes at the very last operation: everything was acknowledged by then."""
    source = faults.source_file(quick_path)
    counting = disk_type(quick_path, 0)
    with Archive.open(quick_path / "archive", role="coordinator", create=True, disk=counting) as archive:
        getattr(faults, work)(archive, source, lambda _: None)
    struck, found = _cut_at(faults, quick_path / "cut", source, counting.n, disk_type, work)
    assert struck
    return found


@BOTH_WAYS
def test_the_last_cut_finds_nothing_where_all_protections_are_on(faults, quick_path: Path, work) -> None:
    """Control of the mutations below."""
    assert _last_cut(faults, quick_path, faults.PowerCutDisk, work) == {}


@BOTH_WAYS
def test_without_fsync_of_files_the_power_cut_loop_finds_losses(faults, quick_path: Path, work) -> None:
    """Mutation check of the fsync of file bytes."""

    class Careless(faults.PowerCutDisk):
        def synced(self, descriptor: int) -> None:
            if os.fstat(descriptor).st_ino in self.folders:
                super().synced(descriptor)

    assert _last_cut(faults, quick_path, Careless, work) != {}


@BOTH_WAYS
@pytest.mark.parametrize("name", ["originals", "captures", "results", "facts", "decisions", "quarantine"])
def test_without_fsync_of_directories_the_power_cut_loop_finds_losses(faults, quick_path: Path, name, work) -> None:
    """Mutation check of the fsync of directories, one area at a time."""

    class Careless(faults.PowerCutDisk):
        def fsync_dir(self, path: Path) -> None:
            if f"/archive/{name}/" not in f"{path}/":
                super().fsync_dir(path)

    assert _last_cut(faults, quick_path, Careless) != {}


def test_without_the_rename_the_kill_loop_finds_half_visible_captures(faults, quick_path: Path, monkeypatch) -> None:
    """Mutation check of writing into a private place: written in the final place, a kill shows half a capture."""
    from thrumline.storage import trees

    def in_place(self, kind, identity, final, staging, places, batch=None):
        original(self, kind, identity, final, staging, places, batch)
        places.directory(final.parent)
        self._path = final
        self._disk.mkdir(final)
        self._directories = {"": final}

    original = trees.Draft.__init__
    monkeypatch.setattr(trees.Draft, "__init__", in_place)
    monkeypatch.setattr(faults.KillingDisk, "rename", lambda self, source, target: True)
    source = faults.source_file(quick_path)
    found = []
    for n in range(40, 160, 3):
        root = quick_path / f"killed-{n}"
        struck, _ = _killed_at(faults, root, source, n)
        if not struck:
            break
        with Archive.open(root, role="reader") as archive:
            found += archive.verify("deep").damage
        if found:
            break
    assert found


def _second_to_say_it(faults, quick_path: Path, disk_type, work) -> bool:
    """The first writer stops between giving the name and syncing it; a second does the same and acknowledges.

    Then the power goes: whether what was acknowledged is there.
    """

    class Stopping(disk_type):
        stopped = False

        def fsync_dir(self, path: Path) -> None:
            if self.stopped and "/staging/" not in str(path):
                raise OSError(errno.EINTR, "stopped here", str(path))
            super().fsync_dir(path)

    disk = Stopping(quick_path)
    Archive.open(quick_path / "archive", role="coordinator", create=True, disk=disk).close()
    with Archive.open(quick_path / "archive", role="worker", disk=disk) as second:
        with Archive.open(quick_path / "archive", role="worker", disk=disk) as first:
            work(first, 0)  # makes the directories, so that only the last name is unsynced below
            disk.stopped = True
            with contextlib.suppress(OSError):
                work(first, 1)
        disk.stopped = False
        work(second, 1)
        disk.left(quick_path / "left", "least")
    with Archive.open(quick_path / "left" / "archive", role="reader") as archive:
        return work.there(archive)


class _Capture:
    # both identities share the first two digits, hence the directory
    IDS = ("ab" + "0" * 30, "ab" + "1" * 30)

    def __call__(self, archive: Archive, n: int) -> None:
        archive.put_small("captures", self.IDS[n], {}, {})

    def there(self, archive: Archive) -> bool:
        return archive.has("captures", self.IDS[1])


class _Fact:
    def __call__(self, archive: Archive, n: int) -> None:
        archive.put_fact("a" * 32, {"n": n})

    def there(self, archive: Archive) -> bool:
        return archive.newest_fact("a" * 32) == {"n": 1}


@pytest.mark.parametrize("work", [_Capture(), _Fact()], ids=["capture", "fact"])
def test_who_finds_it_done_syncs_it_before_acknowledging(faults, quick_path: Path, work) -> None:
    """The first writer may not have come to its own fsync: only a race and a power cut together show it."""
    assert _second_to_say_it(faults, quick_path, faults.PowerCutDisk, work)


@pytest.mark.parametrize("work", [_Capture(), _Fact()], ids=["capture", "fact"])
def test_without_the_second_ones_fsync_the_race_and_the_cut_lose_a_promise(faults, quick_path: Path, work) -> None:
    """Mutation check of that fsync: the loser believes the winner."""

    class Trusting(faults.PowerCutDisk):
        renamed = True

        def rename(self, source: Path, target: Path) -> bool:
            self.renamed = super().rename(source, target)
            return self.renamed

        def link(self, source: Path, target: Path) -> bool:
            self.renamed = super().link(source, target)
            return self.renamed

        def names(self, path: Path | str) -> list[str]:
            found = super().names(path)
            self.renamed = "2.json" not in found
            return found

        def fsync_dir(self, path: Path) -> None:
            if self.renamed or path.name in {"archive", "staging"}:
                super().fsync_dir(path)

    assert not _second_to_say_it(faults, quick_path, Trusting, work)


def test_acknowledging_before_the_commit_is_caught_by_the_kill_loop(faults, quick_path: Path) -> None:
    """Mutation check of the loop itself: a promise given too early must show as acknowledged but missing."""
    source = faults.source_file(quick_path)
    found = []
    for n in range(50, 200, 5):
        root = quick_path / f"killed-{n}"
        struck, acks = _killed_at(faults, root, source, n)
        if not struck:
            break
        early = [*acks, faults.STEPS[len(acks)]] if len(acks) < len(faults.STEPS) else acks
        if (root / "FORMAT").exists():
            with Archive.open(root, role="reader") as archive:
                found += faults.missing(archive, early, source)
        if len(set(found)) == 3:
            break
    assert len(set(found)) == 3


def test_the_disk_used_in_earnest_has_no_faults() -> None:
    """The seam itself does nothing."""
    assert Disk().point("write", "anywhere") is None
