"""Derivation ``lines``: the lines of every position, interpolated, with uncertainty, and named where that can be."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from pydantic import Field

from ..pipeline.contracts import (
    ChainSchema,
    Context,
    Derivation,
    Fitness,
    Line,
    Lines,
    ProductSpec,
    Reason,
    ReasonCode,
    SchemaError,
    Spectra,
    SpeedTrack,
    StageSettings,
    hookimpl,
)
from ..pipeline.kernels.line_fit import FoundLine, measured_lines
from ..pipeline.kernels.line_groups import harmonic_groups, sideband_pairs
from ..pipeline.kernels.lines import LineSpectrum, lines_and_floor
from ..pipeline.kernels.windows import cosine_coefficients

LEAST_MPS2 = 1e-9
"""A ten-millionth of a milli-g: below it is arithmetic, not motion."""


class LinesSettings(StageSettings):
    """What counts as a line, and how it may be called."""

    false_lines: float = Field(
        default=0.01, gt=0, lt=1,
        description="Lines that noise alone may show per spectrum: one spectrum in a hundred.",
    )  # fmt: skip
    most_lines: int = Field(
        default=60, ge=1, description="Strongest lines kept per position: an idle shows some 20 to 40 orders."
    )
    neighbour_bins: float = Field(
        default=3.0, gt=0,
        description="Lines closer than this share bins: the Hann main lobe reaches two bins on either side.",
    )  # fmt: skip
    width_factor: float = Field(
        default=1.15, gt=1,
        description="Power about a line over that of one steady line; more (beyond its noise) means neighbours or "
        "wander: a neighbour of 40 % amplitude adds 16 %.",
    )  # fmt: skip
    beating: float = Field(
        default=0.35, gt=0,
        description="Relative scatter of the segments' power beyond noise: a neighbour of 30 % amplitude that beats "
        "with the line gives 0.42, an amplitude modulation of 3 % gives 0.06.",
    )  # fmt: skip
    accessory_ratios: dict[str, float] = Field(
        default_factory=dict,
        description="Speed of accessories over crank speed, by name (pulley ratios), as far as they are known.",
    )
    confirming_orders: int = Field(
        default=2, ge=1,
        description="Further orders on the same track that prove a speed taken from the firing line itself.",
    )  # fmt: skip


@dataclass(frozen=True, slots=True)
class Speed:
    """Crank speed over the stretches used: mean and its uncertainty, standard deviation over time, source."""

    mean_hz: float
    mean_std_hz: float
    wander_hz: float
    source: str
    order: float | None


class FindLines(Derivation[LinesSettings]):
    """Lines above the local floor, strongest first within a position."""

    name = "lines"
    numeric_version = 1
    Settings = LinesSettings
    uses_facts = ("strokes",)
    makes = "lines"

    def schema(self, incoming: ChainSchema) -> ChainSchema:
        """Adds ``lines``. Raises SchemaError without ``spectra``."""
        if "spectra" not in incoming.products:
            raise SchemaError(
                "stage lines: product spectra", found=", ".join(sorted(incoming.products)) or "no product",
                allowed="a stage that makes spectra before it", todo="put the stage spectrum before it",
            )  # fmt: skip
        return incoming.plus(ProductSpec(self.makes, ("position", "line"), "m s-2"))

    def derive(self, products: Mapping[str, Any], context: Context) -> Lines:
        """All lines, and in ``basis`` what their names rest on."""
        spectra: Spectra = products["spectra"]
        found = [line for position in self._positions(spectra) for line in self._at(position, spectra)]
        speed = speed_used(products)
        step = 1.0 if context.facts.get("strokes") == 2 else 0.5
        named, basis = self._named(found, speed, step, spectra)
        return Lines(tuple(named), basis)

    def _positions(self, spectra: Spectra) -> tuple[str, ...]:
        return tuple(dict.fromkeys(c.position for c in spectra.channels if c.quantity == "acceleration"))

    def _at(self, position: str, spectra: Spectra) -> list[Line]:
        """Lines of one position, not yet named."""
        channels = [
            i for i, c in enumerate(spectra.channels) if c.position == position and c.quantity == "acceleration"
        ]
        spectrum = line_spectrum(spectra, channels)
        bins, floor = lines_and_floor(spectrum, self.settings.false_lines)
        # a stuck channel leaves the rounding of its mean, which has peaks of its own
        bins = bins[spectrum.auto[:, bins].sum(axis=0) > LEAST_MPS2**2]
        found = measured_lines(spectrum, floor, bins[: self.settings.most_lines])
        groups = _group_notes(found, spectrum.bin_hz)
        beside = self._neighbours(found, spectrum)
        return [
            Line(
                position=position,
                frequency_hz=line.frequency_hz,
                frequency_std_hz=line.frequency_std_hz,
                amplitudes=line.amplitude,
                std=line.amplitude_std,
                floor_density=line.floor_density,
                name="undecided",
                marks=beside[k],
                extra={
                    "channels": tuple(channels), "band_amplitude": line.band_amplitude,
                    "excess_width": line.excess_width, "width_std": line.width_std, "beating": line.beating,
                    **groups[k],
                },
            )
            for k, line in enumerate(found)
        ]  # fmt: skip

    def _neighbours(self, found: Sequence[FoundLine], spectrum: LineSpectrum) -> list[tuple[Reason, ...]]:
        """Per line, ``unresolved`` for each other line that is too near."""
        reach = self.settings.neighbour_bins * spectrum.bin_hz
        frequency = np.array([line.frequency_hz for line in found])
        away = np.abs(frequency[:, None] - frequency)
        marks: list[tuple[Reason, ...]] = [()] * len(found)
        for line, other in np.argwhere(away < reach).tolist():
            if line != other:
                detail = (
                    f"a line at {frequency[other]:.3f} Hz is {away[line, other]:.3f} Hz away; "
                    f"bins are {spectrum.bin_hz:.3g} Hz apart and lines part from {reach:.3g} Hz"
                )
                marks[line] = (*marks[line], Reason(ReasonCode.UNRESOLVED, detail))
        return marks

    def _named(
        self, found: Sequence[Line], speed: Speed | None, step: float, spectra: Spectra
    ) -> tuple[list[Line], str]:
        if speed is None:
            return [self._checked(line, explained=False) for line in found], "no speed"
        bin_hz = float(spectra.frequency[1])
        orders = [_order_near(line, speed, step, bin_hz) for line in found]
        proven, basis = self._proof(orders, speed)
        return [
            self._named_line(line, order, speed, proven, bin_hz) for line, order in zip(found, orders, strict=True)
        ], basis

    def _proof(self, orders: Sequence[float | None], speed: Speed) -> tuple[bool, str]:
        if speed.source in ("tachometer", "logged"):
            return True, speed.source
        further = {order for order in orders if order is not None and order != speed.order}
        if len(further) >= self.settings.confirming_orders:
            return True, f"speed from the line at order {speed.order:g}, confirmed by {len(further)} further orders"
        return False, "assumed from nominal speed"

    def _named_line(
        self, line: Line, order: float | None, speed: Speed, proven: bool, bin_hz: float
    ) -> Line:
        ratio = line.frequency_hz / speed.mean_hz
        smear_bins = ratio * speed.wander_hz / bin_hz
        # a line that stays sharp where an order would smear over bins does not move with the speed
        sharp = smear_bins > 0.7 and line.extra["excess_width"] < 1.05 + 2.0 * line.extra["width_std"]
        accessory = self._accessory(line, speed, bin_hz)
        follows = order is not None or accessory is not None
        line = self._checked(line, explained=follows and smear_bins > 0.1 and not sharp)
        if sharp:
            return replace(line, name="fixed frequency")
        if order is not None and proven:
            return replace(line, name=f"engine order {order:g}", order=order)
        if order is not None and order == speed.order:
            return replace(line, name="assumed from nominal speed", order=order)
        if accessory is not None and proven:
            return replace(line, name=f"accessory order {accessory[0]:.6g} ({accessory[1]})", order=accessory[0])
        return line

    def _accessory(self, line: Line, speed: Speed, bin_hz: float) -> tuple[float, str] | None:
        """Order and name of the accessory a multiple of whose speed this line has."""
        for name, ratio in sorted(self.settings.accessory_ratios.items()):
            multiple = round(line.frequency_hz / (ratio * speed.mean_hz))
            if 1 <= multiple <= 8 and _matches(line, multiple * ratio, speed, bin_hz):
                return multiple * ratio, name if multiple == 1 else f"{name} x {multiple}"
        return None

    def _checked(self, line: Line, *, explained: bool) -> Line:
        """Marks a line broader or more unsteady than one line can be, unless the speed's wander explains it."""
        if explained or line.marks:
            return line
        extra, chosen = line.extra, self.settings
        if extra["excess_width"] > chosen.width_factor + 4.0 * extra["width_std"]:
            detail = f"{extra['excess_width']:.2f} times the power of one steady line lies about it"
        elif extra["beating"] > chosen.beating:
            detail = f"its power scatters by {100 * extra['beating']:.0f} % between segments"
        else:
            return line
        cause = "neighbours closer than the resolution, or a line that wanders"
        return replace(line, marks=(Reason(ReasonCode.UNRESOLVED, f"{detail}: {cause}"),))


