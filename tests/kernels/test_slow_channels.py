"""Slow channels over stretches: means over time against closed forms."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from thrumline.pipeline.kernels.slow_channels import slow_summary, thinned

SECOND = np.arange(0.0, 61.0)


@pytest.mark.external
def test_mean_is_over_time_and_not_over_samples():
    """Exponential warming, logged densely where it changes: the integral's closed form within 0.01 K.

    Source: calculus, mean of 80 - 40 exp(-t/10) over 0..60 s = 80 - 40 (10/60) (1 - exp(-6)).
    """
    times = np.concatenate([np.arange(0, 10, 0.1), np.arange(10, 30, 0.5), np.arange(30, 61, 1.0)])
    found = slow_summary(times, 80.0 - 40.0 * np.exp(-times / 10.0), [(0.0, 60.0)])
    assert found.mean == pytest.approx(80.0 - 40.0 / 6.0 * (1.0 - np.exp(-6.0)), abs=0.01)
    assert np.mean(80.0 - 40.0 * np.exp(-times / 10.0)) < found.mean - 8.0
    assert (found.least, found.covered) == (pytest.approx(40.0), pytest.approx(1.0))


def test_stretches_are_weighed_by_their_length():
    found = slow_summary(SECOND, SECOND, [(0.0, 10.0), (40.0, 60.0)])
    assert found.mean == pytest.approx((10 * 5.0 + 20 * 50.0) / 30.0)
    assert (found.least, found.greatest) == (0.0, 60.0)


def test_unlogged_time_is_told():
    """Held beyond its last sample, but only a usual step of that counts as logged."""
    found = slow_summary(SECOND[:11], SECOND[:11], [(0.0, 40.0)])
    assert found.covered == pytest.approx(11.0 / 40.0)
    assert slow_summary(SECOND[:3], np.full(3, np.nan), [(0.0, 2.0)]).covered == 0.0


def test_missing_values_are_bridged_by_their_neighbours():
    values = SECOND.copy()
    values[20:30] = np.nan
    assert slow_summary(SECOND, values, [(0.0, 60.0)]).mean == pytest.approx(30.0)


@pytest.mark.parametrize(
    ("times", "values", "stretches", "said"),
    [
        ([0.0, 1.0], [1.0], [(0.0, 1.0)], "wanted one each"),
        ([1.0, 0.0], [1.0, 1.0], [(0.0, 1.0)], "do not fall"),
        ([0.0, 1.0], [1.0, 1.0], [], "one or more"),
        ([0.0, 1.0], [1.0, 1.0], [(1.0, 1.0)], "start before stop"),
    ],
)
def test_what_cannot_be_summed_up_is_refused(times, values, stretches, said):
    with pytest.raises(ValueError, match=said):
        slow_summary(np.array(times), np.array(values), stretches)


@given(st.integers(2, 40), st.integers(0, 1000), st.floats(0.05, 0.95))
def test_cutting_a_stretch_in_two_changes_no_mean(n, seed, share):
    """The integral is additive, whatever the channel did."""
    values = np.random.default_rng(seed).uniform(-50, 150, n)
    times = np.arange(float(len(values)))
    end = times[-1]
    whole = slow_summary(times, np.array(values), [(0.0, end)])
    parts = slow_summary(times, np.array(values), [(0.0, share * end), (share * end, end)])
    assert parts.mean == pytest.approx(whole.mean, rel=1e-12, abs=1e-9)


def test_thinned_means_leave_out_what_is_missing():
    found = thinned(np.array([1.0, np.nan, 3.0, np.nan, np.nan, 8.0, 9.0]), 2)
    np.testing.assert_array_equal(found, [1.0, 3.0, 8.0, 9.0])
    assert np.isnan(thinned(np.array([np.nan, np.nan, 1.0]), 2)[0])
