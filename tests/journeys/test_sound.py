"""A study whose captures hold a microphone beside three axes: both are read, compared, shown; neither disturbs the other."""

import csv
import json
import re

import numpy as np
import pytest
from scipy import signal

from thrumline.pipeline.api import run_study
from thrumline.pipeline.kernels.sound import pole_frequencies

RATE_HZ, SECONDS = 2000.0, 16.0
LOUDER_DB, ORDER_DB, MORE = 2.0, 3.0, 1.10
"""Candidate over original: noise heard, firing order heard, firing order felt."""
MICROPHONES = {"original": (0.1, 0.05), "candidate-A": (0.1 * 10 ** (ORDER_DB / 20), 0.05 * 10 ** (LOUDER_DB / 20))}
"""Firing order (Pa peak) and noise (Pa rms)."""


def capture_columns(part, repeat):
    """Time, three axes and a pressure: an idle at 750 rpm of a four-cylinder engine, its speed wandering by 0.1 %."""
    rng = np.random.default_rng([part == "original", repeat])
    t = np.arange(round(RATE_HZ * SECONDS)) / RATE_HZ
    wander = np.interp(t, np.arange(0.0, SECONDS + 1.0), rng.normal(0.0, 1e-3, round(SECONDS) + 1))
    phase = 2 * np.pi * np.cumsum(25.0 * (1.0 + wander)) / RATE_HZ
    felt = (MORE if part != "original" else 1.0) * (1.0 + 0.004 * (repeat - 2))
    axes = [
        felt * size * np.sin(phase + lag) + 0.3 * size * np.sin(phase / 2) + rng.normal(0.0, 0.01, t.size) + static
        for size, lag, static in ((0.1, 0.0, 0.0), (0.15, 1.0, 0.0), (0.2, 2.0, 9.80665))
    ]
    order, noise = MICROPHONES[part]
    return [t, *axes, 10 ** (0.1 * (repeat - 2) / 20) * (order * np.sin(phase + 0.3) + rng.normal(0.0, noise, t.size))]


def written(folder, *, heard):
    """Captures, table and study; with ``heard`` the files have the microphone's column."""
    folder.mkdir()
    header = ["time (s)", "x (m/s2)", "y (m/s2)", "z (m/s2)", "mic (Pa)"][: 5 if heard else 4]
    rows = []
    for part in MICROPHONES:
        for repeat in (1, 2, 3):
            columns = capture_columns(part, repeat)[: len(header)]
            name = f"{part}-{repeat}.csv"
            np.savetxt(folder / name, np.column_stack(columns), "%.6f", ",", header=",".join(header), comments="")
            rows.append({"file": name, "platform": "Dunlin 2.0", "part": part, "position": "seat rail",
                         "condition": "idle-drive", "repeat": repeat, "cylinders": 4, "rpm": 750})  # fmt: skip
    with (folder / "captures.csv").open("w", newline="") as stream:
        writer = csv.DictWriter(stream, rows[0])
        writer.writeheader()
        writer.writerows(rows)
    asked = 'title = "Dunlin"\ncaptures = "captures.csv"\nbaseline = "original"\nminimum_duration_s = 10.0\n'
    (folder / "study.toml").write_text(asked + "limit_percent = 15.0\nlimit_db = 3.0\n")
    (folder / "sound.toml").write_text(asked + 'reading = "laeq"\nlimit_db = 3.0\n')
    return folder


@pytest.fixture(scope="module")
def runs(tmp_path_factory):
    """The study with and without the microphone's column, and one that rests on the level."""
    root = tmp_path_factory.mktemp("sound")
    heard, deaf = written(root / "heard", heard=True), written(root / "deaf", heard=False)
    archive = root / "archive"
    return {
        "heard": run_study(heard / "study.toml", archive_dir=archive),
        "deaf": run_study(deaf / "study.toml", archive_dir=archive),
        "sound": run_study(heard / "sound.toml", archive_dir=archive),
        "folder": heard,
    }


def compared(run, reading, combination="energy"):
    return next(c for c in run.comparisons if (c["reading"], c["combination"]) == (reading, combination))


