"""Our stores are Zarr v3: the zarr library and xarray are the oracles, and any cutting into blocks gives the same."""

from __future__ import annotations

import itertools
from pathlib import Path

import numpy as np
import pytest
import xarray as xr
import zarr
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from thrumline.storage import Archive, BadContent, DamageFound
from thrumline.storage import zarr_form as form

DTYPES = ["int8", "int16", "int32", "int64", "uint8", "uint16", "uint32", "uint64"]
DTYPES += ["float16", "float32", "float64", "complex64", "complex128", "bool"]


@pytest.fixture
def archive(quick_path: Path):
    with Archive.open(quick_path / "archive", role="coordinator", create=True) as opened:
        yield opened


_NUMBERS = itertools.count(1)


def _draft(archive: Archive):
    return archive.draft("captures", f"{next(_NUMBERS):032x}")


def _values(shape: tuple[int, ...], dtype: str) -> np.ndarray:
    rng = np.random.default_rng(len(shape) + shape[-1])
    values = rng.integers(0, 100, size=shape)
    return (values + 1j * values[::-1]).astype(dtype) if dtype.startswith("complex") else values.astype(dtype)


@pytest.mark.external
@pytest.mark.parametrize("dtype", DTYPES)  # source: zarr-python, the reference implementation of Zarr v3
def test_streamed_and_whole_arrays_read_alike_through_the_zarr_library(archive: Archive, dtype: str) -> None:
    """Every data type, in a shard and as one chunk, with attributes and names of dimensions."""
    values = _values((3, 1000), dtype)
    with _draft(archive) as draft:
        store = draft.zarr("capture.zarr")
        store.attrs["unit"] = "m s-2"
        array = store.array("g0_counts", dtype=dtype, rows=3, dims=("channel", "time"), attrs={"scale": 0.5})
        array.append(values)
        store.put("whole", values, dims=("channel", "time"))
        store.put("scalar", values[0, 0], dims=())
        tree = draft.commit({}, {})
    group = zarr.open_group(tree.path / "capture.zarr", mode="r")
    assert dict(group.attrs) == {"unit": "m s-2"}
    assert group["g0_counts"].attrs["scale"] == 0.5
    assert group["g0_counts"].metadata.dimension_names == ("channel", "time")
    ours = tree.zarr("capture.zarr")
    for name in ("g0_counts", "whole"):
        assert group[name].dtype == values.dtype
        np.testing.assert_array_equal(group[name][...], values)
        np.testing.assert_array_equal(ours.array(name).read_all(), values)
    assert group["scalar"][()] == values[0, 0] == ours.array("scalar").read_all()


@pytest.mark.external
def test_a_capture_of_several_shards_opens_in_plain_xarray(archive: Archive) -> None:
    """Source: xarray.open_zarr; 2.3 million samples are three shards, the last one partly filled."""
    n = 2 * form.SHARD + 200_000
    counts = np.arange(2 * n, dtype="int32").reshape(2, n) % 70_001
    with _draft(archive) as draft:
        store = draft.zarr("capture.zarr")
        array = store.array("g0_counts", dtype="int32", rows=2, dims=("channel", "time"))
        stamps = store.array("g0_stamps", dtype="float64", dims=("time",))
        for start in range(0, n, 300_001):
            array.append(counts[:, start : start + 300_001])
            stamps.append(np.arange(start, min(start + 300_001, n)) / 25_600.0)
        tree = draft.commit({}, {})
    names = sorted(name for name in tree.files if "c." in name)
    assert names == [f"capture.zarr/g0_counts/c.0.{k}" for k in range(3)] + [
        f"capture.zarr/g0_stamps/c.{k}" for k in range(3)
    ]
    dataset = xr.open_zarr(tree.path / "capture.zarr", consolidated=False)
    assert dataset.g0_counts.dims == ("channel", "time")
    np.testing.assert_array_equal(dataset.g0_counts[:, n - 5 :].values, counts[:, n - 5 :])
    np.testing.assert_array_equal(dataset.g0_counts[1, form.SHARD - 3 : form.SHARD + 3].values, counts[1, form.SHARD - 3 : form.SHARD + 3])
    np.testing.assert_array_equal(dataset.g0_stamps[-3:].values, np.arange(n - 3, n) / 25_600.0)
    ours = tree.zarr("capture.zarr").array("g0_counts")
    np.testing.assert_array_equal(ours.read(form.SHARD - 70_000, 2 * form.SHARD + 9), counts[:, form.SHARD - 70_000 : 2 * form.SHARD + 9])


