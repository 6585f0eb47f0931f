"""Stage lines and metric highest_bin: names, neighbours, the conventional reading, refusals."""

import numpy as np
import pytest

from thrumline.pipeline.contracts import (
    Block,
    ChainSchema,
    ChannelSpec,
    Context,
    Fitness,
    SchemaError,
    SignalSpec,
    SpeedTrack,
)
from thrumline.pipeline.contracts.units import MILLI_G
from thrumline.pipeline.testing import IdleSpec, idle_capture
from thrumline.plugins.axes_combined import Combine, CombineSettings
from thrumline.plugins.metric_highest_bin import HighestBin, HighestBinSettings, nominal_firing_hz
from thrumline.plugins.peaks_lines import FindLines, LinesSettings
from thrumline.plugins.spectra_averaged import Spectrum, SpectrumSettings

RATE, SECONDS = 400.0, 30.0
AXES = tuple(ChannelSpec(a, "acceleration", "m s-2", "seat-rail", a) for a in "xyz")
SIGNAL = SignalSpec(AXES, True, RATE, SECONDS)
TIME = np.arange(round(RATE * SECONDS)) / RATE
TRACK_TIME = np.arange(0, SECONDS, 0.25)


def noise(seed=1, level=0.01):
    return level * np.random.default_rng(seed).standard_normal((3, TIME.size))


def turning(speed_hz, orders, axes=(1.0, 0.6, 0.3)):
    """Orders of a shaft whose speed is given at every sample."""
    angle = 2 * np.pi * np.cumsum(np.broadcast_to(speed_hz, TIME.size)) / RATE
    tone = sum(a * np.cos(order * angle + order) for order, a in orders.items())
    return np.array(axes)[:, None] * tone


def track(speed_hz, source="line", order=4.0):
    speed = np.interp(TRACK_TIME, TIME, np.broadcast_to(speed_hz, TIME.size))
    ones = np.ones(TRACK_TIME.size)
    return SpeedTrack(TRACK_TIME, speed, ones, source, order if source == "line" else None, ones, ones)


def products_of(values, speed=None):
    accumulator = Spectrum(SpectrumSettings()).open(SIGNAL, Context(SIGNAL), {})
    accumulator.accumulate(Block(values, 0, 0, 0.0, RATE))
    products = {"spectra": accumulator.finish(), "fitness": Fitness("fit", stretches=((0.0, SECONDS),))}
    products["combined"] = Combine(CombineSettings()).derive(products, Context(SIGNAL))
    return products if speed is None else {**products, "track": speed}


def lines_of(values, speed=None, settings=None, facts=None):
    stage = FindLines(settings or LinesSettings())
    return stage.derive(products_of(values, speed), Context(SIGNAL, facts or {"strokes": 4}))


def names(lines):
    return {round(line.frequency_hz, 1): line.name for line in lines.lines}


def codes(line):
    return [str(mark.code) for mark in line.marks]


def test_tachometer_proves_engine_orders():
    speed = 10.03
    lines = lines_of(noise() + turning(speed, {4.0: 1.0, 1.5: 0.2}), track(speed, "tachometer"))
    assert names(lines) == {40.1: "engine order 4", 15.0: "engine order 1.5"}
    assert lines.basis == "tachometer"
    assert lines.lines[0].order == 4.0


def test_speed_from_the_line_alone_proves_no_name():
    """One line, and the speed was taken from it."""
    lines = lines_of(noise() + turning(10.03, {4.0: 1.0}), track(10.03))
    assert names(lines) == {40.1: "assumed from nominal speed"}
    assert lines.basis == "assumed from nominal speed"


def test_two_further_orders_confirm_a_speed_from_the_line():
    values = noise() + turning(10.03, {4.0: 1.0, 2.0: 0.3, 8.0: 0.2})
    lines = lines_of(values, track(10.03))
    assert set(names(lines).values()) == {"engine order 4", "engine order 2", "engine order 8"}
    assert "confirmed by 2 further orders" in lines.basis
    one = lines_of(noise() + turning(10.03, {4.0: 1.0, 2.0: 0.3}), track(10.03))
    assert names(one)[40.1] == "assumed from nominal speed"


def test_half_orders_are_no_orders_of_a_two_stroke():
    values = noise() + turning(10.03, {2.0: 1.0, 1.5: 0.3})
    four, two = (lines_of(values, track(10.03, "logged"), facts={"strokes": s}) for s in (4, 2))
    assert names(four)[15.0] == "engine order 1.5"
    assert names(two)[15.0] == "undecided"


def test_line_off_every_order_is_undecided_while_speed_stands():
    """Fixed or accessory cannot be told."""
    values = noise() + turning(10.03, {4.0: 1.0}) + turning(1.0, {50.3: 0.3})
    assert names(lines_of(values, track(10.03, "tachometer")))[50.3] == "undecided"


