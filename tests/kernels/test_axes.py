"""Axes: invariants of combination and rotation, refusals."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from thrumline.pipeline.kernels.axes import (
    largest_amplitude,
    mean_after_tilt,
    mean_of_amplitudes,
    principal_amplitude,
    root_sum_square,
    rotated_matrix,
    rotation_to_vertical,
    spectral_matrix,
    tilt_between_deg,
)

PAIRS = ((0, 1), (0, 2), (1, 2))


def random_matrix(seed, n_f=50):
    """Hermitian matrices that average a few segments of three axes."""
    rng = np.random.default_rng(seed)
    x = rng.standard_normal((4, n_f, 3)) + 1j * rng.standard_normal((4, n_f, 3))
    return np.einsum("sfi,sfj->fij", x.conj(), x) / 4


@settings(deadline=None, max_examples=25)
@given(seed=st.integers(0, 10_000))
def test_rss_and_principal_do_not_change_when_the_sensor_is_turned(seed):
    matrix = random_matrix(seed)
    turned = rotated_matrix(matrix, Rotation.random(rng=np.random.default_rng(seed)).as_matrix())
    before, after = (np.real(np.diagonal(m, axis1=1, axis2=2)).T for m in (matrix, turned))
    assert root_sum_square(after) == pytest.approx(root_sum_square(before), rel=1e-12)
    assert principal_amplitude(turned) == pytest.approx(principal_amplitude(matrix), rel=1e-12)


@settings(deadline=None, max_examples=25)
@given(seed=st.integers(0, 10_000), n_axis=st.integers(1, 3))
def test_principal_is_the_largest_eigenvalue_and_lies_between_max_and_rss(seed, n_axis):
    matrix = random_matrix(seed)[:, :n_axis, :n_axis]
    auto = np.real(np.diagonal(matrix, axis1=1, axis2=2)).T
    found = principal_amplitude(matrix)
    assert found**2 == pytest.approx(np.linalg.eigvalsh(matrix)[:, -1], rel=1e-10)
    assert np.all(largest_amplitude(auto) <= found * (1 + 1e-12))
    assert np.all(found <= root_sum_square(auto) * (1 + 1e-12))


def test_no_motion_has_no_amplitude():
    zero = np.zeros((2, 3, 3), dtype=complex)
    assert principal_amplitude(zero).tolist() == [0.0, 0.0]


def test_one_axis_is_its_own_combination():
    auto = np.array([[4.0, 9.0]])
    for combined in (root_sum_square, mean_of_amplitudes, largest_amplitude):
        assert combined(auto).tolist() == [2.0, 3.0]
    assert principal_amplitude(spectral_matrix(auto, (), np.zeros((0, 2)))) == pytest.approx([2.0, 3.0])


def test_mean_upright_undoes_a_tilt():
    """Vertical motion of 3 seen by a sensor that leans 20 degrees: the mean upright is 1."""
    lean = Rotation.from_euler("y", 20, degrees=True).as_matrix()
    matrix = rotated_matrix(np.diag([0.0, 0.0, 9.0]).astype(complex)[None], lean)[0]
    auto = np.real(np.diag(matrix))[:, None]
    cross = np.array([matrix[i, j] for i, j in PAIRS])[:, None]
    static = lean @ np.array([0.0, 0.0, 9.81])
    assert mean_of_amplitudes(auto)[0] == pytest.approx(np.cos(np.radians(20)) + np.sin(np.radians(20)))
    assert mean_after_tilt(auto, PAIRS, cross, static) == pytest.approx([1.0])


def test_upright_sensor_is_not_turned():
    assert rotation_to_vertical([0.0, 0.0, 9.81]) == pytest.approx(np.eye(3))


def test_upside_down_sensor_is_turned_by_half_a_turn():
    rotation = rotation_to_vertical([0.0, 0.0, -9.81])
    assert rotation @ np.array([0.0, 0.0, -1.0]) == pytest.approx([0.0, 0.0, 1.0])
    assert np.linalg.det(rotation) == pytest.approx(1.0)


def test_tilt_is_exact_for_small_angles():
    """A cosine would lose everything below a microradian."""
    lean = np.array([0.0, np.sin(1e-7), np.cos(1e-7)])
    assert tilt_between_deg([0.0, 0.0, 1.0], lean) == pytest.approx(np.degrees(1e-7), rel=1e-9)
    assert tilt_between_deg([1.0, 0.0, 0.0], [-2.0, 0.0, 0.0]) == pytest.approx(180.0)


@pytest.mark.parametrize("static", [[0.0, 0.0, 0.0], [np.nan, 0.0, 1.0], [1.0, 2.0]])
def test_vectors_without_direction_are_refused(static):
    with pytest.raises(ValueError, match="wanted three finite components"):
        rotation_to_vertical(static)


def test_missing_cross_spectra_are_refused():
    with pytest.raises(ValueError, match=r"wanted each of \[\(0, 1\), \(0, 2\), \(1, 2\)\] once"):
        spectral_matrix(np.ones((3, 4)), ((0, 1), (1, 2)), np.ones((2, 4)))
