"""The single mass on a spring: transmissibility, natural frequency, and what another stiffness would do."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
STANDARD_GRAVITY = 9.80665


def transmissibility(ratio: npt.ArrayLike, damping_ratio: float) -> FloatArray:
    """Transmissibility at ``ratio`` = frequency over natural frequency [shape like ratio], viscous damping.

    References
    ----------
    Harris' *Shock and Vibration Handbook*, ch. 30; K. Ogata, *System Dynamics*, 4th ed., 2004, eq. 9-14.

    >>> float(round(transmissibility(2.0, 0.1)[()], 6))
    0.355862
    """
    r = np.asarray(ratio, dtype=np.float64)
    above = 1.0 + (2.0 * damping_ratio * r) ** 2
    with np.errstate(divide="ignore"):
        return np.sqrt(above / ((1.0 - r**2) ** 2 + (2.0 * damping_ratio * r) ** 2))


def transmissibility_by_loss_factor(ratio: npt.ArrayLike, loss_factor: float) -> FloatArray:
    """The same for a spring with loss factor (structural damping): sqrt((1+e2)/((1-r2)2+e2))."""
    r = np.asarray(ratio, dtype=np.float64)
    with np.errstate(divide="ignore"):
        return np.sqrt((1.0 + loss_factor**2) / ((1.0 - r**2) ** 2 + loss_factor**2))


def natural_frequency_hz(static_deflection_m: float) -> float:
    """Natural frequency of a mass that sinks by so much on a linear spring: sqrt(g/d)/2 pi.

    >>> round(natural_frequency_hz(4e-3), 4)
    7.8804
    """
    return float(np.sqrt(STANDARD_GRAVITY / static_deflection_m) / (2.0 * np.pi))


def change_by_stiffness(
    frequency_hz: float, natural_hz: float, stiffness_percent: float, *, loss_factor: float = 0.0
) -> float:
    """Percent change of transmitted vibration when stiffness changes by so many percent, mass unchanged.

    An estimate: one mass, one linear spring, one direction. Raises ValueError for a stiffness below zero.

    >>> round(change_by_stiffness(40.0, 8.0, 12.890625), 1)
    13.5
    """
    if stiffness_percent <= -100.0:
        raise ValueError(f"stiffness_percent is above -100, found {stiffness_percent:g}")
    stiffer_hz = natural_hz * np.sqrt(1.0 + stiffness_percent / 100.0)
    before, after = (
        transmissibility_by_loss_factor(frequency_hz / hz, loss_factor) for hz in (natural_hz, stiffer_hz)
    )
    return float(100.0 * (after / before - 1.0))