def test_line_that_stays_sharp_while_speed_moves_is_fixed():
    """Speed 9.5 to 10.5: an order 5 would smear over 20 bins, 50 Hz stays on one."""
    speed = 10.0 + 0.5 * np.sin(2 * np.pi * TIME / SECONDS)
    values = noise() + turning(speed, {4.0: 1.0}) + turning(1.0, {50.0: 0.3})
    assert names(lines_of(values, track(speed, "tachometer")))[50.0] == "fixed frequency"


def test_stated_accessory_ratio_names_its_order():
    values = noise() + turning(10.03, {4.0: 1.0, 2.63: 0.3})
    settings = LinesSettings(accessory_ratios={"alternator": 2.63})
    named = names(lines_of(values, track(10.03, "tachometer"), settings))
    assert named[26.4] == "accessory order 2.63 (alternator)"
    assert names(lines_of(values, track(10.03, "tachometer")))[26.4] == "undecided"


def test_no_speed_leaves_every_line_undecided():
    lines = lines_of(noise() + turning(10.03, {4.0: 1.0, 2.0: 0.4}))
    assert set(names(lines).values()) == {"undecided"}
    assert lines.basis == "no speed"


def test_strongest_line_comes_first_with_its_size_on_each_axis():
    line = lines_of(noise() + turning(10.03, {4.0: 1.0, 2.0: 0.4})).lines[0]
    assert line.frequency_hz == pytest.approx(40.12, abs=1e-3)
    assert line.amplitudes == pytest.approx([1.0, 0.6, 0.3], abs=4 * line.std.max())
    assert line.std.max() < 1e-3


def test_neighbours_within_three_bins_are_unresolved_and_not_merged():
    """40.12 and 40.7 Hz, 2.3 bins apart: two lines, both marked."""
    values = noise() + turning(10.03, {4.0: 1.0}) + turning(1.0, {40.7: 0.8})
    lines = lines_of(values).lines
    assert len(lines) == 2
    assert all(codes(line) == ["unresolved"] for line in lines)
    assert "Hz away; bins are 0.25 Hz apart" in lines[0].marks[0].detail


def test_neighbour_within_a_bin_is_told_by_its_beating():
    """40.12 and 40.22 Hz: one peak, unresolved; the same line alone is not."""
    alone = noise() + turning(10.03, {4.0: 1.0})
    assert codes(lines_of(alone).lines[0]) == []
    both = lines_of(alone + turning(1.0, {40.22: 0.5})).lines
    assert codes(both[0]) == ["unresolved"]


def test_wander_that_the_track_explains_is_not_called_unresolved():
    speed = 10.03 + 0.04 * np.sin(2 * np.pi * TIME / 11.0)
    values = noise() + turning(speed, {4.0: 1.0, 2.0: 0.4, 6.0: 0.2})
    marked = {round(line.frequency_hz): codes(line) for line in lines_of(values, track(speed, "tachometer")).lines}
    assert marked[40] == []
    assert codes(lines_of(values).lines[0]) == ["unresolved"]


def test_harmonics_and_sidebands_are_noted():
    values = noise() + turning(1.0, {10.0: 0.5, 20.0: 0.3, 30.0: 0.2, 100.0: 2.0, 96.0: 0.4, 104.0: 0.4})
    lines = {round(line.frequency_hz): line.extra for line in lines_of(values).lines}
    assert lines[30]["harmonic"] == {"of_hz": pytest.approx(10.0, abs=1e-2), "multiple": 3}
    assert lines[100]["sidebands_hz"] == pytest.approx((4.0,), abs=0.02)


def test_quiet_capture_has_no_lines():
    assert lines_of(noise()).lines == ()
    assert lines_of(np.full((3, TIME.size), 9.81)).lines == ()


def test_lines_without_spectra_are_refused():
    with pytest.raises(SchemaError, match="stage lines: product spectra; found no product"):
        FindLines(LinesSettings()).schema(ChainSchema(SIGNAL))


# --- the conventional reading ---


def readings(values, facts=None, **settings):
    metric = HighestBin(HighestBinSettings(**settings))
    found = metric.readings(products_of(values), Context(SIGNAL, facts or {}))
    return {reading.combination: reading for reading in found}


def test_highest_bin_is_the_raw_bin():
    """Half-way between bins it reads 15.1 % low, as the conventional reading does."""
    read = readings(turning(1.0, {40.125: 1.0}, axes=(3, 4, 12)), band_hz=(30.0, 50.0))
    low = 8 / (3 * np.pi)
    assert read["rss"].value == pytest.approx(13.0 * low / MILLI_G, rel=1e-4)
    assert read["mean"].value == pytest.approx(19 / 3 * low / MILLI_G, rel=1e-4)
    assert (read["rss"].unit, read["rss"].detector) == ("mg", "peak")
    assert read["rss"].frequency_hz in (40.0, 40.25)


