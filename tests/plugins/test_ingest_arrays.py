"""Containers of arrays (HDF5, MATLAB): stored numbers come back exactly, with their clock, or a typed refusal."""

from __future__ import annotations

import io
from pathlib import Path

import h5py
import numpy as np
import pytest
import scipy.io

from thrumline.pipeline.contracts import AxisSource, ChannelMapping, ReaderRefusal, ReasonCode
from thrumline.pipeline.testing import GatheringSink, GivenFile, ReaderExample, ReaderSuite, RefusedExample
from thrumline.plugins.ingest_arrays import Hdf5Reader, MatlabReader
from thrumline.plugins.ingest_arrays_capture import BLOCK_ROWS

G = 9.80665
VALUES = np.random.default_rng(12).normal(size=(3, 400))
STAMPS = np.arange(400) * 5


def hdf5(build) -> bytes:
    stream = io.BytesIO()
    with h5py.File(stream, "w") as file:
        build(file)
    return stream.getvalue()


def matlab(variables, version: str = "5", *, compressed: bool = False) -> bytes:
    stream = io.BytesIO()
    scipy.io.savemat(stream, variables, format=version, do_compression=compressed)
    return stream.getvalue()


def read(reader, folder: Path, content: bytes, mapping: ChannelMapping | None = None):
    path = folder / "original"
    path.write_bytes(content)
    sink = GatheringSink()
    return reader().read(GivenFile(path, "a"), mapping or ChannelMapping(), sink), sink


def refusal(reader, folder: Path, content: bytes, mapping: ChannelMapping | None = None) -> ReaderRefusal:
    with pytest.raises(ReaderRefusal) as caught:
        read(reader, folder, content, mapping)
    return caught.value


def three(file, *, unit="g", rate=200.0, dtype=np.float64):
    for axis, row in zip("xyz", VALUES, strict=True):
        file.create_dataset(f"acc_{axis}", data=row.astype(dtype)).attrs["units"] = unit
    if rate:
        file.attrs["sample_rate"] = rate


# -------------------------------------------------------------------------------------------------- hdf5
def test_three_datasets_with_units_are_one_capture(tmp_path):
    (head,), sink = read(Hdf5Reader, tmp_path, hdf5(three), ChannelMapping("seat"))
    group = head.groups[0]
    assert [(c.axis, c.position, c.unit) for c in group.channels] == [(a, "seat", "g") for a in "xyz"]
    assert np.array_equal(sink.counts(0, "signal"), VALUES)
    assert (group.clock.uniform, group.clock.rate_hz) == (True, 200.0)


@pytest.mark.parametrize("lying", [False, True])
@pytest.mark.parametrize("attribute", ["columns", "labels"])
def test_a_table_is_read_along_its_longer_side(tmp_path, lying, attribute):
    def build(file):
        made = file.create_dataset("record", data=VALUES if lying else VALUES.T)
        made.attrs[attribute] = ["z", "x", "y"]
        made.attrs["units"] = "m/s^2"
        made.attrs["fs"] = 500

    (head,), sink = read(Hdf5Reader, tmp_path, hdf5(build))
    assert [c.axis for c in head.groups[0].channels] == ["z", "x", "y"]
    assert np.array_equal(sink.values(head, head.groups[0]), VALUES)


def test_an_unlabelled_table_of_three_is_x_y_z(tmp_path):
    content = hdf5(lambda file: file.create_dataset("data", data=VALUES.T))
    (head,), _ = read(Hdf5Reader, tmp_path, content, ChannelMapping(unit="mg", sample_rate_hz=100.0))
    assert [(c.axis, c.unit) for c in head.groups[0].channels] == [("x", "mg"), ("y", "mg"), ("z", "mg")]


@pytest.mark.parametrize("dtype", ["<i2", ">i2", "<i4", "u1", "<u2", "<f4", ">f8"])
def test_stored_numbers_of_any_type_come_back_exactly(tmp_path, dtype):
    numbers = (VALUES * 40 + 128).clip(0, 255).astype(dtype)
    content = hdf5(lambda file: file.create_dataset("acc", data=numbers.T))
    (head,), sink = read(Hdf5Reader, tmp_path, content, ChannelMapping(unit="counts", scale=0.01, sample_rate_hz=100.0))
    assert np.array_equal(sink.counts(0, "signal"), numbers.astype(np.float64))
    assert head.groups[0].dtype == ("float64" if "f" in dtype else "int32" if dtype in ("<i4", "<u2") else "int16")


