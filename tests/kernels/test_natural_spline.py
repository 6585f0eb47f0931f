"""Natural spline against closed forms, and against the general routine of another library."""

import numpy as np
import pytest
from scipy.interpolate import CubicSpline

from thrumline.pipeline.kernels.natural_spline import NaturalSpline


def uneven(n, seed=3):
    rng = np.random.default_rng([15, seed, n])
    return np.cumsum(rng.uniform(0.05, 1.0, n)), rng.standard_normal(n)


@pytest.mark.parametrize("n", [2, 3, 4, 150])
def test_it_goes_through_its_points(n):
    at, values = uneven(n)
    assert NaturalSpline(at, values)(at) == pytest.approx(values, abs=1e-12)


def test_a_straight_line_and_its_parabola_are_exact():
    at, _ = uneven(40)
    where = np.linspace(at[0], at[-1], 500)
    line = NaturalSpline(at, 2.0 - 3.0 * at)
    assert line(where) == pytest.approx(2.0 - 3.0 * where, abs=1e-12)
    expected = 2.0 * (where - at[0]) - 1.5 * (where**2 - at[0] ** 2)
    assert line.integral(where) == pytest.approx(expected, abs=1e-10)


def test_a_natural_cubic_is_given_back_with_its_quartic_integral():
    """The hat through 0, 1, 0: by its symmetry 1.5 x - 0.5 x**3 up to the middle."""
    at = np.array([0.0, 1.0, 2.0])
    spline = NaturalSpline(at, np.array([0.0, 1.0, 0.0]))
    x = np.linspace(0.0, 1.0, 11)
    assert spline(x) == pytest.approx(1.5 * x - 0.5 * x**3, abs=1e-14)
    assert spline.integral(x) == pytest.approx(0.75 * x**2 - 0.125 * x**4, abs=1e-14)
    assert spline.integral(at) == pytest.approx([0.0, 0.625, 1.25], abs=1e-14)


@pytest.mark.external
@pytest.mark.parametrize("n", [3, 4, 17, 400])
def test_values_and_integral_are_those_of_another_library(n):
    """Source: CubicSpline of scipy, natural ends."""
    at, values = uneven(n)
    other = CubicSpline(at, values, bc_type="natural")
    where = np.linspace(at[0] - 0.1, at[-1] + 0.1, 1003)
    ours = NaturalSpline(at, values)
    assert np.max(np.abs(ours(where) - other(where))) < 1e-11
    assert np.max(np.abs(ours.integral(where) - other.antiderivative()(where))) < 1e-11
