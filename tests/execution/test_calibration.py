"""Calibration: a sensor that reads wrong is found out, and comes out right through the captures table."""

from __future__ import annotations

import json

import numpy as np
import pytest
from click.testing import CliRunner

from thrumline.pipeline.front.entry import cli
from thrumline.pipeline.kernels.calibration import turn_over
from thrumline.pipeline.kernels.signal_fit import tone_amplitude
from thrumline.pipeline.study import read_captures_table

G = 9.80665
GAIN, OFFSET = np.array([1.03, 0.97, 1.015]), np.array([0.12, -0.2, 0.05])
UP = {"x": (1, 0, 0), "y": (0, 1, 0), "z": (0, 0, 1)}


def write(path, acceleration, rate_hz=200.0, noise=0.003):
    """What a sensor of that gain and offset says (m s-2) of a true acceleration [3, n]."""
    rng = np.random.default_rng(len(path.name))
    said = acceleration * GAIN[:, None] + OFFSET[:, None] + noise * rng.standard_normal(acceleration.shape)
    t = np.arange(said.shape[1]) / rate_hz
    np.savetxt(path, np.column_stack([t, *said]), delimiter=",", header="time_s,x_m/s2,y_m/s2,z_m/s2", comments="",
               fmt="%.6f")  # fmt: skip


def thrumline(*words):
    return CliRunner().invoke(cli, [str(word) for word in words], standalone_mode=False)


@pytest.fixture
def six(tmp_path):
    """Six static files, in no particular order."""
    files = []
    for axis, direction in UP.items():
        for sign, word in ((-1, "down"), (1, "up")):
            path = tmp_path / f"{axis}-{word}.csv"
            write(path, sign * G * np.array(direction, float)[:, None] * np.ones((1, 1200)))
            files.append(path)
    return files


def test_turn_over_finds_gain_and_offset_of_each_axis(six):
    """Factor 1/gain and offset/gain, within five standard uncertainties (and those are honest)."""
    found = json.loads(thrumline("calibrate", "gravity", *six, "--json").output)
    for k, axis in enumerate("xyz"):
        assert abs(found["sensitivity"][axis] - 1 / GAIN[k]) < 5 * found["sensitivity_std"][axis]
        assert found["sensitivity_std"][axis] < 1e-4
        assert found["offset"][axis] == pytest.approx(OFFSET[k] / GAIN[k], abs=2e-3)


def test_calibrated_capture_reads_the_true_acceleration(six, tmp_path):
    """The printed cells, put into the table, bring a mis-calibrated capture back to the truth."""
    from thrumline.pipeline.api.captures import read_file
    from thrumline.pipeline.execution.samples import CaptureSamples

    cells = json.loads(thrumline("calibrate", "gravity", *six, "--json").output)["cells"]
    t = np.arange(4000) / 200.0
    true = np.stack([0.3 * np.sin(2 * np.pi * 11 * t), 0.2 * np.cos(2 * np.pi * 7 * t), G + 0 * t])
    write(tmp_path / "run.csv", true, noise=0.0)
    head = "file,platform,part,position,condition,repeat,sensitivity,offset\n"
    (tmp_path / "captures.csv").write_text(
        head + f"run.csv,p,original,seat rail,idle,1,{cells['sensitivity']},{cells['offset']}\n"
    )
    (row,) = read_captures_table(tmp_path / "captures.csv").rows
    read = read_file(tmp_path / "run.csv", row.mapping)
    samples = CaptureSamples(read.heads[0], read.sink.arrays(0), ["acceleration"])
    values = np.concatenate([b.values for run in samples.runs for b in samples.blocks(run, 0)], axis=1)
    np.testing.assert_allclose(values, true, atol=0.003)
    raw = read_file(tmp_path / "run.csv")
    wrong = CaptureSamples(raw.heads[0], raw.sink.arrays(0), ["acceleration"])
    off = np.concatenate([b.values for run in wrong.runs for b in wrong.blocks(run, 0)], axis=1)
    assert np.max(np.abs(off - true)) > 0.1, "without the calibration the capture is wrong, or this test checks nothing"


def test_a_position_that_is_missing_is_named(six):
    """Twice x up and never x down: the message says what is missing."""
    done = thrumline("calibrate", "gravity", *six[1:], six[1])
    assert "missing x down" in str(done.exception)


def test_cross_sensitivity_shows_as_an_angle():
    """An axis that swings 0.02 g sideways is 1.15 degrees off."""
    means = G * np.array([[1, 0.02, 0], [-1, -0.02, 0], [0, 1, 0], [0, -1, 0], [0, 0, 1], [0, 0, -1.0]])
    assert turn_over(means, np.full((6, 3), 1e-4)).tilt_deg == pytest.approx([1.1458, 0, 0], abs=1e-3)


