"""The screen on every real capture at hand: signals no simulator of ours makes. Each outcome is argued."""

import re
from pathlib import Path

import numpy as np
import pytest

from thrumline.pipeline.contracts import Block, ChannelSpec, Context, SignalSpec
from thrumline.plugins.screen_samples import ScreenSettings, ScreenStage
from thrumline.plugins.screen_stretches import StretchSettings, StretchStage

CAPTURES = Path(__file__).resolve().parents[3] / "shared" / "captures"
G = 9.80665
pytestmark = pytest.mark.skipif(not CAPTURES.is_dir(), reason="the real captures are not beside this repository")


def judged(values, rate, axes="xyz", times=None, facts=None, **wanted):
    channels = tuple(ChannelSpec(a, "acceleration", "m s-2", "here", a) for a in axes[: len(values)])
    n = values.shape[1]
    times = np.arange(n) / rate if times is None else times
    signal = SignalSpec(channels, True, rate, n / rate)
    context = Context(signal, facts or {}, span_s=(float(times[0]), float(times[-1])))
    accumulator = ScreenStage(ScreenSettings()).open(signal, context, {})
    for first in range(0, n, 4000):
        part = slice(first, first + 4000)
        accumulator.accumulate(Block(values[:, part], 0, first, float(times[first]), rate, times[part]))
    screen = accumulator.finish()
    return screen, StretchStage(StretchSettings(**wanted)).derive({"screen": screen}, context)


def codes(fitness):
    return [str(reason.code) for reason in fitness.reasons]


def table(path, **how):
    return np.atleast_2d(np.genfromtxt(path, delimiter=",", **how).T)


def chainsaw(name):
    path = CAPTURES / "chainsaw" / f"{name}.csv"
    columns = np.genfromtxt(path, delimiter=",", names=True)
    values = np.array([columns[f"accel_{axis}"] for axis in "xyz"]) * G / 16384
    return values, columns["timestamp_ms"] / 1e3


@pytest.mark.parametrize("condition", ["off_0", "low_0", "low_1", "med_0", "med_1"])
def test_every_take_of_the_ceiling_fan_is_fit_where_0_9_s_are_asked(condition):
    """Coarse (1 LSB about 0.5 mg), an axis at rest on a dozen codes, gravity on all three axes: no fault."""
    paths = sorted((CAPTURES / "ceiling_fan" / f"fan_0_{condition}_weight").glob("*.csv"))
    assert len(paths) == 20
    for path in paths:
        screen, fitness = judged(table(path) * G, 200.0, minimum_duration_s=0.9)
        assert fitness.state == "fit", path.name
        assert set(codes(fitness)) <= {"aliased"}, path.name
        assert screen.n_clipped.tolist() == [0, 0, 0]
        assert fitness.facts["static_g"]["here"] == pytest.approx(1.0, abs=0.01)


def test_a_fan_take_of_one_second_is_short_where_thirty_are_asked():
    path = CAPTURES / "ceiling_fan" / "fan_0_low_0_weight" / "0001.csv"
    assert codes(judged(table(path) * G, 200.0)[1]) == ["aliased", "short"]


@pytest.mark.parametrize("condition", ["low_0", "low_1", "med_0", "med_1"])
def test_the_fans_dominant_line_is_told_as_perhaps_folded(condition):
    """80 Hz at 200 Hz sampling fits 120 Hz hum folded down; one second cannot always set it off from its floor."""
    told = 0
    for path in sorted((CAPTURES / "ceiling_fan" / f"fan_0_{condition}_weight").glob("*.csv")):
        reasons = judged(table(path) * G, 200.0, minimum_duration_s=0.9)[1].reasons
        told += any("118 to 122 Hz folded down" in reason.detail for reason in reasons)
    assert told >= 15


def test_the_fan_at_rest_has_no_line_to_fold():
    for path in sorted((CAPTURES / "ceiling_fan" / "fan_0_off_0_weight").glob("*.csv")):
        assert codes(judged(table(path) * G, 200.0, minimum_duration_s=0.9)[1]) == []