def test_accelerations_read_the_same_to_the_last_bit_with_a_microphone_beside_them(runs):
    """Same values, uncertainties, orders, marks and extras; the microphone only adds readings."""
    kept = [
        {k: v for k, v in r.items() if k not in ("capture_id", "result_id")} for r in runs["heard"].readings
        if r["unit"] != "dB"
    ]  # fmt: skip
    deaf = [{k: v for k, v in r.items() if k not in ("capture_id", "result_id")} for r in runs["deaf"].readings]
    assert kept == deaf
    assert len(runs["heard"].readings) > len(kept)


def test_a_study_without_microphones_says_nothing_of_sound(runs):
    assert all(r["unit"] != "dB" for r in runs["deaf"].readings)
    assert all("change_db" not in c for c in runs["deaf"].comparisons)
    assert "LAeq" not in (runs["folder"].parent / "deaf/study-results/report.html").read_text()


def test_the_order_heard_changes_by_what_was_put_in(runs):
    """+3 dB at the firing order, from 0.1 Pa peak = 70.97 dB; felt beside it +10 %."""
    found = compared(runs["heard"], "order_level")
    assert found["change_db"] == pytest.approx(ORDER_DB, abs=0.05)
    assert found["baseline_value"] == pytest.approx(10 * np.log10(0.1**2 / 2 / 20e-6**2), abs=0.05)
    assert found["frequency_hz_baseline"] == pytest.approx(25.0, abs=0.05)
    assert compared(runs["heard"], "firing_order", "rss")["percent_change"] == pytest.approx(100 * (MORE - 1), abs=0.5)


@pytest.mark.external
def test_the_a_weighted_level_is_what_another_librarys_spectrum_weighs(runs):
    """Each capture's LAeq against scipy.signal.welch times the closed form of A; sound above 840 Hz counts a tenth."""
    f1, f2, f3, f4 = pole_frequencies()
    for reading in [r for r in runs["heard"].readings if r["reading"] == "laeq"]:
        pressure = capture_columns(reading["part"], int(reading["repeat"]))[4]
        f, density = signal.welch(pressure, RATE_HZ, nperseg=4000)
        response = f**4 * f4**2 / ((f**2 + f1**2) * (f**2 + f4**2) * np.sqrt((f**2 + f2**2) * (f**2 + f3**2)))
        level = 10 * np.log10(np.trapezoid(density * (response / 0.79435) ** 2, f) / 20e-6**2)
        assert reading["value"] == pytest.approx(level, abs=0.15)
        assert reading["std_uncertainty"] < 0.1
        assert reading["extra"]["band_hz"] == [10.0, 840.0]


def test_the_verdict_on_a_level_is_told_in_decibels_everywhere(runs):
    """JSON, sentence, page: about +2 dB, within 3; no percent of a level anywhere."""
    found = compared(runs["sound"], "laeq")
    assert found["change_db"] == pytest.approx(LOUDER_DB, abs=0.2)
    assert (found["carries_verdict"], found["verdict"], found["percent_change"]) == (True, "within_limit", None)
    results = runs["folder"] / "sound-results"
    stored = json.loads((results / "comparisons.json").read_text())["comparisons"]
    assert compared(type("Run", (), {"comparisons": stored}), "laeq")["change_db"] == found["change_db"]
    assert runs["sound"].sentences[0].count(" dB louder than the original") == 1
    page = re.sub(r"<(script|style).*?</\1>", "", (results / "report.html").read_text(), flags=re.DOTALL)
    text = re.sub(r"<[^>]+>", "", page).replace("&#8239;", " ").replace("\u202f", " ")
    assert "limit 3 dB" in text
    assert f"{found['change_db']:+.1f} dB" in text
    assert "LAeq" in text
    assert not re.search(r"LAeq, energy[^%]{0,80}\d %", text)


def test_levels_stand_beside_accelerations_on_the_page(runs):
    text = (runs["folder"] / "study-results/report.html").read_text()
    for name in ("LAeq", "LCeq", "LAF,max", "order level", "level of sound"):
        assert name in text
    assert runs["heard"].sentences[0].count("% more than the original") == 1
