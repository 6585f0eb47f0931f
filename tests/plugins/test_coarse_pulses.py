"""Tachometer pulses too steep or too short for their sampling: the speed they give, and how sure it says it is."""

import csv

import numpy as np
import pytest

from thrumline.pipeline.api import Spread, run_study
from thrumline.pipeline.contracts.units import MILLI_G
from thrumline.pipeline.kernels.tachometer import MOST_MISSED, pulse_speed, recorded_pulses, shows_pulses
from thrumline.pipeline.testing import IdleSpec, idle_capture

RATE_HZ = 1000.0


def rectangle(turns, high):
    """5 V for the first ``high`` of each pulse, sampled as it stands: no sample lies on an edge."""
    return np.where(np.mod(turns + 0.3, 1.0) < high, 5.0, 0.0)


def read(folder, rpm, per_revolution, high, seed):
    """Reading of the firing order of four cylinders, true mean frequency over its stretches, true amplitude, mg."""
    spec = IdleSpec(duration_s=30.0, rate_hz=RATE_HZ, rpm=rpm, am=0.0, floor_mg_rthz=0.05)
    capture = idle_capture(spec, seed)
    tacho = rectangle(per_revolution * np.cumsum(capture.speed_hz) / RATE_HZ, high)
    table = np.column_stack([capture.time_s, *capture.acceleration, tacho])
    header = "time_s,x_m/s2,y_m/s2,z_m/s2,tacho"
    np.savetxt(folder / "a.csv", table, delimiter=",", header=header, comments="", fmt="%.6f")
    with (folder / "captures.csv").open("w", newline="") as out:
        head = ("file", "platform", "part", "position", "condition", "repeat", "cylinders")
        csv.writer(out).writerows([head, ("a.csv", "Siskin 1.0", "original", "seat rail", "idle-neutral", 1, 4)])
    study = folder / "study.toml"
    study.write_text(
        'title = "t"\ncaptures = "captures.csv"\nbaseline = "original"\nlimit_percent = 15\nrecipe = "idle"\n'
        f"[stage.track]\npulses_per_revolution = {per_revolution}\n"
    )
    run = run_study(study, archive_dir=folder / "archive", spread=Spread(workers=1))
    (reading,) = [r for r in run.readings if r["reading"] == "firing_order" and r["combination"] == "rss"]
    used = np.zeros(capture.time_s.size, dtype=bool)
    for start_s, stop_s in run.captures[0]["stretches"]:
        used |= (capture.time_s >= start_s) & (capture.time_s < stop_s)
    true_mg = float(np.sqrt(np.sum(capture.mean_amplitude(2.0) ** 2)) / MILLI_G)
    return reading, 2.0 * float(capture.speed_hz[used].mean()), true_mg


@pytest.mark.parametrize(
    ("rpm", "per_revolution", "high", "seed"),
    [
        pytest.param(700.0, 1, 0.1, 1, id="one mark at idle"),
        pytest.param(3000.0, 1, 0.25, 2, id="20 samples a pulse"),
        pytest.param(4000.0, 2, 0.3, 3, id="7.5 samples a pulse"),
        pytest.param(3000.0, 4, 0.4, 4, id="5 samples a pulse"),
        pytest.param(3500.0, 3, 0.15, 5, id="one pulse of seven falls between two samples"),
    ],
)
def test_frequency_from_coarse_pulses_is_within_three_uncertainties(tmp_path, rpm, per_revolution, high, seed):
    """At 1 kHz three pulses at a time read 0.85 % high with 7.5 samples a pulse, and called it exact."""
    reading, true_hz, true_mg = read(tmp_path, rpm, per_revolution, high, seed)
    assert reading["line_name"] == "engine order 2"
    std_hz = reading["extra"]["frequency_std_hz"]
    assert 0.0 < std_hz < 0.004
    assert abs(reading["frequency_hz"] - true_hz) < 3.0 * std_hz
    assert reading["value"] == pytest.approx(true_mg, rel=0.01)


def test_pulses_mostly_missed_are_no_speed(tmp_path):
    """0.4 ms of pulse at 1 kHz: six of ten are never seen, and what is left is no speed."""
    reading, _, _ = read(tmp_path, 3000.0, 1, 0.02, 6)
    assert reading["absent"]["code"] == "no_speed"
    assert "shorter than a sample" in reading["absent"]["detail"]


