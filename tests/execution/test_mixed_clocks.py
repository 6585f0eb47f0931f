"""Slow channels beside fast ones: on the signal's clock or their own, aligned, told with each reading."""

import csv
import json

import numpy as np
import pytest

from thrumline.pipeline.api import Spread, run_study
from thrumline.pipeline.contracts import Aside, CaptureHead, ChannelHead, Clock, GroupHead
from thrumline.pipeline.execution.circumstances import bare_name, circumstances, mount_temperature
from thrumline.pipeline.execution.samples import CaptureSamples, HeldArray
from thrumline.pipeline.testing import IdleSpec, idle_capture

SPEC = IdleSpec(duration_s=36, rate_hz=500, rpm=700, cylinders=4)


def aside(name, quantity, unit, times, values):
    return Aside(name, quantity, unit, np.asarray(times, float), np.asarray(values, float))


def write_capture(path, seed, *, columns, sparse=()):
    """Accelerations beside further columns; ``sparse`` ones are written every 500th row only."""
    made = idle_capture(SPEC, seed)
    names = ["time_s", "x_m/s2", "y_m/s2", "z_m/s2", *columns]
    series = {name: values(made) for name, values in columns.items()}
    with path.open("w", newline="") as out:
        writer = csv.writer(out)
        writer.writerow(names)
        for i, t in enumerate(made.time_s):
            told = [
                "" if name in sparse and i % 500 else f"{series[name][i]:.4f}" for name in columns
            ]
            writer.writerow([f"{t:.4f}", *(f"{v:.6f}" for v in made.acceleration[:, i]), *told])
    return made


def study(folder, rows, head=("file", "platform", "part", "position", "condition", "repeat", "rpm", "cylinders")):
    with (folder / "captures.csv").open("w", newline="") as out:
        csv.writer(out).writerows([head, *rows])
    path = folder / "study.toml"
    path.write_text('title = "t"\ncaptures = "captures.csv"\nbaseline = "original"\nlimit_percent = 15\n')
    return run_study(path, archive_dir=folder / "archive", spread=Spread(workers=1))


def warming(start, rate):
    return lambda made: start + rate * made.time_s


@pytest.fixture(scope="module")
def two_parts(tmp_path_factory):
    """The original at 40 degC rising by 0.1 K/s on the signal's clock, the candidate at 52 once a second."""
    folder = tmp_path_factory.mktemp("mixed")
    speed = lambda made: 60.0 * made.speed_hz  # noqa: E731
    columns = {"mount temperature_degC": warming(40.0, 0.1), "crank_rpm": speed}
    truth = {"original": write_capture(folder / "original.csv", 1, columns=columns)}
    columns = {"mount temperature_degC": warming(52.0, 0.1), "crank_rpm": speed}
    truth["candidate-A"] = write_capture(
        folder / "candidate-A.csv", 2, columns=columns, sparse=("mount temperature_degC",)
    )
    rows = [(f"{part}.csv", "Heron 2.0", part, "seat rail", "idle", 1, 700, 4) for part in truth]
    return study(folder, rows), truth, folder


def test_each_reading_tells_temperature_and_speed_over_its_stretches(two_parts):
    """A straight rise has its mean at the middle of the stretch; speed is the true one, within 0.02 %."""
    run, truth, _ = two_parts
    for entry in run.readings:
        around = entry["extra"]["circumstances"]
        (capture,) = [c for c in run.captures if c["file"] == entry["file"]]
        ((start, stop),) = capture["stretches"]
        began = 40.0 if entry["part"] == "original" else 52.0
        assert around["mount temperature degC"] == pytest.approx(began + 0.05 * (start + stop), abs=0.06)
        made = truth[entry["part"]]
        true = 60.0 * np.mean(made.speed_hz[made.within(start, stop)])
        assert around["crank rpm"] == pytest.approx(true, rel=2e-4)


def test_captures_file_carries_the_circumstances(two_parts):
    run, _, folder = two_parts
    written = json.loads((folder / "study-results" / "captures.json").read_text())["captures"]
    for entry, stored in zip(run.captures, written, strict=True):
        assert stored["circumstances"] == entry["circumstances"]
        assert set(stored["circumstances"]) == {"mount temperature degC", "crank rpm"}
        assert stored["mount_temp_c"] == pytest.approx(stored["circumstances"]["mount temperature degC"])


def test_a_channel_serves_where_the_table_is_silent_about_temperature(two_parts):
    """12 K apart by the channels: flagged, though `mount_temp_c` is not in the table."""
    run, _, _ = two_parts
    (carrying,) = [c for c in run.comparisons if c["carries_verdict"]]
    assert "temperature_differs" in {reason["code"] for reason in carrying["reasons"]}


def test_what_the_table_says_of_temperature_stands_against_a_channel(tmp_path):
    head = ("file", "platform", "part", "position", "condition", "repeat", "rpm", "cylinders", "mount_temp_c")
    write_capture(tmp_path / "a.csv", 3, columns={"mount temperature_degC": warming(52.0, 0.0)})
    run = study(tmp_path, [("a.csv", "Heron 2.0", "original", "seat rail", "idle", 1, 700, 4, 45)], head)
    (entry,) = run.captures
    assert entry["mount_temp_c"] == 45
    assert entry["circumstances"]["mount temperature degC"] == pytest.approx(52.0, abs=1e-6)


