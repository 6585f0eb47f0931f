"""Estimator ``spectrum``: averaged auto and cross spectra of the stretches used."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Literal, Self

import numpy as np
import scipy.fft
from pydantic import Field, field_validator

from ..pipeline.contracts import (
    Accumulator,
    Block,
    ChainSchema,
    Context,
    Estimator,
    Fitness,
    ProductSpec,
    SchemaError,
    SignalSpec,
    Spectra,
    StageSettings,
    hookimpl,
)
from ..pipeline.kernels.spectra import SpectralSum, SpectrumPlan
from ..pipeline.kernels.windows import cosine_coefficients

SHORTEST_SEGMENT = 16


class SpectrumSettings(StageSettings):
    """How the spectra are averaged."""

    window: str | tuple[float, ...] = Field(
        default="hann",
        description="Window by name, or its cosine coefficients. Hann: narrow enough to part idle orders, and its "
        "lines can be interpolated exactly.",
    )
    resolution_hz: float = Field(
        default=0.25,
        gt=0,
        description="Wanted distance of the bins: idle orders of a four-cylinder engine lie some 6 Hz apart, and a "
        "4 s segment still gives a dozen averages of 30 s.",
    )
    overlap: float = Field(
        default=0.5,
        ge=0,
        lt=1,
        description="Share of a segment that its neighbour repeats: a half weighs time evenly under Hann, more costs "
        "time and gains 5 % of the variance.",
    )
    averaging: Literal["linear", "exponential", "peak-hold"] = Field(
        default="linear", description="Linear weighs the whole stretch alike, as an interval needs it."
    )
    decay: float = Field(
        default=0.1, gt=0, le=1, description="Weight of the newest segment under exponential averaging."
    )
    pairs: Literal["axes", "positions", "all"] = Field(
        default="axes",
        description="Cross spectra between the axes of a position; with 'positions' also between the same axis at "
        "two positions (isolation); with 'all' each with each (force and displacement of a rig).",
    )
    precision: Literal["double", "single"] = Field(
        default="double",
        description="Single is twice as fast and right to 1e-6; double keeps the identity of results over machines.",
    )

    @field_validator("window")
    @classmethod
    def _known(cls, window: str | tuple[float, ...]) -> str | tuple[float, ...]:
        cosine_coefficients(window)
        return window


class Spectrum(Estimator[SpectrumSettings]):
    """Mean squared peak amplitude per channel, and cross spectra of the channels of one position."""

    name = "spectrum"
    numeric_version = 1
    Settings = SpectrumSettings
    makes = "spectra"

    def schema(self, incoming: ChainSchema) -> ChainSchema:
        """Adds ``spectra``. Raises SchemaError on an uneven clock or a resolution beyond the record."""
        signal = incoming.signal
        if not signal.uniform:
            raise SchemaError(
                "stage spectrum: field uniform of the signal", found="an uneven clock", allowed="a uniform one",
                todo="put the stage resample before it",
            )  # fmt: skip
        if signal.rate_hz is not None and signal.rate_hz / self.settings.resolution_hz < SHORTEST_SEGMENT:
            raise SchemaError(
                "stage spectrum: field resolution_hz", found=f"{self.settings.resolution_hz:g} Hz",
                allowed=f"at most {signal.rate_hz / SHORTEST_SEGMENT:g} Hz at a rate of {signal.rate_hz:g} Hz",
            )  # fmt: skip
        unit = signal.channels[0].unit if signal.channels else "m s-2"
        return incoming.plus(ProductSpec(self.makes, ("channel", "frequency"), f"({unit})**2"))

    def open(self, signal: SignalSpec, context: Context, products: Mapping[str, Any]) -> Accumulator:
        """Plan one pass. Raises SchemaError when the rate is unknown or no stretch holds a segment."""
        return _Averaging(signal, self.plan(signal, context, products))

    def grid(self, signal: SignalSpec, context: Context, products: Mapping[str, Any]) -> tuple[int, int]:
        """Segment and hop."""
        plan = self.plan(signal, context, products)
        return plan.length, plan.hop

    def plan(self, signal: SignalSpec, context: Context, products: Mapping[str, Any]) -> SpectrumPlan:
        """Segments and scaling for this signal and these stretches."""
        if signal.rate_hz is None:
            raise SchemaError("stage spectrum: field rate_hz of the signal", found="none", allowed="a known rate")
        chosen = self.settings
        length = segment_length(signal.rate_hz, chosen.resolution_hz, _shortest_s(signal, context, products))
        return SpectrumPlan(
            rate_hz=signal.rate_hz,
            length=length,
            hop=max(length - round(chosen.overlap * length), 1),
            window=chosen.window,
            averaging=chosen.averaging,
            pairs=() if chosen.averaging == "peak-hold" else _pairs(signal, chosen.pairs),
            decay=chosen.decay,
            dtype="float64" if chosen.precision == "double" else "float32",
        )


def segment_length(rate_hz: float, resolution_hz: float, shortest_s: float | None) -> int:
    """Even number of samples for the wanted resolution, quick to transform, within the shortest stretch.

    Raises SchemaError when that stretch is too short for any spectrum.
    """
    wanted = 2 * int(scipy.fft.next_fast_len(int(np.ceil(0.5 * rate_hz / resolution_hz - 1e-6)), real=True))
    if shortest_s is None:
        return wanted
    # a millionth of a sample: stretches are cut at sample instants
    room = int(shortest_s * rate_hz + 1e-6) // 2 * 2
    if wanted <= room:
        return wanted
    if room < SHORTEST_SEGMENT:
        raise SchemaError(
            "stage spectrum: the shortest stretch", found=f"{shortest_s:g} s, {room} samples",
            allowed=f"at least {SHORTEST_SEGMENT} samples",
        )  # fmt: skip
    quick = 2 * int(scipy.fft.prev_fast_len(room // 2, real=True))
    return quick if quick >= 0.99 * room else room


def _shortest_s(signal: SignalSpec, context: Context, products: Mapping[str, Any]) -> float | None:
    for product in products.values():
        if isinstance(product, Fitness) and product.stretches:
            return min(stop - start for start, stop in product.stretches)
    if signal.duration_s is not None and not context.gaps:
        return signal.duration_s
    return None


def _pairs(signal: SignalSpec, which: Literal["axes", "positions", "all"]) -> tuple[tuple[int, int], ...]:
    """Pairs i < j: axes of one position; the same axis at different positions too; or each with each."""
    channels = signal.channels

    def wanted(i: int, j: int) -> bool:
        same_place = channels[i].position == channels[j].position
        same_axis = channels[i].axis == channels[j].axis
        return which == "all" or same_place or (which == "positions" and same_axis)

    n = len(channels)
    return tuple((i, j) for i in range(n) for j in range(i + 1, n) if wanted(i, j))


class _Averaging(Accumulator):
    """The spectral sums, and how many samples they rest on."""

    def __init__(self, signal: SignalSpec, plan: SpectrumPlan) -> None:
        self._signal, self._plan = signal, plan
        self._sums = SpectralSum(plan, len(signal.channels))

    def accumulate(self, block: Block) -> None:
        """Add a block."""
        self._sums.push(block.values, block.run, block.first)

    def merge(self, other: Self) -> None:
        """Add what another worker summed over a later part."""
        self._sums.merge(other._sums)

    def finish(self) -> Spectra:
        """The averages. Raises SchemaError when no segment was complete."""
        plan = self._plan
        if self._sums.n_segments == 0:
            raise SchemaError(
                "stage spectrum: a stretch as long as one segment", found="none",
                allowed=f"at least {plan.length / plan.rate_hz:g} s", todo="ask for a coarser resolution_hz",
            )  # fmt: skip
        result = self._sums.result()
        return Spectra(
            channels=self._signal.channels,
            frequency=result.frequency,
            auto=result.auto,
            pairs=plan.pairs,
            cross=result.cross,
            n_segments=result.n_segments,
            n_effective=result.n_effective,
            enbw_hz=plan.enbw_hz,
            window=plan.window if isinstance(plan.window, str) else "coefficients",
            segment_s=plan.length / plan.rate_hz,
            overlap=1.0 - plan.hop / plan.length,
            rate_hz=plan.rate_hz,
            used_s=self._sums.samples_used / plan.rate_hz,
            scatter=result.scatter,
            extra={"averaging": plan.averaging, "coefficients": cosine_coefficients(plan.window), "length": plan.length,
                   "n_coherent": result.n_coherent},
        )  # fmt: skip


@hookimpl
def register_stages() -> list[type[Spectrum]]:
    """The stage of this module."""
    return [Spectrum]