def test_speed_over_many_coarse_pulses_has_neither_bias_nor_more_scatter_than_meant():
    """A steady shaft of irrational period, edges known to a sample: 0.2 % of scatter, and a mean within 0.02 %."""
    period_s = 0.0075 * np.sqrt(1.0007)
    exact = 0.01 + period_s * np.arange(4000)
    pulses = recorded_pulses(np.arange(31_000) / 1000.0, rectangle(np.arange(31_000) / 1000.0 / period_s, 0.4))
    assert pulses.placement_std_s == pytest.approx(0.001 / np.sqrt(12.0))
    assert pulses.missed == 0.0
    _, speed = pulse_speed(np.round(exact, 3), 1.0, pulses.placement_std_s)
    inner = speed[20:-20] * period_s
    assert np.std(inner) < 0.002
    assert np.mean(inner) == pytest.approx(1.0, abs=2e-4)
    _, by_three = pulse_speed(np.round(exact, 3))
    assert np.mean(by_three) * period_s > 1.003


def test_smoothing_many_pulses_leaves_a_parabola_of_the_count_alone_up_to_the_ends():
    """Means move such instants by a constant: the steps stay."""
    count = np.arange(200.0)
    instants = 0.05 * count - 0.5e-4 * count**2
    _, speed = pulse_speed(instants, 1.0, 0.001)
    assert np.allclose(speed, 1.0 / np.diff(instants), rtol=1e-9)


def test_coarse_pulses_of_a_run_up_follow_its_speed():
    """1,000 to 4,000 rpm in 24 s, instants to a millisecond: 0.2 % of scatter, 1.5 % where edges keep step with samples."""
    first, rise = 1000.0 / 60.0, 3000.0 / 60.0 / 24.0
    turns = np.arange(1.0, 24.0 * 2500.0 / 60.0)
    instants = (np.sqrt(first**2 + 2.0 * rise * turns) - first) / rise
    at, speed = pulse_speed(np.round(instants, 3), 1.0, 0.001 / np.sqrt(12.0))
    assert at.size == turns.size - 1
    wrong = speed / (first + rise * at) - 1.0
    assert np.std(wrong) < 0.003
    assert np.max(np.abs(wrong)) < 0.015
    assert abs(np.mean(wrong)) < 2e-4


def test_tooth_left_out_of_a_wheel_is_not_put_in():
    """Pulses of three samples are never missed: a gap after every 35 is the wheel's."""
    turns = np.arange(20_000) / 1000.0 * 3.0
    tooth = np.mod(36.0 * turns, 1.0) < 0.5
    values = np.where(tooth & (np.mod(turns, 1.0) < 35.0 / 36.0), 1.0, 0.0)
    pulses = recorded_pulses(np.arange(20_000) / 1000.0, values)
    assert pulses.missed == 0.0
    assert pulses.times_s.size == pytest.approx(60 * 35, abs=2)


def test_pulses_that_fell_between_samples_are_put_in_where_they_were():
    """Pulses of 0.86 samples, one of seven unseen: all are there, each within a sample of the truth."""
    rng = np.random.default_rng(5)
    exact = 0.004 + np.cumsum(0.00571 * (1.0 + 0.002 * rng.standard_normal(3000)))
    at = np.arange(17_000) / 1000.0
    since = at - np.concatenate([[-1.0], exact])[np.searchsorted(exact, at, side="right")]
    values = np.where(since < 0.00086, 1.0, 0.0)
    pulses = recorded_pulses(at, values)
    assert 0.1 < pulses.missed < 0.2 < MOST_MISSED
    near = exact[(exact > pulses.times_s[0] - 0.001) & (exact < pulses.times_s[-1] + 0.001)]
    assert pulses.times_s.size == near.size
    assert np.max(np.abs(pulses.times_s - near)) < 0.001
    assert shows_pulses(at, values)


def test_bare_instants_are_as_sure_as_their_decimals():
    """Instants written to a millisecond and to a microsecond; a half second more or less changes nothing."""
    exact = 0.5 + np.cumsum(0.02 + 0.001 * np.sin(np.arange(500.0)))
    for decimals in (3, 6):
        written = np.round(exact, decimals)
        assert recorded_pulses(written, np.ones(500)).placement_std_s == pytest.approx(10.0**-decimals / np.sqrt(12.0))
    assert recorded_pulses(exact, np.ones(500)).placement_std_s == 0.0
