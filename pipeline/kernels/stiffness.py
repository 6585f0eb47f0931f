"""Dynamic stiffness and loss angle of a mount on a rig, from force and motion at one frequency."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .transfer import Transfer


@dataclass(frozen=True, slots=True)
class DynamicStiffness:
    """Complex stiffness force over displacement (N/m) at one frequency, and how well it is known."""

    modulus: float
    loss_angle_deg: float
    loss_factor: float
    std: float
    coherence: float


def displacement_factor(frequency_hz: float, motion: str) -> complex:
    """What a motion channel is multiplied with to give displacement: 1, or -1/(2 pi f)**2 for acceleration.

    Raises
    ------
    ValueError
        For another quantity, or a frequency that is not positive.
    """
    if motion == "displacement":
        return 1.0
    if motion == "acceleration":
        if frequency_hz <= 0:
            raise ValueError(f"displacement from acceleration needs a frequency above 0 Hz, found {frequency_hz:g}")
        return -1.0 / (2.0 * np.pi * frequency_hz) ** 2
    raise ValueError(f"motion is displacement or acceleration, found {motion!r}")


def dynamic_stiffness(motion_to_force: Transfer, frequency_hz: float, motion: str) -> DynamicStiffness:
    """Stiffness from the transfer motion -> force at one frequency (H1: noise is on the force).

    Loss angle is the angle by which force leads displacement; loss factor its tangent (ISO 10846-1).

    Raises
    ------
    ValueError
        As ``displacement_factor``.
    """
    value = complex(motion_to_force.h1) / displacement_factor(frequency_hz, motion)
    angle = float(np.angle(value))
    return DynamicStiffness(
        abs(value), float(np.degrees(angle)), float(np.tan(angle)), abs(value) * float(motion_to_force.random_error),
        float(motion_to_force.coherence),
    )  # fmt: skip
