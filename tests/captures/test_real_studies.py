"""Real recordings through the whole product: table, archive, chain, comparison, files."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import numpy as np
import pytest

from thrumline.pipeline.api import Spread, run_study

CAPTURES = Path(__file__).parents[2].parent / "shared" / "captures"
pytestmark = pytest.mark.skipif(not CAPTURES.is_dir(), reason="the folder of real captures is not on this machine")

HEAD = ("file", "platform", "part", "position", "condition", "repeat", "take")


def write_table(path, rows, extra=()):
    """A captures table with the usual columns and some more."""
    with path.open("w", newline="") as out:
        writer = csv.writer(out)
        writer.writerow([*HEAD, *extra])
        writer.writerows(rows)


def run_here(tmp_path, study_text):
    """Write the study file, run it in this process, return run and files."""
    study = tmp_path / "study.toml"
    study.write_text(study_text)
    run = run_study(study, archive_dir=tmp_path / "archive", spread=Spread(workers=1))
    return run, tmp_path / "study-results"


@pytest.fixture(scope="module")
def fan(tmp_path_factory):
    """The ceiling fan: a coin taped to a blade against none, low and medium, 20 takes of one repeat each."""
    folder = tmp_path_factory.mktemp("fan")
    rows = [
        (CAPTURES / "ceiling_fan" / f"fan_0_{speed}_{weight}_weight" / f"{take:04d}.csv", "fan",
         "coin" if weight else "plain", "hub", speed, 1, take, 200, "g")
        for speed in ("low", "med") for weight in (0, 1) for take in range(20)
    ]  # fmt: skip
    write_table(folder / "captures.csv", rows, ("sample_rate_hz", "unit"))
    return run_here(
        folder,
        'title = "Coin on a blade"\ncaptures = "captures.csv"\nbaseline = "plain"\nlimit_percent = 15\n'
        'minimum_duration_s = 0.9\nreading = "highest_bin"\nband_hz = [70, 90]\n',
    )


def test_fan_gives_a_percentage_without_an_interval_and_says_takes_only(fan):
    """20 takes of one fitting are one repeat: a figure, no interval, verdict indicative."""
    run, _ = fan
    carrying = [c for c in run.comparisons if c["carries_verdict"]]
    assert {c["condition"] for c in carrying} == {"low", "med"}
    for c in carrying:
        assert c["verdict"] == "indicative"
        assert "takes_only" in [reason["code"] for reason in c["reasons"]]
        assert c["interval_low"] is None
        assert c["interval_high"] is None
        assert np.isfinite(c["percent_change"])
        assert (c["n_baseline"], c["n_candidate"]) == (1, 1)


@pytest.mark.external
def test_fan_line_sits_at_80_hz_and_sinks_with_the_coin(fan):
    """Source: PROVENANCE.md of ceiling_fan: line at 80.0 Hz at every speed; the weight lowers it."""
    run, _ = fan
    for c in run.comparisons:
        if c["carries_verdict"]:
            assert c["frequency_hz_baseline"] == pytest.approx(80.0, abs=1.1)
            assert c["percent_change"] < 0


def test_fan_takes_are_all_fit_and_listed_in_table_order(fan):
    """80 rows, 80 entries, in order; files as they stand in the table."""
    _run, out = fan
    entries = json.loads((out / "captures.json").read_text())["captures"]
    assert len(entries) == 80
    assert [entry["row"] for entry in entries] == sorted(entry["row"] for entry in entries)
    assert {entry["state"] for entry in entries} == {"fit"}, [e["reasons"] for e in entries if e["state"] != "fit"][:3]
    assert all(entry["file"].endswith(".csv") for entry in entries)


def test_road_drive_without_rpm_has_no_firing_order(tmp_path):
    """A car on the road, no cylinders or rpm given: absent with a code, never a number."""
    folder = CAPTURES / "car_on_road" / "imu_accelerometer"
    time_s, value = np.load(folder / "t"), np.load(folder / "value")
    lines = ["time_s,x_m/s2,y_m/s2,z_m/s2"]
    lines += [f"{t:.6f},{x:.6f},{y:.6f},{z:.6f}" for t, (x, y, z) in zip(time_s, value, strict=True)]
    (tmp_path / "drive.csv").write_text("\n".join(lines) + "\n")
    write_table(tmp_path / "captures.csv", [("drive.csv", "road", "original", "windscreen", "driving", 1, "")])
    run, out = run_here(
        tmp_path, 'title = "Road"\ncaptures = "captures.csv"\nbaseline = "original"\nlimit_percent = 15\n'
    )
    firing = [r for r in json.loads((out / "readings.json").read_text())["readings"] if r["reading"] == "firing_order"]
    if run.captures[0]["state"] == "fit":
        assert firing
    assert all(r["value"] is None for r in firing)
    assert {r["absent"]["code"] for r in firing} <= {"no_speed", "no_line"}


@pytest.mark.external
@pytest.mark.parametrize(("number", "hz"), [(3, 2.0), (4, 2.0), (5, 6.0)])
def test_phones_on_the_shaking_table_read_one_to_five_percent_low(tmp_path, number, hz):
    """Source: reference accelerometer in the same file (PROVENANCE.md of shaking_table)."""
    file = CAPTURES / "shaking_table" / f"sinewave-test{number}.csv"
    row = (file, "table", "original", "reference", "sine", 1, "", 100, "m/s2",
           "reference.x=+c1 phone-1.x=+c2 phone-2.x=+c3")  # fmt: skip
    write_table(tmp_path / "captures.csv", [row], ("sample_rate_hz", "unit", "axes"))
    run, _ = run_here(
        tmp_path,
        'title = "Table"\ncaptures = "captures.csv"\nbaseline = "original"\nlimit_percent = 15\n'
        f'minimum_duration_s = 1.5\nreading = "highest_bin"\nband_hz = [{hz - 0.6}, {hz + 0.6}]\n',
    )
    assert {c["state"] for c in run.captures} == {"fit"}, [c["reasons"] for c in run.captures]
    value = {
        r["position"]: r["value"] for r in run.readings if r["reading"] == "highest_bin" and r["combination"] == "rss"
    }
    assert len(run.captures) == 3, "one entry a position"
    for phone in ("phone-1", "phone-2"):
        assert 1.0 < 100 * (1 - value[phone] / value["reference"]) < 5.0