def test_scale_and_offset_of_the_convention_are_applied(tmp_path):
    def build(file):
        made = file.create_dataset("acc_x", data=np.arange(100, dtype=np.int16))
        made.attrs.update({"units": "g", "scale_factor": 0.25, "add_offset": -3.0, "sampling_rate": 100.0})

    (head,), sink = read(Hdf5Reader, tmp_path, hdf5(build))
    assert np.allclose(sink.values(head, head.groups[0])[0], (np.arange(100) * 0.25 - 3) * G, rtol=1e-14)


@pytest.mark.parametrize(("unit", "stamps", "rate"), [("ms", STAMPS, 200.0), ("s", STAMPS / 1000, 200.0), ("us", STAMPS * 1000, 200.0)])
def test_a_time_dataset_gives_the_clock(tmp_path, unit, stamps, rate):
    def build(file):
        three(file, rate=None)
        file.create_dataset("time", data=stamps).attrs["units"] = unit

    (head,), _ = read(Hdf5Reader, tmp_path, hdf5(build))
    assert head.groups[0].clock.uniform
    assert head.groups[0].clock.rate_hz == pytest.approx(rate, rel=1e-9)


@pytest.mark.parametrize("kind", [np.int64, np.float64])
def test_jittering_stamps_are_kept_as_stored(tmp_path, kind):
    stamps = (STAMPS + np.random.default_rng(0).integers(0, 4, 400)).astype(kind)

    def build(file):
        three(file, rate=None)
        file.create_dataset("t_ms", data=stamps)

    (head,), sink = read(Hdf5Reader, tmp_path, hdf5(build))
    clock = head.groups[0].clock
    assert not clock.uniform
    assert clock.tick_s == (0.001 if kind is np.int64 else 0.0)
    assert np.allclose(sink.times_s(head, head.groups[0]), stamps / 1000, rtol=1e-15)


def test_groups_are_captures_of_their_own(tmp_path):
    def build(file):
        three(file.create_group("run_2"))
        three(file.create_group("run_1"), unit="mg")

    heads, sink = read(Hdf5Reader, tmp_path, hdf5(build))
    assert [(head.index, head.metadata["place"]) for head in heads] == [(0, "/run_1"), (1, "/run_2")]
    assert np.allclose(sink.values(heads[0], heads[0].groups[0]), VALUES * G / 1000, rtol=1e-15)


def test_other_quantities_lie_beside_the_signal(tmp_path):
    def build(file):
        three(file)
        file.create_dataset("engine_speed", data=np.full(400, 720.0)).attrs["units"] = "rpm"
        file.create_dataset("comment", data="by hand")
        file.create_dataset("other_length", data=np.zeros(7))

    (head,), sink = read(Hdf5Reader, tmp_path, hdf5(build))
    assert [(c.name, c.quantity) for c in head.groups[1].channels] == [("engine_speed", "speed")]
    assert np.allclose(sink.values(head, head.groups[1]), 12.0)
    assert set(head.metadata["passed_over"]) == {"comment", "other_length"}


def test_long_datasets_arrive_in_blocks(tmp_path):
    long = np.random.default_rng(3).integers(-9000, 9000, 2 * BLOCK_ROWS + 17).astype(np.int16)

    def build(file):
        made = file.create_dataset("acc_x", data=long, chunks=(5000,), compression="gzip", fletcher32=True)
        made.attrs.update({"units": "mg", "dt": 0.001})

    (head,), sink = read(Hdf5Reader, tmp_path, hdf5(build))
    assert np.array_equal(sink.counts(0, "signal")[0], long)
    assert head.groups[0].clock.rate_hz == 1000.0


def unwritten(file):
    made = file.create_dataset("acc_x", (4000,), chunks=(1000,), dtype="f8")
    made[:3000] = 1.0
    made.attrs.update({"units": "g", "fs": 100.0})


def built(**datasets):
    def build(file):
        for name, data in datasets.items():
            file.create_dataset(name, data=data)
        file.attrs["fs"] = 200.0

    return build


def with_hint(file):
    three(file)
    file["acc_x"].attrs["sensitivity"] = 98.7


BROKEN = VALUES[0].copy()
BROKEN[33] = np.inf