@pytest.mark.parametrize("n", [1, 7, 4099, form.CHUNK + 1, 2 * form.CHUNK + 1605])
@pytest.mark.parametrize("dtype", ["int16", "int32", "float64"])
def test_any_length_is_stored_as_small_as_the_next_eight_samples(archive: Archive, n: int, dtype: str) -> None:
    """Bits of a chunk that is no whole number of eights would not be shuffled: half again as many bytes of counts."""
    rng = np.random.default_rng(n)
    values = rng.integers(-30_000, 30_000, size=(3, n + -n % 8)).astype("int16").astype(dtype)
    sizes = []
    for length in (n, n + -n % 8):
        with _draft(archive) as draft:
            store = draft.zarr("capture.zarr")
            store.array("counts", dtype=dtype, rows=3, dims=("channel", "time")).append(values[:, :length])
            store.array("stamps", dtype=dtype, dims=("time",)).append(values[0, :length])
            tree = draft.commit({}, {})
        sizes.append(sum(size for name, (size, _) in tree.files.items() if "/c." in name))
        group = zarr.open_group(tree.path / "capture.zarr", mode="r")
        np.testing.assert_array_equal(group["counts"][:], values[:, :length])
        np.testing.assert_array_equal(group["stamps"][:], values[0, :length])
        np.testing.assert_array_equal(tree.zarr("capture.zarr").array("counts").read_all(), values[:, :length])
    assert sizes[0] <= sizes[1] + 64


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data(), rows=st.sampled_from([None, 1, 3]), length=st.integers(0, 700))
def test_any_cutting_into_blocks_and_any_slice_give_the_same_bytes(archive, monkeypatch, data, rows, length) -> None:
    """With shards of 256 and chunks of 32 samples, so that every border is crossed."""
    for module in ("zarr_form", "zarr_write"):
        monkeypatch.setattr(f"thrumline.storage.{module}.SHARD", 256)
    monkeypatch.setattr(form, "CHUNK", 32)
    shape = (length,) if rows is None else (rows, length)
    values = np.arange(length * (rows or 1), dtype="int16").reshape(shape)
    cuts = sorted(data.draw(st.lists(st.integers(0, length), max_size=6)))
    trees = []
    for borders in ([0, length], [0, *cuts, length]):
        with _draft(archive) as draft:
            dims = ("time",) if rows is None else ("channel", "time")
            array = draft.zarr("capture.zarr").array("x", dtype="int16", rows=rows, dims=dims)
            for start, stop in itertools.pairwise(borders):
                array.append(values[..., start:stop])
            trees.append(draft.commit({}, {}))
    assert trees[0].files == trees[1].files
    ours = trees[0].zarr("capture.zarr").array("x")
    start = data.draw(st.integers(0, length))
    stop = data.draw(st.integers(start, length))
    np.testing.assert_array_equal(ours.read(start, stop), values[..., start:stop])
    theirs = zarr.open_array(trees[0].path / "capture.zarr" / "x", mode="r")
    np.testing.assert_array_equal(theirs[..., start:stop], values[..., start:stop])


def test_the_block_handed_over_may_be_filled_anew_by_its_owner(archive: Archive) -> None:
    """A reader's buffer is used again for the next block."""
    buffer = np.ones((1, 10), dtype="int16")
    with _draft(archive) as draft:
        array = draft.zarr("capture.zarr").array("x", dtype="int16", rows=1, dims=("channel", "time"))
        array.append(buffer)
        buffer[:] = 2
        array.append(buffer)
        tree = draft.commit({}, {})
    assert tree.zarr("capture.zarr").array("x").read_all().tolist() == [[1] * 10 + [2] * 10]


