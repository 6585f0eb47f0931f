"""Damage of every kind is named by the check, and never handed out as data.

Order: 1,000 flipped bytes; files missing, emptied, swapped, truncated, added; the catalogue; the mutations, where a
check is switched off and the same damage must go unseen.
"""

from __future__ import annotations

import os
import shutil
import sqlite3
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from thrumline.storage import Archive, DamageFound, StorageError, sealed, trees

NOISE = np.random.default_rng(11).integers(-(2**15), 2**15, size=(2, 3, 700)).astype("int16")
"""Two signals that do not compress: their shards have equal sizes."""


@pytest.fixture
def root(faults, quick_path: Path) -> Path:
    """An archive with one of everything, and a second capture, result and fact to swap with."""
    place = quick_path / "archive"
    with Archive.open(place, role="coordinator", create=True) as archive:
        faults.days_work(archive, faults.source_file(quick_path), lambda _: None)
        archive.put_fact(faults.CAPTURE, {"platform": "wren", "part": "original"})
        sha256 = archive.sha256_of(quick_path / "idle.csv")
        for identity, counts in zip(("c" * 32, "d" * 32), NOISE, strict=True):
            with archive.draft("captures", identity) as draft:
                store = draft.zarr("capture.zarr")
                array = store.array("g0_counts", dtype="int16", rows=3, dims=("channel", "time"))
                array.append(counts)
                draft.commit({"original": sha256}, {})
            archive.put_fact(identity, {"platform": "heron"})
            archive.put_small("results", identity, {"capture_id": identity, "summary": {"mg": 1.0}}, {})
            archive.note_committed("captures", identity)
    return place


def _files(root: Path) -> list[Path]:
    """Everything that must not change: all but the lock, the catalogue and staging."""
    kept = [root / "FORMAT"]
    for area in ("originals", "captures", "results", "facts", "decisions", "quarantine"):
        kept += sorted(path for path in (root / area).rglob("*") if path.is_file())
    return kept


def _named(root: Path, depth: str = "data") -> set[str]:
    try:
        with Archive.open(root, role="reader") as archive:
            report = archive.verify(depth)
    except DamageFound as damage:  # FORMAT itself: nothing else is looked at then
        return {Path(damage.path).name}
    assert report.exit_code == (6 if report.damage else 0)
    return {finding.path for finding in report.damage}


def _rewritten(path: Path, data: bytes) -> None:
    path.chmod(0o644)
    path.write_bytes(data)


def _read_everything(root: Path, faults) -> Iterator[tuple[str, object]]:
    """All values the archive hands out, by what they are; what is refused is left out."""

    def tried(name, read):
        try:
            return [(name, read())]
        except StorageError:
            return []

    with Archive.open(root, role="reader") as archive:
        for identity in (faults.CAPTURE, "c" * 32, "d" * 32):
            yield from tried(("fact", identity), lambda i=identity: archive.facts(i))
            yield from tried(("newest", identity), lambda i=identity: archive.newest_fact(i))
            yield from tried(("capture", identity), lambda i=identity: _values(archive, i))
        for identity in (faults.RESULT, "c" * 32, "d" * 32):
            yield from tried(("result", identity), lambda i=identity: _content(archive, i))
        yield from tried("decision", lambda: archive.decision("study", "wren idle"))
        yield from tried("held", archive.quarantined)


def _content(archive: Archive, identity: str) -> dict[str, object]:
    tree = archive.tree("results", identity)
    if tree is None:  # an empty directory: nothing was committed there, and the work is done again
        raise StorageError("absent")
    return tree.content


def _values(archive: Archive, identity: str) -> list[object]:
    tree = archive.tree("captures", identity)
    store = tree.zarr("capture.zarr")
    arrays = [store.array(name) for name in store.names]
    return [tree.content, [(a.dims, a.attrs, a.read_all().tolist()) for a in arrays]]


@pytest.mark.parametrize("n_flips", [pytest.param(1000, marks=pytest.mark.nightly), 150])
def test_every_flipped_byte_is_named_and_none_is_read_as_data(faults, root: Path, n_flips: int) -> None:
    """Random single-byte flips over data, metadata, manifests, facts, decisions, arrivals, originals and FORMAT."""
    rng = np.random.default_rng(20)
    files, truth = _files(root), dict(_read_everything(root, faults))
    assert len(truth) == 14
    unnamed, wrong = [], []
    for _ in range(n_flips):
        path = files[rng.integers(len(files))]
        before = path.read_bytes()
        at, bit = rng.integers(len(before)), rng.integers(1, 256)
        _rewritten(path, before[:at] + bytes([before[at] ^ bit]) + before[at + 1 :])
        name = path.relative_to(root).as_posix()
        if name not in _named(root) and f"{path.parent.name}/{path.name}" != f"{root.name}/FORMAT":
            unnamed.append((name, at, bit))
        if path.name != "FORMAT":
            wrong += [(name, at, what) for what, value in _read_everything(root, faults) if truth[what] != value]
        elif "FORMAT" not in _named(root):
            unnamed.append((name, at, bit))
        _rewritten(path, before)
    assert unnamed == []
    assert wrong == []
    assert _named(root) == set()


