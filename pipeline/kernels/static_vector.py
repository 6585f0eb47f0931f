"""What the mean of a 3-axis accelerometer says: its length (unit, dead or swapped channels) and its turn."""

from __future__ import annotations

from dataclasses import dataclass
from math import atan2, degrees, hypot, sqrt

import numpy as np
import numpy.typing as npt

from .quantiles import row_medians

FloatArray = npt.NDArray[np.float64]


def static_length(mean: FloatArray, noise: FloatArray) -> float | None:
    """Length of the static vector [mean: shape=(3,)], or None where no axis has an offset above its noise.

    ``noise`` [shape=(3,)] is each axis's own standard deviation: an a.c. coupled sensor keeps a residual
    offset far below the vibration it carries, a d.c. coupled one shows a gravity far above that of an idle.

    >>> static_length(np.array([0.0, 0.0, 9.81]), np.array([0.1, 0.1, 0.1]))
    9.81
    """
    if not (np.abs(mean) > noise).any():
        return None
    return sqrt(float(mean @ mean))


def turn_deg(first: FloatArray, second: FloatArray) -> float:
    """Angle between two static vectors [shape=(3,)], degrees, 0 to 180.

    By the half-angle form, exact for small angles where the arc cosine of a dot product loses half its
    digits. Raises ValueError where one of them has no length.

    >>> round(turn_deg(np.array([0.0, 0.0, 1.0]), np.array([0.0, 1.0, 1.0])), 9)
    45.0
    """
    lengths = hypot(*first.tolist()), hypot(*second.tolist())
    if min(lengths) == 0.0:
        raise ValueError(f"a static vector without length has no direction: {first!r}, {second!r}")
    one, other = first / lengths[0], second / lengths[1]
    return degrees(2.0 * atan2(hypot(*(one - other).tolist()), hypot(*(one + other).tolist())))


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


def vertical_mean_factor(static: FloatArray) -> float:
    """How many times the mean of axes shows for vertical motion what it shows with one axis upright.

    Vertical motion of amplitude A reads A |u_i| on axis i, u being the direction of the static vector
    [shape=(3,)]; the arithmetic mean of the axes' amplitudes is A times sum |u_i| / 3, against A / 3 for an
    upright axis. The root of summed squares reads A in every case.

    >>> round(vertical_mean_factor(np.array([np.sin(np.deg2rad(5)), 0.0, np.cos(np.deg2rad(5))])), 3)
    1.083
    """
    x, y, z = static.tolist()
    return float((abs(x) + abs(y) + abs(z)) / hypot(x, y, z))


@dataclass(frozen=True, slots=True)
class Move:
    """A turn of the static vector for good: index of the first sample after it, and the angle in degrees."""

    at: int
    turn_deg: float


def lasting_turn(vectors: FloatArray, least_deg: float, least_piece: int) -> Move | None:
    """The one instant at which the static vector [shape=(3, n), averages over a second or more] turns for good.

    The two-piece constant fit of least squares; it counts where the pieces' mean directions differ by
    ``least_deg`` or more and nine tenths of the vectors of either piece stay within half of that angle about
    their own piece's direction (braking and cornering swing to and fro, a sensor that slipped stays). Each
    piece has at least ``least_piece`` vectors.
    """
    n = vectors.shape[1]
    if n < 2 * least_piece:
        return None
    sums = vectors.cumsum(axis=1)
    splits = np.arange(least_piece, n - least_piece + 1)
    before = sums[:, least_piece - 1 : n - least_piece]
    after = sums[:, -1:] - before
    explained = (before * before).sum(axis=0) / splits + (after * after).sum(axis=0) / (n - splits)
    at = int(splits[explained.argmax()])
    pieces = vectors[:, :at], vectors[:, at:]
    first, second = (row_medians(piece) for piece in pieces)
    if not (first.any() and second.any()):
        return None
    turn = turn_deg(first, second)
    if turn < least_deg:
        return None
    for piece, mean in zip(pieces, (first, second), strict=True):
        cosines = (mean @ piece) / (np.linalg.norm(mean) * np.linalg.norm(piece, axis=0))
        if np.mean(np.rad2deg(np.arccos(np.clip(cosines, -1.0, 1.0))) <= turn / 2.0) < 0.9:
            return None
    return Move(at, turn)
