"""The note that nothing was written since the last coordinator left: any writer breaks it, and a start believes it."""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import shutil
import sqlite3
from pathlib import Path

import pytest

from thrumline.storage import Archive, DamageFound, Disk
from thrumline.storage.at_rest import MARK, at_rest

CAPTURE = "ab" + "0" * 30
SOURCE = b"1,2,3\n"
SOURCE_SHA256 = hashlib.sha256(SOURCE).hexdigest()


class ListingDisk(Disk):
    """Remembers what was listed or walked."""

    def __init__(self) -> None:
        self.listed: list[str] = []

    def point(self, operation: str, path: Path | str) -> None:
        if operation in {"list", "walk"}:
            self.listed.append(str(path))


@pytest.fixture
def root(quick_path: Path) -> Path:
    """An archive with one capture, its fact, an original and a decision, left at rest."""
    root, source = quick_path / "archive", quick_path / "idle.csv"
    source.write_bytes(SOURCE)
    os.utime(source, (1_700_000_000, 1_700_000_000))
    with Archive.open(root, role="coordinator", create=True) as archive:
        original = archive.put_original(source, name="idle.csv")
        archive.put_small("captures", CAPTURE, {"original": original.sha256}, {})
        archive.put_fact(CAPTURE, {"platform": "wren"})
        archive.put_decision("studies", "idle", {"limit": 15})
    assert at_rest(root) is not None
    return root


def state_of(root: Path) -> str | None:
    rest = at_rest(root)
    return rest.state if rest else None


def test_an_archive_left_alone_keeps_the_name_of_its_state(root: Path) -> None:
    """Coordinators and readers that write nothing come and go."""
    before = state_of(root)
    with Archive.open(root, role="coordinator") as archive:
        assert archive.state == before
        assert archive.put_fact(CAPTURE, {"platform": "wren"}) is None
    with Archive.open(root, role="reader") as archive:
        assert archive.verify("data").exit_code == 0
    assert state_of(root) == before


def test_a_start_on_an_archive_at_rest_lists_nothing_of_it(root: Path) -> None:
    """What makes a start cost the same at any number of captures; and without the note it does list."""
    quiet, looking = ListingDisk(), ListingDisk()
    Archive.open(root, role="coordinator", disk=quiet).close()
    (root / "catalog" / MARK).unlink()
    Archive.open(root, role="coordinator", disk=looking).close()
    assert not [path for path in quiet.listed if "/captures" in path or "/facts" in path]
    assert [path for path in looking.listed if "/captures" in path]


WRITES = {
    "an original": lambda archive: archive.put_original(archive.root / "FORMAT", name="other.csv"),
    "a known original, from elsewhere": lambda archive: archive.put_original(
        archive.root.parent / "idle.csv", name="again.csv"
    ),
    "a capture": lambda archive: archive.put_small("captures", "ab" + "1" * 30, {}, {}),
    "a result": lambda archive: archive.put_small("results", "cd" + "1" * 30, {"capture_id": CAPTURE}, {}),
    "another fact": lambda archive: archive.put_fact(CAPTURE, {"platform": "heron"}),
    "another decision": lambda archive: archive.put_decision("studies", "idle", {"limit": 10}),
    "a reason for quarantine": lambda archive: archive.quarantine(SOURCE_SHA256, {"code": "gaps"}),
    "a draft that is still open": lambda archive: archive.draft("captures", "ab" + "2" * 30),
}


@pytest.mark.parametrize("role", ["worker", "coordinator"])
@pytest.mark.parametrize("what", WRITES)
def test_anything_written_by_anybody_ends_the_state(root: Path, what: str, role) -> None:
    """Also by a worker beside no coordinator, whose process is still there or has ended."""
    before = state_of(root)
    with Archive.open(root, role=role) as archive:
        WRITES[what](archive)
        assert at_rest(root) is None
    assert state_of(root) != before


@pytest.mark.parametrize("what", [name for name in WRITES if "draft" not in name])
def test_what_a_worker_wrote_meanwhile_is_in_the_catalogue_at_the_next_start(root: Path, what: str) -> None:
    """The catalogue after a believed note equals one made from nothing, whoever wrote and in whatever order."""
    with Archive.open(root, role="coordinator"), Archive.open(root, role="worker") as worker:
        WRITES[what](worker)
    for _ in range(2):
        with Archive.open(root, role="coordinator") as archive:
            known = [archive.catalogue.table(name) for name in ("trees", "originals", "records")]
            assert archive.verify("structure").damage == []
    with Archive.open(root, role="coordinator") as archive:
        archive.rebuild()
        assert known == [archive.catalogue.table(name) for name in ("trees", "originals", "records")]


def test_the_state_a_coordinator_named_is_not_used_where_somebody_else_wrote_beside_it(root: Path) -> None:
    """What it said under that name it said without knowing of the other's work."""
    with Archive.open(root, role="coordinator") as archive:
        archive.put_decision("studies", "idle", {"limit": 12})
        named = archive.state
        with Archive.open(root, role="worker") as worker:
            worker.put_fact(CAPTURE, {"platform": "heron"})
    assert state_of(root) not in {named, None}


