"""Effects: log ratio, percent, Fieller, delta. Order: closed forms, symmetry, refusals, coverage."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import optimize, stats

from thrumline.pipeline.kernels import effects

POSITIVE = st.floats(0.1, 50.0)
REPEATS = st.lists(POSITIVE, min_size=2, max_size=6)


def test_percent_change_is_of_the_baseline():
    """4.00 to 3.50 is -12.5 % of the baseline, not -14.3 % of the candidate."""
    assert effects.percent_change(np.log(3.5 / 4.0)) == pytest.approx(-12.5, abs=1e-12)


def test_there_and_back_is_not_the_same_percent_but_the_same_log():
    there = effects.log_of_percent(12.5)
    assert effects.percent_change(-there) == pytest.approx(-100.0 / 9.0, abs=1e-12)


@given(REPEATS, REPEATS)
def test_exchanging_the_sides_only_changes_the_sign(a, b):
    one, other = effects.log_ratio(a, b), effects.log_ratio(b, a)
    assert one.estimate == pytest.approx(-other.estimate, abs=1e-12)
    assert one.low == pytest.approx(-other.high, abs=1e-12)


@given(REPEATS, REPEATS, POSITIVE)
def test_the_unit_does_not_matter(a, b, factor):
    one = effects.log_ratio(a, b)
    other = effects.log_ratio(np.array(a) * factor, np.array(b) * factor)
    np.testing.assert_allclose(one, other, atol=1e-9, rtol=1e-6)


def test_geometric_means_have_the_ratio_that_the_percent_says():
    a, b = [4.0, 4.4, 3.9], [4.5, 5.0, 4.6, 4.4]
    percent = effects.percent_change(effects.log_ratio(a, b).estimate)
    assert 100 * (effects.geometric_mean(b) / effects.geometric_mean(a) - 1) == pytest.approx(percent, abs=1e-10)


def test_welch_interval_is_the_one_of_another_library():
    """scipy.stats.ttest_ind(equal_var=False) has its own code for the statistic and its interval."""
    a, b = np.array([4.0, 4.4, 3.9]), np.array([4.5, 5.0, 4.6, 4.4])
    ours = effects.log_ratio(a, b, 0.9)
    theirs = stats.ttest_ind(np.log(b), np.log(a), equal_var=False)
    interval = theirs.confidence_interval(0.9)
    assert (ours.low, ours.high) == pytest.approx((interval.low, interval.high), rel=1e-10)
    assert ours.dof == pytest.approx(theirs.df, rel=1e-12)


def test_equal_sizes_and_scatters_have_the_pooled_degrees_of_freedom():
    assert effects.welch_dof(2.0, 5, 2.0, 5) == pytest.approx(8.0, abs=1e-12)


def test_one_silent_side_leaves_the_other_sides_degrees_of_freedom():
    assert effects.welch_dof(0.0, 7, 3.0, 4) == pytest.approx(3.0, abs=1e-12)


def test_identical_repeats_give_a_point_and_not_a_failure():
    found = effects.log_ratio([4.0, 4.0], [5.0, 5.0])
    assert found.low == found.high == pytest.approx(np.log(1.25))


def test_tiny_scatter_does_not_underflow():
    values = np.array([1.0, 1.0 + 1e-12])
    assert np.isfinite(effects.log_ratio(values, values * 2).dof)


def test_fieller_limits_are_the_ratios_that_the_t_test_just_does_not_reject():
    """The interval is the set of r with |n - r d| <= t sqrt(var(n) - 2 r cov + r^2 var(d)); solved by root finding."""
    n, d, variances, t, cov = 4.5, 4.0, (0.0225, 0.0144), 2.2, 0.01
    low, high = effects.fieller_interval(n, d, variances, t, cov)

    def excess(r):
        return (n - r * d) ** 2 - t**2 * (variances[0] - 2 * r * cov + r**2 * variances[1])

    assert low == pytest.approx(optimize.brentq(excess, 0.5, n / d), abs=1e-11)
    assert high == pytest.approx(optimize.brentq(excess, n / d, 2.0), abs=1e-11)


def test_fieller_says_none_where_the_denominator_may_be_zero():
    """denominator^2 <= t^2 var(denominator): 4 against 2^2 * 4."""
    assert effects.fieller_interval(1.0, 4.0, (0.1, 4.0), 2.0) is None
    assert effects.fieller_interval(1.0, 4.0, (0.1, 3.99), 2.0) is not None


def test_shared_scatter_of_paired_runs_narrows_fieller():
    apart = effects.fieller_interval(4.5, 4.0, (0.0225, 0.0144), 2.2)
    paired = effects.fieller_interval(4.5, 4.0, (0.0225, 0.0144), 2.2, 0.9 * np.sqrt(0.0225 * 0.0144))
    assert paired[1] - paired[0] < 0.5 * (apart[1] - apart[0])


@given(st.floats(1.0, 9.0), st.floats(1.0, 9.0))
def test_all_three_intervals_agree_where_scatter_is_small(numerator, denominator):
    relative = 1e-4
    variances = ((relative * numerator) ** 2, (relative * denominator) ** 2)
    fieller = effects.fieller_interval(numerator, denominator, variances, 2.0)
    delta = effects.delta_ratio_interval(numerator, denominator, variances, 2.0)
    half = 2.0 * relative * np.sqrt(2.0)
    log = np.array([np.exp(-half), np.exp(half)]) * numerator / denominator
    np.testing.assert_allclose(fieller, delta, rtol=1e-6)
    np.testing.assert_allclose(log, delta, rtol=1e-6)


def test_infinite_degrees_of_freedom_are_the_normal_case():
    assert effects.t_quantile(0.95, np.inf) == pytest.approx(1.959963984540054, abs=1e-12)


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: effects.log_ratio([1.0], [1.0, 2.0]), "two values a side"),
        (lambda: effects.log_ratio([1.0, 0.0], [1.0, 2.0]), "positive finite"),
        (lambda: effects.log_ratio([1.0, np.nan], [1.0, 2.0]), "positive finite"),
        (lambda: effects.geometric_mean([]), "positive finite"),
        (lambda: effects.geometric_mean_interval([3.0]), "needs two values"),
        (lambda: effects.sample_summary([np.inf]), "finite values"),
        (lambda: effects.t_interval(0.0, 1.0, 5.0, 1.0), "between 0 and 1"),
        (lambda: effects.log_of_percent(-100.0), "above -100 percent"),
    ],
)
def test_impossible_input_is_refused_with_its_value(call, words):
    with pytest.raises(ValueError, match=words):
        call()


def coverage(rng, n_trials, between, within, n_repeats, n_takes, *, takes_as_repeats):
    """Share of 95 % intervals that hold a true log ratio of 0.1."""
    hits = 0
    for _ in range(n_trials):
        sides = []
        for truth in (0.0, 0.1):
            fitted = truth + between * rng.standard_normal((n_repeats, 1))
            takes = fitted + within * rng.standard_normal((n_repeats, n_takes))
            sides.append(np.exp(takes.ravel() if takes_as_repeats else takes.mean(axis=1)))
        found = effects.log_ratio(*sides)
        hits += found.low <= 0.1 <= found.high
    return hits / n_trials


def test_intervals_over_true_repeats_cover_what_they_say():
    """1,500 trials: binomial scatter of the share is 0.6 %, so 95 +- 2 % is a claim that can fail."""
    rng = np.random.default_rng(20261125)
    assert coverage(rng, 1500, 0.03, 0.01, 4, 1, takes_as_repeats=False) == pytest.approx(0.95, abs=0.02)


def test_takes_counted_as_repeats_do_not_cover():
    """Three fittings of four takes each: counted as twelve, the 95 % interval covers some 60 % (scatter 2 %)."""
    rng = np.random.default_rng(20261126)
    assert coverage(rng, 600, 0.03, 0.005, 3, 4, takes_as_repeats=True) == pytest.approx(0.60, abs=0.06)
    assert coverage(rng, 600, 0.03, 0.005, 3, 4, takes_as_repeats=False) > 0.92


@pytest.mark.nightly
@pytest.mark.parametrize(("n_repeats", "between"), [(2, 0.03), (3, 0.03), (3, 0.10), (5, 0.03), (8, 0.10)])
def test_coverage_holds_for_all_usual_numbers_of_repeats(n_repeats, between):
    rng = np.random.default_rng(n_repeats)
    share = coverage(rng, 10_000, between, 0.01, n_repeats, 2, takes_as_repeats=False)
    # two values a side: the estimated degrees of freedom lie between 1 and 2, which errs on the wide side (97.6 %)
    assert 0.94 <= share <= (0.98 if n_repeats == 2 else 0.97)
