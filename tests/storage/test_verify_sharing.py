"""A check shared by processes finds what one alone finds, and a manifest is understood without reading it all."""

from __future__ import annotations

import hashlib
import json
import os
import threading
from pathlib import Path

import numpy as np
import pytest

from thrumline.storage import Archive, DamageFound
from thrumline.storage import verify as checking
from thrumline.storage.fsio import Disk, folders_of
from thrumline.storage.side_by_side import processes_here, side_by_side
from thrumline.storage.trees import checked_manifest, manifest_outline, source_in


def identity(kind: str, n: int) -> str:
    return hashlib.sha256(f"{kind} {n}".encode()).hexdigest()[:32]


@pytest.fixture
def archive(quick_path: Path):
    """Twelve captures with originals, facts, arrays and results."""
    with Archive.open(quick_path / "archive", role="coordinator", create=True) as archive:
        for n in range(12):
            source = quick_path / "source.csv"
            source.write_text(f"{n},1\n")
            original = archive.put_original(source, name=f"{n}.csv")
            with archive.draft("captures", identity("capture", n)) as draft:
                draft.zarr("capture.zarr").put("counts", np.arange(20 + n, dtype="int16"), dims=("time",))
                draft.commit({"original": original.sha256}, {})
            archive.note_committed("captures", identity("capture", n))
            archive.put_fact(identity("capture", n), {"n": n})
            archive.put_small("results", identity("result", n), {"capture_id": identity("capture", n), "mg": n}, {})
        yield archive


def harmed(root: Path) -> None:
    """One of each: emptied, missing, too much, flipped, a record gone, files where directories should be."""
    counts = sorted(root.glob("captures/*/*/capture.zarr/counts/c.0"))
    counts[0].chmod(0o644)
    counts[0].write_bytes(b"")
    counts[1].unlink()
    (counts[2].parent / "c.1").write_bytes(b"stray")
    results = sorted(root.glob("results/*/*/MANIFEST.json"))
    for path in (results[0], sorted(root.glob("facts/*/1.json"))[5], sorted(root.glob("originals/*/*/*.json"))[3]):
        path.chmod(0o644)
        data = bytearray(path.read_bytes())
        data[20] ^= 1
        path.write_bytes(data)
    for area in ("facts", "captures"):
        (root / area / "stray").write_bytes(b"{}")
    directory = results[1].parent.parent
    (directory / (directory.name + identity("result", 99)[2:])).write_bytes(b"")
    results[2].unlink()
    counts[3].rename(counts[3].with_name("elsewhere"))
    counts[3].symlink_to(counts[3].with_name("elsewhere"))


def found(archive: Archive, monkeypatch: pytest.MonkeyPatch, n: int, depth: str = "structure") -> list[list[tuple]]:
    monkeypatch.setattr(checking, "_WORTH_SHARING", 1)
    monkeypatch.setattr(checking, "processes_here", lambda: n)
    report = archive.verify(depth)
    assert report.counts["captures"] == 12
    return [sorted((f.path, f.what) for f in part) for part in (report.damage, report.unchecked, report.leftovers)]


@pytest.mark.parametrize("depth", ["structure", "data"])
@pytest.mark.parametrize("n", [2, 3, 7])
def test_a_shared_check_finds_what_one_process_finds(archive: Archive, monkeypatch, n: int, depth: str) -> None:
    """Whatever the number of shares, on a sound archive and on a harmed one."""
    assert found(archive, monkeypatch, n, depth) == [[], [], []]
    harmed(archive.root)
    alone = found(archive, monkeypatch, 1, depth)
    assert found(archive, monkeypatch, n, depth) == alone
    assert len(alone[0]) >= 10


def test_each_harm_is_named_by_its_own_path(archive: Archive, monkeypatch) -> None:
    """Files where directories belong, links where files belong, and what nobody committed."""
    harmed(archive.root)
    damage = dict(found(archive, monkeypatch, 1)[0])
    said = " | ".join(f"{path}: {what}" for path, what in damage.items())
    assert damage["facts/stray"] == damage["captures/stray"] == "a file nobody committed"
    assert said.count("c.1: a file nobody committed") == 1
    assert said.count("0 bytes where") == 1
    assert said.count("-1 bytes where") == 1
    assert said.count("no directory with a manifest") == 2
    assert said.count("differ from its own hash") == 3


