"""Clipping is found where a limiter was at work, and nowhere else: not on coarse, quiet or slow channels."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from thrumline.pipeline.kernels.clipping import (
    ClipRule,
    ExtremeCount,
    at_full_scale,
    clipped_samples,
    extreme_count,
    least_difference,
)
from thrumline.pipeline.kernels.run_lengths import run_tally
from thrumline.pipeline.kernels.stuck import equal_runs

RULE = ClipRule()


def clipped(values, rule=RULE):
    """Samples in clipped runs, both sides together."""
    equal, spread = equal_runs(values), float(np.ptp(values))
    sides = extreme_count(values), extreme_count(-values)
    step = min(equal.step, least_difference(*sides))
    return sum(clipped_samples(side, equal.n_equal, step, spread, rule)[0] for side in sides)


def quantised(values, step):
    return np.round(values / step) * step


def test_a_sine_driven_one_percent_over_full_scale_shows_its_closed_form_share():
    """A sine of 1 is over the limit c for acos(c) / pi of its period on each side."""
    n, limit = 200_000, 0.99
    sine = np.sin(2 * np.pi * 0.00731 * np.arange(n))
    found = clipped(quantised(np.clip(sine, -limit, limit), limit / 8192)) / n
    assert found == pytest.approx(2 * np.arccos(limit) / np.pi, rel=0.02)


@pytest.mark.parametrize("over", [1.03, 1.1, 1.5, 3.0])
@pytest.mark.parametrize("codes", [128, 2048, 32768])
def test_an_overdriven_sine_is_clipped_at_any_width_of_the_converter(over, codes):
    sine = over * np.sin(2 * np.pi * 0.0173 * np.arange(40_000))
    assert clipped(quantised(np.clip(sine, -1, 1), 1 / codes)) > 0.02 * 40_000


@pytest.mark.parametrize("over", [1.2, 2.0, 4.0])
def test_overdriven_noise_is_clipped(over):
    """Low-passed noise whose peaks are cut off, as an engine-side sensor of too small a range sees it."""
    rng = np.random.default_rng(1)
    noise = np.convolve(rng.standard_normal(60_000), np.ones(12) / np.sqrt(12), "same")
    limited = np.clip(noise, -3 / over, 3 / over)
    by_hand = sum(
        len(run)
        for side in (limited, -limited)
        for run in np.split(side, np.flatnonzero(np.diff(side)) + 1)
        if len(run) >= 3 and run[0] == 3 / over
    )
    assert by_hand > 200
    assert clipped(quantised(limited, 1 / 4096)) == pytest.approx(by_hand, rel=0.03)


@pytest.mark.parametrize("amplitude_codes", [0.4, 0.6, 1.0, 1.49, 2.5, 5.5, 10.5, 20.5, 33.3, 100.5, 500.5])
@pytest.mark.parametrize("cycles_per_sample", [0.0003, 0.003, 0.0173, 0.21])
def test_a_clean_sine_through_a_coarse_converter_is_never_clipped(amplitude_codes, cycles_per_sample):
    """Half-code amplitudes fill the highest code best: the worst case for a count of equal extremes."""
    sine = amplitude_codes * np.sin(2 * np.pi * cycles_per_sample * np.arange(30_000))
    assert clipped(np.round(sine)) == 0


@pytest.mark.parametrize("noise_codes", [0.05, 0.2, 0.3, 0.5, 1.0, 3.0, 10.0])
@pytest.mark.parametrize("smooth", [1, 5, 40])
@pytest.mark.parametrize("offset_codes", [0.0, 0.5, 1024.3])
def test_quiet_noise_resting_on_a_few_codes_is_never_clipped(noise_codes, smooth, offset_codes):
    rng = np.random.default_rng(int(100 * noise_codes) + smooth)
    noise = np.convolve(rng.standard_normal(20_000), np.ones(smooth) / np.sqrt(smooth), "same")
    assert clipped(np.round(offset_codes + noise_codes * noise)) == 0


def test_gravity_on_one_axis_does_not_hide_clipping_on_the_other_side():
    sine = 9.8 + 12.0 * np.sin(2 * np.pi * 0.011 * np.arange(20_000))
    assert clipped(quantised(np.minimum(sine, 19.6), 0.0096)) > 1000


def test_five_clipped_samples_in_a_fine_signal_are_counted():
    rng = np.random.default_rng(2)
    values = quantised(rng.standard_normal(3000), 0.0005)
    values[1000:1005] = 6.0
    assert clipped(values) == 5


def test_a_limited_signal_near_half_the_rate_counts_without_runs():
    """At 0.47 cycles a sample the crests are one or two samples wide, and still all of one height."""
    sine = np.sin(2 * np.pi * 0.47 * np.arange(20_000)) * (1 + 0.3 * np.sin(0.003 * np.arange(20_000)))
    limited = quantised(np.clip(sine, -0.9, 0.9), 0.9 / 4096)
    runs = np.diff(np.flatnonzero(np.diff(np.concatenate([[0], limited >= 0.9, [0]]).astype(int))))[::2]
    assert clipped(limited) == np.sum(np.abs(limited) >= 0.9 - 1e-9)
    assert runs.max() < 40


@pytest.mark.parametrize("per_period", [4, 5, 16, 20])
def test_a_noiseless_sine_that_meets_its_crest_in_every_period_is_not_clipped(per_period):
    """Its next values come twice for every crest."""
    assert clipped(np.cos(2 * np.pi * (np.arange(20_000) % per_period) / per_period)) == 0


def test_two_equal_extremes_are_chance():
    rng = np.random.default_rng(3)
    values = rng.standard_normal(3000)
    values[10:12] = 6.0
    values[500:502] = 6.0
    assert clipped(values) == 0


def test_full_scale_counts_both_signs_and_a_last_digit():
    mask = at_full_scale(np.array([2.0, -2.0, 1.999, 2.0 * (1 - 1e-12), 2.1]), 2.0)
    assert mask.tolist() == [True, True, False, True, True]


@settings(max_examples=60)
@given(
    st.lists(st.integers(-3, 3), min_size=1, max_size=80),
    st.lists(st.integers(0, 80), max_size=5),
)
def test_counts_do_not_depend_on_where_the_stream_is_cut(values, cuts):
    """Many equal values and few codes, so that extremes rise late and runs cross the cuts."""
    data = np.array(values, dtype=float)
    known = ExtremeCount()
    for piece in np.split(data, sorted(cuts)):
        if len(piece):
            known = known.then(extreme_count(piece, known))
    whole = extreme_count(data)
    assert (known.codes[0], known.seen[0], known.runs) == (whole.codes[0], whole.seen[0], whole.runs)
    assert known.codes == whole.codes
    assert known.seen == whole.seen


def test_a_gap_parts_a_run_at_the_extreme():
    top = extreme_count(np.array([1.0, 1.0]))
    assert top.then(top).runs.total == 4
    assert top.then(top, joined=False).runs.total == 0


@given(st.lists(st.integers(-32768, 32767) | st.sampled_from([-32768, 32767]), min_size=1, max_size=400))
def test_the_lower_extreme_of_counts_is_the_upper_one_of_their_negated_values(values):
    counts = np.array(values, dtype=np.int16)
    assert extreme_count(counts, lower=True) == extreme_count(-counts.astype(float))
    assert extreme_count(counts) == extreme_count(counts.astype(float))


@pytest.mark.parametrize("lower", [False, True])
@pytest.mark.parametrize("n", [1, 255, 256, 257, 5000])
@pytest.mark.parametrize(("least", "greatest"), [(-2, 3), (-900, 30_000), (-(2**31), 2**31 - 1)])
def test_what_is_passed_over_by_its_group_held_none_of_the_codes_kept(n, least, greatest, lower):
    """Against a full count of all codes; the last group is a short one, some hold a row at the limit."""
    rng = np.random.default_rng(n)
    counts = rng.integers(least, greatest, n, dtype=np.int32, endpoint=True)
    if n > 1000:
        counts[700:712], counts[-2:] = counts.max(), counts.min()
    codes, seen = np.unique(counts.astype(float) * (-1.0 if lower else 1.0), return_counts=True)
    found = extreme_count(counts, lower=lower)
    assert found.codes == tuple(codes[::-1][:4])
    assert found.seen == tuple(seen[::-1][:4])
    assert found.runs == run_tally(counts == (counts.min() if lower else counts.max()), 3)
