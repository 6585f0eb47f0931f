"""Scatter within and between groups, and the budget of several doubts."""

import numpy as np
import pytest
from scipy import stats

from thrumline.pipeline.kernels import repeatability, uncertainty_budget


def test_analysis_of_variance_is_the_one_of_another_library():
    groups = [np.array([5.1, 4.9, 5.3]), np.array([5.6, 5.5]), np.array([4.7, 5.0, 4.9, 5.2])]
    ours, theirs = repeatability.one_way(groups), stats.f_oneway(*groups)
    assert (ours.f, ours.p) == pytest.approx((theirs.statistic, theirs.pvalue), rel=1e-10)


def test_sums_of_squares_add_up_to_the_total():
    groups = [np.array([5.1, 4.9, 5.3]), np.array([5.6, 5.5]), np.array([4.7, 5.0])]
    table, joined = repeatability.one_way(groups), np.concatenate(groups)
    assert table.ss_between + table.ss_within == pytest.approx(((joined - joined.mean()) ** 2).sum(), rel=1e-12)


def test_between_group_scatter_below_nothing_counts_as_nothing():
    """Group means nearer to each other than chance would have them."""
    found = repeatability.precision([[4.0, 6.0], [4.1, 5.9], [3.9, 6.1]])
    assert found.between == 0.0
    assert found.reproducibility == found.within


def test_scatter_put_in_is_found_again():
    """4,000 groups of 3 with s_r = 0.03 and s_L = 0.05."""
    rng = np.random.default_rng(2)
    groups = 0.05 * rng.standard_normal((4000, 1)) + 0.03 * rng.standard_normal((4000, 3))
    found = repeatability.precision(list(groups))
    assert found.within == pytest.approx(0.03, rel=0.03)
    assert found.between == pytest.approx(0.05, rel=0.04)
    assert found.reproducibility_limit == pytest.approx(2.8 * np.hypot(0.03, 0.05), rel=0.03)


def test_unequal_group_sizes_keep_the_estimate_unbiased():
    rng = np.random.default_rng(4)
    sizes = rng.integers(1, 6, 6000)
    groups = [0.05 * rng.standard_normal() + 0.03 * rng.standard_normal(n) for n in sizes]
    assert repeatability.precision(groups).between == pytest.approx(0.05, rel=0.05)


@pytest.mark.parametrize("groups", [[[1.0, 2.0]], [[1.0], [2.0]], [[], [1.0, 2.0]]])
def test_no_repetition_no_repeatability(groups):
    with pytest.raises(ValueError, match="needs two groups"):
        repeatability.one_way(groups)


def test_budget_of_two_equal_parts_doubles_the_degrees_of_freedom():
    found = uncertainty_budget.combined_uncertainty([3.0, 3.0], [5, 5])
    assert found.combined == pytest.approx(3 * np.sqrt(2))
    assert found.dof == pytest.approx(10.0)


def test_exactly_known_components_do_not_limit_the_degrees_of_freedom():
    found = uncertainty_budget.combined_uncertainty([3.0, 4.0], [np.inf, np.inf])
    assert found.combined == pytest.approx(5.0)
    assert np.isinf(found.dof)
    assert found.expanded(0.95) == pytest.approx(5 * 1.959963984540054)


def test_a_budget_of_nothing_is_nothing():
    assert uncertainty_budget.combined_uncertainty([0.0], [4]).combined == 0.0


@pytest.mark.parametrize(("u", "dof"), [([], []), ([-1.0], [4]), ([1.0], [0.0])])
def test_impossible_components_are_refused(u, dof):
    with pytest.raises(ValueError, match="a budget needs"):
        uncertainty_budget.combined_uncertainty(u, dof)
