"""Lines: floor, false-line rate, size and place with honest uncertainty, neighbours, groups."""

import numpy as np
import pytest

from thrumline.pipeline.kernels.line_fit import measured_line, measured_lines, noise_correlation
from thrumline.pipeline.kernels.line_groups import harmonic_groups, sideband_pairs
from thrumline.pipeline.kernels.lines import LineSpectrum, line_threshold, lines_and_floor, noise_floor
from thrumline.pipeline.kernels.spectra import SpectralSum, SpectrumPlan

RATE = 200.0


def spectrum_of(values, segment=800, overlap=0.5, window="hann"):
    """Averaged spectrum of some axes as the line kernels want it."""
    hop = round(segment * (1 - overlap))
    plan = SpectrumPlan(RATE, segment, hop, window=window)
    sums = SpectralSum(plan, values.shape[0])
    sums.push(values)
    result = sums.result()
    return LineSpectrum(
        result.auto, result.scatter, RATE / segment, plan.enbw_hz, result.n_segments, result.n_effective,
        result.n_coherent, sums.samples_used / RATE, overlap=overlap, window=window,
    )  # fmt: skip


def record(amplitudes, frequency, rng, noise=1.0, seconds=30, modulation=1.0):
    """One line on some axes, phases free, in white noise."""
    t = np.arange(round(seconds * RATE)) / RATE
    phases = rng.uniform(0, 2 * np.pi, (len(amplitudes), 1))
    tone = np.asarray(amplitudes)[:, None] * modulation * np.cos(2 * np.pi * frequency * t + phases)
    return tone + noise * rng.standard_normal(tone.shape)


def found_in(values, **kwargs):
    spectrum = spectrum_of(values, **kwargs)
    bins, floor = lines_and_floor(spectrum)
    return measured_lines(spectrum, floor, bins)


@pytest.mark.parametrize("segment", [200, 800, 6000])
def test_floor_of_white_noise_is_its_density(segment):
    """One-sided density 2 sigma**2 / fs within 3 %, for many averages and for a single transform."""
    spectrum = spectrum_of(np.random.default_rng(1).standard_normal((40, 6000)), segment)
    floor = noise_floor(spectrum.auto, spectrum.n_effective)
    density = floor / (2.0 * spectrum.enbw_hz)
    assert np.mean(density) == pytest.approx(2.0 / RATE, rel=0.03)


def test_lines_do_not_lift_the_floor():
    """Eighteen lines 50 dB over it, one every 5 Hz: the floor stays within 8 %, and all of them are found."""
    rng = np.random.default_rng(2)
    t = np.arange(6000) / RATE
    values = rng.standard_normal((10, 6000))
    quiet = np.mean(lines_and_floor(spectrum_of(values))[1])
    values += sum(30.0 * np.cos(2 * np.pi * 5.03 * k * t + k) for k in range(1, 19))
    bins, floor = lines_and_floor(spectrum_of(values))
    assert np.mean(floor) == pytest.approx(quiet, rel=0.08)
    assert sorted(bins) == [round(20.12 * k) for k in range(1, 19)]


def test_floor_follows_a_slope():
    """Noise that falls by 30 dB over the band: within 20 % at either end."""
    rng = np.random.default_rng(3)
    values = rng.standard_normal((30, 6000))
    filtered = np.zeros_like(values)
    for k in range(1, values.shape[1]):
        filtered[:, k] = 0.9 * filtered[:, k - 1] + values[:, k]
    spectrum = spectrum_of(filtered)
    floor = np.mean(noise_floor(spectrum.auto, spectrum.n_effective), axis=0) / (2.0 * spectrum.enbw_hz)
    f = np.arange(floor.size) * spectrum.bin_hz
    expected = 2.0 / RATE / np.abs(1 - 0.9 * np.exp(-2j * np.pi * f / RATE)) ** 2
    assert floor[60:-30:20] == pytest.approx(expected[60:-30:20], rel=0.2)


@pytest.mark.parametrize("segment", [200, 800, 6000])
def test_noise_alone_shows_no_more_lines_than_stated(segment):
    """200 spectra of three axes at one line in a hundred: two expected, more than seven would be chance of 1e-3."""
    rng = np.random.default_rng(4)
    false = 0
    for _ in range(200):
        spectrum = spectrum_of(rng.standard_normal((3, 6000)), segment)
        false += lines_and_floor(spectrum, 0.01)[0].size
    assert false <= 7


def test_threshold_rises_with_bins_and_falls_with_averages():
    assert line_threshold(12.0, 1000, 0.01) < line_threshold(12.0, 100_000, 0.01)
    assert line_threshold(100.0, 1000, 0.01) < line_threshold(12.0, 1000, 0.01)


