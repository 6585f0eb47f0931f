"""Averaged spectra: calibration, the block rule, merging, other averagings, refusals."""

import pickle

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from thrumline.pipeline.kernels.spectra import (
    SpectralSum,
    SpectrumPlan,
    chi_square_band,
    coherent_averages,
    effective_averages,
)

PAIRS = ((0, 1), (0, 2), (1, 2))


def result_of(values, plan, cuts=()):
    sums = SpectralSum(plan, values.shape[0])
    for part in np.split(values, sorted(cuts), axis=1):
        sums.push(part)
    return sums.result()


def noise(n, seed=0, channels=3):
    return np.random.default_rng(seed).standard_normal((channels, n)) + 0.5


def assert_same(one, other, rtol=1e-12):
    for name in ("auto", "cross", "scatter"):
        a, b = getattr(one, name), getattr(other, name)
        if a is None:
            assert b is None
            continue
        assert np.allclose(a, b, rtol=0.0, atol=rtol * np.max(np.abs(a), initial=1e-300)), name
    assert (one.n_segments, one.n_effective) == (other.n_segments, other.n_effective)


@pytest.mark.parametrize("frequency", [8.0, 8.5, 11.3])
@pytest.mark.parametrize("window", ["hann", "hft95"])
def test_line_power_is_that_of_the_sine(frequency, window):
    """Whatever the place between bins, a line's bins hold half of the squared peak (noise bandwidth taken out)."""
    t = np.arange(4096) / 64.0
    plan = SpectrumPlan(64.0, 256, 128, window=window)
    result = result_of(3.0 * np.sin(2 * np.pi * frequency * t)[None], plan)
    assert result.scaled("density").band_mean_square(1, 128)[0] == pytest.approx(4.5, rel=1e-3)


def test_constant_reads_its_own_size_at_zero_hertz():
    """0 Hz has no mirror image: amplitude and rms of a constant are the constant."""
    plan = SpectrumPlan(64.0, 64, 32, remove_mean=False)
    result = result_of(np.full((1, 640), -2.0), plan)
    assert result.scaled("amplitude").values[0, 0] == pytest.approx(2.0)
    assert result.scaled("rms").values[0, 0] == pytest.approx(2.0)


def test_alternating_signal_reads_its_own_size_at_the_nyquist_frequency():
    values = np.array([[1.5, -1.5] * 320])
    assert result_of(values, SpectrumPlan(64.0, 64, 32)).auto[0, -1] == pytest.approx(2.25)


@pytest.mark.parametrize("scaling", ["amplitude", "rms", "power", "density"])
def test_scalings_convert_back_to_themselves(scaling):
    result = result_of(noise(2000), SpectrumPlan(64.0, 128, 64))
    there = result.scaled(scaling)
    for via in ("amplitude", "rms", "power", "density"):
        assert there.to(via).to(scaling).values == pytest.approx(there.values, rel=1e-12)
        assert there.to(via).scaling == via


def test_mean_of_each_segment_is_gone_without_a_trace():
    """9.81 on one axis changes no bin by more than rounding, with any window."""
    values = noise(2000, channels=1)
    for window in ("hann", "blackman-harris", "hft116d", "rectangle"):
        plan = SpectrumPlan(100.0, 200, 100, window=window)
        assert_same(result_of(values, plan), result_of(values + 9.81, plan), rtol=1e-11)
        assert result_of(values + 9.81, plan).auto[0, 0] < 1e-25


@settings(deadline=None, max_examples=30)
@given(
    cuts=st.lists(st.integers(1, 1499), max_size=10), hop=st.integers(20, 100),
    averaging=st.sampled_from(["linear", "exponential", "peak-hold"]),
)  # fmt: skip
def test_cutting_anywhere_changes_nothing(cuts, hop, averaging):
    """The block rule, 1e-12 of the largest value, for every averaging."""
    plan = SpectrumPlan(50.0, 100, hop, averaging=averaging, pairs=() if averaging == "peak-hold" else PAIRS)
    assert_same(result_of(noise(1500), plan), result_of(noise(1500), plan, cuts))