def test_a_missing_or_emptied_shard_is_refused_where_a_plain_reader_gives_fill_values(archive: Archive) -> None:
    """The reason for the manifest: by the Zarr specification a missing chunk *is* the fill value."""
    with _draft(archive) as draft:
        draft.zarr("capture.zarr").array("x", dtype="int16", rows=1, dims=("channel", "time")).append(np.ones((1, 9), "int16"))
        tree = draft.commit({}, {})
    (tree.path / "capture.zarr" / "x" / "c.0.0").unlink()
    assert zarr.open_array(tree.path / "capture.zarr" / "x", mode="r")[...].tolist() == [[0] * 9]
    with pytest.raises(DamageFound, match="the file is missing"):
        archive.tree("captures", tree.id)
    with pytest.raises(DamageFound, match="the file is missing"):
        tree.zarr("capture.zarr").array("x").read_all()


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (lambda s: s.array("x", dtype="U5", dims=("time",)), "dtype <U5; allowed: integers"),
        (lambda s: s.array("x", dtype="float128", dims=("time",)), "found dtype float128"),
        (lambda s: s.array("x", dtype="int16", rows=2, dims=("time",)), "2 names of dimensions"),
        (lambda s: s.array("a b", dtype="int16", dims=("time",)), "found name 'a b'"),
        (lambda s: (s.put("x", [1], dims=("n",)), s.put("x", [1], dims=("n",))), "an identifier not used"),
        (lambda s: s.put("x", [1.0], dims=("a", "b")), "a name per dimension"),
        (lambda s: s.array("x", dtype="int16", rows=2, dims=("c", "t")).append(np.zeros((3, 4), "int16")), r"found shape \(3, 4\)"),
        (lambda s: s.array("x", dtype="int16", rows=2, dims=("c", "t")).append(np.zeros((2, 4), "int32")), "type int32"),
    ],
)  # fmt: skip
def test_arrays_the_format_cannot_hold_are_refused(archive: Archive, make, words: str) -> None:
    """Each refusal says what was found and what is allowed."""
    with _draft(archive) as draft, pytest.raises(BadContent, match=words):
        make(draft.zarr("capture.zarr"))


def test_one_dimension_of_two_lengths_is_refused_since_xarray_could_not_open_it(archive: Archive) -> None:
    """Said at commit, before anything is visible."""
    with _draft(archive) as draft:
        store = draft.zarr("capture.zarr")
        store.put("a", [1, 2], dims=("time",))
        store.put("b", [1, 2, 3], dims=("time",))
        with pytest.raises(BadContent, match="found 2 in 'a', 3 in 'b'"):
            draft.commit({}, {})
    assert not archive.has("captures", draft.id)


def test_reading_outside_the_array_is_refused(archive: Archive) -> None:
    """No silent shortening, no counting from the end."""
    with _draft(archive) as draft:
        draft.zarr("capture.zarr").put("a", np.zeros((2, 5)), dims=("c", "time"))
        store = draft.commit({}, {}).zarr("capture.zarr")
    assert store.array("a").read(1, 3).shape == (2, 2)
    for start, stop in ((-1, 2), (3, 2), (0, 6)):
        with pytest.raises(BadContent, match="allowed: 0 to 5"):
            store.array("a").read(start, stop)
    with pytest.raises(BadContent, match="allowed: a"):
        store.array("b")


def test_memory_held_while_streaming_does_not_grow_with_length(archive: Archive, monkeypatch) -> None:
    """At most one shard is held, whatever the length of the blocks."""
    monkeypatch.setattr("thrumline.storage.zarr_write.SHARD", 4096)
    monkeypatch.setattr(form, "SHARD", 4096)
    monkeypatch.setattr(form, "CHUNK", 512)
    with _draft(archive) as draft:
        array = draft.zarr("capture.zarr").array("x", dtype="int16", rows=2, dims=("channel", "time"))
        for _ in range(50):
            array.append(np.zeros((2, 1000), "int16"))
            assert sum(block.shape[-1] for block in array._held) < 4096
        tree = draft.commit({}, {})
    assert len([name for name in tree.files if "/c." in name]) == 13
