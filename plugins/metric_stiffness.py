"""Metric ``rig_stiffness``: dynamic stiffness and loss angle at the rig's driven frequencies."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from pydantic import Field

from ..pipeline.contracts import (
    ChainSchema,
    Context,
    Metric,
    Reading,
    Reason,
    ReasonCode,
    SchemaError,
    Spectra,
    StageSettings,
    hookimpl,
)
from ..pipeline.kernels.stiffness import DynamicStiffness, displacement_factor, dynamic_stiffness
from ..pipeline.kernels.transfer import band_sums, transfer


class StiffnessSettings(StageSettings):
    """At which frequencies, and from which motion channel."""

    frequencies_hz: tuple[float, ...] = Field(
        (), description="Driven frequencies; empty: the strongest lines of the motion channel."
    )
    most_lines: int = Field(5, ge=1, description="How many lines are looked for when no frequency is stated.")
    least_share: float = Field(0.05, gt=0, lt=1, description="A driven line has at least this share of the strongest.")
    band_bins: float = Field(2.0, ge=1, description="Half width of a line in bins: a Hann line fills two.")
    least_coherence: float = Field(0.9, ge=0, le=1, description="A driven line that is less coherent is not resolved.")


class StiffnessMetric(Metric[StiffnessSettings]):
    """Modulus (N/m), loss angle (degrees) and loss factor per driven line; amplitude and preload stand beside."""

    name = "rig_stiffness"
    numeric_version = 1
    Settings = StiffnessSettings
    reading_names = ("dynamic_stiffness", "loss_angle", "loss_factor")
    no_percent = ("loss_angle",)

    def schema(self, incoming: ChainSchema) -> ChainSchema:
        """Needs ``spectra``, a force channel and a motion channel. Raises SchemaError."""
        if "spectra" not in incoming.products:
            raise SchemaError("stage 'rig_stiffness' wants product 'spectra'", todo="add stage 'spectrum'")
        there = {channel.quantity for channel in incoming.signal.channels}
        if "force" not in there or not there & {"displacement", "acceleration"}:
            raise SchemaError(
                "stage 'rig_stiffness' wants a force channel and a motion channel", found=", ".join(sorted(there)),
                allowed="force, and displacement or acceleration", todo="write units in the header, e.g. force_N",
            )  # fmt: skip
        return incoming

    def readings(self, products: Mapping[str, Any], context: Context) -> Sequence[Reading]:
        """Three readings a driven line; ``no_line`` when the motion channel has none."""
        spectra: Spectra = products["spectra"]
        force, motion = _channels(context)
        frequencies = self.settings.frequencies_hz or self._driven(spectra, motion)
        if not frequencies:
            reason = Reason(ReasonCode.NO_LINE, "no driven line in the motion channel")
            return [_reading(name, context, motion, None, absent=reason) for name in self.reading_names]
        screen = products.get("screen")
        preload = None if screen is None else float(screen.mean[force])
        main = frequencies[0] if self.settings.frequencies_hz else self._strongest(frequencies, spectra, motion)
        return [
            reading if frequency == main else replace(reading, extra={**reading.extra, "beside": True})
            for frequency in frequencies
            for reading in self._at(frequency, spectra, context, (force, motion), preload)
        ]

    def _strongest(self, frequencies: Sequence[float], spectra: Spectra, motion: int) -> float:
        """The driven line a study compares; the others stand beside it and are no takes."""
        bins = {f: int(np.argmin(np.abs(spectra.frequency - f))) for f in frequencies}
        return max(frequencies, key=lambda f: spectra.auto[motion, bins[f]])

    def _driven(self, spectra: Spectra, motion: int) -> tuple[float, ...]:
        """Frequencies of the strongest separate bins of the motion channel, above its lowest four bins."""
        amplitude = np.sqrt(spectra.auto[motion])
        amplitude[:4] = 0.0
        found: list[float] = []
        top = float(amplitude.max())
        while len(found) < self.settings.most_lines and top > 0:
            k = int(np.argmax(amplitude))
            if amplitude[k] < max(self.settings.least_share * top, 6.0 * float(np.median(amplitude))):
                break
            found.append(_centre(spectra, motion, k))
            amplitude[max(0, k - 4) : k + 5] = 0.0
        return tuple(sorted(found))

    def _at(
        self, frequency: float, spectra: Spectra, context: Context, pair: tuple[int, int], preload: float | None
    ) -> list[Reading]:
        force, motion = pair
        found = self._stiffness(frequency, spectra, context, force, motion)
        quantity = context.signal.channels[motion].quantity
        bin_hz = spectra.frequency[1] - spectra.frequency[0]
        half = self.settings.band_bins * bin_hz
        (power,) = band_sums(spectra.frequency, frequency - half, frequency + half, spectra.auto[motion])
        amplitude = float(np.sqrt(power * bin_hz / spectra.enbw_hz)) * abs(displacement_factor(frequency, quantity))
        extra = {
            "amplitude_m": amplitude, "preload_n": preload, "coherence": found.coherence,
            "motion": context.signal.channels[motion].name, "force": context.signal.channels[force].name,
        }  # fmt: skip
        marks = () if found.coherence >= self.settings.least_coherence else (
            Reason(ReasonCode.UNRESOLVED, f"coherence {found.coherence:.3f} at {frequency:g} Hz, wanted "
                   f"{self.settings.least_coherence:g}"),
        )  # fmt: skip
        error = found.std / max(found.modulus, 1e-300)
        secant = 1.0 / max(np.cos(np.radians(found.loss_angle_deg)) ** 2, 1e-12)
        values = (
            ("dynamic_stiffness", found.modulus, found.std), ("loss_angle", found.loss_angle_deg, np.degrees(error)),
            ("loss_factor", found.loss_factor, secant * error),
        )  # fmt: skip
        return [
            _reading(name, context, motion, value, doubt=float(doubt), frequency=frequency, marks=marks, extra=extra)
            for name, value, doubt in values
        ]

    def _stiffness(
        self, frequency: float, spectra: Spectra, context: Context, force: int, motion: int
    ) -> DynamicStiffness:
        half = self.settings.band_bins * (spectra.frequency[1] - spectra.frequency[0])
        pair = (min(force, motion), max(force, motion))
        if pair not in spectra.pairs:
            raise ValueError("no cross spectrum of force and motion; set pairs = 'all' in stage 'spectrum'")
        cross = spectra.cross[spectra.pairs.index(pair)]
        cross = cross if motion < force else np.conj(cross)
        one, other, both = band_sums(
            spectra.frequency, frequency - half, frequency + half, spectra.auto[motion], spectra.auto[force], cross
        )
        moved = transfer(one, other, both, spectra.n_effective)
        return dynamic_stiffness(moved, frequency, context.signal.channels[motion].quantity)


def _centre(spectra: Spectra, channel: int, k: int) -> float:
    """Centre of power over the bins of a Hann line: a bin's own frequency is off by up to half a bin."""
    near = slice(max(1, k - 2), k + 3)
    power = spectra.auto[channel, near]
    return float(np.sum(power * spectra.frequency[near]) / np.sum(power))


_UNITS = {"dynamic_stiffness": "N/m", "loss_angle": "deg", "loss_factor": "1"}


def _channels(context: Context) -> tuple[int, int]:
    """The force channel and the motion channel (displacement before acceleration)."""
    quantities = [channel.quantity for channel in context.signal.channels]
    motion = "displacement" if "displacement" in quantities else "acceleration"
    return quantities.index("force"), quantities.index(motion)


def _reading(
    name: str, context: Context, motion: int, value: float | None, *, doubt: float | None = None,
    frequency: float | None = None, marks: tuple[Reason, ...] = (), absent: Reason | None = None,
    extra: Mapping[str, Any] | None = None,
) -> Reading:  # fmt: skip
    return Reading(
        name, context.signal.channels[motion].position, "rss", _UNITS[name], "ratio", value, std_uncertainty=doubt,
        kind="ratio", frequency_hz=frequency, marks=marks, absent=absent, extra=extra or {},
    )  # fmt: skip


@hookimpl
def register_metrics() -> list[type[Metric[Any]]]:
    """Dynamic stiffness, loss angle, loss factor."""
    return [StiffnessMetric]
