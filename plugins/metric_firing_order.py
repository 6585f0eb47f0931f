"""Reading ``firing_order``: the firing line's amplitude in the order domain, per position and combination."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from pydantic import Field

from ..pipeline.contracts import (
    NOISE_FACT,
    ChainSchema,
    CombinedSpectra,
    Context,
    Metric,
    OrderAmplitude,
    OrderSpectra,
    Reading,
    Reason,
    ReasonCode,
    SchemaError,
    StageSettings,
    hookimpl,
    judged_by_floor,
    sensor_floor,
)
from ..pipeline.contracts.signal import FloatArray
from ..pipeline.contracts.units import MILLI_G


class FiringOrderSettings(StageSettings):
    """When a line is a line."""

    least_line_to_floor_db: float = Field(
        10.0, description="Line power over floor power in 1 Hz, all axes together; a line below this would scatter "
        "by more than 4 % in 30 s and gets an upper bound only."
    )  # fmt: skip
    sure_sigma: float = Field(
        3.0, ge=0, description="Standard uncertainties by which a line must be shown to be below that ratio: a "
        "sharper cut would leave only the lucky half of lines that are at it."
    )  # fmt: skip
    most_doubt_db: float = Field(
        1.5, ge=0, description="That doubt counts up to this much: a reading too uncertain to tell is no value either."
    )  # fmt: skip
    bound_sigma: float = Field(
        2.0, gt=0, description="Standard uncertainties from what was found to the upper bound: 97.7 % of chance, of "
        "which 2.7 % are left for what a track through noise loses of the line."
    )  # fmt: skip
    least_sigma: float = Field(
        5.0, gt=0, description="The line's energy must stand this many standard deviations of noise above nothing; "
        "fewer would call one noise record in a thousand a line."
    )  # fmt: skip
    least_times_sensor_floor: float = Field(
        3.0, ge=0, description="A line must be this many times what the sensor's own noise shows in 1 Hz, where the "
        "table states `noise_density`: at 3 times its power is 9 dB above, as near as the line to any other floor."
    )  # fmt: skip


class FiringOrder(Metric[FiringOrderSettings]):
    """Readings of the firing order for the combinations ``rss`` and ``mean``."""

    name = "firing_order"
    numeric_version = 1
    Settings = FiringOrderSettings
    uses_facts = (NOISE_FACT,)
    reading_names = ("firing_order",)

    def schema(self, incoming: ChainSchema) -> ChainSchema:
        """Needs the order amplitudes; adds nothing to the chain."""
        if "orders" not in incoming.products:
            raise SchemaError(
                "metric 'firing_order' needs the product 'orders'",
                found=", ".join(sorted(incoming.products)) or "none",
                allowed="a recipe in which 'orders' stands before it", todo="add the stages 'track' and 'orders'",
            )  # fmt: skip
        return incoming

    def readings(self, products: Mapping[str, Any], context: Context) -> Sequence[Reading]:
        """One reading per position and combination."""
        orders: OrderSpectra = products["orders"]
        found: list[Reading] = []
        for position in context.signal.positions:
            channels = [
                i for i in context.signal.at(position) if context.signal.channels[i].quantity == "acceleration"
            ]
            if channels:
                made = [self._reading(orders, position, channels, name) for name in ("rss", "mean")]
                made[1] = _with_tilt(made[1], products.get("combined"))
                found += [self._above_sensor(reading, channels, context) for reading in made]
        return found

    def _above_sensor(self, reading: Reading, channels: list[int], context: Context) -> Reading:
        """The reading, or its absence where the sensor's own noise in 1 Hz comes near it."""
        floor = sensor_floor(context.facts, [context.signal.channels[i] for i in channels], 1.0, reading)
        return judged_by_floor(reading, floor, self.settings.least_times_sensor_floor)

    def _reading(self, orders: OrderSpectra, position: str, channels: list[int], combination: str) -> Reading:
        like = Reading("firing_order", position, combination, "mg", "peak", None)
        if orders.absent is not None:
            return _absent(like, orders, channels)
        firing = orders.extra["firing_order"]
        entries = [item for item in orders.of(firing) if item.channel in channels]
        amplitude = np.array([item.amplitude for item in entries])
        value, gradient = combined(amplitude, combination)
        std = self._std(orders, firing, entries, gradient)
        like = Reading(
            "firing_order", position, combination, "mg", "peak", value / MILLI_G, std_uncertainty=std / MILLI_G,
            order=firing, frequency_hz=entries[0].frequency_hz, line_name=orders.name,
            marks=tuple(dict.fromkeys(mark for item in entries for mark in item.marks)),
            extra={
                "frequency_std_hz": entries[0].frequency_std_hz,
                "amplitudes_mg": [float(a / MILLI_G) for a in amplitude],
                "line_to_floor_db": line_to_floor_db(entries),
                "confirmed_by": list(orders.extra["confirmed_by"]),
            },
        )  # fmt: skip
        return self._judged(like, entries, value, std)

    def _judged(self, like: Reading, entries: list[OrderAmplitude], value: float, std: float) -> Reading:
        """The reading, or its absence with an upper bound, where the line hardly stands above the floor."""
        total = sum(item.amplitude**2 for item in entries)
        noise = math.sqrt(sum(item.extra["least"] ** 4 for item in entries))
        ratio = line_to_floor_db(entries)
        doubt_db = min(self.settings.most_doubt_db, self.settings.sure_sigma * _ratio_std_db(entries, value, std))
        at_most = ratio + doubt_db
        if total > self.settings.least_sigma * noise and at_most >= self.settings.least_line_to_floor_db:
            return like
        bound = (value + self.settings.bound_sigma * std) / MILLI_G
        there = total > self.settings.least_sigma * noise
        detail = (
            f"line power over floor power in 1 Hz is {ratio:.1f} dB, a value needs "
            f"{self.settings.least_line_to_floor_db:g} dB; with 95 % confidence the amplitude is below {bound:.3g} mg"
        )
        absent = Reading.missing(like, Reason(ReasonCode.AT_FLOOR if there else ReasonCode.NO_LINE, detail))
        return replace(absent, extra={**like.extra, "upper_bound_mg": bound})

    def _std(
        self, orders: OrderSpectra, firing: float, entries: list[OrderAmplitude], gradient: FloatArray
    ) -> float:
        """Standard uncertainty of the combination, with the covariance between the channels."""
        covariance = orders.extra["covariance"][firing]
        channels = sorted({item.channel for item in orders.of(firing)})
        full = np.zeros(len(channels))
        for slope, item in zip(gradient, entries, strict=True):
            full[channels.index(item.channel)] = slope
        return float(covariance.std(full))


