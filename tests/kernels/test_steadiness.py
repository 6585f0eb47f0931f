"""Steadiness of a speed track against closed forms."""

import numpy as np
import pytest

from thrumline.pipeline.kernels.steadiness import binned_means, steadiness, within

TIME = np.arange(0.0, 60.0, 0.5)
ALL = np.ones(len(TIME), dtype=bool)


def test_a_sine_of_relative_peak_p_wanders_by_p_over_root_two():
    steady = steadiness(TIME, 11.5 * (1 + 0.03 * np.sin(2 * np.pi * TIME / 6.0)), ALL)
    assert steady.wander == pytest.approx(0.03 / np.sqrt(2), rel=1e-6)
    assert steady.mean == pytest.approx(11.5)


def test_a_straight_drift_wanders_by_its_range_over_root_twelve():
    steady = steadiness(TIME, np.linspace(11.0, 12.0, len(TIME)), ALL)
    assert steady.drift == pytest.approx(1.0 / 11.5)
    assert steady.wander == pytest.approx(1.0 / 11.5 / np.sqrt(12), rel=0.01)


def test_lost_points_and_points_outside_do_not_count():
    speed = np.full(len(TIME), 10.0)
    speed[3] = np.nan
    speed[TIME >= 50] = 99.0
    steady = steadiness(TIME, speed, within(TIME, [(0.0, 50.0)]))
    assert steady.wander == 0.0
    assert steady.n == 99


def test_without_points_there_is_no_steadiness():
    assert steadiness(TIME, np.full(len(TIME), np.nan), ALL) is None
    assert steadiness(TIME, np.zeros(len(TIME)), ALL) is None


@pytest.mark.external
def test_drift_is_the_least_squares_slope_of_another_library():
    """Oracle: scipy.stats.linregress."""
    from scipy.stats import linregress

    rng = np.random.default_rng(7)
    speed = 12.0 + 0.01 * TIME + 0.1 * rng.standard_normal(len(TIME))
    slope = linregress(TIME, speed).slope
    assert steadiness(TIME, speed, ALL).drift == pytest.approx(slope * np.ptp(TIME) / speed.mean(), rel=1e-9)


def test_binned_means_leave_empty_bins_unknown():
    times, means = binned_means(np.array([0.0, 0.25, 0.5, 2.0]), np.array([1.0, 2.0, np.nan, 7.0]), 1.0)
    assert times.tolist() == [0.5, 1.5, 2.5]
    np.testing.assert_array_equal(means, [1.5, np.nan, 7.0])
    assert binned_means(np.zeros(0), np.zeros(0), 1.0)[1].tolist() == []


def test_rows_are_binned_as_each_of_them_alone():
    """One has all its values, one lacks some, one all of a bin."""
    rows = np.arange(12.0).reshape(3, 4)
    rows[1, 1], rows[2, 3] = np.nan, np.nan
    times = np.array([0.0, 0.25, 0.5, 2.0])
    for row, means in zip(rows, binned_means(times, rows, 1.0)[1], strict=True):
        np.testing.assert_array_equal(means, binned_means(times, row, 1.0)[1])