@pytest.mark.parametrize(("ratio_db", "offset"), [(10, 0.0), (10, 0.5), (20, 0.3), (40, 0.0), (40, 0.5)])
def test_size_and_place_err_as_far_as_stated(ratio_db, offset):
    """100 records, axes 1 : 0.5 : 0.3: bias below a third of the uncertainty, normalised errors within 0.8 to 1.2."""
    rng = np.random.default_rng(5)
    peak = np.sqrt(2 * (2.0 / RATE) * 10 ** (ratio_db / 10))
    amplitudes = peak * np.array([1.0, 0.5, 0.3])
    frequency = 40.0 + offset * RATE / 800
    size, place = [], []
    for _ in range(100):
        spectrum = spectrum_of(record(amplitudes, frequency, rng))
        line = measured_line(spectrum, noise_floor(spectrum.auto, spectrum.n_effective), 160)
        size.append((line.amplitude - amplitudes) / line.amplitude_std)
        place.append((line.frequency_hz - frequency) / line.frequency_std_hz)
    assert np.max(np.abs(np.mean(size, axis=0)[:2])) < 0.33
    assert np.all((np.std(size, axis=0)[:2] > 0.75) & (np.std(size, axis=0)[:2] < 1.2))
    assert 0.75 < np.std(place) < 1.25


@pytest.mark.parametrize("overlap", [0.0, 0.75])
def test_place_errs_as_far_as_stated_at_other_overlaps(overlap):
    rng = np.random.default_rng(6)
    place = []
    for _ in range(120):
        spectrum = spectrum_of(record([1.0], 40.07, rng), overlap=overlap)
        line = measured_line(spectrum, noise_floor(spectrum.auto, spectrum.n_effective), 160)
        place.append((line.frequency_hz - 40.07) / line.frequency_std_hz)
    assert 0.8 < np.std(place) < 1.25


def test_modulation_widens_the_uncertainty():
    """A line whose level drifts over the segments: the stated error is far above that of the floor."""
    rng = np.random.default_rng(7)
    slow = 1.0 + 0.3 * np.sin(2 * np.pi * np.arange(6000) / 6000)
    steady, drifting = (
        found_in(record([1.0], 40.0, rng, noise=0.05, modulation=m))[0].amplitude_std[0] for m in (1.0, slow)
    )
    assert drifting > 10 * steady


def test_line_at_any_place_between_bins_reads_its_size():
    """Half-bin scalloping would cost 15 %; without noise to speak of the reading is right to 1e-4."""
    rng = np.random.default_rng(8)
    for frequency in (40.0, 40.05, 40.125, 40.2, 61.37):
        line = found_in(record([2.0, 0.7], frequency, rng, noise=1e-3))[0]
        assert line.amplitude == pytest.approx([2.0, 0.7], rel=2e-4)
        assert line.frequency_hz == pytest.approx(frequency, abs=1e-4)
        assert line.excess_width == pytest.approx(1.0, abs=1e-3)


@pytest.mark.parametrize("window", ["hamming", "blackman-harris", "hft95"])
def test_other_windows_read_the_same_line(window):
    rng = np.random.default_rng(9)
    line = found_in(record([2.0], 40.07, rng, noise=1e-3), window=window)[0]
    assert line.amplitude[0] == pytest.approx(2.0, rel=1e-3)
    assert line.frequency_hz == pytest.approx(40.07, abs=1e-3)


def test_side_lobes_of_a_strong_line_are_no_lines():
    """80 dB above the floor and half-way between bins: one line."""
    for window in ("hann", "hamming"):
        found = found_in(record([100.0], 40.125, np.random.default_rng(10), noise=0.1), window=window)
        assert len(found) == 1


def test_weak_line_beside_a_strong_one_is_found():
    """A thousandth of its neighbour, 8 Hz away."""
    rng = np.random.default_rng(11)
    values = record([100.0], 40.0, rng, noise=0.05) + record([0.1], 48.03, rng, noise=0.0)
    frequencies = sorted(line.frequency_hz for line in found_in(values))
    assert frequencies == pytest.approx([40.0, 48.03], abs=0.02)


def test_line_on_one_axis_alone_is_found():
    """Strongest first, and the silent axes read nothing beyond their uncertainty."""
    line = found_in(record([0.0, 0.5, 0.0], 30.1, np.random.default_rng(12)))[0]
    assert line.amplitude[1] == pytest.approx(0.5, abs=4 * line.amplitude_std[1])
    assert np.all(line.amplitude[[0, 2]] < 4 * line.amplitude_std[[0, 2]])


