"""The other recipes on files: two positions in one file, weighted readings, a rig; table to comparison."""

from __future__ import annotations

import csv

import numpy as np
import pytest

from thrumline.pipeline.api import Spread, run_study
from thrumline.pipeline.contracts import StudyError
from thrumline.pipeline.testing import IdleSpec, idle_capture


def study(folder, head, rows, text):
    """Write table and study, run them in this process."""
    with (folder / "captures.csv").open("w", newline="") as out:
        csv.writer(out).writerows([head, *rows])
    path = folder / "study.toml"
    path.write_text(f'title = "t"\ncaptures = "captures.csv"\nbaseline = "original"\nlimit_percent = 15\n{text}')
    return run_study(path, archive_dir=folder / "archive", spread=Spread(workers=1))


def write_columns(path, names, time_s, columns):
    """A comma-separated capture."""
    table = np.column_stack([time_s, *columns])
    np.savetxt(path, table, delimiter=",", header=",".join(["time_s", *names]), comments="", fmt="%.7f")


HEAD = ("file", "platform", "part", "position", "condition", "repeat", "axes", "rpm", "cylinders")
AXES = "engine-side.x=+c1 engine-side.y=+c2 engine-side.z=+c3 body-side.x=+c4 body-side.y=+c5 body-side.z=+c6"


@pytest.fixture(scope="module")
def two_sided(tmp_path_factory):
    """One capture a part; the mount passes a tenth of every axis, the candidate an eighth."""
    folder = tmp_path_factory.mktemp("two")
    rows = []
    for part, share in (("original", 0.1), ("candidate-A", 0.125)):
        made = idle_capture(
            IdleSpec(duration_s=40, rate_hz=800, rpm=700, cylinders=8, amplitude_mg=(30, 20, 40)), seed=len(part)
        )
        engine = np.asarray(made.acceleration)
        noise = np.random.default_rng(1).standard_normal(engine.shape) * 5e-4
        gravity = engine.mean(axis=1, keepdims=True)
        body = gravity + share * (engine - gravity) + noise
        names = [f"{side}{axis}_m/s2" for side in "eb" for axis in "xyz"]
        write_columns(folder / f"{part}.csv", names, made.time_s, [*engine, *body])
        rows.append((f"{part}.csv", "Cormorant 4.8", part, "mount", "idle-drive", 1, AXES, 700, 8))
    return study(folder, HEAD, rows, 'recipe = "two-sided"\nreading = "transmissibility"\n')


def test_isolation_is_what_the_mount_keeps_away(two_sided):
    """A tenth behind the mount is 20 dB; transmissibility 0.1 and 0.125, each from the body side."""
    assert {c["state"] for c in two_sided.captures} == {"fit"}, [c["reasons"] for c in two_sided.captures]
    found = {
        (r["part"], r["reading"]): r
        for r in two_sided.readings
        if r["combination"] == "rss" and r["reading"] in {"isolation", "transmissibility"}
    }
    assert found["original", "isolation"]["value"] == pytest.approx(20.0, abs=0.1)
    assert found["original", "transmissibility"]["value"] == pytest.approx(0.1, rel=0.01)
    assert found["candidate-A", "transmissibility"]["value"] == pytest.approx(0.125, rel=0.01)
    for reading in found.values():
        assert reading["kind"] == "ratio"
        assert (reading["position"], reading["reference_position"]) == ("body-side", "engine-side")
        assert min(reading["extra"]["coherence"]) > 0.95
    assert found["original", "isolation"]["unit"] == "dB"


def test_transmissibility_carries_the_comparison(two_sided):
    """+25 % comes through the candidate; one repeat a part, so it is indicative."""
    (carrying,) = [c for c in two_sided.comparisons if c["carries_verdict"]]
    assert carrying["percent_change"] == pytest.approx(25.0, abs=1.0)
    assert carrying["verdict"] == "indicative"


