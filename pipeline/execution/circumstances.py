"""Circumstances of a capture: what the slow channels beside the signal showed over the stretches that were used."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from ..contracts import Aside, Fitness, Reading, SpeedTrack
from ..contracts.units import known_unit
from ..kernels.slow_channels import slow_summary

LEAST_COVERED = 0.5
"""A channel that was logged for less of the time than this says nothing about the stretches."""

CIRCUMSTANCES = "circumstances"
MOUNT_TEMPERATURE = "mount_temp_c"


def with_circumstances(
    fitness: Fitness, readings: Sequence[Reading], asides: Sequence[Aside], products: Mapping[str, Any]
) -> tuple[Fitness, tuple[Reading, ...]]:
    """Fitness and readings of a fit capture with the means of its slow channels; unchanged where there are none."""
    means = circumstances(asides, products.get("track"), fitness.stretches)
    if not means:
        return fitness, tuple(readings)
    facts = {**fitness.facts, CIRCUMSTANCES: means}
    mount = mount_temperature(asides, fitness.stretches)
    if mount is not None:
        facts[MOUNT_TEMPERATURE] = mount
    told = tuple(replace(reading, extra={**reading.extra, CIRCUMSTANCES: means}) for reading in readings)
    return replace(fitness, facts=facts), told


def circumstances(
    asides: Sequence[Aside], track: SpeedTrack | None, stretches: Sequence[tuple[float, float]]
) -> dict[str, float]:
    """Mean over the stretches of every slow channel, by ``<channel> <unit>``; of a tachometer's speed as well."""
    if not stretches:
        return {}
    slow = [aside for aside in asides if aside.quantity != "tachometer"]
    twice = {name for name, n in Counter(bare_name(aside) for aside in slow).items() if n > 1}
    means: dict[str, float] = {}
    for number, aside in enumerate(slow, 1):
        mean = _mean(aside, stretches)
        if mean is not None:
            name = bare_name(aside)
            name = f"{name} {aside.position or number}" if name in twice else name
            unit, factor = ("rpm", 60.0) if aside.quantity == "speed" else (aside.unit, 1.0)
            means[f"{name} {unit}".strip()] = factor * mean
    if track is not None and track.source == "tachometer":
        counted = Aside("speed", "speed", "Hz", track.time_s, track.speed_hz)
        mean = _mean(counted, stretches)
        means |= {} if mean is None else {"speed rpm": 60.0 * mean}
    return means


def bare_name(aside: Aside) -> str:
    """A channel's name without the unit at its end; the quantity where nothing else is left."""
    spelt = _UNIT_AT_THE_END.fullmatch(aside.name)
    if known_unit(aside.name, aside.quantity) is not None:
        return aside.quantity
    if spelt is not None and known_unit(spelt["unit"], aside.quantity) is not None:
        return spelt["name"]
    return aside.name


_UNIT_AT_THE_END = re.compile(r"(?P<name>.*?\S)[\s_]*(?:[\s_]|(?=[\[(]))(?P<unit>[\[(]?[^\s_\[\]()]+[\])]?)")


def mount_temperature(asides: Sequence[Aside], stretches: Sequence[tuple[float, float]]) -> float | None:
    """Mean temperature of the mount, degC: of the channels named after it, or of the only one there is.

    Several channels without such a name may be coolant or air as well: then none is taken for the mount's.
    """
    temperatures = [aside for aside in asides if aside.quantity == "temperature"]
    named = [aside for aside in temperatures if "mount" in aside.name.lower()]
    chosen = named or (temperatures if len(temperatures) == 1 else [])
    means = [mean for mean in (_mean(aside, stretches) for aside in chosen) if mean is not None]
    return float(np.mean(means)) if means else None


def _mean(aside: Aside, stretches: Sequence[tuple[float, float]]) -> float | None:
    order = np.argsort(aside.times_s, kind="stable")
    summary = slow_summary(aside.times_s[order], aside.values[order], stretches)
    return summary.mean if summary.covered >= LEAST_COVERED else None