def test_wandering_line_is_wider_and_its_band_keeps_the_power():
    """Frequency wandering by 0.4 %: the fit reads low, the band within 3 %."""
    rng = np.random.default_rng(13)
    step = rng.standard_normal(6000)
    wander = np.zeros(6000)
    for k in range(1, 6000):
        wander[k] = wander[k - 1] * (1 - 1 / (3 * RATE)) + step[k] * 0.16 * np.sqrt(2 / (3 * RATE))
    values = np.cos(2 * np.pi * np.cumsum(40.0 + wander) / RATE)[None] + 1e-3 * rng.standard_normal((1, 6000))
    line = found_in(values)[0]
    assert line.excess_width > 1.1
    assert line.amplitude[0] < 0.97
    assert line.band_amplitude[0] == pytest.approx(1.0, abs=0.03)


def test_two_lines_within_a_bin_beat():
    """0.1 Hz apart, 0.3 of the amplitude: the segments' power scatters by some 40 %; one line alone by nothing."""
    rng = np.random.default_rng(14)
    t = np.arange(6000) / RATE
    alone = record([1.0], 40.0, rng, noise=0.02)
    both = alone + 0.3 * np.cos(2 * np.pi * 40.1 * t)
    assert found_in(alone)[0].beating < 0.02
    assert 0.25 < found_in(both)[0].beating < 0.6


def test_uncertainty_never_falls_below_the_least_possible():
    """sqrt(S / T) with the floor's own density."""
    for line in found_in(record([1.0, 0.3], 40.1, np.random.default_rng(15))):
        assert np.all(line.amplitude_std >= np.sqrt(line.floor_density / 30.0) * (1 - 1e-12))


def test_signal_without_noise_and_dead_axis_are_taken_as_they_are():
    """A pure sine on one axis, nothing on the other: one line, no warning, the dead axis reads 0."""
    t = np.arange(6000) / RATE
    values = np.array([np.cos(2 * np.pi * 40.1 * t), np.zeros(6000)])
    line = found_in(values)[0]
    assert line.amplitude == pytest.approx([1.0, 0.0], abs=1e-6)
    assert found_in(np.zeros((2, 6000))) == []


@pytest.mark.parametrize("segment", [16, 20, 50])
def test_spectrum_of_a_few_bins_is_searched_without_fault(segment):
    rng = np.random.default_rng(17)
    t = np.arange(segment) / RATE
    found = found_in((np.cos(2 * np.pi * 50 * t) + 0.01 * rng.standard_normal(segment))[None], segment=segment)
    assert all(abs(line.frequency_hz - 50.0) < RATE / segment for line in found)


def test_noise_of_neighbouring_hann_bins_is_correlated_by_two_thirds():
    assert noise_correlation("hann")[:3] == pytest.approx([1.0, 2 / 3, 1 / 6])
    assert noise_correlation("rectangle")[1] == 0.0


def test_edge_bins_are_refused():
    spectrum = spectrum_of(np.random.default_rng(16).standard_normal((1, 6000)))
    floor = noise_floor(spectrum.auto, spectrum.n_effective)
    with pytest.raises(ValueError, match="line at bin 0 or 0 of 401: wanted a neighbour"):
        measured_line(spectrum, floor, 0)
    assert measured_lines(spectrum, floor, []) == []


def test_multiples_are_grouped_under_their_fundamental():
    frequency = [10.03, 40.12, 20.06, 17.3, 30.09, 53.9]
    groups = harmonic_groups(frequency, [0.001] * 6, slack_hz=0.05)
    assert groups == [[(0, 1), (2, 2), (4, 3), (1, 4)]]


def test_two_lines_are_no_harmonic_group():
    assert harmonic_groups([10.0, 20.0], [0.001] * 2, slack_hz=0.05) == []


def test_sidebands_lie_at_equal_distances():
    frequency = [100.0, 90.0, 110.0, 95.0, 131.0]
    assert sideband_pairs(frequency, [0.01] * 5, 0, slack_hz=0.1, reach_hz=20.0) == [(1, 2, 10.0)]


def test_floor_of_one_bin_is_that_of_the_whole_spectrum_there():
    """The stretches left aside have no say in it: ends, middles and centres of stretches alike."""
    auto = np.random.default_rng([5, 1]).gamma(20.0, 0.05, (2, 301)) * np.linspace(1.0, 3.0, 301)
    whole = noise_floor(auto, 20.0, 3)
    for at in range(301):
        np.testing.assert_array_equal(noise_floor(auto, 20.0, 3, at=at)[:, 0], whole[:, at])
