"""Repair, clearing out, copying out: what is taken out of its place is never lost unasked."""

from __future__ import annotations

import hashlib
import json
import os
import shutil
from pathlib import Path

import pytest

from thrumline.storage import Archive, BadContent, DamageFound, NotAllowed


@pytest.fixture
def archive(faults, quick_path: Path):
    with Archive.open(quick_path / "archive", role="coordinator", create=True) as opened:
        faults.days_work(opened, faults.source_file(quick_path), lambda _: None)
        yield opened


def _flip(path: Path) -> None:
    path.chmod(0o644)
    data = bytearray(path.read_bytes())
    data[len(data) // 2] ^= 1
    path.write_bytes(bytes(data))


def _deriving(archive: Archive, faults, source: Path):
    """Derives the captures; results have to wait for a study."""

    def derive(kind: str, identity: str) -> None:
        if kind == "captures":
            faults.days_work(archive, source, lambda _: None)

    return derive


def test_a_damaged_capture_is_set_aside_and_derived_anew_from_the_original(archive, faults, quick_path) -> None:
    """The damaged bytes are kept for whoever wants to look; the check is clean afterwards."""
    tree = archive.tree("captures", faults.CAPTURE)
    _flip(tree.path / "capture.zarr" / "g0_counts" / "c.0.0")
    done = archive.repair(_deriving(archive, faults, quick_path / "idle.csv"))
    name = f"captures/{faults.CAPTURE[:2]}/{faults.CAPTURE}"
    assert (done.derived, done.failed, done.lost) == ([name], [], [])
    assert [finding.path for finding in done.set_aside] == [name]
    (aside,) = (archive.root / "quarantine" / "set-aside").iterdir()
    assert (aside / "MANIFEST.json").exists()
    assert archive.verify("deep").exit_code == 0
    assert archive.tree("captures", faults.CAPTURE).content_sha256 == tree.content_sha256


def test_what_cannot_be_derived_is_reported_and_the_check_is_clean_of_it(archive, faults, quick_path) -> None:
    """A result without its study: it is computed by the next run that asks for it."""
    _flip(archive.root / "results" / faults.RESULT[:2] / faults.RESULT / "MANIFEST.json")
    done = archive.repair(lambda kind, identity: None)
    assert [f.path for f in done.failed] == [f"results/{faults.RESULT[:2]}/{faults.RESULT}"]
    assert "run the studies that need it again" in done.failed[0].what
    assert archive.verify("data").exit_code == 0
    assert not archive.has("results", faults.RESULT)


def test_a_derivation_that_fails_is_reported_and_the_repair_goes_on(archive, faults) -> None:
    """With the plugin's own words."""

    def derive(kind: str, identity: str) -> None:
        raise RuntimeError("reader gone")

    _flip(archive.tree("captures", faults.CAPTURE).path / "MANIFEST.json")
    done = archive.repair(derive)
    assert [f.what for f in done.failed] == ["RuntimeError: reader gone"]


def test_a_damaged_original_is_set_aside_noted_as_lost_and_heals_when_it_comes_again(archive, quick_path) -> None:
    """Originals cannot be derived from anything; the loss is a decision, so it survives the catalogue."""
    source = quick_path / "idle.csv"
    sha256 = archive.sha256_of(source)
    _flip(archive.original(sha256))
    done = archive.repair(lambda kind, identity: None)
    assert [f.path for f in done.lost] == [f"originals/{sha256[:2]}/{sha256[2:4]}/{sha256}"]
    report = archive.verify("data")
    assert report.exit_code == 0
    assert any("lost, as was noted" in leftover.what for leftover in report.leftovers)
    assert archive.put_original(source, name="idle.csv", origin="rig-1").new
    report = archive.verify("data")
    assert (report.exit_code, [f for f in report.leftovers if "lost" in f.what]) == (0, [])
    _flip(archive.original(sha256))
    assert archive.verify("data").exit_code == 6, "an old loss must not hide new damage"


def test_a_damaged_fact_is_set_aside_and_the_one_before_holds_again(archive, faults) -> None:
    """Said as a loss, since a person's correction may be gone."""
    archive.put_fact(faults.CAPTURE, {"platform": "heron"})
    archive.put_fact(faults.CAPTURE, {"platform": "dunnock"})
    _flip(archive.root / "facts" / faults.CAPTURE / "2.json")
    with pytest.raises(DamageFound):
        archive.facts(faults.CAPTURE)
    done = archive.repair(lambda kind, identity: None)
    assert [f.path for f in done.lost] == [f"facts/{faults.CAPTURE}/2.json"]
    assert archive.verify("data").exit_code == 0
    assert [fact["platform"] for fact in archive.facts(faults.CAPTURE)] == ["wren", "dunnock"]


def test_a_stray_file_is_set_aside_and_is_no_loss(archive, faults) -> None:
    """It was never the archive's."""
    (archive.root / "facts" / faults.CAPTURE / "note.txt").write_text("?")
    done = archive.repair(lambda kind, identity: None)
    assert (len(done.set_aside), done.lost, archive.verify().exit_code) == (1, [], 0)


def test_repair_of_a_clean_archive_changes_nothing(archive) -> None:
    """Nothing is repaired that is not damaged."""

    def snapshot() -> dict[str, bytes]:
        areas = ("originals", "captures", "results", "facts", "decisions", "quarantine")
        return {str(p): p.read_bytes() for a in areas for p in (archive.root / a).rglob("*") if p.is_file()}

    before = snapshot()
    done = archive.repair(lambda kind, identity: pytest.fail("nothing to derive"))
    assert done.as_json()["set_aside"] == []
    assert snapshot() == before


# clearing out


def test_superseded_results_are_listed_and_dropped_only_when_told(archive, faults) -> None:
    """Originals and captures are never touched; the act is in the audit log."""
    archive.put_small("results", "e" * 32, {"capture_id": faults.CAPTURE}, {})
    os.utime(archive.tree("results", faults.RESULT).path / "MANIFEST.json", (1, 1))
    listed = archive.gc({"e" * 32}, older_than_s=86400.0)
    assert [(item.id, item.capture_id, item.dropped) for item in listed] == [(faults.RESULT, faults.CAPTURE, False)]
    assert archive.has("results", faults.RESULT)
    assert archive.gc(set(), older_than_s=86400.0, drop=True)[0].dropped
    assert not archive.has("results", faults.RESULT)
    assert archive.has("results", "e" * 32), "not old enough"
    assert archive.gc(lambda tree: "mg" in tree.content, older_than_s=-1.0)[0].id == "e" * 32
    report = archive.verify("data")
    assert (report.exit_code, report.leftovers) == (0, [])
    assert (report.counts["originals"], report.counts["captures"]) == (1, 1)
    (log,) = (archive.root / "audit").iterdir()
    assert json.loads(log.read_text())["dropped_results"] == [faults.RESULT]
    with Archive.open(archive.root, role="worker") as worker, pytest.raises(NotAllowed):
        worker.gc(set(), older_than_s=-1.0, drop=True)
    assert archive.has("results", "e" * 32)


def test_clearing_out_that_is_interrupted_leaves_a_sound_archive(faults, quick_path: Path) -> None:
    """At every operation: the result is there and indexed after the next start, or it is gone from both."""
    found = []
    for n in range(1, 40):
        root = quick_path / f"archive-{n}"
        source = faults.source_file(quick_path)
        with Archive.open(root, role="coordinator", create=True) as archive:
            faults.days_work(archive, source, lambda _: None)
        pid = os.fork()
        if pid == 0:
            disk = faults.KillingDisk()
            archive = Archive.open(root, role="coordinator", disk=disk)
            disk.at = disk.n + n
            archive.gc(set(), older_than_s=-1.0, drop=True)
            os._exit(0)
        code = os.waitstatus_to_exitcode(os.waitpid(pid, 0)[1])
        with Archive.open(root, role="coordinator") as archive:
            report = archive.verify("data")
            found += report.damage
            assert (faults.RESULT in archive.catalogue.ids("results")) == archive.has("results", faults.RESULT)
        if code == 0:
            break
    assert n > 5
    assert found == []


# copying out


def test_originals_are_copied_out_under_plain_names_and_checked(archive, quick_path: Path) -> None:
    """Again into the same folder is fine; another file of that name is not overwritten."""
    sha256 = archive.sha256_of(quick_path / "idle.csv")
    out = quick_path / "out"
    assert archive.export_originals({"idle ü.csv": sha256}, out) == [out / "idle ü.csv"]
    assert hashlib.sha256((out / "idle ü.csv").read_bytes()).hexdigest() == sha256
    archive.export_originals({"idle ü.csv": sha256}, out)
    (out / "idle ü.csv").write_text("mine")
    with pytest.raises(BadContent, match="a file of that name with other content"):
        archive.export_originals({"idle ü.csv": sha256}, out)
    assert (out / "idle ü.csv").read_text() == "mine"


@pytest.mark.parametrize("name", ["../x", "/x", "a/b", "", ".", "..", "a\0b", "c:x", "x" * 300])
def test_names_that_are_paths_are_refused(archive, quick_path: Path, name: str) -> None:
    """Names come from people."""
    with pytest.raises(BadContent, match="a file name"):
        archive.export_originals({name: archive.sha256_of(quick_path / "idle.csv")}, quick_path / "out")


def test_a_damaged_original_is_not_copied_out(archive, quick_path: Path) -> None:
    """Nor is half of it left in the folder."""
    sha256 = archive.sha256_of(quick_path / "idle.csv")
    _flip(archive.original(sha256))
    with pytest.raises(DamageFound, match="differ from the hash"):
        archive.export_originals({"idle.csv": sha256}, quick_path / "out")
    assert list((quick_path / "out").iterdir()) == []
    shutil.rmtree(archive.original(sha256).parent)
    with pytest.raises(DamageFound, match="the original is missing"):
        archive.export_originals({"idle.csv": sha256}, quick_path / "out")


# where it lies


def test_the_doctor_finds_nothing_on_this_file_system(archive) -> None:
    """And leaves nothing behind."""
    assert archive.doctor() == []
    assert list(archive.staging.new_path().parent.iterdir()) == []


def test_the_doctor_names_each_assumption_that_does_not_hold(archive, monkeypatch) -> None:
    """A file system that overwrites, a lock that does not exclude, directories that cannot be synced."""
    disk = type(archive.disk)
    real = disk.link
    monkeypatch.setattr(disk, "link", lambda self, a, b: (b.unlink(missing_ok=True), real(self, a, b))[1])
    monkeypatch.setattr(disk, "rename", lambda self, a, b: (shutil.rmtree(b, ignore_errors=True), a.rename(b), True)[2])
    monkeypatch.setattr("thrumline.storage.lock._take", lambda descriptor: None)

    def unsynced(self, path: Path) -> None:
        raise OSError(22, "Invalid argument")

    monkeypatch.setattr(disk, "fsync_dir", unsynced)
    words = [finding.what for finding in archive.doctor()]
    assert [word.split(": ")[1] for word in words] == [
        "a link to a name that is taken is refused",
        "a rename onto a directory that is not empty is refused",
        "a directory can be synced",
        "a lock excludes a second holder",
    ]


# a copy of the archive is an archive


def test_a_copy_made_by_any_file_copier_is_whole_without_the_catalogue(archive, faults, quick_path: Path) -> None:
    """The restore drill: copy, check every hash, rebuild, work on."""
    known = faults.index(archive)
    copy = quick_path / "restored"
    shutil.copytree(archive.root, copy, ignore=shutil.ignore_patterns("catalogue.sqlite*", "staging", "lock"))
    with Archive.open(copy, role="coordinator") as restored:
        assert restored.verify("deep").exit_code == 0
        assert faults.index(restored) == known
        faults.days_work(restored, quick_path / "idle.csv", lambda _: None)
        assert faults.index(restored) == known