@pytest.mark.parametrize("thinned", [16, 32])
def test_the_driven_beam_is_fit_at_both_rates_and_short_where_thirty_are_asked(thinned):
    path = CAPTURES / "beam_shaker" / f"data_set_1_downsampled_by_{thinned}.csv"
    values = table(path, skip_header=1)[3:4] * G
    _, fitness = judged(values, 51_200.0 / thinned, axes="z", minimum_duration_s=15)
    assert (fitness.state, codes(fitness), fitness.cuts) == ("fit", [], ())
    assert codes(judged(values, 51_200.0 / thinned, axes="z")[1]) == ["short"]


@pytest.mark.parametrize("test", [1, 2, 3, 4, 5])
def test_the_shaking_tables_sines_are_neither_clipped_nor_eventful(test):
    """Sines of 0.5 to 6 Hz: slower than a frame, so every frame sees another slope."""
    values = table(CAPTURES / "shaking_table" / f"sinewave-test{test}.csv")
    _, fitness = judged(values, 100.0, axes="abc", minimum_duration_s=1.9)
    assert (fitness.state, codes(fitness), fitness.cuts) == ("fit", [], ())


@pytest.mark.parametrize("bits", [4, 5, 6, 8])
@pytest.mark.parametrize("test", [1, 3, 5])
def test_the_same_sines_through_a_coarser_converter_are_not_clipped(test, bits):
    values = table(CAPTURES / "shaking_table" / f"sinewave-test{test}.csv")
    step = 2 * np.abs(values).max() / 2**bits
    screen, _ = judged(np.round(values / step) * step, 100.0, axes="abc", minimum_duration_s=1.9)
    assert screen.n_clipped.tolist() == [0, 0, 0]


@pytest.mark.parametrize("test", [1, 2, 3, 4, 5])
def test_the_same_sines_held_at_nine_tenths_of_their_peak_are_clipped(test):
    values = table(CAPTURES / "shaking_table" / f"sinewave-test{test}.csv")
    held = 0.9 * np.abs(values).max(axis=1, keepdims=True)
    limited = np.clip(values, -held, held)
    screen, fitness = judged(limited, 100.0, axes="abc", minimum_duration_s=1.9)
    assert codes(fitness) == ["clipped"] * 3
    held_at = np.sum(np.abs(limited) >= held, axis=1)
    assert (screen.n_clipped <= held_at).all()
    # the 6 Hz sine has 16 samples a period: some of its crests meet the limit for two samples only
    assert (screen.n_clipped >= (0.2 if test == 5 else 0.9) * held_at).all()


def test_a_phone_at_rest_is_fit_at_its_noise_floor():
    _, fitness = judged(table(CAPTURES / "shaking_table" / "phone_at_rest.csv"), 100.0)
    assert (fitness.state, codes(fitness), fitness.cuts) == ("fit", [], ())
    assert fitness.facts["static_g"]["here"] == pytest.approx(1.013, abs=0.002)


def test_the_phone_in_the_wrong_unit_is_caught_by_its_static_vector():
    """The set writes m/s2 in one part and g in another, without saying so."""
    values = table(CAPTURES / "shaking_table" / "phone_at_rest.csv") / G
    _, fitness = judged(values, 100.0)
    assert codes(fitness) == ["static_vector"]
    assert "written in g and read as m/s2" in fitness.reasons[0].detail


@pytest.mark.parametrize("name", ["ambient_1", "chainsaw_1"])
def test_a_quiet_tree_and_a_sawn_tree_are_fit_where_ten_seconds_are_asked(name):
    """The saw at work is rough from end to end: its own usual level, not a row of events.

    Its line at 156 Hz stands 10 Hz below half the rate, and the published band goes up to 250 Hz.
    """
    values, times = chainsaw(name)
    screen, fitness = judged(values, 333.0, times=times, minimum_duration_s=10)
    assert (fitness.state, codes(fitness)) == ("fit", ["aliased"] if name == "chainsaw_1" else [])
    assert screen.n_clipped.tolist() == [0, 0, 0]


