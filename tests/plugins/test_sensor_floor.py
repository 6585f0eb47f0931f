"""The sensor's stated noise against each reading: the floor is what the sensor alone would show, and says so."""

import numpy as np
import pytest

from thrumline.pipeline.api import Spread, run_study
from thrumline.pipeline.contracts import Block, ChannelSpec, Context, Reading, SignalSpec, judged_by_floor, sensor_floor
from thrumline.pipeline.contracts.units import MILLI_G
from thrumline.pipeline.kernels.weighting import noise_bandwidth_hz
from thrumline.pipeline.testing import IdleSpec, idle_capture
from thrumline.plugins.axes_combined import Combine, CombineSettings
from thrumline.plugins.metric_highest_bin import HighestBin, HighestBinSettings
from thrumline.plugins.spectra_averaged import Spectrum, SpectrumSettings
from thrumline.plugins.weighting_human import ExposureMetric, ExposureSettings, WeightedSettings, WeightedStage

RATE = 500.0
AXES = tuple(ChannelSpec(a, "acceleration", "m s-2", "seat rail", a) for a in "xyz")
_QUIET = IdleSpec(duration_s=40, rate_hz=400, rpm=750, amplitude_mg=(0.5, 0.4, 1.0), floor_mg_rthz=0.02)
DENSITY = {"x": 150.0, "y": 150.0, "z": 250.0}
FACTS = {"noise_density": tuple(DENSITY.items()), "rpm": 750.0, "cylinders": 4, "strokes": 4, "firing_order": None}


def sensor_noise(seconds, seed=1):
    """White noise of the stated one-sided density [m s-2]: variance = density**2 times half the rate."""
    rng = np.random.default_rng(seed)
    sigma = np.array([DENSITY[a] for a in "xyz"]) * 1e-3 * MILLI_G * np.sqrt(RATE / 2)
    return sigma[:, None] * rng.standard_normal((3, round(seconds * RATE)))


def context_of(seconds, facts=FACTS):
    return Context(SignalSpec(AXES, True, RATE, seconds), facts=facts)


def highest_bins(values, seconds, facts=FACTS, **settings):
    context = context_of(seconds, facts)
    estimator = Spectrum(SpectrumSettings()).open(context.signal, context, {})
    estimator.accumulate(Block(values, 0, 0, 0.0, RATE))
    spectra = estimator.finish()
    combined = Combine(CombineSettings()).derive({"spectra": spectra}, context)
    products = {"spectra": spectra, "combined": combined}
    return {r.combination: r for r in HighestBin(HighestBinSettings(**settings)).readings(products, context)}


def test_noise_of_the_stated_density_reads_its_floor_and_is_no_value():
    """Power averaged over the bins is the floor's exactly; the highest of some twenty lies a little above."""
    found = highest_bins(sensor_noise(120.0), 120.0)
    for combination in ("rss", "mean"):
        reading = found[combination]
        assert reading.absent.code == "at_floor"
        assert "noise density x=150 y=150 z=250 ug/sqrt(Hz), over 0.375 Hz" in reading.absent.detail
        ratio = reading.extra["under_sensor_floor"] / reading.extra["sensor_floor"]
        assert 1.0 < ratio < 1.7, combination
    assert found["rss"].extra["floor_mg"] == pytest.approx(found["rss"].extra["sensor_floor"], rel=0.1)


def test_a_line_well_above_the_floor_keeps_its_value_and_tells_the_floor():
    seconds = 60.0
    t = np.arange(round(seconds * RATE)) / RATE
    line = 5.0 * MILLI_G * np.sin(2 * np.pi * 25.0 * t)
    found = highest_bins(sensor_noise(seconds) + np.array([[0.0], [0.0], [1.0]]) * line, seconds)["rss"]
    assert found.value == pytest.approx(5.0, rel=0.02)
    # sqrt(2 (150^2 + 150^2 + 250^2) ug^2/Hz 0.375 Hz)
    assert found.extra["sensor_floor"] == pytest.approx(1e-3 * np.sqrt(2 * (2 * 150**2 + 250**2) * 0.375), rel=1e-6)


def test_without_a_stated_density_nothing_is_judged_by_it():
    found = highest_bins(sensor_noise(60.0), 60.0, facts={**FACTS, "noise_density": ()})
    assert found["rss"].value > 0
    assert "sensor_floor" not in found["rss"].extra


def test_the_factor_is_the_recipes():
    found = highest_bins(sensor_noise(60.0), 60.0, least_times_sensor_floor=0.5)
    assert found["rss"].absent is None


@pytest.mark.parametrize(
    ("combination", "detector", "unit", "expected"),
    [
        ("rss", "peak", "mg", np.sqrt(2) * np.sqrt(3) * 0.1 * 2),
        ("mean", "peak", "mg", np.sqrt(2) * 0.1 * 2),
        ("rss", "rms", "mg", np.sqrt(3) * 0.1 * 2),
        ("rss", "rms", "m/s2", np.sqrt(3) * 0.1 * 2 * 9.80665e-3),
    ],
)
def test_floor_is_density_times_root_bandwidth_in_the_readings_own_form(combination, detector, unit, expected):
    """100 ug/sqrt(Hz) over 4 Hz is 0.2 mg rms an axis."""
    like = Reading("r", "seat rail", combination, unit, detector, 1.0)
    facts = {"noise_density": (("x", 100.0), ("y", 100.0), ("z", 100.0))}
    assert sensor_floor(facts, AXES, 4.0, like).value == pytest.approx(expected, rel=1e-12)


