"""Spectra, lines and resampling on real captures: a beam driven at published frequencies, a shaking table, a fan.

The numbers held against are those published with the captures, the reference instrument beside the phones, or
plain arithmetic; where it is an inference the test says so.
"""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from thrumline.pipeline.kernels.clock import clock_fit
from thrumline.pipeline.kernels.interpolation import hann_two_bins
from thrumline.pipeline.kernels.line_fit import measured_line, measured_lines
from thrumline.pipeline.kernels.lines import LineSpectrum, lines_and_floor, noise_floor
from thrumline.pipeline.kernels.spectra import SpectralSum, SpectrumPlan
from thrumline.pipeline.kernels.uneven_resampling import GridResampler

CAPTURES = Path(__file__).resolve().parents[3] / "shared" / "captures"
pytestmark = pytest.mark.skipif(not CAPTURES.is_dir(), reason="the real captures are not beside this repository")

# P. Chowdhury, A. Downey, J. D. Bakos, P. Conrad, "Dataset-4-univariate-signal-with-nonstationarity", 2021, README
BEAM_LINES = (100.0, 120.0, 150.0)


def averaged(values, rate, segment):
    plan = SpectrumPlan(rate, segment, segment // 2)
    sums = SpectralSum(plan, values.shape[0])
    sums.push(values)
    return sums, sums.result()


def spectrum_of(values, rate, segment):
    sums, result = averaged(values, rate, segment)
    return LineSpectrum(
        result.auto, result.scatter, rate / segment, sums.plan.enbw_hz, result.n_segments, result.n_effective,
        result.n_coherent, sums.samples_used / rate,
    )  # fmt: skip


def beam(name):
    table = pd.read_csv(CAPTURES / "beam_shaker" / f"data_set_1_downsampled_by_{name}.csv")
    fit = clock_fit(table["time_s"].to_numpy())
    return table["acceleration_g"].to_numpy()[None], fit


def beam_lines(name):
    values, fit = beam(name)
    spectrum = spectrum_of(values, fit.rate_hz, round(4 * fit.rate_hz))
    floor = noise_floor(spectrum.auto, spectrum.n_effective)
    return measured_lines(spectrum, floor, [round(f / spectrum.bin_hz) for f in BEAM_LINES])


@pytest.mark.parametrize(("name", "rate"), [("16", 3200.0), ("32", 1600.0)])
def test_beam_clock_is_uniform_at_its_stated_rate(name, rate):
    """Six decimals: steps alternate between 312 and 313 microseconds, yet the grid is exact."""
    fit = beam(name)[1]
    assert fit.uniform
    assert fit.rate_hz == rate
    assert fit.gaps == ()


@pytest.mark.external
@pytest.mark.parametrize("name", ["16", "32"])
def test_beam_shows_its_published_lines(name):
    """100, 120 and 150 Hz within 0.05 Hz, and nothing stronger than them (source: BEAM_LINES)."""
    lines = beam_lines(name)
    assert [line.frequency_hz for line in lines] == pytest.approx(BEAM_LINES, abs=0.05)
    values, fit = beam(name)
    bins, _ = lines_and_floor(spectrum_of(values, fit.rate_hz, round(4 * fit.rate_hz)))
    assert sorted(bins[:3] * 0.25) == list(BEAM_LINES)


def test_beam_amplitudes_agree_between_its_two_rates():
    """The same test recorded at 1600 and 3200 Hz: within 2 %, and 150 Hz is the largest in acceleration."""
    slow, fast = ([float(line.amplitude[0]) for line in beam_lines(name)] for name in ("32", "16"))
    assert slow == pytest.approx(fast, rel=0.02)
    assert np.argmax(fast) == 2
    # measured with another program when the capture was collected
    assert fast == pytest.approx([0.0440, 0.0511, 0.0835], rel=0.02)


# drive frequencies read off the reference channel by the collector of the captures, Hz and m s-2
TABLE = {"test1": (0.5, 0.521), "test2": (0.5, 1.060), "test3": (2.0, 0.509), "test4": (2.0, 4.889), "test5": (6.0, 1.664)}


@pytest.mark.parametrize("name", TABLE)
def test_phones_read_one_to_five_percent_below_the_reference(name):
    """Two phones on a shaking table beside a reference accelerometer: line amplitude by the two-bin formula."""
    table = np.genfromtxt(CAPTURES / "shaking_table" / f"sinewave-{name}.csv", delimiter=",").T[:3]
    frequency, amplitude = TABLE[name]
    # whole periods of the drive, so that a short record has no leakage of its own
    period = 100.0 / frequency
    n = int(np.floor(table.shape[1] / period) * period)
    _, result = averaged(table[:, :n], 100.0, n)
    at = round(frequency * n / 100.0)
    line = hann_two_bins(np.sqrt(result.auto[:, at - 1 : at + 2]))
    place = (at + line.offset) * 100.0 / n
    assert place == pytest.approx(np.full(3, frequency), abs=0.05)
    assert line.height[0] == pytest.approx(amplitude, rel=0.03)
    for phone in (1, 2):
        assert -0.05 < line.height[phone] / line.height[0] - 1.0 < -0.01


def fan(condition):
    """Twenty takes of one second of one fixing, as runs of one average."""
    plan = SpectrumPlan(200.0, 200, 100)
    sums = SpectralSum(plan, 3)
    for run, path in enumerate(sorted((CAPTURES / "ceiling_fan" / condition).glob("*.csv"))):
        sums.push(np.genfromtxt(path, delimiter=",").T[:3], run)
    return sums.result()


def test_fan_line_stands_at_80_hertz_at_each_speed_and_is_absent_when_off():
    """It does not move with speed: mains hum folded at 200 Hz (inference). x axis about 10 and 24 mg, off nothing."""
    low, medium, off = (fan(f"fan_0_{name}_0_weight") for name in ("low", "med", "off"))
    for result, milli_g in ((low, 10.0), (medium, 24.0)):
        at = 70 + int(np.argmax(result.auto[0, 70:91]))
        assert at == 80
        assert 1000 * np.sqrt(result.auto[0, at]) == pytest.approx(milli_g, rel=0.15)
        assert low.n_segments == 20
    assert off.auto[0, 80] < 0.1 * low.auto[0, 80]


def test_fan_weight_lowers_the_line():
    """A coin on a blade lowers the 80 Hz line at both speeds, as the collector found."""
    for speed in ("low", "med"):
        without, weighted = (np.sqrt(fan(f"fan_0_{speed}_{k}_weight").auto[0, 80]) for k in (0, 1))
        assert weighted < without


def chainsaw(name):
    table = pd.read_csv(CAPTURES / "chainsaw" / f"{name}.csv")
    ticks = table["timestamp_ms"].to_numpy()
    return table[["accel_x", "accel_y", "accel_z"]].to_numpy(dtype=float).T, ticks


@pytest.mark.parametrize("name", ["chainsaw_1", "ambient_1", "chain_far_new_sd_c40", "chain_far_new_sd_c45"])
def test_whole_millisecond_logger_is_steady_and_not_uniform(name):
    """Stated 333 Hz; steps of 2 to 7 ms, no stamp fits a grid, none of the steps is a hole."""
    fit = clock_fit(chainsaw(name)[1], tick_s=1e-3)
    assert fit.rate_hz == pytest.approx(333.0, abs=0.1)
    assert fit.steady
    assert not fit.uniform
    assert fit.gaps == ()


def test_chainsaw_line_lies_in_its_published_band_after_resampling():
    """Published "dense, continuous vibration (150-250 Hz)"; x strongest near 156 Hz, about 607 counts on a 0.25 Hz
    or coarser grid (measured by the collector without resampling, so only within a third).
    """
    counts, ticks = chainsaw("chainsaw_1")
    fit = clock_fit(ticks, tick_s=1e-3)
    grid = GridResampler(fit.rate_hz)
    made = np.concatenate([grid.push(counts, ticks / 1000.0), grid.flush()], axis=1)
    assert made.shape[1] == pytest.approx(fit.duration_s * fit.rate_hz, abs=2)
    spectrum = spectrum_of(made[:1], fit.rate_hz, 1332)
    bins, floor = lines_and_floor(spectrum)
    strongest = measured_line(spectrum, floor, int(bins[np.argmax(spectrum.auto[0, bins])]))
    assert 150.0 <= strongest.frequency_hz <= 166.5


def test_car_imu_clock_is_104_hertz_and_its_resampling_keeps_gravity():
    """Full-precision stamps since boot: not uniform, no gaps, the mean of "down" stays -9.66."""
    folder = CAPTURES / "car_on_road" / "imu_accelerometer"
    times, values = np.load(folder / "t"), np.load(folder / "value").T
    fit = clock_fit(times)
    assert fit.rate_hz == pytest.approx(104.26, abs=0.01)
    assert not fit.uniform
    assert fit.gaps == ()
    grid = GridResampler(fit.rate_hz)
    made = np.concatenate([grid.push(values, times), grid.flush()], axis=1)
    assert made.mean(axis=1) == pytest.approx(values.mean(axis=1), abs=2e-3)
    # what lies above 0.85 of the Nyquist frequency is not kept
    assert np.all((made.std(axis=1) / values.std(axis=1) > 0.96) & (made.std(axis=1) / values.std(axis=1) < 1.002))
