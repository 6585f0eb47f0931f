"""Random effects: estimating equations solved, limits that are known, coverage by simulation."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from thrumline.pipeline.kernels import random_effects as meta

FLEET = st.integers(3, 9).flatmap(
    lambda k: st.tuples(
        st.lists(st.floats(-0.5, 0.5), min_size=k, max_size=k), st.lists(st.floats(1e-4, 0.05), min_size=k, max_size=k)
    )
)


def restricted_deviance(y, v, tau2):
    """Twice the negative restricted log likelihood, up to a constant, from the textbook's matrix form."""
    y, x = np.asarray(y), np.ones((len(y), 1))
    cov = np.diag(np.asarray(v) + tau2)
    inverse = np.linalg.inv(cov)
    info = x.T @ inverse @ x
    beta = np.linalg.solve(info, x.T @ inverse @ y)
    rest = y - x @ beta
    return np.linalg.slogdet(cov)[1] + np.linalg.slogdet(info)[1] + rest @ inverse @ rest


@settings(max_examples=40, deadline=None)
@given(FLEET)
def test_reml_is_the_best_of_a_fine_grid(fleet):
    y, v = fleet
    found = meta.reml_tau2(y, v)
    grid = np.concatenate(([0.0], np.geomspace(1e-7, 2.0, 300)))
    best = min(restricted_deviance(y, v, t) for t in grid)
    assert restricted_deviance(y, v, found) <= best + 1e-8


@settings(max_examples=60, deadline=None)
@given(FLEET)
def test_paule_mandel_makes_q_its_degrees_of_freedom(fleet):
    y, v = fleet
    found = meta.paule_mandel_tau2(y, v)
    q = meta.generalised_q(y, v, found)
    assert q == pytest.approx(len(y) - 1, rel=1e-6) or (found == 0.0 and q <= len(y) - 1)


def test_equal_variances_reduce_to_the_plain_mean():
    """With one variance for all, every estimator gives s^2 - v, and the interval is Student's."""
    y, v = np.array([0.02, 0.11, 0.17, 0.05]), np.full(4, 1e-4)
    for tau2 in (meta.reml_tau2(y, v), meta.paule_mandel_tau2(y, v), meta.dersimonian_laird_tau2(y, v)):
        assert tau2 == pytest.approx(y.var(ddof=1) - 1e-4, rel=1e-9)
    found = meta.hartung_knapp(y, v, meta.reml_tau2(y, v))
    assert found.estimate == pytest.approx(y.mean())
    assert found.std_error == pytest.approx(y.std(ddof=1) / 2)
    assert found.high == pytest.approx(y.mean() + 3.182446305284263 * y.std(ddof=1) / 2)


@given(FLEET, st.floats(-1, 1))
@settings(max_examples=30, deadline=None)
def test_a_shift_of_all_platforms_shifts_the_mean_only(fleet, shift):
    y, v = fleet
    one, other = meta.reml_tau2(y, v), meta.reml_tau2(np.array(y) + shift, v)
    assert one == pytest.approx(other, rel=1e-4, abs=1e-8)


def test_agreeing_platforms_have_no_heterogeneity():
    y, v = [0.1, 0.1, 0.1], [0.01, 0.02, 0.01]
    assert meta.reml_tau2(y, v) == meta.paule_mandel_tau2(y, v) == meta.ml_tau2(y, v) == 0.0
    assert meta.heterogeneity(y, v).i2 == 0.0


def test_the_floor_keeps_a_lucky_agreement_from_shrinking_the_error():
    y, v = [0.1, 0.1001, 0.0999], [0.01, 0.01, 0.01]
    assert meta.hartung_knapp(y, v, 0.0).std_error < 1e-3
    assert meta.hartung_knapp(y, v, 0.0, floored=True).std_error == pytest.approx(np.sqrt(0.01 / 3))


def test_prediction_has_two_degrees_of_freedom_less_than_platforms():
    """t(3) = 3.182446 for five platforms, on sqrt(tau^2 + se^2)."""
    low, high = meta.prediction_interval(0.1, 0.03, 0.04**2, 5)
    assert (high - low) / 2 == pytest.approx(3.182446305284263 * 0.05, rel=1e-12)


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: meta.pooled_effect([0.1], [0.1]), "k >= 2"),
        (lambda: meta.pooled_effect([0.1, 0.2], [0.1]), "one shape"),
        (lambda: meta.pooled_effect([0.1, 0.2], [0.1, 0.0]), "variances positive"),
        (lambda: meta.pooled_effect([0.1, np.nan], [0.1, 0.1]), "finite"),
        (lambda: meta.pooled_effect([0.1, 0.2], [0.1, 0.1], -1.0), "cannot be negative"),
        (lambda: meta.prediction_interval(0, 1, 1, 2), "three platforms"),
    ],
)
def test_impossible_fleets_are_refused(call, words):
    with pytest.raises(ValueError, match=words):
        call()


def fleet_coverage(rng, n_trials, k, tau, n_repeats=3, std=0.03):
    """Shares of 95 % intervals for the mean, and of predictions that hold a new platform."""
    mean_hits = new_hits = 0
    for _ in range(n_trials):
        truths = 0.1 + tau * rng.standard_normal(k)
        v = np.full(k, 2 * std**2 / n_repeats)
        y = truths + np.sqrt(v) * rng.standard_normal(k)
        tau2 = meta.reml_tau2(y, v)
        found, known = meta.hartung_knapp(y, v, tau2), meta.pooled_effect(y, v, tau2)
        mean_hits += found.low <= 0.1 <= found.high
        low, high = meta.prediction_interval(known.effect, known.std_error, tau2, k)
        new_hits += low <= 0.1 + tau * rng.standard_normal() <= high
    return mean_hits / n_trials, new_hits / n_trials


def test_the_mean_over_platforms_is_covered():
    """400 fleets of 6: the share scatters by 1.1 %."""
    mean, new = fleet_coverage(np.random.default_rng(3), 400, 6, 0.06)
    assert mean == pytest.approx(0.95, abs=0.035)
    assert new > 0.88


@pytest.mark.nightly
@pytest.mark.parametrize(("k", "tau"), [(3, 0.06), (5, 0.06), (12, 0.03), (12, 0.0)])
def test_the_mean_over_platforms_is_covered_for_all_sizes(k, tau):
    mean, new = fleet_coverage(np.random.default_rng(k), 2000, k, tau)
    assert 0.93 <= mean <= 0.97
    # where platforms differ by hardly more than one platform's error, tau is often estimated as 0 and the
    # prediction is known to fall short: 89 % at tau = 0.03 with an error of 0.024 a platform
    assert new >= (0.87 if tau == 0.03 else 0.93)
