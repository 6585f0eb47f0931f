"""Moderated variances: known limits, recovery of a prior that was put in, benefit by simulation."""

import numpy as np
import pytest
from scipy import special

from thrumline.pipeline.kernels import moderation


@pytest.mark.parametrize("x", [0.05, 0.5, 1.0, 3.7, 40.0, 2000.0])
def test_inverse_trigamma_undoes_trigamma(x):
    assert moderation.inverse_trigamma(float(special.polygamma(1, x))) == pytest.approx(x, rel=1e-9)


@pytest.mark.parametrize(("prior_dof", "tolerance"), [(4.0, 0.6), (10.0, 2.5)])
def test_a_prior_that_was_put_in_is_found_again(prior_dof, tolerance):
    """4,000 cells with 2 degrees of freedom, variances drawn from the scaled inverse chi-square law."""
    rng = np.random.default_rng(11)
    truth = 0.0009 * prior_dof / rng.chisquare(prior_dof, 4000)
    found = moderation.variance_prior(truth * rng.chisquare(2, 4000) / 2, np.full(4000, 2))
    assert found.dof == pytest.approx(prior_dof, abs=tolerance)
    assert found.variance == pytest.approx(0.0009, rel=0.08)


def test_one_common_scatter_gives_an_infinite_prior_near_the_pooled_variance():
    """Quantiles of the chi-square law scatter less than a random sample: the excess is not positive."""
    dof = 4
    from scipy import stats

    s2 = stats.chi2.ppf((np.arange(40) + 0.5) / 40, dof) / dof
    found = moderation.variance_prior(s2, dof)
    assert np.isinf(found.dof)
    assert found.variance == pytest.approx(s2.mean())
    np.testing.assert_allclose(moderation.moderated_variance(s2, np.full(40, dof), found), s2.mean())


def test_moderation_is_the_mean_weighted_by_degrees_of_freedom():
    prior = moderation.VariancePrior(4.0, 6.0)
    assert moderation.moderated_variance([1.0], [2.0], prior)[0] == pytest.approx((6 * 4 + 2 * 1) / 8)


def test_moderated_variances_are_nearer_to_the_truth_than_own_ones():
    """Mean squared error of log variances, 200 cells with 2 degrees of freedom."""
    rng = np.random.default_rng(5)
    truth = 0.0009 * 8 / rng.chisquare(8, 200)
    s2 = truth * rng.chisquare(2, 200) / 2
    better = moderation.moderated_variance(s2, np.full(200, 2), moderation.variance_prior(s2, 2))
    assert np.mean(np.log(better / truth) ** 2) < 0.3 * np.mean(np.log(s2 / truth) ** 2)


def test_a_scatter_rounded_to_nothing_does_not_upset_the_prior():
    s2 = np.array([0.0, 0.0009, 0.0011, 0.0004, 0.0016])
    found = moderation.variance_prior(s2, 2)
    assert 0.0 < found.variance < 0.01
    assert found.dof > 0.0


def test_one_lucky_cell_does_not_outvote_the_others():
    """Nine cells at one scatter and one that agreed to the last digit: it must be pulled to at least a tenth."""
    s2 = np.array([1e-12, 0.0007, 0.0009, 0.0011, 0.0005, 0.0013, 0.0009, 0.0008, 0.001, 0.0012])
    prior = moderation.variance_prior(s2, 2)
    assert moderation.moderated_variance(s2, np.full(10, 2), prior)[0] > 1e-4


def test_two_cells_share_their_pooled_variance():
    found = moderation.variance_prior([1.0, 4.0], [2, 4])
    assert found.variance == pytest.approx((2 * 1 + 4 * 4) / 6)
    assert np.isinf(found.dof)


@pytest.mark.parametrize(("s2", "dof"), [([], []), ([-1.0], [2]), ([1.0], [0]), ([0.0, 0.0], [2, 2])])
def test_no_prior_comes_from_nothing(s2, dof):
    with pytest.raises(ValueError, match="a prior needs"):
        moderation.variance_prior(s2, dof)


def test_trigamma_is_never_negative():
    with pytest.raises(ValueError, match="positive"):
        moderation.inverse_trigamma(-1.0)