def line_spectrum(spectra: Spectra, channels: Sequence[int]) -> LineSpectrum:
    """What the kernel needs of some channels."""
    chosen = list(channels)
    return LineSpectrum(
        auto=spectra.auto[chosen],
        scatter=None if spectra.scatter is None else spectra.scatter[chosen],
        bin_hz=float(spectra.frequency[1] - spectra.frequency[0]),
        enbw_hz=spectra.enbw_hz,
        n_segments=spectra.n_segments,
        n_effective=spectra.n_effective,
        n_coherent=float(spectra.extra.get("n_coherent", spectra.n_effective)),
        used_s=spectra.used_s,
        overlap=spectra.overlap,
        window=_terms(spectra),
    )


def speed_used(products: Mapping[str, Any]) -> Speed | None:
    """Crank speed over the stretches in use, or None without a track that was kept."""
    track = products.get("track")
    if not isinstance(track, SpeedTrack) or track.source == "none" or track.time_s.size == 0:
        return None
    kept = np.isfinite(track.speed_hz) & (track.speed_hz > 0.0)
    stretches = next((p.stretches for p in products.values() if isinstance(p, Fitness)), ())
    if stretches:
        inside = [(track.time_s >= a) & (track.time_s <= b) for a, b in stretches]
        kept &= inside[0] if len(inside) == 1 else np.any(inside, axis=0)
    speed = track.speed_hz[kept]
    if speed.size < 2:
        return None
    mean = float(speed.sum()) / speed.size
    away = speed - mean
    wander = math.sqrt(float(away @ away) / speed.size)
    return Speed(mean, wander / math.sqrt(speed.size), wander, track.source, track.order)