@settings(deadline=None, max_examples=20)
@given(share=st.integers(1, 25), averaging=st.sampled_from(["linear", "exponential", "peak-hold"]))
def test_two_workers_on_one_run_merge_to_the_whole(share, averaging):
    """Parts that start on the grid and overlap by length less hop."""
    plan = SpectrumPlan(50.0, 100, 50, averaging=averaging, pairs=() if averaging == "peak-hold" else PAIRS)
    values, cut = noise(1500), share * 50
    first, second = SpectralSum(plan, 3), SpectralSum(plan, 3)
    first.push(values[:, : cut + 50], 0, 0)
    second.push(values[:, cut:], 0, cut)
    first.merge(pickle.loads(pickle.dumps(second)))
    assert_same(result_of(values, plan), first.result())
    assert first.samples_used == 1500


def test_runs_share_no_segment():
    """Two runs of 150 samples hold 2 + 2 segments, and their averages count separately."""
    plan = SpectrumPlan(50.0, 100, 50)
    sums = SpectralSum(plan, 1)
    sums.push(noise(150, channels=1), run=0)
    sums.push(noise(150, channels=1), run=1)
    assert sums.result().n_segments == 4
    assert sums.result().n_effective == pytest.approx(2 * effective_averages(plan, (2,)))


def test_overlap_gains_less_than_it_repeats():
    """Averages that count: never more than segments, and more with overlap than without."""
    plain = effective_averages(SpectrumPlan(1.0, 128, 128), (20,))
    half = effective_averages(SpectrumPlan(1.0, 128, 64), (39,))
    assert plain == pytest.approx(20.0)
    assert 20.0 < half < 39.0


def test_exponential_average_is_the_weighted_mean_of_its_segments():
    """Weights 0.8**k from the newest, made to sum to one: worked out segment by segment."""
    values = noise(600, channels=1)
    plan = SpectrumPlan(50.0, 100, 100, averaging="exponential", decay=0.2)
    each = [result_of(values[:, k : k + 100], SpectrumPlan(50.0, 100, 100)).auto for k in range(0, 600, 100)]
    weights = 0.8 ** np.arange(5, -1, -1)
    assert result_of(values, plan).auto == pytest.approx(np.tensordot(weights / weights.sum(), each, 1), rel=1e-12)
    count = weights.sum() ** 2 / np.sum(weights**2)
    assert result_of(values, plan).n_effective == pytest.approx(count, rel=1e-12)


def test_peak_hold_keeps_the_largest_segment():
    values = noise(600, channels=1)
    each = [result_of(values[:, k : k + 100], SpectrumPlan(50.0, 100, 100)).auto for k in range(0, 600, 100)]
    held = result_of(values, SpectrumPlan(50.0, 100, 100, averaging="peak-hold"))
    assert held.auto == pytest.approx(np.max(each, axis=0), rel=1e-12)
    assert held.n_effective == 1.0
    assert held.scatter is None


def test_scatter_is_the_deviation_of_the_segments():
    values = noise(600, channels=1)
    each = [result_of(values[:, k : k + 100], SpectrumPlan(50.0, 100, 100)).auto for k in range(0, 600, 100)]
    assert result_of(values, SpectrumPlan(50.0, 100, 100)).scatter == pytest.approx(np.std(each, axis=0, ddof=1), rel=1e-9)


