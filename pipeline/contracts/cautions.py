"""Cautions for whoever prepares or runs a test: shown by help, on the test sheet and at the report's foot."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Caution:
    """One group of cautions: a stable key, a heading and its sentences in the order they matter."""

    key: str
    heading: str
    sentences: tuple[str, ...]


CAUTIONS: tuple[Caution, ...] = (
    Caution(
        "running_engine",
        "Running engine",
        (
            "Indoors, connect exhaust extraction and keep a carbon monoxide alarm running; open doors are not enough.",
            (
                "Keep hands, hair and cables away from fans, belts and hot exhaust parts; a fan may start with the "
                "engine off."
            ),
            "Route cables clear of pedals, steering, shift lever and seat tracks.",
        ),
    ),
    Caution(
        "in_gear",
        "In gear",
        (
            "Chock the wheels, set the parking brake and keep the space ahead clear.",
            "One person sits in the seat, holds the service brake and does nothing else; another runs the recorder.",
            "Make run-ups only in neutral or park, never in gear against the brakes.",
        ),
    ),
    Caution(
        "self_starting",
        "Hybrids and stop-start vehicles",
        (
            "The engine may start unasked: carry out the vehicle maker's make-safe procedure first.",
            "Leave all high-voltage work to qualified people.",
        ),
    ),
    Caution(
        "under_the_vehicle",
        "Under the vehicle",
        (
            "Work on rated stands on firm, level ground, never on a jack alone.",
            "Hold the engine with a rated support before a mount is loosened, and put no hand between engine and body.",
            "Disconnect the battery before working near the starter; let exhaust and coolant cool.",
            (
                "Use new single-use bolts at every fitting; take torque figures and lifting points from the vehicle "
                "maker's service information."
            ),
        ),
    ),
    Caution(
        "sensor_and_marker",
        "Sensor and marker",
        (
            "Clamp nothing to, and strike nothing near, airbag, belt-tensioner or seat-occupancy parts.",
            "The marker is a tap with a fingertip on the rail, nothing harder.",
        ),
    ),
    Caution(
        "prototype_parts",
        "Prototype parts and rigs",
        (
            "Before the start check hoses, wiring, shafts and fan clearance.",
            "No road use on the word of this software.",
            "Guards, emergency stop and fire watch of a rig are independent of this software.",
        ),
    ),
    Caution(
        "limits_of_use",
        "What this cannot replace",
        (
            "Follow the local codes and leave licensed work to licensed people.",
            (
                "Weighted values compare two states of one vehicle; they are no medical, legal or workplace-exposure "
                "assessment."
            ),
        ),
    ),
)

REFITTING_NOTES: tuple[str, ...] = (
    "After the battery was disconnected let the idle adaptation relearn, then warm the engine up again.",
    "Tighten mounts at ride height, rock the engine, and run it in before recording.",
)
"""What a test sheet adds: a fresh fitting that skips these reads differently for no fault of the part."""
