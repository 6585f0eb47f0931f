"""Metric ``highest_bin``: the conventional reading, the plain highest bin of each combination, not interpolated."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any, Self

import numpy as np
from pydantic import Field, model_validator

from ..pipeline.contracts import (
    NOISE_FACT,
    ChainSchema,
    CombinedSpectra,
    Context,
    Metric,
    Reading,
    Reason,
    ReasonCode,
    SchemaError,
    Spectra,
    StageSettings,
    hookimpl,
    judged_by_floor,
    sensor_floor,
)
from ..pipeline.contracts.signal import FloatArray
from ..pipeline.contracts.units import MILLI_G
from ..pipeline.kernels.lines import noise_floor
from ..pipeline.kernels.windows import cosine_coefficients

COMBINATIONS = ("rss", "mean")


class HighestBinSettings(StageSettings):
    """Where to look."""

    band_hz: tuple[float, float] | None = Field(
        default=None, description="Band looked in, Hz. None: about the nominal firing frequency."
    )
    around_percent: float = Field(
        default=10.0,
        gt=0,
        le=50,
        description="Half width of the band about the nominal firing frequency: wider than idle differs between "
        "days (a few percent), narrower than the way to the next half order of an eight-cylinder (12.5 %).",
    )
    least_times_sensor_floor: float = Field(
        default=3.0,
        ge=0,
        description="The bin must be this many times what the sensor's own noise shows in one bin, where the table "
        "states `noise_density`: the highest of some twenty bins of noise alone reads 1.1 to 1.7 times that, "
        "by the number of averages.",
    )

    @model_validator(mode="after")
    def _band_has_width(self) -> Self:
        if self.band_hz is not None and not 0.0 <= self.band_hz[0] < self.band_hz[1]:
            msg = f"band_hz {list(self.band_hz)!r}: wanted two frequencies, the lower first, none below 0"
            raise ValueError(msg)
        return self


class HighestBin(Metric[HighestBinSettings]):
    """What a practitioner reads by eye from an averaged spectrum; a wandering or half-bin line reads low."""

    name = "highest_bin"
    numeric_version = 1
    Settings = HighestBinSettings
    uses_facts = ("cylinders", "strokes", "firing_order", "rpm", NOISE_FACT)
    reading_names = ("highest_bin",)

    def schema(self, incoming: ChainSchema) -> ChainSchema:
        """Unchanged. Raises SchemaError without spectra, or when the band lies beyond the Nyquist frequency."""
        for product in ("spectra", "combined"):
            if product not in incoming.products:
                raise SchemaError(
                    f"stage highest_bin: product {product}", found=", ".join(sorted(incoming.products)) or "none",
                    allowed="the stages spectrum and combine before it",
                )  # fmt: skip
        rate, band = incoming.signal.rate_hz, self.settings.band_hz
        if rate is not None and band is not None and band[1] > 0.5 * rate:
            raise SchemaError(
                "stage highest_bin: field band_hz", found=f"{band[0]:g} to {band[1]:g} Hz",
                allowed=f"up to the Nyquist frequency, {0.5 * rate:g} Hz at a rate of {rate:g} Hz",
                todo="lower the band, or record faster",
            )  # fmt: skip
        return incoming

    def readings(self, products: Mapping[str, Any], context: Context) -> Sequence[Reading]:
        """One reading for each position and each of ``rss`` and ``mean``."""
        combined: CombinedSpectra = products["combined"]
        spectra: Spectra = products["spectra"]
        band = self._band(context)
        # both combinations mostly have the same highest bin
        floors: dict[int, FloatArray] = {}
        found = [
            self._reading(position, combination, band, amplitude, spectra, floors)
            for (position, combination), amplitude in combined.amplitude.items()
            if combination in COMBINATIONS
        ]
        return [self._above_sensor(_with_tilt(reading, combined), spectra, context) for reading in found]

    def _above_sensor(self, reading: Reading, spectra: Spectra, context: Context) -> Reading:
        """The reading, or its absence where the sensor's own noise in one bin comes near it."""
        channels = [spectra.channels[i] for i in _channels(spectra, reading.position)]
        floor = sensor_floor(context.facts, channels, spectra.enbw_hz, reading)
        return judged_by_floor(reading, floor, self.settings.least_times_sensor_floor)

    def _band(self, context: Context) -> tuple[float, float] | Reason:
        if self.settings.band_hz is not None:
            return self.settings.band_hz
        firing = nominal_firing_hz(context.facts)
        if firing is None:
            return Reason(
                ReasonCode.NO_SPEED,
                "no band_hz is set and the captures table gives no rpm with cylinders or firing_order",
            )
        room = self.settings.around_percent / 100.0
        return (1.0 - room) * firing, (1.0 + room) * firing

    def _reading(
        self, position: str, combination: str, band: tuple[float, float] | Reason, amplitude: FloatArray,
        spectra: Spectra, known: dict[int, FloatArray],
    ) -> Reading:  # fmt: skip
        empty = Reading("highest_bin", position, combination, "mg", "peak", None)
        if isinstance(band, Reason):
            return Reading.missing(empty, band)
        frequency = spectra.frequency
        inside = np.flatnonzero((frequency >= band[0]) & (frequency <= band[1]))
        if inside.size == 0:
            detail = f"no bin of the spectrum (0 to {frequency[-1]:g} Hz) lies in {band[0]:g} to {band[1]:g} Hz"
            return Reading.missing(empty, Reason(ReasonCode.NO_LINE, detail))
        at = int(inside[np.argmax(amplitude[inside])])
        channels = _channels(spectra, position)
        if at not in known:
            known[at] = noise_floor(spectra.auto, spectra.n_effective, skip=_skip(spectra), at=at)[:, 0]
        floors = known[at][channels]
        std = highest_bin_std(spectra, floors, channels, at, combination)
        floor = _combined_floor(floors, combination)
        return Reading(
            "highest_bin", position, combination, "mg", "peak", float(amplitude[at]) / MILLI_G,
            std_uncertainty=std / MILLI_G, frequency_hz=float(frequency[at]),
            extra={"band_hz": [band[0], band[1]], "floor_mg": floor / MILLI_G, "bin_hz": float(frequency[1])},
        )  # fmt: skip