def test_decibels_carry_no_percent(tmp_path):
    """A percent change of decibels means nothing: refused before a file is read, with what would do."""
    with pytest.raises(StudyError, match=r"'isolation' of recipe 'two-sided'.*transmissibility"):
        study(tmp_path, HEAD, [("a.csv", "p", "original", "m", "c", 1, AXES, 700, 8)],
              'recipe = "two-sided"\nreading = "isolation"\n')  # fmt: skip


def test_a_single_position_cannot_be_two_sided(tmp_path):
    """Known only when the file is read: archived, not used, and the reason names both positions."""
    made = idle_capture(IdleSpec(duration_s=34, rate_hz=400, rpm=700, cylinders=8), seed=1)
    write_columns(tmp_path / "a.csv", ["x_m/s2", "y_m/s2", "z_m/s2"], made.time_s, np.asarray(made.acceleration))
    run = study(tmp_path, HEAD[:6], [("a.csv", "p", "original", "seat rail", "c", 1)],
                'recipe = "two-sided"\nreading = "transmissibility"\n')  # fmt: skip
    (entry,) = run.captures
    assert entry["state"] == "unfit"
    assert "'engine side' and 'body side'" in entry["reasons"][0]["detail"]
    assert entry["capture_id"] is not None


def test_weighted_readings_of_a_known_vibration(tmp_path):
    """10 Hz on z with 0.5 m/s2 peak: Wk(10 Hz) 0.988, so 0.349 m/s2 rms; the caution stands with it."""
    t = np.arange(20_000) / 500.0
    z = 9.80665 + 0.5 * np.sin(2 * np.pi * 10 * t)
    small = 1e-3 * np.random.default_rng(1).standard_normal((2, t.size))
    write_columns(tmp_path / "a.csv", ["x_m/s2", "y_m/s2", "z_m/s2"], t, [*small, z])
    run = study(tmp_path, HEAD[:6], [("a.csv", "p", "original", "seat rail", "ride", 1)],
                'recipe = "ride"\nreading = "weighted_rms"\n')  # fmt: skip
    assert run.captures[0]["state"] == "fit", run.captures[0]["reasons"]
    found = {(r["reading"], r["combination"]): r for r in run.readings}
    assert found["weighted_rms", "weighted"]["value"] == pytest.approx(0.5 / np.sqrt(2) * 0.9884, rel=0.005)
    assert found["weighted_rms", "weighted"]["unit"] == "m/s2"
    assert "not at the seat surface" in found["vdv", "weighted"]["extra"]["caution"]


def test_a_rig_file_gives_stiffness_at_its_driven_line(tmp_path):
    """Force in N and displacement in mm from one file: 250 N/mm with loss factor 0.1 at 20 Hz."""
    t = np.arange(30_000) / 1000.0
    x_mm = 0.2 * np.sin(2 * np.pi * 20 * t)
    force = 800 + 250 * 0.2 * np.sqrt(1.01) * np.sin(2 * np.pi * 20 * t + np.arctan(0.1))
    noise = 1e-6 * np.random.default_rng(2).standard_normal((2, t.size))
    write_columns(tmp_path / "rig.csv", ["force_N", "displacement_mm"], t, [force + noise[0], x_mm + noise[1]])
    run = study(tmp_path, HEAD[:6], [("rig.csv", "rig", "original", "mount", "20 Hz", 1)],
                'recipe = "rig-stiffness"\nreading = "dynamic_stiffness"\n')  # fmt: skip
    assert run.captures[0]["state"] == "fit", run.captures[0]["reasons"]
    found = {r["reading"]: r for r in run.readings if r["frequency_hz"] == pytest.approx(20, abs=0.3)}
    assert found["dynamic_stiffness"]["value"] == pytest.approx(250e3 * np.sqrt(1.01), rel=0.005)
    assert found["loss_factor"]["value"] == pytest.approx(0.1, rel=0.03)
