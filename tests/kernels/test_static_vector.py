"""The static vector against plane geometry."""

import numpy as np
import pytest

from thrumline.pipeline.kernels.static_vector import (
    lasting_turn,
    static_length,
    turn_deg,
    turn_matrix,
    vertical_mean_factor,
)


@pytest.mark.parametrize("angle", [1e-7, 0.01, 5.0, 89.0, 179.0, 180.0])
def test_turn_is_exact_at_any_angle(angle):
    """The arc cosine form would lose 1e-7 degrees altogether."""
    first = np.array([0.0, 0.0, 9.8])
    second = 3.0 * np.array([np.sin(np.deg2rad(angle)), 0.0, np.cos(np.deg2rad(angle))])
    assert turn_deg(first, second) == pytest.approx(angle, rel=1e-9)


def test_length_does_not_depend_on_orientation():
    rng = np.random.default_rng(4)
    for _ in range(20):
        way = rng.standard_normal(3)
        vector = 9.80665 * way / np.linalg.norm(way)
        assert static_length(vector, np.full(3, 0.05)) == pytest.approx(9.80665)


def test_offsets_below_the_vibration_give_no_length():
    assert static_length(np.array([0.02, -0.01, 0.03]), np.full(3, 0.1)) is None


def test_the_shortest_turn_carries_one_direction_onto_the_other():
    rng = np.random.default_rng(5)
    first, second = rng.standard_normal(3), rng.standard_normal(3)
    turn = turn_matrix(first, second)
    np.testing.assert_allclose(turn @ first / np.linalg.norm(first), second / np.linalg.norm(second), atol=1e-12)
    np.testing.assert_allclose(turn @ turn.T, np.eye(3), atol=1e-12)


@pytest.mark.external
def test_the_turn_agrees_with_another_librarys_rotation():
    """Oracle: scipy.spatial.transform.Rotation, rotation vector along the cross product."""
    from scipy.spatial.transform import Rotation

    rng = np.random.default_rng(6)
    for _ in range(20):
        first, second = rng.standard_normal(3), rng.standard_normal(3)
        axis = np.cross(first, second)
        rotation = Rotation.from_rotvec(axis / np.linalg.norm(axis) * np.deg2rad(turn_deg(first, second)))
        np.testing.assert_allclose(turn_matrix(first, second), rotation.as_matrix(), atol=1e-12)


def test_vectors_without_a_direction_are_refused():
    with pytest.raises(ValueError, match="no direction"):
        turn_deg(np.zeros(3), np.ones(3))
    with pytest.raises(ValueError, match="opposite"):
        turn_matrix(np.array([0.0, 0.0, 1.0]), np.array([0.0, 0.0, -1.0]))


def test_five_degrees_of_tilt_raise_the_mean_of_axes_by_eight_percent():
    """cos 5 + sin 5 = 1.0834 in a plane through an axis; the root of summed squares stays."""
    leaning = np.array([np.sin(np.deg2rad(5)), 0.0, np.cos(np.deg2rad(5))])
    assert vertical_mean_factor(9.8 * leaning) == pytest.approx(1.0834, abs=1e-4)
    assert vertical_mean_factor(np.array([0.0, -9.8, 0.0])) == pytest.approx(1.0)


def static(n, degrees, noise=0.01, seed=1):
    """Vectors of 1 g leaning by ``degrees`` (a number or one each)."""
    lean = np.deg2rad(np.broadcast_to(degrees, n))
    clean = 9.8 * np.array([np.sin(lean), np.zeros(n), np.cos(lean)])
    return clean + noise * np.random.default_rng(seed).standard_normal((3, n))


@pytest.mark.parametrize("degrees", [3.0, 12.0, 85.0, 180.0])
def test_a_sensor_that_slips_for_good_is_found_where_it_slips(degrees):
    vectors = static(30, np.where(np.arange(30) < 17, 1.0, 1.0 + degrees))
    move = lasting_turn(vectors, 2.0, 2)
    assert move.at == 17
    assert move.turn_deg == pytest.approx(degrees, abs=0.3)


@pytest.mark.parametrize(
    "degrees",
    [
        np.zeros(40),
        5.0 * np.sin(np.arange(40)),
        np.where((np.arange(40) > 12) & (np.arange(40) < 18), 20.0, 0.0),
        np.linspace(0.0, 1.5, 40),
    ],
    ids=["still", "swaying", "braking", "drifting"],
)
def test_swaying_braking_and_drifting_are_no_lasting_turn(degrees):
    assert lasting_turn(static(40, degrees), 2.0, 2) is None


def test_too_few_vectors_say_nothing():
    assert lasting_turn(static(3, np.array([0.0, 30.0, 30.0])), 2.0, 2) is None