@pytest.mark.parametrize("limit_g", [0.4, 0.6])
def test_the_saw_through_a_sensor_of_too_small_a_range_is_clipped(limit_g):
    """Its line at 156 Hz is sampled at 333 Hz: it meets the limit without ever staying there for three."""
    values, times = chainsaw("chainsaw_1")
    offset = values.mean(axis=1, keepdims=True)
    held = np.clip(values - offset, -limit_g * G, limit_g * G) + offset
    at_limit = np.abs(np.abs(held - offset) - limit_g * G) < 1e-9
    assert at_limit.mean(axis=1).max() > 0.005
    assert "clipped" in codes(judged(held, 333.0, times=times, minimum_duration_s=10)[1])


def test_a_saw_that_starts_in_the_record_leaves_only_what_is_alike():
    """One starts at 2.5 s (quiet before: a lull), one at 9.1 s (quiet most of the time: a rise without end)."""
    values, times = chainsaw("chain_far_new_sd_c40")
    _, fitness = judged(values, 333.0, times=times, minimum_duration_s=8)
    assert (fitness.state, codes(fitness)) == ("fit", ["transient"])
    assert fitness.stretches[0][0] > 1.5
    values, times = chainsaw("chain_far_new_sd_c45")
    _, fitness = judged(values, 333.0, times=times, minimum_duration_s=6)
    assert (fitness.state, codes(fitness)) == ("fit", ["transient"])
    assert 6.0 < fitness.stretches[0][1] < 8.6
    assert len(fitness.stretches) == 1


def road():
    here = CAPTURES / "car_on_road" / "imu_accelerometer"
    return np.load(here / "value").T, np.load(here / "t")


def test_a_drive_on_the_road_is_used_where_it_is_even_and_its_bumps_are_told():
    """Not an idle at all, but nothing of its samples is wrong: gravity is there, no clipping, bumps are cut.

    Its second order runs up to 85 Hz, above half the rate, so a flag for folding is right too.
    """
    values, times = road()
    screen, fitness = judged(values, 104.26, times=times)
    assert set(codes(fitness)) <= {"transient", "short", "aliased"}
    assert screen.n_clipped.tolist() == [0, 0, 0]
    assert fitness.facts["static_g"]["here"] == pytest.approx(0.987, abs=0.01)


def earthquake():
    """The three components of the strong-motion record, g as written, times g."""
    text = (CAPTURES / "strong_motion" / "dmg" / "CE89146.V1").read_text(errors="replace").splitlines()
    heads = [i for i, line in enumerate(text) if "Accelerogram points at 200 pts/sec" in line]
    out = []
    for head in heads:
        rows = "".join(line.ljust(72)[:72] for line in text[head + 1 : head + 1 + 1650])
        out.append([float(rows[i : i + 9]) for i in range(0, 13_200 * 9, 9)])
    return np.array(out) * G, [float(re.search(r"Max\s+=\s+(\S+) g", line)[1]) for line in text if "Max  =" in line]


def test_an_earthquake_is_no_steady_capture():
    """66 s at rest, shaken, and dying away: no static vector (the zero is taken out), never wholly usable."""
    values, stated = earthquake()
    np.testing.assert_allclose(np.abs(values).max(axis=1) / G, np.abs(stated), atol=5e-4)
    screen, fitness = judged(values, 200.0)
    assert screen.n_clipped.tolist() == [0, 0, 0]
    assert fitness.cuts
    assert set(codes(fitness)) & {"transient", "two_states", "short"}
    shaken = (29.0, 33.0)
    assert not any(start < shaken[1] and stop > shaken[0] for start, stop in fitness.stretches)