def test_scatter_of_a_steady_line_is_not_lost_in_its_size():
    """A line 120 dB over its modulation: the deviation of the segments is right to a percent."""
    t = np.arange(4000) / 100.0
    level = 1.0 + 1e-6 * (np.arange(4000) // 200 % 2)
    values = (level * np.sin(2 * np.pi * 10 * t))[None]
    result = result_of(values, SpectrumPlan(100.0, 200, 200))
    expected = np.std(np.tile([1.0, 1.0 + 2e-6], 10), ddof=1)
    assert result.scatter[0, 20] == pytest.approx(expected, rel=1e-2)


def test_cross_spectra_know_which_axis_leads():
    """X_1 a quarter turn behind X_0: conj(X_0) X_1 = -i times the product of amplitudes."""
    t = np.arange(1000) / 100.0
    values = np.array([2 * np.cos(2 * np.pi * 10 * t), 3 * np.cos(2 * np.pi * 10 * t - np.pi / 2)])
    result = result_of(values, SpectrumPlan(100.0, 200, 100, pairs=((0, 1),)))
    assert result.cross[0, 20] == pytest.approx(-6j, abs=1e-9)


def test_single_precision_carries_gravity_and_a_milli_g_line():
    """9.81 on the axis, a line of 0.01: right to 1e-4 in float32."""
    t = np.arange(8192) / 1024.0
    values = (9.81 + 0.01 * np.sin(2 * np.pi * 40 * t))[None]
    result = result_of(values, SpectrumPlan(1024.0, 1024, 512, dtype="float32"))
    assert np.sqrt(result.auto[0, 40]) == pytest.approx(0.01, rel=1e-4)


def test_memory_does_not_grow_with_the_record():
    sums = SpectralSum(SpectrumPlan(50.0, 100, 50, pairs=PAIRS), 3)
    sums.push(noise(1000))
    before = len(pickle.dumps(sums))
    for _ in range(20):
        sums.push(noise(1000))
    assert len(pickle.dumps(sums)) <= before + 64


def test_coherent_averages_fall_below_effective_ones():
    """Noise on a steady line is correlated linearly between overlapping segments, noise alone by the square."""
    plan = SpectrumPlan(1.0, 128, 64)
    assert coherent_averages(plan, (20,)) < effective_averages(plan, (20,))
    assert coherent_averages(SpectrumPlan(1.0, 128, 128), (20,)) == pytest.approx(20.0)


def test_band_narrows_with_averages_and_holds_one():
    wide, narrow = chi_square_band(5.0), chi_square_band(500.0)
    assert wide[0] < narrow[0] < 1.0 < narrow[1] < wide[1]


@pytest.mark.parametrize(
    ("field", "message"),
    [
        ({"rate_hz": 0.0}, "rate_hz 0.0: wanted a finite number above 0"),
        ({"averaging": "median"}, "averaging 'median': allowed are linear"),
        ({"decay": 0.0}, "decay 0.0: wanted above 0"),
        ({"averaging": "peak-hold", "pairs": PAIRS}, "peak-hold keeps no phase"),
        ({"dtype": "float16"}, "dtype 'float16': allowed"),
        ({"hop": 101}, "wanted 1 <= hop <= length"),
        ({"window": "boxy"}, "unknown window"),
        ({"pairs": ((1, 0),)}, r"wanted \(i, j\) with i < j"),
    ],
)
def test_plans_that_cannot_be_are_refused(field, message):
    with pytest.raises(ValueError, match=message):
        SpectrumPlan(**{"rate_hz": 50.0, "length": 100, "hop": 50, **field})


def test_misuse_is_refused():
    plan = SpectrumPlan(50.0, 100, 50)
    sums = SpectralSum(plan, 3)
    with pytest.raises(ValueError, match="no segment of 100 samples was complete"):
        sums.result()
    with pytest.raises(ValueError, match="block of 2 channels, planned for 3"):
        sums.push(np.zeros((2, 10)))
    with pytest.raises(ValueError, match="different plans do not merge"):
        sums.merge(SpectralSum(SpectrumPlan(50.0, 100, 25), 3))
    with pytest.raises(ValueError, match="allowed are amplitude"):
        result_of(noise(200), plan).scaled("amplitude").to("energy")
