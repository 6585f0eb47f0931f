"""Derivation ``combine``: one amplitude spectrum per position and axis combination."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Literal

from pydantic import Field

from ..pipeline.contracts import (
    ChainSchema,
    CombinedSpectra,
    Context,
    Derivation,
    Fitness,
    ProductSpec,
    SchemaError,
    Spectra,
    StageSettings,
    hookimpl,
)
from ..pipeline.contracts.signal import ComplexArray, FloatArray
from ..pipeline.kernels.axes import (
    largest_amplitude,
    mean_after_tilt,
    mean_of_amplitudes,
    principal_of_axes,
    root_sum_square,
    tilt_between_deg,
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
        """Peak amplitude of every combination at every position with an acceleration axis; ``mean`` upright as well."""
        spectra: Spectra = products["spectra"]
        amplitude: dict[tuple[str, str], FloatArray] = {}
        for position, channels in axes_by_position(spectra).items():
            auto = spectra.auto[list(channels)]
            for combination in self.settings.combinations:
                made = self._combined(combination, auto, spectra, channels)
                if made is not None:
                    amplitude[position, combination] = made
        upright, tilt = _as_if_upright(spectra, _static_vectors(products))
        return CombinedSpectra(spectra.frequency, amplitude, "m s-2", upright, tilt)

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
    found = _cross(spectra, channels)
    return None if found is None else principal_of_axes(auto, *found)


def _cross(spectra: Spectra, channels: tuple[int, ...]) -> tuple[list[tuple[int, int]], ComplexArray] | None:
    """Cross spectra of each pair of these channels, by their places among them; None where one is missing."""
    rows = {pair: row for row, pair in enumerate(spectra.pairs)}
    pairs = [(i, j) for i in range(len(channels)) for j in range(i + 1, len(channels))]
    native = [(channels[i], channels[j]) for i, j in pairs]
    if any(pair not in rows for pair in native):
        return None
    wanted = [rows[pair] for pair in native]
    if wanted and wanted == list(range(wanted[0], wanted[0] + len(wanted))):
        # the usual case, one position: as they stand, without a copy
        return pairs, spectra.cross[wanted[0] : wanted[0] + len(wanted)]
    return pairs, spectra.cross[wanted].reshape(len(pairs), spectra.auto.shape[1])


def _static_vectors(products: Mapping[str, Any]) -> Mapping[str, Any]:
    """Static vectors by position, where a stage chose stretches and the sensor shows gravity."""
    chosen = next((product for product in products.values() if isinstance(product, Fitness)), None)
    return {} if chosen is None else chosen.facts.get("static_vector", {})


def _as_if_upright(
    spectra: Spectra, static: Mapping[str, Any]
) -> tuple[dict[str, FloatArray], dict[str, float]]:
    """What ``mean`` would show with each sensor upright, and how far from that it sits, degrees."""
    upright: dict[str, FloatArray] = {}
    tilt: dict[str, float] = {}
    for position, channels in axes_by_position(spectra).items():
        triple = tuple(sorted(channels, key=lambda i: spectra.channels[i].axis))
        turned = any(spectra.channels[i].upright for i in triple)
        # pairs are stored with the lower channel first, so only axes in the order x, y, z have theirs
        found = None if turned or triple != channels or len(triple) != 3 else _cross(spectra, triple)
        if position not in static or found is None:
            continue
        upright[position] = mean_after_tilt(spectra.auto[list(triple)], *found, static[position])
        tilt[position] = tilt_between_deg(static[position], (0.0, 0.0, 1.0))
    return upright, tilt


@hookimpl
def register_stages() -> list[type[Combine]]:
    """The stage of this module."""
    return [Combine]
