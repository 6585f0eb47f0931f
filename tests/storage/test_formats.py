"""Archives of every released format open in this version, with the values they were made with."""

from __future__ import annotations

import hashlib
import json
import shutil
from pathlib import Path

import numpy as np
import pytest
import xarray as xr

from thrumline.storage import Archive

FIXTURES = Path(__file__).parent / "fixtures"
FORMATS = sorted(path.name for path in FIXTURES.glob("format-*"))


def _capture_id(n: int) -> str:
    return hashlib.sha256(f"fixture capture {n}".encode()).hexdigest()[:32]


def _counts(n: int) -> np.ndarray:
    return (np.arange(3000).reshape(3, 1000) * (7 + n)) % 1000 - 500


def test_there_is_a_fixture_of_every_format_up_to_ours() -> None:
    """A new format without its fixture fails here."""
    from thrumline.storage.layout import ARCHIVE_FORMAT

    assert [f"format-{n}" for n in range(1, ARCHIVE_FORMAT + 1)] == FORMATS


@pytest.mark.parametrize("name", FORMATS)
def test_an_old_archive_opens_for_reading_with_all_its_values(name: str) -> None:
    """Nothing is written into it: a reader may have it on a read-only disk."""
    before = {path: path.stat().st_mtime_ns for path in (FIXTURES / name).rglob("*")}
    with Archive.open(FIXTURES / name, role="reader") as archive:
        report = archive.verify("deep")
        assert (report.exit_code, report.damage) == (0, [])
        assert report.counts == {"originals": 3, "records": 8, "captures": 2, "results": 2}
        for n in range(2):
            tree = archive.tree("captures", _capture_id(n))
            assert archive.arrivals(tree.content["original"])[0]["name"] == f"wren-{n}.csv"
            store = tree.zarr("capture.zarr")
            np.testing.assert_array_equal(store.array("g0_counts").read_all(), _counts(n))
            np.testing.assert_array_equal(store.array("g0_stamps").read(10, 20), np.arange(10, 20) / 500.0 - 1.0)
            plain = xr.open_zarr(tree.path / "capture.zarr", consolidated=False)
            np.testing.assert_array_equal(plain.g0_counts.values, _counts(n))
            assert plain.g0_counts.attrs["scale"] == 0.001
        cross = archive.tree("results", _capture_id(0)).zarr("spectra.zarr").array("cross").read_all()
        np.testing.assert_array_equal(cross, np.arange(6).reshape(2, 3) * (1.0 + 0.5j))
        assert archive.tree("results", _capture_id(1)).content["summary"] == {"mg": 13.75}
        assert [fact["platform"] for fact in archive.facts(_capture_id(1))] == ["wren", "heron"]
        assert archive.decisions("study") == {"Wren, idle in drive": {"limit_percent": 15.0}}
        assert [held["reason"]["code"] for held in archive.quarantined()] == ["empty"]
    assert {path: path.stat().st_mtime_ns for path in (FIXTURES / name).rglob("*")} == before


@pytest.mark.parametrize("name", FORMATS)
def test_an_old_archive_is_worked_on_by_this_version(name: str, quick_path: Path) -> None:
    """The catalogue is made, the work goes on, the old entries stay byte for byte."""
    root = quick_path / "archive"
    shutil.copytree(FIXTURES / name, root)
    old = {p.relative_to(root): p.read_bytes() for p in root.rglob("*") if p.is_file()}
    with Archive.open(root, role="coordinator") as archive:
        assert archive.catalogue.summaries("results", [_capture_id(0)]) == {_capture_id(0): {"mg": 12.5}}
        archive.put_small("results", "e" * 32, {"capture_id": _capture_id(0)}, {})
        archive.put_fact(_capture_id(0), {"platform": "dunnock"})
        assert archive.verify("deep").exit_code == 0
    assert {path: (root / path).read_bytes() for path in old} == old


@pytest.mark.parametrize("name", FORMATS)
def test_a_program_without_thrumline_can_check_an_archive_from_its_documented_form(name: str) -> None:
    """The recipe of storage/README.md in plain Python: every seal, size and hash, without importing the package."""
    root, n_files, n_seals = FIXTURES / name, 0, 0
    for path in sorted(root.rglob("*")):
        if (path.suffix == ".json" and path.name != "zarr.json") or path.name == "FORMAT":
            data = path.read_bytes()
            body, claimed = data[:-75] + b"}", data[-66:-2].decode()
            assert data[-75:-66] == b',"self":"'
            assert hashlib.sha256(body).hexdigest() == claimed
            n_seals += 1
        if path.name == "MANIFEST.json":
            manifest = json.loads(path.read_bytes())
            assert path.parent.name == manifest["id"]
            assert path.parent.parent.name == manifest["id"][:2]
            for file, (size, digest) in manifest["files"].items():
                data = (path.parent / file).read_bytes()
                assert (len(data), hashlib.sha256(data).hexdigest()) == (size, digest)
                n_files += 1
        if len(path.name) == 64 and path.is_file():
            assert hashlib.sha256(path.read_bytes()).hexdigest() == path.name
    assert (n_seals, n_files) == (13, 13)