@pytest.mark.parametrize(
    ("build", "mapping", "code", "message"),
    [
        (lambda file: None, {}, ReasonCode.EMPTY, "no arrays of numbers"),
        (lambda file: three(file, rate=None), {}, ReasonCode.BAD_CLOCK, "no time array and no sampling rate"),
        (lambda file: three(file, rate=150.0), {"sample_rate_hz": 200.0}, ReasonCode.BAD_CLOCK, "several rates are stated"),
        (lambda file: three(file, unit="furlong"), {}, ReasonCode.UNKNOWN_UNIT, "'furlong'"),
        (built(acc_x=VALUES[0]), {}, ReasonCode.UNKNOWN_UNIT, "no unit"),
        (built(a=VALUES[0], b=VALUES[1]), {"unit": "g"}, ReasonCode.AMBIGUOUS, "c1 'a', c2 'b'"),
        (built(acc_x=VALUES[0], acc_y=VALUES[1][:9]), {"unit": "g"}, ReasonCode.UNREADABLE, "axes of one length"),
        (built(acc_x=BROKEN), {"unit": "g"}, ReasonCode.NON_FINITE, "number 34 is not finite"),
        (built(acc_x=VALUES[0], time_s=np.arange(400)[::-1] * 0.005), {"unit": "g"}, ReasonCode.BAD_CLOCK, "runs backward; found at number 2"),
        (built(acc_x=VALUES[0], time_s=np.arange(399) * 0.005), {"unit": "g"}, ReasonCode.UNREADABLE, "as many stamps as samples; found 399 and 400"),
        (built(acc_x=VALUES[0], time_s=np.arange(400) * 0.004), {"unit": "g"}, ReasonCode.BAD_CLOCK, "200 Hz against 250 Hz"),
        (built(acc_x=VALUES[0], time_s=np.ones(400)), {"unit": "g"}, ReasonCode.BAD_CLOCK, "show no rate"),
        (built(acc_x=VALUES[0], time=np.arange(400) * 17), {"unit": "g"}, ReasonCode.BAD_CLOCK, "a unit of time"),
        (built(acc_x=np.arange(9, dtype=np.uint64)), {"unit": "g"}, ReasonCode.UNREADABLE, "one type can hold exactly"),
        (unwritten, {}, ReasonCode.UNREADABLE, "announced but never written"),
        (with_hint, {}, ReasonCode.AMBIGUOUS, "'sensitivity' may multiply or divide"),
    ],
)  # fmt: skip
def test_what_cannot_be_trusted_is_refused(tmp_path, build, mapping, code, message):
    found = refusal(Hdf5Reader, tmp_path, hdf5(build), ChannelMapping(**mapping))
    assert found.code is code, str(found)
    assert message in str(found)


@pytest.mark.parametrize("share", [0.0, 0.02, 0.3, 0.7, 0.99])
def test_a_torn_container_is_refused(tmp_path, share):
    content = hdf5(three)
    found = refusal(Hdf5Reader, tmp_path, content[: int(len(content) * share)])
    assert found.code in (ReasonCode.UNREADABLE, ReasonCode.EMPTY)


# ------------------------------------------------------------------------------------------------ matlab
@pytest.mark.parametrize(("version", "compressed"), [("4", False), ("5", False), ("5", True)])
def test_variables_become_channels(tmp_path, version, compressed):
    content = matlab({"ax_g": VALUES[0], "ay_g": VALUES[1], "az_g": VALUES[2], "fs": 200.0}, version, compressed=compressed)
    (head,), sink = read(MatlabReader, tmp_path, content)
    assert [c.axis for c in head.groups[0].channels] == ["x", "y", "z"]
    assert np.array_equal(sink.counts(0, "signal"), VALUES)
    assert head.groups[0].clock.rate_hz == 200.0


@pytest.mark.parametrize("lying", [False, True])
def test_a_matrix_is_read_along_its_longer_side_in_matlab_too(tmp_path, lying):
    content = matlab({"acc_ms2": VALUES if lying else VALUES.T, "t_s": STAMPS / 1000.0})
    (head,), sink = read(MatlabReader, tmp_path, content, ChannelMapping(unit="m/s2", axes=tuple(AxisSource("", a, i, 1) for i, a in enumerate("xyz", 1))))
    assert np.array_equal(sink.values(head, head.groups[0]), VALUES)
    assert head.groups[0].clock.rate_hz == pytest.approx(200.0)


