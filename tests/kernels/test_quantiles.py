"""Medians and quantiles of rows against numpy's own, which take every kind of argument and ten times as long."""

import numpy as np
import pytest

from thrumline.pipeline.kernels.quantiles import (
    medians_and_deviations,
    row_medians,
    row_quantiles,
    two_sided_medians,
)


@pytest.mark.parametrize("n", [1, 2, 3, 7, 336, 337])
def test_medians_of_rows_are_numpys(n):
    values = np.random.default_rng(n).normal(size=(4, 5, n))
    np.testing.assert_allclose(row_medians(values), np.median(values, axis=-1), rtol=1e-15)


@pytest.mark.parametrize("n", [1, 2, 3, 16, 335])
@pytest.mark.parametrize("share", [0.0, 0.1, 0.4, 0.5, 0.9, 1.0])
def test_quantiles_of_rows_are_numpys(n, share):
    values = np.random.default_rng(n).normal(size=(3, n))
    np.testing.assert_allclose(row_quantiles(values, share), np.quantile(values, share, axis=-1), rtol=1e-14)


def test_rows_are_left_as_they_were():
    values = np.array([[3.0, 1.0, 2.0, 0.0]])
    row_medians(values), row_quantiles(values, 0.3)
    np.testing.assert_array_equal(values, [[3.0, 1.0, 2.0, 0.0]])


def test_rows_without_a_number_and_shares_beyond_one_are_refused():
    with pytest.raises(ValueError, match="at least one in the last axis"):
        row_medians(np.empty((2, 0)))
    with pytest.raises(ValueError, match="between 0 and 1"):
        row_quantiles(np.ones(3), 1.5)


@pytest.mark.parametrize("n", [1, 2, 3, 4, 5, 8, 335, 336])
def test_one_sort_gives_the_median_and_the_median_distance_from_it(n):
    """Against two medians; half of the rows hold many equal values."""
    values = np.random.default_rng(n).standard_normal((4, 3, n))
    values[:2] = np.round(values[:2])
    before = values.copy()
    medians, deviations = medians_and_deviations(values)
    np.testing.assert_array_equal(medians, np.median(values, axis=-1))
    np.testing.assert_array_equal(deviations, np.median(np.abs(values - medians[..., None]), axis=-1))
    np.testing.assert_array_equal(values, before)


@pytest.mark.parametrize("n", [*range(2, 40), 1875, 2048])
@pytest.mark.parametrize("steps", [0, 5])
def test_medians_of_a_two_sided_spectrum_are_those_of_all_its_cells(n, steps):
    """Of even and odd lengths, ties included; the cells that stand alone may be the largest or the smallest."""
    rng = np.random.default_rng([n, steps])
    half = rng.exponential(size=(6, n // 2 + 1))
    half[1, 0], half[2, 0], half[3, -1], half[4, -1] = 0.0, 50.0, 0.0, 50.0
    half = np.round(half * steps) if steps else half
    whole = np.concatenate([half, half[:, 1 : n - n // 2]], axis=-1)
    assert whole.shape[-1] == n
    np.testing.assert_array_equal(two_sided_medians(half, n), row_medians(whole))