def test_band_leaves_stronger_lines_outside():
    values = turning(1.0, {40.0: 0.2, 60.0: 1.0})
    assert readings(values, band_hz=(30.0, 50.0))["rss"].frequency_hz == 40.0
    assert readings(values, band_hz=(30.0, 70.0))["rss"].frequency_hz == 60.0


@pytest.mark.parametrize(
    ("facts", "expected"),
    [
        ({"rpm": 600.0, "cylinders": 8, "strokes": 4}, 40.0),
        ({"rpm": 750.0, "cylinders": 4, "strokes": 4}, 25.0),
        ({"rpm": 700.0, "cylinders": 6}, 35.0),
        ({"rpm": 900.0, "cylinders": 3, "strokes": 4}, 22.5),
        ({"rpm": 720.0, "cylinders": 5, "strokes": 4}, 30.0),
        ({"rpm": 1200.0, "cylinders": 2, "strokes": 2}, 40.0),
        ({"rpm": 600.0, "cylinders": 8, "firing_order": 1.5}, 15.0),
        ({"cylinders": 8}, None),
        ({"rpm": 600.0}, None),
    ],
)
def test_nominal_firing_frequency(facts, expected):
    """rpm / 60 x cylinders x 2 / strokes; a stated order comes first."""
    assert nominal_firing_hz(facts) == (None if expected is None else pytest.approx(expected, abs=1e-9))


def test_without_a_band_it_looks_within_ten_percent_of_the_firing_frequency():
    values = turning(1.0, {43.5: 0.2, 45.0: 1.0, 35.0: 1.0})
    read = readings(values, {"rpm": 600.0, "cylinders": 8})["rss"]
    assert read.frequency_hz == 43.5
    assert read.extra["band_hz"] == pytest.approx([36.0, 44.0])


def test_without_band_and_speed_it_is_absent_with_its_code():
    for read in readings(turning(1.0, {40.0: 1.0})).values():
        assert read.value is None
        assert str(read.absent.code) == "no_speed"
        assert "no band_hz is set" in read.absent.detail


def test_firing_frequency_beyond_the_spectrum_is_absent():
    read = readings(turning(1.0, {40.0: 1.0}), {"rpm": 6000.0, "cylinders": 12})["rss"]
    assert str(read.absent.code) == "no_line"
    assert "no bin of the spectrum (0 to 200 Hz)" in read.absent.detail


def test_uncertainty_of_a_steady_line_is_that_of_the_floor():
    """60 captures: the scatter of the readings over the stated uncertainty is one."""
    errors = []
    for seed in range(60):
        values = noise(seed, 0.05) + turning(1.0, {40.0: 0.05})
        read = readings(values, band_hz=(39.0, 41.0))["rss"]
        errors.append((read.value, read.std_uncertainty))
    values, stated = np.array(errors).T
    assert np.std(values) == pytest.approx(np.median(stated), rel=0.5)


def test_idle_wander_makes_the_conventional_reading_low():
    """Wander of 0.4 %: the highest bin of 0.25 Hz reads 7 to 23 % below the firing line put in (12 simulated idles)."""
    low = []
    for seed in range(12):
        spec = IdleSpec(duration_s=SECONDS, rate_hz=RATE, rpm=600.0, cylinders=8, wander=0.004, am=0.0)
        capture = idle_capture(spec, seed)
        read = readings(capture.acceleration, {"rpm": 600.0, "cylinders": 8})["rss"]
        low.append(read.value / np.sqrt(np.sum(np.square(spec.amplitude_mg))) - 1.0)
    assert -0.23 < np.mean(low) < -0.07


def test_band_beyond_the_nyquist_frequency_is_refused_before_a_sample_is_read():
    schema = Combine(CombineSettings()).schema(Spectrum(SpectrumSettings()).schema(ChainSchema(SIGNAL)))
    with pytest.raises(SchemaError, match=r"band_hz; found 150 to 250 Hz; allowed: up to the Nyquist frequency, 200 Hz"):
        HighestBin(HighestBinSettings(band_hz=(150.0, 250.0))).schema(schema)
    with pytest.raises(SchemaError, match="stage highest_bin: product spectra"):
        HighestBin(HighestBinSettings()).schema(ChainSchema(SIGNAL))


def test_band_that_runs_backward_is_refused_by_the_settings():
    with pytest.raises(ValueError, match="the lower first"):
        HighestBinSettings(band_hz=(50.0, 40.0))
