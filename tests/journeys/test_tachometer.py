"""A run-up whose files hold a tachometer's pulses, as text and as a recording: the pulses alone tell the speed."""

import csv
import json
import subprocess
import sys

import numpy as np
import pytest
import soundfile

COMMAND = [sys.executable, "-c", "from thrumline.pipeline.front.entry import main; main()"]
RATE_HZ, SECONDS, PULSES = 1000.0, 24.0, 2
FROM_RPM, TO_RPM, LOUDEST_RPM = 1000.0, 4000.0, 2500.0
VOLTS = 5.0
FULL_SCALE = 20.0
"""A recording holds shares of full scale, 20 m s-2."""
LEVELS = {"original": 0.8, "candidate-A": 1.0}
"""Largest firing order of the vertical axis, m s-2 peak; the other axes feel a half of it each."""


def run_up(part, *, steep=False):
    """Three axes and the pulses [shape=(4, n)]: order 2 of a steady sweep, largest at 2,500 rpm, 400 rpm wide.

    A magnetic pickup's voltage is smooth; ``steep`` edges of an optical one lie anywhere between two samples.
    """
    t = np.arange(round(RATE_HZ * SECONDS)) / RATE_HZ
    slope = (TO_RPM - FROM_RPM) / 60.0 / SECONDS
    turned = FROM_RPM / 60.0 * t + 0.5 * slope * t**2
    rpm = FROM_RPM + 60.0 * slope * t
    rng = np.random.default_rng([7, part == "original"])
    felt = LEVELS[part] / (1.0 + ((rpm - LOUDEST_RPM) / 400.0) ** 2)
    axes = [
        share * felt * np.sin(4 * np.pi * turned + lag) + rng.normal(0.0, 0.02, t.size) + static
        for share, lag, static in ((0.5, 0.0, 0.0), (0.5, 1.0, 0.0), (1.0, 2.0, 9.80665))
    ]
    pulses = np.sin(2 * np.pi * PULSES * turned)
    return t, np.array([*axes, VOLTS * (np.sign(pulses) if steep else pulses)])


def study_of(folder, kind, settings, *, steep=False):
    rows = []
    for part in LEVELS:
        t, values = run_up(part, steep=steep)
        row = {"file": f"{part}.{kind}", "platform": "Dunlin 2.0", "part": part, "position": "seat rail",
               "condition": "run-up", "repeat": 1, "cylinders": 4}  # fmt: skip
        if kind == "csv":
            header = "time (s),x (m/s2),y (m/s2),z (m/s2),tacho (V)"
            np.savetxt(folder / row["file"], np.column_stack([t, *values]), "%.6f", ",", header=header, comments="")
        else:
            soundfile.write(folder / row["file"], values.T / FULL_SCALE, round(RATE_HZ), subtype="PCM_24")
            row |= {"axes": "x=+c1 y=+c2 z=+c3 tacho=+c4", "unit": "counts", "scale": FULL_SCALE / 2**23}
        rows.append(row)
    with (folder / "captures.csv").open("w", newline="") as stream:
        writer = csv.DictWriter(stream, rows[0])
        writer.writeheader()
        writer.writerows(rows)
    asked = 'title = "Dunlin"\ncaptures = "captures.csv"\nbaseline = "original"\nrecipe = "run-up"\n'
    (folder / "study.toml").write_text(asked + "limit_percent = 15.0\nminimum_duration_s = 10.0\n" + settings)


def read_by_command(folder, kind, settings="[stage.track]\npulses_per_revolution = 2\n", *, steep=False):
    """Captures and readings by ``thrumline run``, and the page it wrote."""
    study_of(folder, kind, settings, steep=steep)
    line = [*COMMAND, "run", "study.toml", "--archive", "archive"]
    done = subprocess.run(line, cwd=folder, capture_output=True, text=True, timeout=120, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    out = folder / "study-results"
    readings = json.loads((out / "readings.json").read_text())["readings"]
    return [r for r in readings if r["combination"] == "rss"], (out / "report.html").read_text()


def loudest(readings, part):
    return next(r for r in readings if r["reading"] == "order_peak" and r["part"] == part and r["order"] == 2.0)


@pytest.mark.parametrize(("kind", "steep"), [("csv", False), ("wav", False), ("csv", True)])
def test_pulses_of_a_file_give_speed_name_and_size_of_the_firing_order(tmp_path, kind, steep):
    """No rpm in the table: the largest order 2 stands at 2,500 rpm, within two bins of 50 rpm, with the size put in.

    Steep edges at up to 133 a second are placed to a sample of a millisecond: read one by one they cost 3 %.
    """
    readings, page = read_by_command(tmp_path, kind, steep=steep)
    for part, level in LEVELS.items():
        found = loudest(readings, part)
        assert found["absent"] is None
        assert found["line_name"] == "engine order 2"
        assert found["frequency_hz"] == pytest.approx(2.0 * LOUDEST_RPM / 60.0, abs=2.0 * 100.0 / 60.0)
        assert found["value"] == pytest.approx(1e3 * level * np.sqrt(1.5) / 9.80665, rel=0.02)
    assert "order 2" in page


def test_wrong_number_of_pulses_is_no_speed_of_this_engine(tmp_path):
    """Two pulses taken for two revolutions: order 2 is looked for at twice its frequency, and nothing is there."""
    readings, _ = read_by_command(tmp_path, "csv", settings="")
    found = loudest(readings, "original")
    assert found["absent"] is not None
    assert found["absent"]["code"] == "no_line"