def _channels(spectra: Spectra, position: str) -> list[int]:
    return [i for i, c in enumerate(spectra.channels) if c.position == position and c.quantity == "acceleration"]


def _with_tilt(reading: Reading, combined: CombinedSpectra) -> Reading:
    """A ``mean`` with the sensor's tilt and what the same bin would read upright, where gravity was seen."""
    upright = combined.upright_mean.get(reading.position)
    if reading.combination != "mean" or reading.frequency_hz is None or upright is None:
        return reading
    at = int(np.argmin(np.abs(combined.frequency - reading.frequency_hz)))
    tilt = {"tilt_deg": combined.tilt_deg[reading.position], "upright_mg": float(upright[at]) / MILLI_G}
    return replace(reading, extra={**reading.extra, **tilt})


def nominal_firing_hz(facts: Mapping[str, Any]) -> float | None:
    """Speed in Hz times the firing order (stated, or of an evenly firing engine); None where facts are missing.

    An engine whose strokes are not given is taken as four-stroke.
    """
    rpm, order, cylinders = facts.get("rpm"), facts.get("firing_order"), facts.get("cylinders")
    if order is None and cylinders is not None:
        order = float(cylinders) * 2.0 / float(facts.get("strokes") or 4)
    return None if rpm is None or order is None else float(rpm) / 60.0 * float(order)


def highest_bin_std(
    spectra: Spectra, floor: FloatArray, channels: Sequence[int], at: int, combination: str
) -> float:
    """Standard uncertainty of a combination's bin, from the segments' scatter and the floor there, m s-2.

    Axes move together when a line wanders, so their deviations are added, not their squares.
    """
    auto = spectra.auto[channels, at]
    count = spectra.n_effective
    variance = (2.0 * auto * floor + floor**2) / count
    if spectra.scatter is not None:
        variance = np.maximum(variance, spectra.scatter[channels, at] ** 2 / count)
    least = np.sqrt(floor / (2.0 * spectra.enbw_hz) / spectra.used_s)
    axis = np.maximum(np.sqrt(variance) / (2.0 * np.sqrt(np.maximum(auto, np.sqrt(variance)))), least)
    if combination == "mean":
        return float(np.mean(axis))
    total = float(np.sqrt(auto.sum()))
    return max(float(np.sqrt(auto) @ axis) / total if total > 0.0 else float(axis.max()), float(least.max()))


def _combined_floor(floor: FloatArray, combination: str) -> float:
    return float(np.mean(np.sqrt(floor))) if combination == "mean" else float(np.sqrt(floor.sum()))


def _skip(spectra: Spectra) -> int:
    return len(cosine_coefficients(spectra.extra.get("coefficients", spectra.window)))


@hookimpl
def register_metrics() -> list[type[HighestBin]]:
    """The metric of this module."""
    return [HighestBin]
