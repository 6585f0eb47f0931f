"""The sensor's own noise against a reading: what the sensor would show with nothing shaking it.

The captures table states it as ``noise_density``, micro-g per root hertz, one figure or one an axis, as data sheets
do. Over a bandwidth B it is a noise of ``density * sqrt(B)`` rms; a sine of the same power has a peak of ``sqrt(2)``
times that. A metric names the bandwidth its reading lets through.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from .reasons import Reason, ReasonCode
from .records import Reading
from .signal import ChannelSpec, FloatArray
from .units import MILLI_G

NOISE_FACT = "noise_density"
"""Column of the captures table; a stage that asks for it lists it in ``uses_facts``."""

MICRO_G = 1e-3 * MILLI_G


@dataclass(frozen=True, slots=True)
class SensorFloor:
    """The floor in the reading's own unit, and the figures it was made of."""

    value: float
    unit: str
    said: str


def sensor_floor(
    facts: Mapping[str, Any], channels: Sequence[ChannelSpec], bandwidth_hz: float | FloatArray, like: Reading
) -> SensorFloor | None:
    """What the sensor alone would make of a reading like this one; None where the table states no noise density.

    Parameters
    ----------
    facts
        The row's facts, with ``noise_density`` as pairs of axis and micro-g per root hertz.
    channels
        The reading's acceleration channels.
    bandwidth_hz
        Noise bandwidth [Hz], one for all channels or one each [shape=(n_channel,)].
    like
        Its ``combination`` (``mean`` averages the axes, anything else is their root sum of squares), ``unit``
        (``mg`` or ``m/s2``) and ``detector`` (``peak`` counts as a sine's, everything else as rms).
    """
    density = dict(facts.get(NOISE_FACT) or ())
    if not density or not channels:
        return None
    # a channel without an axis may be any of them: the noisiest is sure not to flatter it
    each = np.array([density.get(channel.axis, max(density.values())) for channel in channels])
    axes = each * MICRO_G * np.sqrt(np.asarray(bandwidth_hz, dtype=np.float64))
    value = float(axes.mean()) if like.combination == "mean" else float(np.sqrt(np.sum(axes**2)))
    value *= 2.0**0.5 if like.detector == "peak" else 1.0
    value /= MILLI_G if like.unit == "mg" else 1.0
    return SensorFloor(value, like.unit, _said(density, bandwidth_hz))


def judged_by_floor(reading: Reading, floor: SensorFloor | None, least_times: float) -> Reading:
    """The reading with its floor in ``extra``; absent, ``at_floor``, where it is under that many times the floor."""
    if floor is None or reading.value is None:
        return reading
    told = replace(reading, extra={**reading.extra, "sensor_floor": floor.value})
    if reading.value >= least_times * floor.value:
        return told
    detail = (
        f"{reading.value:.3g} {floor.unit} is under {least_times:g} times the sensor's floor of {floor.value:.3g} "
        f"{floor.unit} ({floor.said})"
    )
    # an engine-off capture's reading is a background all the same
    told = replace(told, extra={**told.extra, "under_sensor_floor": reading.value})
    return Reading.missing(told, Reason(ReasonCode.AT_FLOOR, detail))


def _said(density: Mapping[str, float], bandwidth_hz: float | FloatArray) -> str:
    alike = len(set(density.values())) == 1
    figures = f"{next(iter(density.values())):g}" if alike else " ".join(f"{a}={v:g}" for a, v in density.items())
    widths = np.unique(np.round(np.atleast_1d(bandwidth_hz), 6))
    over = f"{widths[0]:.3g} Hz" if widths.size == 1 else f"{widths[0]:.3g} to {widths[-1]:.3g} Hz"
    return f"noise density {figures} ug/sqrt(Hz), over {over}"
