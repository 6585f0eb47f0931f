"""Levels in decibels inside a comparison: as ratios of amplitude, so that one way of comparing serves all readings.

A level ``L`` is ``20 lg`` of an amplitude over a fixed one. Its repeats average as levels, which is the geometric
mean of the amplitudes, and the difference of two levels is the logarithm of their ratio in another unit: interval,
verdict and repeats needed are those of the ratio. Only what people read is told in decibels, and never as a percent.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

DECIBEL = "dB"

CHANGE = ("change_db", "change_db_low", "change_db_high")
"""Keys of an entry in decibels, beside ``percent_change``, ``interval_low`` and ``interval_high``, which stay null."""

PREDICTION = ("prediction_db_low", "prediction_db_high")
"""The same of what holds over platforms."""


def decibels_of_log(log_ratio: float) -> float:
    """Natural logarithm of a ratio of amplitudes in decibels.

    >>> round(decibels_of_log(math.log(2.0)), 4)
    6.0206
    """
    return 20.0 / math.log(10.0) * log_ratio


def log_of_decibels(level: float) -> float:
    """Decibels as natural logarithm of a ratio of amplitudes."""
    return math.log(10.0) / 20.0 * level


def shown(value: float | None, unit: str) -> float | None:
    """A value inside a comparison as people read it: a ratio of amplitudes as its level."""
    return decibels_of_log(math.log(value)) if value is not None and unit == DECIBEL else value


def as_amplitude(entry: Mapping[str, Any]) -> Mapping[str, Any]:
    """A reading's entry with its level as the ratio of amplitudes it stands for; others as they are."""
    value = entry.get("value")
    if entry.get("unit") != DECIBEL or not isinstance(value, int | float) or not math.isfinite(value):
        return entry
    return {**entry, "value": math.exp(log_of_decibels(float(value)))}