def _hurt(how: str, path: Path, files: list[Path]) -> bool:
    """Damage one file; False where this kind cannot be done to it."""
    data = path.read_bytes()
    if how == "missing":
        path.unlink()
    elif how == "emptied":
        _rewritten(path, b"")
    elif how == "truncated":
        _rewritten(path, data[: len(data) // 2])
    elif how == "lengthened":
        _rewritten(path, data + b"\0")
    else:
        other = next((f for f in files if f != path and f.name == path.name and f.read_bytes() != data), None)
        if other is None:
            return False
        _rewritten(path, other.read_bytes())
    return True


@pytest.mark.parametrize("how", ["missing", "emptied", "truncated", "lengthened", "swapped"])
def test_files_missing_emptied_truncated_lengthened_or_swapped_are_named(faults, root: Path, quick_path, how) -> None:
    """Every single file in turn; sizes alone tell all but the swapped ones of equal length."""
    truth, n = dict(_read_everything(root, faults)), 0
    for path in _files(root)[1:]:
        copy = faults.copied(root, quick_path / "hurt")
        name = path.relative_to(root)
        if _hurt(how, copy / name, [copy / f.relative_to(root) for f in _files(root)]):
            n += 1
            depth = "data" if how == "swapped" else "structure"
            named = _named(copy, depth)
            assert any(name.as_posix() == other or name.as_posix().startswith(f"{other}/") for other in named), name
            newest_gone = how == "missing" and name.parts[0] in {"facts", "decisions", "quarantine"}
            for what, value in _read_everything(copy, faults) if not newest_gone else ():
                assert truth[what] == value, (name, what)
        shutil.rmtree(copy)
    assert n >= (15 if how == "swapped" else 25)


def test_shards_of_equal_size_swapped_are_not_read_as_data(faults, root: Path) -> None:
    """Both shards are sound in themselves (their checksums hold); only the manifest tells them apart."""
    shards = [root / "captures" / i[:2] / i / "capture.zarr" / "g0_counts" / "c.0.0" for i in ("c" * 32, "d" * 32)]
    first, second = (path.read_bytes() for path in shards)
    assert first != second
    assert len(first) == len(second)
    _rewritten(shards[0], second)
    assert _named(root, "structure") == set()
    with Archive.open(root, role="reader") as archive:
        array = archive.tree("captures", "c" * 32).zarr("capture.zarr").array("g0_counts")
        with pytest.raises(DamageFound, match="are not those committed"):
            array.read_all()


def test_an_added_array_and_a_renamed_tree_are_named(faults, root: Path) -> None:
    """What nobody committed would show in a plain Zarr reader, so it is damage."""
    tree = root / "captures" / "cc" / ("c" * 32)
    shutil.copytree(tree / "capture.zarr" / "g0_counts", tree / "capture.zarr" / "more")
    (root / "captures" / "dd").rename(root / "captures" / "de")
    named = _named(root, "structure")
    assert f"captures/cc/{'c' * 32}/capture.zarr/more/zarr.json" in named
    assert f"captures/de/{'d' * 32}" in named


def test_a_whole_tree_or_original_that_vanished_is_named_by_the_catalogue(faults, root: Path) -> None:
    """Nothing on the disk speaks of a result but the catalogue; of an original, its captures speak."""
    shutil.rmtree(root / "results" / "dd")
    original = next(path for path in (root / "originals").rglob("*") if path.is_file() and path.suffix == "")
    shutil.rmtree(original.parent)
    named = _named(root, "structure")
    assert f"results/dd/{'d' * 32}" in named
    assert original.relative_to(root).as_posix() in named


def test_leftovers_of_a_crash_are_listed_and_are_no_damage(faults, root: Path) -> None:
    """Private places of the dead, an original without a capture, a catalogue behind: exit code 0."""
    from thrumline.storage.staging import boot_id, host_name

    (root / "staging" / f"{host_name()}-{boot_id()}-999999999-0123456789ab").mkdir()
    lonely = root.parent / "lonely.csv"
    lonely.write_bytes(b"1,2,3\n")
    with Archive.open(root, role="worker") as worker:
        worker.put_original(lonely, name="lonely.csv")
        report = worker.verify()
    assert report.exit_code == 0
    words = " ".join(leftover.what for leftover in report.leftovers)
    assert "has ended" in words
    assert "no capture was made from" in words
    assert "2 entries behind" in words


def test_what_the_disk_will_not_show_is_unchecked_and_exit_code_5(faults, root: Path) -> None:
    """A failing device is no proof of damage."""

    class Failing(faults.CountingDisk):
        def point(self, operation: str, path: object) -> None:
            if operation == "read" and "/results/" in str(path):
                raise OSError(5, "Input/output error", str(path))

    with Archive.open(root, role="reader", disk=Failing()) as archive:
        report = archive.verify()
    assert (report.exit_code, len(report.unchecked)) == (5, 3)


def test_a_subset_of_seven_nights_hashes_every_file_once(faults, root: Path) -> None:
    """The parts n of m are a partition: over all of them each original and tree is read exactly once."""

    class Watching(faults.CountingDisk):
        def point(self, operation: str, path: object) -> None:
            if operation == "read":
                seen.append(str(path))

    seen: list[str] = []
    disk = Watching()
    with Archive.open(root, role="reader", disk=disk) as archive:
        seen.clear()
        archive.verify("structure")
        structure = len(seen)
        seen.clear()
        archive.verify("data")
        whole = len(seen)
        seen.clear()
        for n in range(1, 8):
            assert archive.verify("data", subset=(n, 7)).exit_code == 0
    assert len(seen) - 7 * structure == whole - structure


def test_deep_check_calls_the_decoder_and_reports_what_differs(faults, root: Path) -> None:
    """A difference is damage; a decoder that fails leaves the capture unchecked."""
    with Archive.open(root, role="reader") as archive:
        assert archive.verify("deep", decode=lambda tree, path: None).exit_code == 0
        report = archive.verify("deep", decode=lambda tree, path: f"sample 3 of {path.stat().st_size}")
        assert [f.what for f in report.damage] == ["values that differ from the original's: sample 3 of 3011"] * 3

        def broken(tree, path):
            raise RuntimeError("no such reader")

        assert archive.verify("deep", decode=broken).exit_code == 5


# the catalogue


@pytest.mark.parametrize("how", ["deleted", "garbage", "flipped", "other archive"])
def test_a_catalogue_that_cannot_be_used_is_rebuilt_identical(faults, root: Path, quick_path: Path, how: str) -> None:
    """It is an index: the archive itself is the truth."""
    with Archive.open(root, role="coordinator") as archive:
        known = faults.index(archive)
    file = root / "catalog" / "catalogue.sqlite"
    assert not file.with_name("catalogue.sqlite-wal").exists()
    if how == "deleted":
        file.unlink()
    elif how == "garbage":
        file.write_bytes(os.urandom(8192))
    elif how == "flipped":
        data = bytearray(file.read_bytes())
        data[20] ^= 0xFF
        file.write_bytes(bytes(data))
    else:
        with Archive.open(quick_path / "other", role="coordinator", create=True):
            pass
        shutil.copy(quick_path / "other" / "catalog" / "catalogue.sqlite", file)
    with Archive.open(root, role="coordinator") as archive:
        assert faults.index(archive) == known
        assert archive.verify().exit_code == 0


def test_a_stale_catalogue_catches_up_after_a_crash(faults, root: Path, quick_path: Path) -> None:
    """Rows of what a killed coordinator did not come to are added at the next start."""
    with Archive.open(root, role="coordinator") as archive:
        known = faults.index(archive)
    with sqlite3.connect(root / "catalog" / "catalogue.sqlite") as sql:
        for table in ("trees", "originals", "records"):
            sql.execute(f"DELETE FROM {table}")
    sql.close()
    with Archive.open(root, role="coordinator") as archive:
        assert faults.index(archive) == known


# mutations: without the check, the damage goes unseen


def test_without_the_seal_flips_in_documents_go_unseen(faults, root: Path, monkeypatch) -> None:
    """Mutation check of the self-hash of manifests and records."""
    path = root / "results" / "cc" / ("c" * 32) / "MANIFEST.json"
    _rewritten(path, path.read_bytes().replace(b'"mg":1.0', b'"mg":9.0'))
    assert _named(root) == {path.relative_to(root).as_posix()}
    real, carried = sealed.sha256, path.read_bytes()[-66:-2].decode()
    monkeypatch.setattr(sealed, "sha256", lambda data: carried if b'"mg":9.0' in data else real(data))
    with Archive.open(root, role="reader") as archive:
        assert archive.tree("results", "c" * 32).content["summary"] == {"mg": 9.0}


def test_without_the_size_check_an_emptied_shard_goes_unseen_by_the_structure_check(faults, root, monkeypatch) -> None:
    """Mutation check of the sizes."""
    shard = root / "captures" / "cc" / ("c" * 32) / "capture.zarr" / "g0_counts" / "c.0.0"
    size = shard.stat().st_size
    _rewritten(shard, b"")
    assert _named(root, "structure") == {shard.relative_to(root).as_posix()}
    real = faults.Disk.sizes
    monkeypatch.setattr(
        faults.Disk, "sizes", lambda self, path: {n: size if n.endswith("c.0.0") and s == 0 else s for n, s in real(self, path).items()}
    )  # fmt: skip
    assert _named(root, "structure") == set()


def test_without_the_hash_check_a_flip_in_an_original_goes_unseen(faults, root: Path, monkeypatch) -> None:
    """Mutation check of the hash of originals, which carry no checksum of their own."""
    path = next(p for p in (root / "originals").rglob("*") if p.is_file() and p.suffix == "")
    data = path.read_bytes()
    _rewritten(path, data[:50] + b"!" + data[51:])
    assert _named(root) == {path.relative_to(root).as_posix()}
    from thrumline.storage import verify

    monkeypatch.setattr(verify._Check, "_hash_original", lambda self, where, name: None)
    assert _named(root) == set()


SEALED = {
    "FORMAT": "FORMAT", "capture": "captures/*/*/MANIFEST.json", "result": "results/*/*/MANIFEST.json",
    "fact": "facts/*/1.json", "decision": "decisions/*/*/1.json", "arrival": "originals/*/*/*.1.json",
    "reason": "quarantine/*/1.json",
}  # fmt: skip
"""One sealed document of each kind."""


@pytest.mark.parametrize("kind", SEALED)
def test_a_whole_document_of_another_kind_is_named_and_keeps_no_archive_from_opening(root: Path, kind: str) -> None:
    """Its seal is right, its place is not: whoever copied files by hand is told, by the check and without a catalogue."""
    target = min(root.glob(SEALED[kind]))
    before = target.read_bytes()
    # of a reason nothing is known but what it is about, and an arrival may be about the same original
    for other in set(SEALED) - {kind} - ({"arrival"} if kind == "reason" else set()):
        _rewritten(target, min(root.glob(SEALED[other])).read_bytes())
        shutil.rmtree(root / "catalog")
        (root / "catalog").mkdir()
        if kind == "FORMAT":
            with pytest.raises(DamageFound, match="a document of another kind, without"):
                Archive.open(root, role="coordinator")
        else:
            with Archive.open(root, role="coordinator"):
                pass
        named = _named(root, "structure")
        relative = target.relative_to(root).as_posix()
        assert any(relative == name or relative.startswith(f"{name}/") for name in named), (kind, other, named)
        _rewritten(target, before)


def test_decisions_are_not_read_from_a_document_of_another_kind(root: Path) -> None:
    """A fact in a decision's place says whom it is about, not which decision it is."""
    _rewritten(min(root.glob(SEALED["decision"])), min(root.glob(SEALED["fact"])).read_bytes())
    with Archive.open(root, role="reader") as archive, pytest.raises(DamageFound, match="of another kind, without name"):
        archive.decisions("study")


def test_without_the_manifest_hash_an_exchanged_shard_is_read_as_data(faults, root: Path, monkeypatch) -> None:
    """Mutation check of the hash before reading: the shard's own checksums do not notice an exchange."""
    shards = [root / "captures" / i[:2] / i / "capture.zarr" / "g0_counts" / "c.0.0" for i in ("c" * 32, "d" * 32)]
    _rewritten(shards[0], shards[1].read_bytes())
    manifest = shards[0].parents[2] / "MANIFEST.json"
    with Archive.open(root, role="reader") as archive:
        tree = trees.parsed_manifest(manifest.read_bytes(), manifest.parent, "captures", "c" * 32, archive.disk)
        with pytest.raises(DamageFound):
            tree.zarr("capture.zarr").array("g0_counts").read_all()
        monkeypatch.setattr(trees.Tree, "read", lambda self, name: (self.path / name).read_bytes())
        assert (tree.zarr("capture.zarr").array("g0_counts").read_all() == NOISE[1]).all()
