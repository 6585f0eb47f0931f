"""A small Zarr store as one file: zarr's own zip store and the standard library read what is written, as we do.

Order: what others read, what we read, when a store is not packed, damage.
"""

from __future__ import annotations

import io
import zipfile
from pathlib import Path

import numpy as np
import pytest
import xarray
import zarr
from hypothesis import given
from hypothesis import strategies as st
from zarr.storage import ZipStore

from thrumline.storage import Archive, DamageFound, zarr_pack, zarr_write
from thrumline.storage.zarr_pack import Pack, packed

ID, OTHER = "ab" * 16, "cd" * 16
FREQUENCY = np.arange(500) * 0.25
AUTO = np.random.default_rng(3).gamma(2.0, size=(3, 500))
COUNTS = np.random.default_rng(5).integers(-900, 900, size=(3, 4000)).astype("int32")


def filled(store) -> None:
    store.put("frequency", FREQUENCY, dims=("frequency",), attrs={"units": "Hz"})
    store.put("auto", AUTO, dims=("channel", "frequency"))
    store.put("none", np.empty((3, 0)), dims=("channel", "nothing"))
    counts = store.array("counts", dtype="int32", rows=3, dims=("channel", "time"))
    for start in range(0, 4000, 999):
        counts.append(COUNTS[:, start : start + 999])
    store.attrs.update({"window": "hann"})


def committed(archive: Archive, identity: str = ID, *, pack: bool = True):
    with archive.draft("results", identity) as draft:
        filled(draft.zarr("spectra.zarr", packed=pack))
        return draft.commit({"capture_id": OTHER}, {})


@pytest.fixture
def archive(tmp_path: Path):
    with Archive.open(tmp_path / "archive", role="coordinator", create=True) as opened:
        yield opened


members = st.dictionaries(st.from_regex(r"\A[a-zµ_]{1,9}(/[a-z0-9.]{1,9})?\Z"), st.binary(max_size=200), max_size=8)


@given(members)
def test_the_bytes_are_those_the_standard_library_writes(files):
    """Source: zipfile, given members without a time of their own."""
    theirs = io.BytesIO()
    with zipfile.ZipFile(theirs, "w", zipfile.ZIP_STORED) as archive:
        for name, data in files.items():
            archive.writestr(zipfile.ZipInfo(name), data)
    assert packed(list(files.items())) == theirs.getvalue()


@given(members)
def test_the_standard_library_reads_every_member_and_finds_no_fault(files):
    """Source: zipfile. Names, bytes, checksums; nothing of the clock is in it."""
    with zipfile.ZipFile(io.BytesIO(packed(list(files.items())))) as theirs:
        assert theirs.testzip() is None
        assert {name: theirs.read(name) for name in theirs.namelist()} == files
        assert {info.date_time for info in theirs.infolist()} <= {(1980, 1, 1, 0, 0, 0)}


@given(members)
def test_what_is_packed_comes_back(files):
    """By the names the files would have in a directory."""
    pack = Pack("a.zarr", packed(list(files.items())))
    assert {name: pack.read(name) for name in pack.names} == {f"a.zarr/{name}": data for name, data in files.items()}


@pytest.mark.external
def test_a_packed_store_opens_in_plain_zarr_and_xarray(archive):
    """Source: zarr.storage.ZipStore, xarray.open_zarr."""
    tree = committed(archive)
    place = tree.place_of("spectra.zarr")
    assert sorted(p.name for p in tree.path.iterdir()) == ["MANIFEST.json", "spectra.zarr.zip"]
    group = zarr.open_group(ZipStore(place, mode="r"), mode="r")
    assert dict(group.attrs) == {"window": "hann"}
    np.testing.assert_array_equal(group["counts"][...], COUNTS)
    data = xarray.open_zarr(ZipStore(place, mode="r"), consolidated=False).load()
    np.testing.assert_array_equal(data.auto.values, AUTO)
    assert data.auto.dims == ("channel", "frequency")
    assert data.frequency.attrs == {"units": "Hz"}


def test_a_packed_store_reads_as_the_directory_does(archive):
    """Names, attributes, shapes and values; and it is the same bytes each time."""
    one, two = committed(archive), committed(archive, OTHER, pack=False)
    assert one.stores == two.stores == ("spectra.zarr",)
    ours, plain = one.zarr("spectra.zarr"), two.zarr("spectra.zarr")
    assert (ours.names, ours.attrs) == (plain.names, plain.attrs)
    for name in ours.names:
        mine, theirs = ours.array(name), plain.array(name)
        assert (mine.attrs, mine.dims, mine.shape, mine.dtype) == (theirs.attrs, theirs.dims, theirs.shape, theirs.dtype)
        np.testing.assert_array_equal(mine.read_all(), theirs.read_all())
    np.testing.assert_array_equal(ours.array("counts").read(100, 2500), COUNTS[:, 100:2500])
    again = committed(archive, "ef" * 16)
    assert again.files == one.files


def test_a_store_that_grows_too_large_is_a_directory(archive, monkeypatch):
    """Whatever was held back until then is written; a large one is not read as a whole for a part of it."""
    monkeypatch.setattr(zarr_pack, "PACKED_BYTES", 5000)
    tree, plain = committed(archive), committed(archive, OTHER, pack=False)
    assert tree.files == plain.files
    assert tree.place_of("spectra.zarr") == tree.path / "spectra.zarr"
    np.testing.assert_array_equal(tree.zarr("spectra.zarr").array("counts").read_all(), COUNTS)


def test_packed_stores_are_verified_deep(archive):
    """Every array is decoded, and a byte that changed is named by the file it is in."""
    tree = committed(archive)
    assert [f.path for f in archive.verify("deep").damage] == [f"captures/cd/{OTHER}"]  # the capture was never there
    path = tree.place_of("spectra.zarr")
    data = bytearray(path.read_bytes())
    data[len(data) // 2] ^= 1
    path.chmod(0o644)
    path.write_bytes(data)
    found = archive.verify("data").damage
    assert f"results/ab/{ID}/spectra.zarr.zip" in [f.path for f in found]
    with pytest.raises(DamageFound):
        archive.tree("results", ID).zarr("spectra.zarr")


def test_values_that_do_not_decode_are_found_behind_whole_hashes(archive, monkeypatch):
    """A deep check looks inside the pack: here a chunk was spoilt before it was hashed."""
    monkeypatch.setattr(zarr_write, "encoded_chunk", lambda _: b"spoilt")
    committed(archive)
    assert not any(ID in f.path or "auto" in f.path for f in archive.verify("data").damage)
    assert any("auto/c.0.0" in f.path for f in archive.verify("deep").damage)


@pytest.mark.parametrize("data", [b"", b"PK", b"no zip at all" * 20])
def test_what_is_no_pack_is_refused_by_type(data):
    with pytest.raises(DamageFound):
        Pack("a.zarr", data)


def test_a_file_that_is_not_in_the_pack_is_damage():
    with pytest.raises(DamageFound, match="missing in the packed store"):
        Pack("a.zarr", packed([("zarr.json", b"{}")])).read("a.zarr/x/zarr.json")