def test_a_channel_without_an_axis_counts_as_the_noisiest():
    like = Reading("r", "hub", "rss", "mg", "rms", 1.0)
    facts = {"noise_density": (("x", 10.0), ("y", 20.0), ("z", 30.0))}
    assert sensor_floor(facts, [ChannelSpec("c", "acceleration", "m s-2", "hub")], 1.0, like).value == pytest.approx(0.03)


def test_exactly_the_asked_times_the_floor_is_a_value_and_just_under_is_none():
    like = Reading("r", "seat rail", "mean", "mg", "rms", 0.3)
    facts = {"noise_density": (("x", 100.0), ("y", 100.0), ("z", 100.0))}
    floor = sensor_floor(facts, AXES, 1.0, like)
    assert judged_by_floor(like, floor, 3.0 - 1e-9).value == 0.3
    assert judged_by_floor(like, floor, 3.001).absent.code == "at_floor"


def test_weighted_noise_reads_the_floor_of_its_weighting():
    """Noise through the digital filters against density times the root of the weighting's noise bandwidth."""
    seconds = 300.0
    values = sensor_noise(seconds, 7)
    context = context_of(seconds)
    weighing = WeightedStage(WeightedSettings()).open(context.signal, context, {})
    weighing.accumulate(Block(values, 0, 0, 0.0, RATE))
    for reading in ExposureMetric(ExposureSettings()).readings({"exposure_sums": weighing.finish()}, context):
        assert reading.absent.code == "at_floor", reading.reading
        ratio = reading.extra["under_sensor_floor"] / reading.extra["sensor_floor"]
        # mtvv is the largest of 300 seconds, each scattering
        assert ratio == pytest.approx(1.0, abs=0.04) or (reading.reading == "mtvv" and 1.0 < ratio < 1.6)


def test_the_noise_bandwidth_of_a_weighting_is_that_of_its_own_filter():
    """Against the squares of the digital filter's impulse response: the sum is the mean square of unit noise."""
    from thrumline.pipeline.kernels.filter_fit import WeightedStream
    from thrumline.pipeline.kernels.weighting import weighting_filter

    fs = 1000.0
    for weighting in ("Wk", "Wd"):
        pulse = np.zeros((1, 200_000))
        pulse[0, 0] = 1.0
        response = WeightedStream(weighting_filter(weighting, fs), 1).push(pulse)
        assert noise_bandwidth_hz(weighting, fs) == pytest.approx(np.sum(response**2) * fs / 2, rel=0.01)


def test_an_order_near_the_sensors_noise_is_absent_in_the_study_with_the_figures(tmp_path):
    """The table's figure reaches the reading and the comparison: a 1.2 mg line at 400 ug/sqrt(Hz) gets no percent."""
    run = _study(tmp_path, "400")
    for reading in run.readings:
        if reading["reading"] == "firing_order" and reading["combination"] == "rss":
            assert reading["value"] is None
            assert "under 3 times the sensor's floor" in reading["absent"]["detail"]
    (verdict,) = [c for c in run.comparisons if c["carries_verdict"]]
    assert verdict["verdict"] == "no_verdict"
    (why,) = [r["detail"] for r in verdict["reasons"] if r["code"] == "at_floor" and r["detail"].startswith("original")]
    assert "2 of 2 repeats at the floor" in why
    assert "ug/sqrt(Hz), over 1 Hz" in why


def test_a_quiet_sensors_figure_leaves_the_verdict_alone(tmp_path):
    run = _study(tmp_path, "25")
    (verdict,) = [c for c in run.comparisons if c["carries_verdict"]]
    assert verdict["verdict"] != "no_verdict"
    assert verdict["percent_change"] is not None


def _study(folder, density):
    rows = ["file,platform,part,position,condition,repeat,cylinders,rpm,unit,noise_density"]
    for number, part in enumerate(("original", "candidate-A", "original", "candidate-A")):
        made = idle_capture(_QUIET, number)
        table = np.column_stack([made.time_s, *made.acceleration / (1e3 * MILLI_G)])
        np.savetxt(folder / f"{number}.csv", table, delimiter=",", header="t_s,x_g,y_g,z_g", comments="", fmt="%.7f")
        rows.append(f"{number}.csv,Dunlin 2.0,{part},seat rail,idle-drive,{number // 2 + 1},4,750,g,{density}")
    (folder / "captures.csv").write_text("\n".join(rows) + "\n")
    (folder / "study.toml").write_text(
        'title = "t"\ncaptures = "captures.csv"\nbaseline = "original"\nlimit_percent = 15\n'
    )
    return run_study(folder / "study.toml", archive_dir=folder / "archive", spread=Spread(workers=1))
