"""Real captures by the text reader: exactly what plain Python reads, and a reason wherever something is missing."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from thrumline.pipeline.contracts import AxisSource, ChannelMapping, ReaderRefusal, ReasonCode
from thrumline.pipeline.execution.reader_child import ReaderChild
from thrumline.pipeline.testing import GatheringSink, GivenFile
from thrumline.plugins.ingest_text import TextReader

CAPTURES = Path(__file__).parents[2].parent / "shared" / "captures"
pytestmark = pytest.mark.skipif(not CAPTURES.is_dir(), reason="the folder of real captures is not here")
G = 9.80665
FAN = ChannelMapping("body", unit="g", sample_rate_hz=200.0)
TABLE = ChannelMapping(
    unit="m/s2", sample_rate_hz=100.0, axes=tuple(AxisSource(p, "x", i, 1) for i, p in enumerate(("table", "phone-1", "phone-2"), 1))
)
SAW = ChannelMapping("tree", unit="counts", scale=G / 16384)


def read(path: Path, mapping: ChannelMapping):
    sink = GatheringSink()
    (head,) = TextReader().read(GivenFile(path, path.name), mapping, sink)
    return head, sink


def plain_cells(path: Path) -> tuple[list[str], np.ndarray]:
    """Header cells (or none) and all numbers, by ``float`` alone."""
    lines = path.read_text().splitlines()
    header = lines.pop(0).split(",") if any(c.isalpha() for c in lines[0]) else []
    return header, np.array([[float(cell) for cell in line.split(",")] for line in lines]).T


def check_exact(path: Path, mapping: ChannelMapping, factor: float, cells: list[int]):
    head, sink = read(path, mapping)
    _, numbers = plain_cells(path)
    group = head.groups[0]
    channels = [i for i, channel in enumerate(group.channels) if channel.axis]
    counts = sink.counts(0, group.name)[channels]
    for row, channel, cell in zip(counts, (group.channels[i] for i in channels), cells, strict=True):
        decimals = round(np.log10(factor / channel.scale)) if channel.scale < factor * 0.9 else 0
        assert group.dtype.startswith("int")
        assert np.array_equal(row / 10.0**decimals, numbers[cell])
    assert np.allclose(sink.values(head, group)[channels], numbers[cells] * factor, rtol=1e-14, atol=0)
    return head, sink, numbers


@pytest.mark.parametrize("condition", ["off_0", "low_0", "low_1", "med_0", "med_1"])
def test_the_fan_is_read_exactly_without_a_header(condition):
    folder = CAPTURES / "ceiling_fan" / f"fan_0_{condition}_weight"
    paths = sorted(folder.glob("*.csv"))
    assert len(paths) == 20
    for path in paths:
        head, _, numbers = check_exact(path, FAN, G, [0, 1, 2])
        assert head.groups[0].n_samples == numbers.shape[1] == 200
        assert head.groups[0].clock.rate_hz == 200.0
        assert [(c.axis, c.position) for c in head.groups[0].channels] == [("x", "body"), ("y", "body"), ("z", "body")]


def test_the_fan_without_unit_or_rate_is_refused():
    path = CAPTURES / "ceiling_fan" / "fan_0_low_0_weight" / "0000.csv"
    with pytest.raises(ReaderRefusal) as caught:
        read(path, ChannelMapping(sample_rate_hz=200.0))
    assert caught.value.code is ReasonCode.UNKNOWN_UNIT
    with pytest.raises(ReaderRefusal) as caught:
        read(path, ChannelMapping(unit="g"))
    assert caught.value.code is ReasonCode.BAD_CLOCK


@pytest.mark.external
@pytest.mark.parametrize(("by", "rate"), [(32, 1600.0), (16, 3200.0)])
def test_the_beam_has_its_published_rate_and_one_axis(by, rate):
    """Rates as the source of the data states them; stamps of 6 decimals alternate between 312 and 313 us."""
    path = CAPTURES / "beam_shaker" / f"data_set_1_downsampled_by_{by}.csv"
    head, sink, numbers = check_exact(path, ChannelMapping("tip"), G, [3])
    clock = head.groups[0].clock
    assert (clock.uniform, clock.rate_hz, clock.start_s) == (True, rate, 0.0)
    quantities = {c.name: (c.quantity, c.axis) for c in head.groups[0].channels}
    assert quantities == {"drive_V": ("voltage", ""), "force_lbf": ("force", ""), "acceleration_g": ("acceleration", "x")}
    force = sink.values(head, head.groups[0])[1]
    assert np.allclose(force, numbers[2] * 4.4482216152605, rtol=1e-14, atol=0)


@pytest.mark.parametrize("name", ["ambient_1", "chainsaw_1", "chain_far_new_sd_c40", "chain_far_new_sd_c45"])
def test_the_saw_keeps_its_jittering_stamps_and_all_other_columns(name):
    path = CAPTURES / "chainsaw" / f"{name}.csv"
    head, sink, numbers = check_exact(path, SAW, G / 16384, [2, 3, 4])
    clock = head.groups[0].clock
    assert not clock.uniform
    assert np.array_equal(sink.ticks(0, "signal"), numbers[0])
    assert clock.tick_s == 0.001
    assert clock.rate_hz == pytest.approx(333.0, rel=2e-3)
    beside = {c.name: c.quantity for c in head.groups[1].channels}
    assert beside == {
        "global_ms": "time", "accel_mag": "other", "temp_c": "temperature", "voltage": "other", "soc": "other", "loop_us": "time",
    }  # fmt: skip
    values = sink.values(head, head.groups[1])
    for row, cell, factor in zip(values, (1, 5, 6, 7, 8, 9), (1e-3, 1, 1, 1, 1, 1e-6), strict=True):
        assert np.allclose(row, numbers[cell] * factor, rtol=1e-14, atol=0)


def test_the_saw_without_a_unit_is_refused():
    with pytest.raises(ReaderRefusal, match="accel_x") as caught:
        read(CAPTURES / "chainsaw" / "chainsaw_1.csv", ChannelMapping())
    assert caught.value.code is ReasonCode.UNKNOWN_UNIT


@pytest.mark.parametrize("number", range(1, 6))
def test_the_shaking_table_is_three_positions_of_one_axis(number):
    head, _, _ = check_exact(CAPTURES / "shaking_table" / f"sinewave-test{number}.csv", TABLE, 1.0, [0, 1, 2])
    assert [(c.position, c.axis) for c in head.groups[0].channels] == [("table", "x"), ("phone-1", "x"), ("phone-2", "x")]


def test_the_phone_at_rest_is_read_exactly():
    head, sink, _ = check_exact(
        CAPTURES / "shaking_table" / "phone_at_rest.csv", ChannelMapping(unit="m/s2", sample_rate_hz=100.0), 1.0, [0, 1, 2]
    )
    assert np.linalg.norm(sink.values(head, head.groups[0]).mean(axis=1)) == pytest.approx(G, rel=0.02)


def test_the_car_written_to_text_comes_back_bit_by_bit(tmp_path):
    """Doubles of 17 digits are no counts: they stay doubles, and nothing is rounded."""
    times = np.load(CAPTURES / "car_on_road" / "imu_accelerometer" / "t")
    values = np.load(CAPTURES / "car_on_road" / "imu_accelerometer" / "value")
    path = tmp_path / "car.csv"
    rows = "".join(",".join(repr(float(v)) for v in (t, *row)) + "\n" for t, row in zip(times, values, strict=True))
    path.write_text("time_s,x [m/s2],y [m/s2],z [m/s2]\n" + rows)
    mapping = ChannelMapping("windscreen", (AxisSource("", "x", 1, 1), AxisSource("", "y", 2, -1), AxisSource("", "z", 3, -1)))
    head, sink = read(path, mapping)
    assert head.groups[0].dtype == "float64"
    assert np.array_equal(sink.values(head, head.groups[0]), values.T * np.array([[1], [-1], [-1]]))
    assert np.max(np.abs(sink.times_s(head, head.groups[0]) - times)) <= 2 * np.spacing(times[-1])
    assert head.groups[0].clock.rate_hz == pytest.approx(104.26, abs=0.02)


def test_a_table_of_engine_speed_is_no_capture_of_acceleration():
    with pytest.raises(ReaderRefusal, match="c1 'engine_rpm'") as caught:
        read(CAPTURES / "car_on_road" / "engine_speed.csv", ChannelMapping(unit="g"))
    assert caught.value.code is ReasonCode.AMBIGUOUS


@pytest.mark.parametrize("mapping", [ChannelMapping(), ChannelMapping(unit="g", sample_rate_hz=200.0)])
def test_fixed_width_strong_motion_is_refused_with_a_reason(mapping):
    """Its numbers touch each other and its three channels follow one another: rows would be read wrongly."""
    with pytest.raises(ReaderRefusal) as caught:
        read(CAPTURES / "strong_motion" / "dmg" / "CE89146.V1", mapping)
    assert caught.value.code in (ReasonCode.NOT_NUMERIC, ReasonCode.UNREADABLE)
    assert "line" in str(caught.value)


@pytest.mark.parametrize("part", ["imu_accelerometer/t", "imu_accelerometer/value", "can_speed/t"])
def test_arrays_without_a_suffix_are_no_text(part):
    with pytest.raises(ReaderRefusal) as caught:
        read(CAPTURES / "car_on_road" / part, ChannelMapping(unit="m/s2", sample_rate_hz=100.0))
    assert caught.value.code in (ReasonCode.UNREADABLE, ReasonCode.NOT_NUMERIC)


def test_the_reader_child_gives_what_the_reader_gives():
    path = CAPTURES / "chainsaw" / "chainsaw_1.csv"
    head, sink = read(path, SAW)
    with ReaderChild({"text": "thrumline.plugins.ingest_text:TextReader"}) as child:
        other = GatheringSink()
        assert child.sniff(path, path.name) == [("text", 0.7)]
        assert child.read(path, path.name, "text", SAW, other) == [head]
        for group in head.groups:
            assert np.array_equal(other.counts(0, group.name), sink.counts(0, group.name))
            assert np.array_equal(other.ticks(0, group.name), sink.ticks(0, group.name))