def _with_tilt(reading: Reading, combined: CombinedSpectra | None) -> Reading:
    """The ``mean`` with the sensor's tilt and what it would be upright, by the averaged spectrum at the line.

    Only spectra hold the phases between axes; there the line is smeared over bins, but over all axes alike.
    """
    upright = None if combined is None else combined.upright_mean.get(reading.position)
    if combined is None or upright is None or reading.value is None or reading.frequency_hz is None:
        return reading
    at = int(np.argmin(np.abs(combined.frequency - reading.frequency_hz)))
    as_is = combined.amplitude.get((reading.position, "mean"))
    if as_is is None or as_is[at] <= 0.0:
        return reading
    tilt_deg, factor = combined.tilt_deg[reading.position], float(upright[at] / as_is[at])
    return replace(reading, extra={**reading.extra, "tilt_deg": tilt_deg, "upright_mg": factor * reading.value})


def _absent(like: Reading, orders: OrderSpectra, channels: list[int]) -> Reading:
    """No reading, with the amplitude above which the line would have been found, where that is known."""
    assert orders.absent is not None
    bounds: Mapping[int, float] = orders.extra.get("bound", {})
    known = [bounds[index] for index in channels if index in bounds]
    if not known:
        return Reading.missing(like, orders.absent)
    # the bound is on the sum over axes of power over floor: at worst all of it is on the axis of highest floor
    bound = max(known) / MILLI_G
    detail = f"{orders.absent.detail}; a line of {bound:.3g} mg or more would have been found"
    absent = Reading.missing(like, Reason(orders.absent.code, detail))
    return replace(absent, extra={**like.extra, "upper_bound_mg": bound})


def combined(amplitude: FloatArray, combination: str) -> tuple[float, FloatArray]:
    """Value of an axis combination and its derivatives by the axes' amplitudes [shape like amplitude]."""
    if combination == "mean":
        return float(amplitude.mean()), np.full(amplitude.size, 1.0 / amplitude.size)
    value = math.sqrt(float(amplitude @ amplitude))
    return value, amplitude / value if value > 0 else np.full(amplitude.size, amplitude.size**-0.5)


def _ratio_std_db(entries: list[OrderAmplitude], value: float, std: float) -> float:
    """Standard uncertainty in dB of a line's power over the floor's: both are only estimates."""
    floor = max(sum(item.floor_density for item in entries), 1e-300)
    of_floor = math.hypot(*(item.floor_density * item.extra.get("floor_relative_std", 0.0) for item in entries)) / floor
    return 10.0 / math.log(10.0) * math.hypot(2.0 * std / max(value, 1e-300), of_floor)


def line_to_floor_db(entries: list[OrderAmplitude]) -> float:
    """Line power over floor power in 1 Hz, all axes together, dB."""
    line = sum(0.5 * item.amplitude**2 for item in entries)
    floor = sum(item.floor_density for item in entries)
    return 10.0 * math.log10(max(line, 1e-300) / max(floor, 1e-300))


@hookimpl
def register_metrics() -> list[type[Metric[Any]]]:
    """The firing-order reading."""
    return [FiringOrder]
