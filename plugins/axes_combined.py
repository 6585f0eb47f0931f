"""Derivation ``combine``: one amplitude spectrum per position and axis combination."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Literal

import numpy as np
from pydantic import Field

from ..pipeline.contracts import (
    ChainSchema,
    CombinedSpectra,
    Context,
    Derivation,
    ProductSpec,
    SchemaError,
    Spectra,
    StageSettings,
    hookimpl,
)
from ..pipeline.contracts.signal import FloatArray
from ..pipeline.kernels.axes import (
    largest_amplitude,
    mean_of_amplitudes,
    principal_amplitude,
    root_sum_square,
    spectral_matrix,
)

Combination = Literal["rss", "mean", "max", "principal"]


class CombineSettings(StageSettings):
    """Which combinations are made."""

    combinations: tuple[Combination, ...] = Field(
        default=("rss", "mean", "max", "principal"),
        min_length=1,
        description="rss does not change when the sensor is turned, mean is the trade's figure; max and principal "
        "tell how the motion is shared out.",
    )


class Combine(Derivation[CombineSettings]):
    """Combines axes on spectra, never as time signals."""

    name = "combine"
    numeric_version = 1
    Settings = CombineSettings
    makes = "combined"

    def schema(self, incoming: ChainSchema) -> ChainSchema:
        """Adds ``combined``. Raises SchemaError without ``spectra``."""
        if "spectra" not in incoming.products:
            raise SchemaError(
                "stage combine: product spectra", found=", ".join(sorted(incoming.products)) or "no product",
                allowed="a stage that makes spectra before it", todo="put the stage spectrum before it",
            )  # fmt: skip
        return incoming.plus(ProductSpec(self.makes, ("position", "combination", "frequency"), "m s-2"))

    def derive(self, products: Mapping[str, Any], context: Context) -> CombinedSpectra:  # noqa: ARG002
        """Peak amplitude of every combination at every position with an acceleration axis."""
        spectra: Spectra = products["spectra"]
        amplitude: dict[tuple[str, str], FloatArray] = {}
        for position, channels in axes_by_position(spectra).items():
            auto = spectra.auto[list(channels)]
            for combination in self.settings.combinations:
                made = self._combined(combination, auto, spectra, channels)
                if made is not None:
                    amplitude[position, combination] = made
        return CombinedSpectra(spectra.frequency, amplitude, "m s-2")

    def _combined(
        self, combination: Combination, auto: FloatArray, spectra: Spectra, channels: tuple[int, ...]
    ) -> FloatArray | None:
        if combination == "rss":
            return root_sum_square(auto)
        if combination == "mean":
            return mean_of_amplitudes(auto)
        if combination == "max":
            return largest_amplitude(auto)
        # peak-hold spectra keep no phase, so they have no major axis
        return _principal(auto, spectra, channels)


def axes_by_position(spectra: Spectra) -> dict[str, tuple[int, ...]]:
    """Acceleration channels of each position, in order of first appearance."""
    found: dict[str, tuple[int, ...]] = {}
    for i, channel in enumerate(spectra.channels):
        if channel.quantity == "acceleration":
            found[channel.position] = (*found.get(channel.position, ()), i)
    return found


def _principal(auto: FloatArray, spectra: Spectra, channels: tuple[int, ...]) -> FloatArray | None:
    rows = {pair: row for row, pair in enumerate(spectra.pairs)}
    pairs = [(i, j) for i in range(len(channels)) for j in range(i + 1, len(channels))]
    native = [(channels[i], channels[j]) for i, j in pairs]
    if any(pair not in rows for pair in native):
        return None
    cross = np.array([spectra.cross[rows[pair]] for pair in native]).reshape(len(pairs), auto.shape[1])
    return principal_amplitude(spectral_matrix(auto, pairs, cross))


@hookimpl
def register_stages() -> list[type[Combine]]:
    """The stage of this module."""
    return [Combine]
