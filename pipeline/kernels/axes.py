"""Combining the axes of one position on spectra, and turning axes into the vehicle's.

Combination is always of amplitude spectra (or of the cross-spectral matrix), never of time signals: three equal
tones 120 degrees apart average to nothing as signals, and to their common amplitude as spectra.

References
----------
ISO 8855:2011 (x forward, y left, z up). R. A. Johnson, D. W. Wichern, Applied Multivariate Statistical
Analysis, section 8.2 (principal axis of a covariance matrix). O. Rodrigues, J. Math. Pures Appl. 5, 1840.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
ComplexArray = npt.NDArray[np.complex128]


def root_sum_square(auto: FloatArray) -> FloatArray:
    """Amplitude of the whole motion from squared amplitudes [shape=(n_axis, n_f)]: not changed by rotation."""
    return np.asarray(np.sqrt(np.sum(auto, axis=0)), dtype=np.float64)


def mean_of_amplitudes(auto: FloatArray) -> FloatArray:
    """Arithmetic mean over axes of the amplitude spectra, from squared amplitudes [shape=(n_axis, n_f)]."""
    return np.asarray(np.mean(np.sqrt(auto), axis=0), dtype=np.float64)


def largest_amplitude(auto: FloatArray) -> FloatArray:
    """Amplitude of the strongest axis at each frequency, from squared amplitudes [shape=(n_axis, n_f)]."""
    return np.asarray(np.sqrt(np.max(auto, axis=0)), dtype=np.float64)


def spectral_matrix(
    auto: FloatArray, pairs: Sequence[tuple[int, int]], cross: ComplexArray
) -> ComplexArray:
    """Hermitian matrices [shape=(n_f, n_axis, n_axis)], entry (i, j) the mean of conj(X_i) X_j.

    Raises
    ------
    ValueError
        A pair of axes is missing or given twice.
    """
    n_axis, n_f = auto.shape
    _check_pairs(n_axis, pairs)
    matrix = np.zeros((n_f, n_axis, n_axis), dtype=np.complex128)
    for i in range(n_axis):
        matrix[:, i, i] = auto[i]
    for (i, j), values in zip(pairs, cross, strict=True):
        matrix[:, i, j] = values
        matrix[:, j, i] = np.conj(values)
    return matrix


def _check_pairs(n_axis: int, pairs: Sequence[tuple[int, int]]) -> None:
    wanted = {(i, j) for i in range(n_axis) for j in range(i + 1, n_axis)}
    if len(pairs) != len(wanted) or set(pairs) != wanted:
        msg = f"cross spectra of pairs {sorted(pairs)}; wanted each of {sorted(wanted)} once"
        raise ValueError(msg)


def principal_amplitude(matrix: ComplexArray) -> FloatArray:
    """Root of the largest eigenvalue of each matrix [shape=(n_f, n_axis, n_axis)]: the motion's major axis."""
    if matrix.shape[-1] == 3:
        auto = np.real(np.diagonal(matrix, axis1=1, axis2=2)).T
        largest = _largest_of_three(auto, matrix[:, 0, 1], matrix[:, 0, 2], matrix[:, 1, 2])
    else:
        largest = np.asarray(np.linalg.eigvalsh(matrix)[:, -1], dtype=np.float64)
    return np.asarray(np.sqrt(np.maximum(largest, 0.0)), dtype=np.float64)


def principal_of_axes(auto: FloatArray, pairs: Sequence[tuple[int, int]], cross: ComplexArray) -> FloatArray:
    """``principal_amplitude`` of the matrices ``spectral_matrix`` makes of these, which three axes do not need.

    Raises
    ------
    ValueError
        A pair of axes is missing or given twice.
    """
    if len(auto) != 3:
        return principal_amplitude(spectral_matrix(auto, pairs, cross))
    _check_pairs(3, pairs)
    ordered = (cross[pairs.index(pair)] for pair in ((0, 1), (0, 2), (1, 2)))
    return np.asarray(np.sqrt(np.maximum(_largest_of_three(auto, *ordered), 0.0)), dtype=np.float64)