def test_the_state_a_coordinator_named_is_the_one_it_leaves(root: Path) -> None:
    """Its own writes are no surprise to it."""
    with Archive.open(root, role="coordinator") as archive:
        archive.put_decision("studies", "idle", {"limit": 12})
        named = archive.state
    assert state_of(root) == named


def test_no_note_is_left_while_somebody_is_at_work(root: Path) -> None:
    """A worker's private place outlives the coordinator."""
    with Archive.open(root, role="worker") as worker:
        with Archive.open(root, role="coordinator"):
            worker.put_fact(CAPTURE, {"platform": "heron"})
        assert at_rest(root) is None
        worker.put_fact(CAPTURE, {"platform": "crane"})
    assert at_rest(root) is None
    with Archive.open(root, role="coordinator") as archive:
        assert archive.newest_fact(CAPTURE) == {"platform": "crane"}
    assert at_rest(root) is not None


def test_a_capture_removed_or_brought_by_hand_ends_the_state(root: Path, quick_path: Path) -> None:
    """People copy whole trees; the upper directories tell."""
    tree = root / "captures" / "ab" / CAPTURE
    shutil.copytree(tree, quick_path / "kept")
    shutil.rmtree(tree)
    assert at_rest(root) is None
    with Archive.open(root, role="coordinator") as archive:
        assert [d.path for d in archive.verify("structure").damage] != []
    shutil.copytree(quick_path / "kept", tree)
    assert at_rest(root) is None


def test_a_copy_of_the_archive_is_not_at_rest(root: Path, quick_path: Path) -> None:
    """Other inodes: what is copied may be older than its catalogue."""
    shutil.copytree(root, quick_path / "copy", copy_function=shutil.copy2)
    assert at_rest(quick_path / "copy") is None


def test_another_start_of_the_machine_ends_the_belief(root: Path) -> None:
    """After a power cut a directory's time may be older than what was written under it."""
    noted = json.loads((root / "catalog" / MARK).read_text())
    (root / "catalog" / MARK).write_text(json.dumps({**noted, "boot": "00000000"}))
    assert at_rest(root) is None


@pytest.mark.parametrize("text", ["", "{", "[]", "null", '{"boot": 1}'])
def test_a_note_that_cannot_be_read_is_no_note(root: Path, text: str) -> None:
    """And harms nothing: the next coordinator writes it anew."""
    (root / "catalog" / MARK).write_text(text)
    assert at_rest(root) is None
    Archive.open(root, role="coordinator").close()
    assert at_rest(root) is not None


def test_a_catalogue_that_was_touched_is_looked_through_again(root: Path) -> None:
    """Deleted, or damaged, while at rest: made anew as ever."""
    for harm in (Path.unlink, lambda path: path.write_bytes(path.read_bytes()[:5000] + b"\0" * 8000)):
        harm(root / "catalog" / "catalogue.sqlite")
        with Archive.open(root, role="coordinator") as archive:
            assert archive.catalogue.ids("captures") == {CAPTURE}


@pytest.mark.parametrize("page", ["one that is read at the start", "one that is read later"])
def test_a_catalogue_that_rots_unseen_is_made_anew_by_the_next_start_but_one(root: Path, page: str) -> None:
    """Bytes changed below the file's times (a failing device): at worst a typed error once, then all is well."""
    path = root / "catalog" / "catalogue.sqlite"
    status = path.stat()
    with sqlite3.connect(path) as sql:
        table = "meta" if "start" in page else "trees"
        number = sql.execute("SELECT rootpage FROM sqlite_master WHERE name=?", (table,)).fetchone()[0]
    sql.close()
    with path.open("r+b") as file:
        file.seek(4096 * (number - 1))
        file.write(b"\xff" * 4096)
    os.utime(path, ns=(status.st_atime_ns, status.st_mtime_ns))
    assert at_rest(root).catalogue
    with contextlib.suppress(DamageFound), Archive.open(root, role="coordinator") as archive:
        assert archive.catalogue.table("trees") != []
    with Archive.open(root, role="coordinator") as archive:
        assert archive.catalogue.ids("captures") == {CAPTURE}


def test_without_breaking_the_note_a_worker_s_fact_is_missed(root: Path) -> None:
    """Mutation check: where making a private place leaves the time of staging as it was, the catalogue stays behind."""
    staging = root / "staging"
    before = staging.stat()
    with Archive.open(root, role="worker") as worker:
        worker.put_fact(CAPTURE, {"platform": "heron"})
    os.utime(staging, ns=(before.st_atime_ns, before.st_mtime_ns))
    with Archive.open(root, role="coordinator") as archive:
        assert len(archive.catalogue.table("records")) < len(list(root.glob("*/**/[0-9].json"))) + 1
        assert archive.verify("structure").leftovers != []