def test_the_fields_of_one_structure_are_variables(tmp_path):
    content = matlab({"record": {"x_g": VALUES[0], "y_g": VALUES[1], "z_g": VALUES[2], "fs": 200.0}})
    _, sink = read(MatlabReader, tmp_path, content)
    assert np.array_equal(sink.counts(0, "signal"), VALUES)


@pytest.mark.parametrize("dtype", ["int16", "uint8", "int32", "float32"])
def test_matlab_integers_keep_their_counts(tmp_path, dtype):
    numbers = (VALUES * 40 + 128).clip(0, 255).astype(dtype)
    content = matlab({"acc": numbers.T})
    _, sink = read(MatlabReader, tmp_path, content, ChannelMapping(unit="counts", scale=0.01, sample_rate_hz=100.0))
    assert np.array_equal(sink.counts(0, "signal"), numbers)


def test_two_structures_are_ambiguous(tmp_path):
    content = matlab({"a": {"x_g": VALUES[0]}, "b": {"x_g": VALUES[1]}})
    found = refusal(MatlabReader, tmp_path, content)
    assert found.code is ReasonCode.AMBIGUOUS
    assert "which structure holds the capture; found a, b" in str(found)


def test_version_7_3_is_told_apart(tmp_path):
    content = b"MATLAB 7.3 MAT-file".ljust(124, b" ") + b"\x00\x02IM" + bytes(384) + hdf5(three)
    assert MatlabReader().sniff(content[:65536], "a.mat") == 0.0
    assert Hdf5Reader().sniff(content[:65536], "a.mat") == 0.9
    found = refusal(MatlabReader, tmp_path, content)
    assert found.code is ReasonCode.UNREADABLE
    assert "version 7.3" in str(found)


@pytest.mark.parametrize("content", [b"", matlab({"note": "by hand"}), matlab({"fs": 3.0})])
def test_matlab_files_without_arrays_are_empty(tmp_path, content):
    assert refusal(MatlabReader, tmp_path, content).code is ReasonCode.EMPTY


class TestHdf5Reader(ReaderSuite):
    """Everything the shipped suite asks of a reader."""

    truncation_keeps = False

    def reader(self):
        return Hdf5Reader()

    def files(self):
        times, late = np.arange(400) / 200, (STAMPS + np.random.default_rng(0).integers(0, 4, 400)) / 1000
        counts = np.round(VALUES * 100).astype(np.int16)
        said = ChannelMapping(unit="counts", scale=0.01, sample_rate_hz=200.0)

        def stamped(file):
            three(file, unit="m/s2", rate=None)
            file.create_dataset("t_ms", data=np.round(late * 1000).astype(np.int64))

        return [
            ReaderExample("three.h5", hdf5(three), VALUES * G, times, atol=1e-13),
            ReaderExample("milli.h5", hdf5(lambda file: three(file, unit="mg")), VALUES * G / 1000, times, atol=1e-13),
            ReaderExample("stamped.h5", hdf5(stamped), VALUES, late, atol=1e-13),
            ReaderExample("counts.h5", hdf5(lambda file: file.create_dataset("acc", data=counts.T)), counts * 0.01, times,
                          said, atol=1e-13),
        ]  # fmt: skip

    def refused(self):
        return [RefusedExample("unit.h5", hdf5(lambda file: three(file, unit="furlong")), ReasonCode.UNKNOWN_UNIT)]


class TestMatlabReader(ReaderSuite):
    """Everything the shipped suite asks of a reader (damage is left to the reader child: the parser may crash)."""

    n_damaged = 0
    truncation_keeps = False

    def reader(self):
        return MatlabReader()

    def files(self):
        content = matlab({"ax_g": VALUES[0], "ay_g": VALUES[1], "az_g": VALUES[2], "fs": 200.0}, compressed=True)
        times = np.arange(400) / 200
        matrix = matlab({"acc": VALUES.T, "time_s": times + 3.0})
        said = ChannelMapping(unit="mg")
        return [
            ReaderExample("three.mat", content, VALUES * G, times, atol=1e-13),
            ReaderExample("matrix.mat", matrix, VALUES * G / 1000, times + 3.0, said, atol=1e-13),
        ]

    def refused(self):
        return [RefusedExample("two.mat", matlab({"a": VALUES[0], "b": VALUES[1]}), ReasonCode.AMBIGUOUS)]
