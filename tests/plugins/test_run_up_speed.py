"""Run-ups from a file to a reading: speed by tachometer pulses, by the two ends of the sweep alone, or not at all."""

import csv

import numpy as np
import pytest

from thrumline.pipeline.api import Spread, run_study
from thrumline.pipeline.contracts.units import MILLI_G
from thrumline.pipeline.testing import IdleSpec, idle_capture

SPEC = IdleSpec(
    duration_s=24.0, rate_hz=1000.0, rpm=1000.0, run_to_rpm=4000.0, cylinders=3, am=0.0, wander=0.002,
    floor_mg_rthz=0.02, orders=((0.5, 1.0), (1.0, 1.5), (3.0, 3.0)),
)  # fmt: skip


def pulses(capture, per_revolution):
    """A waveform of 5 V for a quarter of each pulse, its edges where they fall between two samples."""
    turns = per_revolution * np.cumsum(capture.speed_hz) / capture.rate_hz
    share = np.mod(turns, 1.0) / (per_revolution * capture.speed_hz / capture.rate_hz)
    return np.where(np.mod(turns, 1.0) < 0.25, 5.0 * np.clip(share, 0.0, 1.0), 0.0)


def ran(folder, extra, settings):
    """One capture of three cylinders, with further columns, through ``run-up``."""
    capture = idle_capture(SPEC, 11)
    table = np.column_stack([capture.time_s, *capture.acceleration, *(column(capture) for column in extra.values())])
    header = ",".join(["time_s", "x_m/s2", "y_m/s2", "z_m/s2", *extra])
    np.savetxt(folder / "a.csv", table, delimiter=",", header=header, comments="", fmt="%.6f")
    with (folder / "captures.csv").open("w", newline="") as out:
        head = ("file", "platform", "part", "position", "condition", "repeat", "cylinders")
        csv.writer(out).writerows([head, ("a.csv", "Siskin 1.0", "original", "seat rail", "run-up neutral", 1, 3)])
    study = folder / "study.toml"
    study.write_text(
        'title = "t"\ncaptures = "captures.csv"\nbaseline = "original"\nlimit_percent = 15\n'
        f'recipe = "run-up"\nreading = "order_peak"\n[stage.orders]\norders = [0.5, 1.0, 3.0]\n{settings}'
    )
    return run_study(study, archive_dir=folder / "archive", spread=Spread(workers=1)), capture


SWEEP = "[stage.track]\nsweep_rpm = [1000.0, 4000.0]\n"
WAYS = {
    "one pulse": ({"tacho": lambda c: pulses(c, 1)}, "", "tachometer"),
    "two pulses": ({"tacho": lambda c: pulses(c, 2)}, "[stage.track]\npulses_per_revolution = 2\n", "tachometer"),
    "pulses go before ends": ({"tacho": lambda c: pulses(c, 1)}, SWEEP, "tachometer"),
    "ends of the sweep": ({}, SWEEP, "line"),
    "a dead tachometer": ({"tacho": lambda c: np.zeros(c.time_s.size)}, SWEEP, "line"),
}


@pytest.mark.parametrize("way", WAYS)
def test_every_order_of_a_three_cylinder_run_up_is_read_and_named(tmp_path, way):
    """The firing order is 1.5: orders 0.5, 1 and 3 lie about it, each within 8 % of its true rss (the largest bin is told) and by name."""
    extra, settings, source = WAYS[way]
    run, capture = ran(tmp_path, extra, settings)
    assert [c["state"] for c in run.captures] == ["fit"], run.captures[0]["reasons"]
    found = {r["order"]: r for r in run.readings if r["reading"] == "order_peak" and r["combination"] == "rss"}
    assert set(found) == {0.5, 1.0, 1.5, 3.0}
    for order, reading in found.items():
        true = np.sqrt(np.sum(capture.mean_amplitude(order) ** 2)) / MILLI_G
        assert reading["value"] == pytest.approx(true, rel=0.08), (order, source)
        assert reading["line_name"] == f"engine order {order:g}"


def test_a_dead_tachometer_alone_is_no_speed_of_the_sampling_rate(tmp_path):
    """A waveform that never moves holds no pulses; each of its samples was taken for one."""
    run, _ = ran(tmp_path, {"tacho": lambda c: np.zeros(c.time_s.size)}, "")
    (peak,) = [r for r in run.readings if r["reading"] == "order_peak" and r["combination"] == "rss"][:1] or [None]
    assert peak is None or peak["value"] is None
    said = " ".join(str(item) for item in (run.captures[0]["reasons"], peak))
    assert "no_speed" in said or "tachometer" in said