def test_a_process_that_dies_or_raises_leaves_its_share_to_the_parent() -> None:
    """Nothing goes unchecked because a child was killed."""
    parent = os.getpid()

    def work(i: int) -> tuple[int, bool]:
        if os.getpid() != parent and i == 1:
            os._exit(3)
        if os.getpid() != parent and i == 2:
            raise ValueError
        return i, os.getpid() == parent

    assert side_by_side(4, work) == [(0, True), (1, True), (2, True), (3, False)]


def test_no_fork_beside_another_thread() -> None:
    """A lock that the other thread holds would stay locked in the copy."""
    go = threading.Event()
    other = threading.Thread(target=go.wait)
    other.start()
    try:
        assert processes_here() == 1
    finally:
        go.set()
        other.join()


CONTENTS = [
    {"capture_id": "ab" * 16, "summary": {"readings": [{"mg": 1.5}] * 3}},
    {"capture_id": "ab" * 16, "text": ',"content_sha256":"' + "0" * 64 + '","files":{}'},
    {"capture_id": {"sha256": "ab" * 16}},
    {"aside": {"capture_id": "cd" * 16}, "capture_id": "ab" * 16},
    {"original": "ab" * 32, "head": {"original": "cd" * 32}},
    {},
]


@pytest.mark.parametrize("run", [{}, {"content_sha256": "0" * 64}, {"a": {"b": 1, "content_sha256": "1" * 64}}])
@pytest.mark.parametrize("content", CONTENTS)
@pytest.mark.parametrize("kind", ["captures", "results"])
def test_an_outline_says_what_the_whole_manifest_says(quick_path: Path, kind: str, content, run) -> None:
    """Also where text or keys look like the manifest's own members."""
    with Archive.open(quick_path / "archive", role="coordinator", create=True) as archive:
        tree = archive.put_small(kind, "ab" * 16, content, run)
        data = (tree.path / "MANIFEST.json").read_bytes()
    whole = checked_manifest(data, tree.path, kind, "ab" * 16)
    outline, source = manifest_outline(data, tree.path, kind, "ab" * 16)
    assert source == source_in(kind, whole["content"])
    assert {**outline, "content": whole["content"]} == whole


@pytest.mark.parametrize("at", [5, 40, -90, -20])
def test_an_outline_of_a_damaged_manifest_is_refused(quick_path: Path, at: int) -> None:
    """The seal is held against every byte, parsed or not."""
    with Archive.open(quick_path / "archive", role="coordinator", create=True) as archive:
        tree = archive.put_small("results", "ab" * 16, {"capture_id": "cd" * 16, "mg": 12.5}, {})
        data = bytearray((tree.path / "MANIFEST.json").read_bytes())
    data[at] ^= 2
    with pytest.raises(DamageFound):
        manifest_outline(bytes(data), tree.path, "results", "ab" * 16)


def test_a_tree_holds_what_its_names_say_and_nothing_else(tmp_path: Path) -> None:
    """The quick answer equals that of a full walk, for every single change."""
    files = {"a.zarr/x/c.0": 3, "a.zarr/zarr.json": 2, "MANIFEST.json": 1}
    for name, size in files.items():
        (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / name).write_bytes(b"." * size)
    disk, folders = Disk(), folders_of(files)
    assert disk.holds(str(tmp_path), folders, files)
    assert disk.sizes(tmp_path) == files
    for harm in (
        lambda: (tmp_path / "a.zarr" / "more").write_bytes(b""),
        (tmp_path / "a.zarr" / "more").mkdir,
        lambda: (tmp_path / "more").symlink_to(tmp_path / "a.zarr"),
    ):
        harm()
        assert not disk.holds(str(tmp_path), folders, files)
        for extra in (tmp_path / "a.zarr" / "more", tmp_path / "more"):
            if extra.is_symlink() or extra.is_file():
                extra.unlink()
            elif extra.is_dir():
                extra.rmdir()
    assert disk.holds(str(tmp_path), folders, files)
    (tmp_path / "a.zarr").rename(tmp_path.with_name("moved"))
    (tmp_path / "a.zarr").symlink_to(tmp_path.with_name("moved"))
    assert not disk.holds(str(tmp_path), folders, files)
    assert json.dumps(folders_of([])) == '[["", []]]'