def test_one_of_several_temperatures_is_the_mounts_only_by_name():
    """Coolant and intake air say nothing about the mount; a channel named after it does, several are averaged."""
    times = np.arange(0.0, 31.0)
    coolant, air = (aside(n, "temperature", "degC", times, times * 0 + v) for n, v in (("coolant", 90), ("air", 30)))
    left, right = (aside(f"Mount {n}", "temperature", "degC", times, times * 0 + v) for n, v in (("left", 50), ("right", 54)))
    stretches = [(0.0, 30.0)]
    assert mount_temperature([coolant], stretches) == pytest.approx(90.0)
    assert mount_temperature([coolant, air], stretches) is None
    assert mount_temperature([coolant, left, right, air], stretches) == pytest.approx(52.0)
    assert mount_temperature([], stretches) is None


def test_a_channel_logged_for_too_little_of_the_stretches_is_not_told():
    times = np.arange(0.0, 8.0)
    short = aside("oil", "temperature", "degC", times, 80.0 + times)
    assert circumstances([short], None, [(0.0, 30.0)]) == {}
    assert circumstances([short], None, [(0.0, 10.0)])["oil degC"] == pytest.approx(80.0 + (24.5 + 3 * 7.0) / 10.0)


def test_two_channels_of_one_name_are_told_apart():
    times = np.arange(0.0, 31.0)
    one, two = (aside("T", "temperature", "degC", times, times * 0 + v) for v in (40, 60))
    assert circumstances([one, two], None, [(0.0, 30.0)]) == {"T 1 degC": 40.0, "T 2 degC": 60.0}


@pytest.mark.parametrize(
    ("written", "quantity", "bare"),
    [
        ("mount temperature_degC", "temperature", "mount temperature"), ("T mount [°C]", "temperature", "T mount"),
        ("crank_rpm", "speed", "crank"), ("rpm", "speed", "speed"), ("oil(C)", "temperature", "oil"),
        ("Vitamin_C", "pressure", "Vitamin_C"), ("boost", "pressure", "boost"),
    ],
)  # fmt: skip
def test_channels_are_called_without_the_unit_in_their_header(written, quantity, bare):
    """The unit is told once; what only looks like a unit of another quantity stays."""
    assert bare_name(aside(written, quantity, "", [0.0], [0.0])) == bare


def head_of(groups):
    return CaptureHead(0, "test", groups)


def test_a_slow_channel_of_another_group_is_held_on_the_captures_clock():
    """A group that starts 2 s later at 1 Hz, with a pressure: whole, in SI, at its own instants."""
    fast = GroupHead("signal", (ChannelHead("x", "acceleration", "g", "m s-2", 9.80665, axis="x"),),
                     Clock(uniform=True, start_s=0.0, rate_hz=500.0), 5000, "int16")  # fmt: skip
    slow = GroupHead("slow", (ChannelHead("boost", "pressure", "kPa", "Pa", 1000.0),),
                     Clock(uniform=True, start_s=2.0, rate_hz=1.0), 6, "int16")  # fmt: skip
    arrays = {"signal_counts": HeldArray(np.zeros((1, 5000), np.int16)),
              "slow_counts": HeldArray(np.arange(100, 106, dtype=np.int16)[None])}  # fmt: skip
    samples = CaptureSamples(head_of((fast, slow)), arrays, ["acceleration"])
    (boost,) = samples.context({}).asides
    assert (boost.quantity, boost.unit) == ("pressure", "Pa")
    np.testing.assert_allclose(boost.times_s, [2, 3, 4, 5, 6, 7])
    np.testing.assert_allclose(boost.values, 1000.0 * np.arange(100, 106))


class CountedReads:
    """An array that remembers the most it was asked for at once."""

    def __init__(self, values):
        self.values, self.most = values, 0

    @property
    def shape(self):
        return self.values.shape

    def read(self, start, stop):
        self.most = max(self.most, stop - start)
        return self.values[:, start:stop]


def test_temperature_on_the_fast_clock_is_held_at_twenty_hertz_and_read_in_blocks():
    """A straight rise stays a straight rise at the means' own instants; no read takes the whole record."""
    n, rate = 1_500_000, 1000.0
    channels = (ChannelHead("x", "acceleration", "g", "m s-2", 1.0, axis="x"), ChannelHead("T", "temperature", "degC", "degC", 1e-3))
    group = GroupHead("signal", channels, Clock(uniform=True, start_s=-5.0, rate_hz=rate), n, "float64")
    rise = 20_000.0 + 10.0 * np.arange(n) / rate
    array = CountedReads(np.stack([np.zeros(n), rise]))
    samples = CaptureSamples(head_of((group,)), {"signal_counts": array}, ["acceleration"])
    (found,) = samples.context({}).asides
    assert found.times_s.size == n // 50
    assert array.most < n // 2
    np.testing.assert_allclose(found.values, 1e-3 * (20_000.0 + 10.0 * (found.times_s + 5.0)), rtol=1e-12)
