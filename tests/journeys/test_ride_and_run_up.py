"""Rides and run-ups with a microphone, from file to readings: levels and weighted values against what was put in."""

import csv

import numpy as np
import pytest

from thrumline.pipeline.api import Spread, run_study
from thrumline.pipeline.contracts.units import MILLI_G
from thrumline.pipeline.testing import IdleSpec, idle_capture

RATE_HZ = 2000.0
PASCAL = 20e-6
TONES = ((2.0, 0.2), (4.0, 0.1))
"""Orders heard, Pa rms: a tone of each along the simulated speed."""
TABLE_25_HZ = np.array([0.08, 0.08, 0.513])
"""Factors of the firing line at 25 Hz along x, y (Wd) and z (Wk): ISO 2631-1:1997, table 3."""
NOISE = 0.02
"""Noise heard, Pa rms, white up to half the rate."""


def a_weighting(hertz):
    """IEC 61672-1:2013, annex E: the closed form of A, 0 dB at 1 kHz; as a factor on amplitude."""
    f = np.asarray(hertz, dtype=float) ** 2
    poles = (20.598997, 107.65265, 737.86223, 12194.217)
    low, second, third, high = (p**2 for p in poles)
    return 10 ** (2.0 / 20) * high * f**2 / ((f + low) * np.sqrt((f + second) * (f + third)) * (f + high))


def decibels(square):
    return 10.0 * np.log10(square / PASCAL**2)


def heard(capture, tones, seed):
    """Tones and noise; the noise is louder as the tones are."""
    turned = np.cumsum(capture.speed_hz) / RATE_HZ
    sound = np.random.default_rng(seed).normal(0.0, NOISE * tones[0][1] / TONES[0][1], turned.size)
    for order, rms in tones:
        sound += np.sqrt(2.0) * rms * np.sin(2 * np.pi * order * turned + order)
    return sound


def study(folder, spec, recipe, parts, settings):
    """One capture of each part (its tones, its amplitudes): the run and the captures as simulated."""
    rows, truth = [], {}
    for seed, (part, (tones, felt_mg)) in enumerate(parts.items(), 3):
        capture = truth[part] = idle_capture(IdleSpec(**spec, amplitude_mg=felt_mg), seed)
        pulses = 5.0 * np.sin(4 * np.pi * np.cumsum(capture.speed_hz) / RATE_HZ)
        columns = [capture.time_s, *capture.acceleration, heard(capture, tones, seed), pulses]
        header = "time (s),x (m/s2),y (m/s2),z (m/s2),mic (Pa),tacho (V)"
        np.savetxt(folder / f"{part}.csv", np.column_stack(columns), "%.7f", ",", header=header, comments="")
        rows.append((f"{part}.csv", "Siskin 1.0", part, "seat rail", recipe, 1, 4))
    with (folder / "captures.csv").open("w", newline="") as stream:
        csv.writer(stream).writerows([("file", "platform", "part", "position", "condition", "repeat", "cylinders"), *rows])
    asked = f'title = "t"\ncaptures = "captures.csv"\nbaseline = "original"\nrecipe = "{recipe}"\n{settings}'
    (folder / "study.toml").write_text(f"{asked}[stage.track]\npulses_per_revolution = 2\n")
    return run_study(folder / "study.toml", archive_dir=folder / "archive", spread=Spread(workers=1)), truth


def reading(run, part, name, combination="energy", order=None):
    (found,) = [
        r for r in run.readings
        if (r["part"], r["reading"], r["combination"], r["order"]) == (part, name, combination, order)
    ]  # fmt: skip
    return found


QUIET = {"rate_hz": RATE_HZ, "am": 0.0, "floor_mg_rthz": 0.01}
LOUDER = tuple((order, rms * 10 ** (3.0 / 20)) for order, rms in TONES)


@pytest.fixture(scope="module")
def ride(tmp_path_factory):
    parts = {"original": (TONES, (5.0, 3.0, 9.0)), "candidate-A": (LOUDER, (6.0, 3.6, 10.8))}
    spec = {**QUIET, "rpm": 750.0, "duration_s": 40.0}
    return study(tmp_path_factory.mktemp("ride"), spec, "ride", parts, 'limit_db = 4\nreading = "laeq"\n')