def _matches(line: Line, order: float, speed: Speed, bin_hz: float) -> bool:
    room = 0.5 * bin_hz + 3.0 * math.hypot(line.frequency_std_hz, order * speed.mean_std_hz)
    # the peak of a smeared line need not lie at its mean
    room += 0.7 * order * speed.wander_hz
    room = min(room, 0.125 * speed.mean_hz)
    return abs(line.frequency_hz - order * speed.mean_hz) <= room


def _order_near(line: Line, speed: Speed, step: float, bin_hz: float) -> float | None:
    """The multiple of ``step`` (or the order followed) whose frequency this line has."""
    order = round(line.frequency_hz / speed.mean_hz / step) * step
    if speed.order is not None and _matches(line, speed.order, speed, bin_hz):
        return speed.order
    return order if order > 0.0 and _matches(line, order, speed, bin_hz) else None


def _group_notes(found: Sequence[FoundLine], bin_hz: float) -> list[dict[str, Any]]:
    """Per line: the harmonic group it belongs to, and pairs of sidebands about it."""
    frequency, std = [line.frequency_hz for line in found], [line.frequency_std_hz for line in found]
    strength = [float(np.vecdot(line.amplitude, line.amplitude)) for line in found]
    notes: list[dict[str, Any]] = [{} for _ in found]
    for group in harmonic_groups(frequency, std, 0.25 * bin_hz):
        base = frequency[group[0][0]]
        for index, multiple in group:
            notes[index]["harmonic"] = {"of_hz": base, "multiple": multiple}
    for carrier in range(len(found)):
        pairs = sideband_pairs(frequency, std, carrier, 0.25 * bin_hz, 40.0 * bin_hz)
        weaker = [
            spacing for low, high, spacing in pairs if max(strength[low], strength[high]) < 0.25 * strength[carrier]
        ]
        if weaker:
            notes[carrier]["sidebands_hz"] = tuple(weaker)
    return notes


def _terms(spectra: Spectra) -> tuple[float, ...]:
    return cosine_coefficients(spectra.extra.get("coefficients", spectra.window))


@hookimpl
def register_stages() -> list[type[FindLines]]:
    """The stage of this module."""
    return [FindLines]
