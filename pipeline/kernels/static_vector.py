"""What the mean of a 3-axis accelerometer says: its length (unit, dead or swapped channels) and its turn."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]


def static_length(mean: FloatArray, noise: FloatArray) -> float | None:
    """Length of the static vector [mean: shape=(3,)], or None where no axis has an offset above its noise.

    ``noise`` [shape=(3,)] is each axis's own standard deviation: an a.c. coupled sensor keeps a residual
    offset far below the vibration it carries, a d.c. coupled one shows a gravity far above that of an idle.

    >>> static_length(np.array([0.0, 0.0, 9.81]), np.array([0.1, 0.1, 0.1]))
    9.81
    """
    if not np.any(np.abs(mean) > noise):
        return None
    return float(np.sqrt(np.sum(mean**2)))


def turn_deg(first: FloatArray, second: FloatArray) -> float:
    """Angle between two static vectors [shape=(3,)], degrees, 0 to 180.

    By the half-angle form, exact for small angles where the arc cosine of a dot product loses half its
    digits. Raises ValueError where one of them has no length.

    >>> round(turn_deg(np.array([0.0, 0.0, 1.0]), np.array([0.0, 1.0, 1.0])), 9)
    45.0
    """
    lengths = np.linalg.norm(first), np.linalg.norm(second)
    if min(lengths) == 0.0:
        raise ValueError(f"a static vector without length has no direction: {first!r}, {second!r}")
    one, other = first / lengths[0], second / lengths[1]
    return float(np.rad2deg(2.0 * np.arctan2(np.linalg.norm(one - other), np.linalg.norm(one + other))))


def turn_matrix(first: FloatArray, second: FloatArray) -> FloatArray:
    """Rotation [shape=(3, 3)] by the shortest way that carries the direction of ``first`` onto ``second``.

    Rodrigues' formula; gravity says nothing of a turn about the vertical, which this leaves at nought.
    Raises ValueError for opposite vectors, whose shortest way is not unique.
    """
    one, other = first / np.linalg.norm(first), second / np.linalg.norm(second)
    axis = np.cross(one, other)
    cosine = float(one @ other)
    if cosine < -1.0 + 1e-12:
        raise ValueError("opposite vectors have no shortest turn between them")
    skew = np.array([[0, -axis[2], axis[1]], [axis[2], 0, -axis[0]], [-axis[1], axis[0], 0]])
    return np.asarray(np.eye(3) + skew + skew @ skew / (1.0 + cosine))
