"""Sensitivity and offset of an accelerometer: six-position turn-over in gravity, or a tone of known level."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
STANDARD_GRAVITY = 9.80665
AXES = "xyz"


@dataclass(frozen=True, slots=True)
class TurnOver:
    """Result of a six-position turn-over; all [shape=(3,)] in the order x, y, z.

    ``factor`` multiplies what the sensor says, then ``offset`` (m s-2) is subtracted. ``factor_std`` and
    ``offset_std`` are standard uncertainties from the noise of the means; ``tilt_deg`` is the angle between
    each axis and the direction it should have (cross sensitivity and how squarely it was laid together);
    ``largest_residual`` (m s-2) is what the corrected static vectors still miss of 1 g.
    """

    factor: FloatArray
    factor_std: FloatArray
    offset: FloatArray
    offset_std: FloatArray
    tilt_deg: FloatArray
    largest_residual: float


def turn_over(means: FloatArray, mean_stds: FloatArray, gravity: float = STANDARD_GRAVITY) -> TurnOver:
    """Calibration from static means in six positions, each axis once up and once down, in any order.

    Parameters
    ----------
    means, mean_stds
        Means per position [shape=(6, 3), m s-2] and their standard uncertainties [same shape].
    gravity
        Local gravity, m s-2.

    Raises
    ------
    ValueError
        If an axis was not laid once up and once down, or a mean is far from 1 g.

    References
    ----------
    Static turn-over in the earth's gravity, ISO 16063-16:2014: factor 2 g over the difference, offset half the
    sum of the two readings.

    >>> m = np.array([[1.0, 0, 0], [-1, 0, 0], [0, 1, 0], [0, -1, 0], [0, 0, 1], [0, 0, -1]]) * 9.80665
    >>> turn_over(m * 1.02 + 0.1, np.full((6, 3), 1e-4)).factor.round(6).tolist()
    [0.980392, 0.980392, 0.980392]
    """
    up, down = _positions(means, gravity)
    half_difference = np.array([(means[up[k], k] - means[down[k], k]) / 2.0 for k in range(3)])
    half_sum = np.array([(means[up[k], k] + means[down[k], k]) / 2.0 for k in range(3)])
    noise = np.array([np.hypot(mean_stds[up[k], k], mean_stds[down[k], k]) / 2.0 for k in range(3)])
    factor = gravity / half_difference
    corrected = means * factor - factor * half_sum
    residual = np.abs(np.linalg.norm(corrected, axis=1) - gravity)
    return TurnOver(
        factor=factor,
        factor_std=factor * noise / half_difference,
        offset=factor * half_sum,
        offset_std=factor * noise,
        tilt_deg=_tilts(means, up, down),
        largest_residual=float(residual.max()),
    )


def _positions(means: FloatArray, gravity: float) -> tuple[list[int], list[int]]:
    """Which record has which axis up and down, told from the records themselves."""
    if means.shape != (6, 3):
        raise ValueError(f"six positions of three axes are wanted, found an array of shape {means.shape}")
    main = np.argmax(np.abs(means), axis=1)
    sign = np.sign(means[np.arange(6), main])
    up, down = ([_first((main == k) & (side * sign > 0)) for k in range(3)] for side in (1, -1))
    missing = [f"{AXES[k]} {word}" for word, found in (("up", up), ("down", down)) for k in range(3) if found[k] < 0]
    if missing:
        laid = ", ".join(f"{AXES[k]} {'up' if s > 0 else 'down'}" for k, s in zip(main, sign, strict=True))
        raise ValueError(f"each axis once up and once down is wanted; missing {', '.join(missing)}; found {laid}")
    length = np.linalg.norm(means, axis=1) / gravity
    if np.any(np.abs(length - 1.0) > 0.5):
        worst = int(np.argmax(np.abs(length - 1.0)))
        raise ValueError(f"position {worst + 1} shows {length[worst]:.3g} g, wanted about 1 g: check the unit")
    return up, down


def _first(wanted: npt.NDArray[np.bool_]) -> int:
    """Index of the first that is wanted, or -1."""
    return int(np.argmax(wanted)) if wanted.any() else -1


def _tilts(means: FloatArray, up: list[int], down: list[int]) -> FloatArray:
    """Angle of each axis' gravity swing away from the axis itself, degrees."""
    angles = []
    for k in range(3):
        swing = (means[up[k]] - means[down[k]]) / 2.0
        across = np.linalg.norm(np.delete(swing, k))
        angles.append(np.degrees(np.arctan2(across, abs(swing[k]))))
    return np.array(angles)


def tone_factor(measured: float, measured_std: float, stated: float) -> tuple[float, float]:
    """Factor and its standard uncertainty from a tone of stated level, both levels of the same detector.

    Raises
    ------
    ValueError
        If either level is not positive.

    >>> tone_factor(9.5, 0.019, 10.0)[0].__round__(6)
    1.052632
    """
    if measured <= 0 or stated <= 0:
        raise ValueError(f"levels above zero are wanted, found {measured:g} measured and {stated:g} stated")
    factor = stated / measured
    return factor, factor * measured_std / measured
