"""The static vector against plane geometry."""

import numpy as np
import pytest
from thrumline.pipeline.kernels.static_vector import static_length, turn_deg, turn_matrix


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