def test_a_shaker_tone_gives_the_factor_of_its_axis(tmp_path):
    """10 m s-2 rms at 40 Hz, read with a gain of 1.015: factor 1/1.015; the tone may be a little off."""
    t = np.arange(8000) / 500.0
    z = G + 10 * np.sqrt(2) * np.sin(2 * np.pi * 40.05 * t)
    write(tmp_path / "tone.csv", np.stack([0 * t, 0 * t, z]), rate_hz=500.0)
    words = ("calibrate", "tone", tmp_path / "tone.csv", "--axis", "z", "--hz", "40", "--level", "10", "--detector", "rms")
    found = json.loads(thrumline(*words, "--json").output)
    assert found["sensitivity"]["z"] == pytest.approx(1 / GAIN[2], rel=1e-4)
    assert found["cells"] == {"sensitivity": f"z={found['sensitivity']['z']:.6g}"}


def test_a_tone_that_is_not_there_is_refused(tmp_path):
    """Noise alone gives no factor."""
    write(tmp_path / "none.csv", np.zeros((3, 4000)) + np.array([[0], [0], [G]]), rate_hz=500.0, noise=0.01)
    done = thrumline("calibrate", "tone", tmp_path / "none.csv", "--axis", "z", "--hz", "40", "--level", "10",
                     "--detector", "peak")  # fmt: skip
    assert "a tone at 40 Hz on axis z" in str(done.exception)


@pytest.mark.external
def test_tone_uncertainty_is_the_cramer_rao_bound():
    """Source: Kay 1993, example 3.14: sd(A) = sigma sqrt(2/N), over 100 noisy tones within 20 %."""
    rng = np.random.default_rng(5)
    t = np.arange(2000) / 1000.0
    found = np.array([tone_amplitude(np.sin(2 * np.pi * 40 * t) + 0.1 * rng.standard_normal(t.size), 1000.0, 40.0)
                      for _ in range(100)])  # fmt: skip
    bound = 0.1 * np.sqrt(2 / t.size)
    assert found[:, 0].std() == pytest.approx(bound, rel=0.20)
    assert found[:, 1].mean() == pytest.approx(bound, rel=0.02)


@pytest.mark.parametrize("offset_hz", [0.0, 0.4, -7.3])
def test_a_sound_calibrator_gives_the_pascals_in_a_volt(tmp_path, offset_hz):
    """94 dB is 1.0024 Pa rms: a microphone of 50 mV/Pa writes 50.12 mV, and reads 94 dB with the cell that comes out."""
    from thrumline.pipeline.api.captures import read_file
    from thrumline.pipeline.execution.samples import CaptureSamples

    rate_hz, rng = 8000.0, np.random.default_rng(4)
    t = np.arange(round(6 * rate_hz)) / rate_hz
    pressure = 1.0024 * np.sqrt(2) * np.sin(2 * np.pi * (1000.0 + offset_hz) * t) + 0.01 * rng.standard_normal(t.size)
    volts = 0.05 * pressure + 1e-3
    np.savetxt(tmp_path / "tone.csv", np.column_stack([t, volts]), "%.7f", ",", header="time_s,mic_V", comments="")
    words = ("calibrate", "tone", tmp_path / "tone.csv", "--axis", "p", "--axes", "p=+c1", "--hz", "1000", "--level", "94",
             "--detector", "dB")  # fmt: skip
    found = json.loads(thrumline(*words, "--json").output)
    assert found["sensitivity"]["p"] == pytest.approx(20.0, rel=2e-4)
    head = "file,platform,part,position,condition,repeat,axes,sensitivity\n"
    cells = f"tone.csv,p,original,cabin,idle,1,p=+c1,{found['cells']['sensitivity']}\n"
    (tmp_path / "captures.csv").write_text(head + cells)
    (row,) = read_captures_table(tmp_path / "captures.csv").rows
    read = read_file(tmp_path / "tone.csv", row.mapping)
    samples = CaptureSamples(read.heads[0], read.sink.arrays(0), ["pressure"])
    (channel,) = samples.signal.channels
    assert (channel.quantity, channel.unit, channel.position, channel.axis) == ("pressure", "Pa", "cabin", "p")
    values = np.concatenate([b.values for run in samples.runs for b in samples.blocks(run, 0)], axis=1)
    assert 20 * np.log10(values.std() / 20e-6) == pytest.approx(94.0, abs=0.002)


def test_a_level_in_decibels_is_a_microphones_alone(tmp_path):
    done = thrumline("calibrate", "tone", tmp_path / "x.csv", "--axis", "z", "--hz", "40", "--level", "94", "--detector", "dB")
    assert "dB for a microphone (axis p)" in str(done.exception)


def test_a_tone_many_bins_off_its_stated_frequency_is_still_found():
    """0.8 % off 1 kHz in 20 s is 160 bins: the fit starts at the highest bin, not at the stated frequency."""
    t = np.arange(160_000) / 8000.0
    noise = 0.1 * np.random.default_rng(6).standard_normal(t.size)
    assert tone_amplitude(2 * np.sin(2 * np.pi * 1008.013 * t) + noise, 8000.0, 1000.0)[0] == pytest.approx(2.0, rel=1e-3)