@pytest.fixture(scope="module")
def run_up(tmp_path_factory):
    parts = {"original": (TONES, (5.0, 3.0, 9.0)), "candidate-A": (LOUDER, (6.0, 3.6, 10.8))}
    spec = {**QUIET, "rpm": 1000.0, "run_to_rpm": 4000.0, "wander": 0.002, "duration_s": 24.0}
    return study(tmp_path_factory.mktemp("run-up"), spec, "run-up", parts, 'limit_db = 4\nreading = "order_level"\n')


def weighted_square(capture, tones):
    """Mean square of the weighted tones, along the speed as it was, and of the white noise up to half the rate."""
    hertz = np.linspace(10.0, RATE_HZ / 2.0, 5000)
    noise = (NOISE * tones[0][1] / TONES[0][1]) ** 2 * np.mean(a_weighting(hertz) ** 2) * (1.0 - 20.0 / RATE_HZ)
    return noise + sum(rms**2 * np.mean(a_weighting(order * capture.speed_hz) ** 2) for order, rms in tones)


@pytest.mark.parametrize(("part", "tones"), [("original", TONES), ("candidate-A", LOUDER)])
@pytest.mark.parametrize("kind", ["ride", "run_up"])
def test_weighted_level_of_a_capture_is_that_of_what_was_heard(kind, part, tones, request):
    """Within three standard uncertainties and what the filter says it may err by."""
    run, truth = request.getfixturevalue(kind)
    found = reading(run, part, "laeq")
    room = 3.0 * found["std_uncertainty"] + found["extra"]["filter_error_db"]
    assert found["value"] == pytest.approx(decibels(weighted_square(truth[part], tones)), abs=room)
    assert room < (0.2 if kind == "ride" else 2.2)


@pytest.mark.parametrize("part", ["original", "candidate-A"])
def test_ride_reads_the_weighted_acceleration_put_in(ride, part):
    """Half a percent more than three uncertainties, for the table's three digits and the wander."""
    run, truth = ride
    amplitude = truth[part].mean_amplitude(2.0)
    expected = np.sqrt(np.sum((amplitude * TABLE_25_HZ) ** 2) / 2.0)
    found = reading(run, part, "weighted_rms", "rss")
    assert found["value"] == pytest.approx(expected, abs=3.0 * found["std_uncertainty"] + 0.005 * expected)


@pytest.mark.parametrize(("part", "tones"), [("original", TONES), ("candidate-A", LOUDER)])
def test_order_levels_of_a_run_up_are_those_put_in(run_up, part, tones):
    """Level, and A-weighted level to 0.2 dB: at the mean frequency alone A is 1.5 dB less than along the run-up."""
    run, truth = run_up
    for order, rms in tones:
        found = reading(run, part, "order_level", order=order)
        assert found["value"] == pytest.approx(decibels(rms**2), abs=3.0 * found["std_uncertainty"])
        assert 0.0 < found["std_uncertainty"] < 0.05
        square = rms**2 * np.mean(a_weighting(order * truth[part].speed_hz) ** 2)
        assert found["extra"]["a_weighted_level"] == pytest.approx(decibels(square), abs=0.2)
    assert reading(run, part, "order_level", order=2.0)["line_name"] == "engine order 2"


def test_order_nobody_put_in_has_no_level_and_says_so(run_up):
    """Neither a level nor figures made from the logarithm of nothing."""
    run, _ = run_up
    found = reading(run, "original", "order_level", order=0.5)
    assert found["value"] is None
    assert found["absent"]["code"] == "at_floor"
    assert "a_weighted_level" not in found["extra"]
    assert "-29" not in found["absent"]["detail"]


def test_firing_order_felt_in_a_run_up_is_that_put_in_beside_a_microphone(run_up):
    run, truth = run_up
    for part in truth:
        found = reading(run, part, "firing_order", "rss", 2.0)
        true = float(np.sqrt(np.sum(truth[part].mean_amplitude(2.0) ** 2)) / MILLI_G)
        assert found["value"] == pytest.approx(true, abs=3.0 * found["std_uncertainty"])


@pytest.mark.parametrize(("kind", "name"), [("ride", "laeq"), ("run_up", "order_level")])
def test_three_decibels_more_are_told_as_such(kind, name, request):
    run, _ = request.getfixturevalue(kind)
    found = next(c for c in run.comparisons if c["reading"] == name and c["carries_verdict"])
    assert found["change_db"] == pytest.approx(3.0, abs=0.15)
    assert found["unit"] == "dB"