def _largest_of_three(auto: FloatArray, x: ComplexArray, y: ComplexArray, z: ComplexArray) -> FloatArray:
    """Largest eigenvalue of Hermitian 3 x 3 matrices by the cosine formula (O. K. Smith, Commun. ACM 4, 168, 1961).

    ``auto`` [shape=(3, n_f)] is their diagonal, ``x``, ``y``, ``z`` [shape=(n_f,)] entries (0, 1), (0, 2), (1, 2).
    Five times faster than the general routine, and for the largest eigenvalue as accurate.
    """
    middle = (auto[0] + auto[1] + auto[2]) / 3.0
    a, b, c = auto - middle
    xx, yy, zz = (entry.real**2 + entry.imag**2 for entry in (x, y, z))
    size = np.sqrt((a**2 + b**2 + c**2 + 2.0 * (xx + yy + zz)) / 6.0)
    determinant = a * b * c + 2.0 * (x * z * np.conj(y)).real - a * zz - b * yy - c * xx
    safe = np.where(size > 0.0, size, 1.0)
    angle = np.arccos(np.clip(0.5 * determinant / (safe * safe * safe), -1.0, 1.0)) / 3.0
    return np.asarray(middle + 2.0 * size * np.cos(angle), dtype=np.float64)


def rotated_matrix(matrix: ComplexArray, rotation: FloatArray) -> ComplexArray:
    """The matrices as seen from axes turned by ``rotation`` [shape=(n_axis, n_axis), rows = new axes]."""
    return np.asarray(rotation @ matrix @ rotation.T, dtype=np.complex128)


def rotation_to_vertical(static: npt.ArrayLike) -> FloatArray:
    """The smallest rotation that brings the static vector of a resting sensor onto +z (up).

    A resting accelerometer reads +1 g along up, so a static vector (0, 0, g) needs no rotation. Heading about
    the vertical cannot be told from gravity and stays as mounted.

    Parameters
    ----------
    static
        [shape=(3,), any unit] mean of the three axes at rest.

    Returns
    -------
    ndarray
        [shape=(3, 3)], rows are the new axes: ``rotation @ values``.

    Raises
    ------
    ValueError
        Not three finite components, or no length.
    """
    x, y, up = _unit(static).tolist()
    if up < -1.0 + 1e-12:
        # upside down: half a turn about x, which keeps the fore-aft axis
        return np.diag([1.0, -1.0, -1.0])
    # Rodrigues' formula about the horizontal axis (y, -x, 0), written out
    share = 1.0 / (1.0 + up)
    return np.array([
        [1.0 - share * x * x, -share * x * y, -x],
        [-share * x * y, 1.0 - share * y * y, -y],
        [x, y, 1.0 - share * (x * x + y * y)],
    ])  # fmt: skip


def tilt_between_deg(static: npt.ArrayLike, other: npt.ArrayLike) -> float:
    """Angle between two static vectors [shape=(3,)], degrees 0 to 180. Raises ValueError as above."""
    (a, b, c), (x, y, z) = _unit(static).tolist(), _unit(other).tolist()
    across = math.hypot(b * z - c * y, c * x - a * z, a * y - b * x)
    return math.degrees(math.atan2(across, a * x + b * y + c * z))


def mean_after_tilt(
    auto: FloatArray, pairs: Sequence[tuple[int, int]], cross: ComplexArray, static: npt.ArrayLike
) -> FloatArray:
    """What ``mean_of_amplitudes`` would read with the sensor upright [shape=(n_f,)]; ``rss`` would not change."""
    _check_pairs(len(auto), pairs)
    rotation = rotation_to_vertical(static)
    # the diagonal of the turned matrices is all that is asked for
    first, second = [i for i, _ in pairs], [j for _, j in pairs]
    turned = rotation**2 @ auto + 2.0 * (rotation[:, first] * rotation[:, second]) @ np.real(cross)
    return mean_of_amplitudes(np.maximum(turned, 0.0))


def _unit(static: npt.ArrayLike) -> FloatArray:
    vector = np.asarray(static, dtype=np.float64)
    length = math.hypot(*vector.tolist()) if vector.shape == (3,) else math.nan
    if not math.isfinite(length) or length == 0.0:
        msg = f"static vector {vector!r}: wanted three finite components that are not all 0"
        raise ValueError(msg)
    return np.asarray(vector / length, dtype=np.float64)
