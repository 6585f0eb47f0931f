"""Metric ``isolation``: engine side over body side at the firing order, dB, with coherence; an estimate beside it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from pydantic import Field

from ..pipeline.contracts import (
    ChainSchema,
    Context,
    Metric,
    OrderSpectra,
    Reading,
    Reason,
    ReasonCode,
    SchemaError,
    Spectra,
    StageSettings,
    hookimpl,
)
from ..pipeline.contracts.signal import FloatArray
from ..pipeline.kernels.isolation import change_by_stiffness
from ..pipeline.kernels.transfer import Transfer, band_sums, transfer


class IsolationSettings(StageSettings):
    """Which two positions, how wide a line is, and what the estimate assumes."""

    reference_position: str = Field("engine side", description="Position before the mount.")
    response_position: str = Field("body side", description="Position behind the mount.")
    orders: tuple[float, ...] = Field((), description="Orders beside the firing order.")
    band_bins: float = Field(
        3.0, ge=1, description="Half width of a line in bins: a Hann line fills two, wander the rest."
    )
    band_share: float = Field(0.02, ge=0, description="Half width as share of frequency: an idle wanders by 0.4 %.")
    least_coherence: float = Field(0.5, ge=0, le=1, description="Below it response and reference are hardly related.")
    natural_hz: float | None = Field(
        None, gt=0, description="Natural frequency of engine on mounts; with it an estimate is made."
    )
    loss_factor: float = Field(0.1, ge=0, description="Of the mount, for the estimate: 0.05 to 0.3 is usual.")
    stiffness_percent: float = Field(10.0, gt=-100, description="Change of stiffness the estimate is made for.")


class IsolationMetric(Metric[IsolationSettings]):
    """Isolation in dB (positive: less behind the mount) and transmissibility per order, each axis and combined."""

    name = "isolation"
    numeric_version = 1
    Settings = IsolationSettings
    reading_names = ("isolation", "transmissibility")
    no_percent = ("isolation",)

    def schema(self, incoming: ChainSchema) -> ChainSchema:
        """Needs ``spectra`` and ``orders``, and both positions once a file is known. Raises SchemaError."""
        for product in ("spectra", "orders"):
            if product not in incoming.products:
                raise SchemaError(f"stage 'isolation' wants product {product!r}", todo="add the stage that makes it")
        wanted = (self.settings.reference_position, self.settings.response_position)
        there = incoming.signal.positions
        if incoming.signal.rate_hz is not None and not all(_place(there, name) for name in wanted):
            raise SchemaError(
                "stage 'isolation' wants channels at two positions", found=", ".join(map(repr, there)),
                allowed=" and ".join(map(repr, wanted)),
                todo='fill `axes`, e.g. "engine side.z=+c3 body side.z=+c6", or set the two positions',
            )  # fmt: skip
        return incoming

    def readings(self, products: Mapping[str, Any], context: Context) -> Sequence[Reading]:
        """Two readings an order and combination; absent with the orders' own reason."""
        return self._spelled_as(context.signal.positions)._measured(products, context)  # noqa: SLF001  its own

    def _spelled_as(self, positions: Sequence[str]) -> IsolationMetric:
        """The same metric with its two positions as the table spells them."""
        names = {
            field: _place(positions, getattr(self.settings, field)) or getattr(self.settings, field)
            for field in ("reference_position", "response_position")
        }
        return IsolationMetric(self.settings.model_copy(update=names))

    def _measured(self, products: Mapping[str, Any], context: Context) -> Sequence[Reading]:
        orders: OrderSpectra = products["orders"]
        if orders.absent is not None:
            return [self._absent(name, combination, orders.absent) for name in self.reading_names for combination in _C]
        frequencies = {item.order: item.frequency_hz for item in orders.amplitudes}
        wanted = [order for order in frequencies if order == _firing(orders) or order in self.settings.orders]
        found: list[Reading] = []
        for order in wanted:
            found += self._at(order, frequencies[order], orders, products["spectra"], context)
        return found

    def _absent(self, name: str, combination: str, reason: Reason) -> Reading:
        return Reading(
            name, self.settings.response_position, combination, _UNIT[name], "ratio", None, kind="ratio",
            reference_position=self.settings.reference_position, absent=reason,
        )  # fmt: skip

    def _at(
        self, order: float, frequency_hz: float, orders: OrderSpectra, spectra: Spectra, context: Context
    ) -> list[Reading]:
        bin_hz = spectra.frequency[1] - spectra.frequency[0]
        half = max(self.settings.band_bins * bin_hz, self.settings.band_share * frequency_hz)
        axes = _common_axes(context, self.settings.reference_position, self.settings.response_position)
        moved = [_transfer(spectra, i, j, frequency_hz - half, frequency_hz + half) for i, j in axes.values()]
        before, behind = (_amplitudes(orders, order, [pair[k] for pair in axes.values()]) for k in (0, 1))
        coherence = float(np.min([t.coherence for t in moved]))
        extra = {
            "axes": list(axes), "coherence": [float(t.coherence) for t in moved],
            "h1": [float(abs(t.h1)) for t in moved], "h2": [float(abs(t.h2)) for t in moved],
            "hv": [float(abs(t.hv)) for t in moved], "phase_deg": [float(np.degrees(np.angle(t.h1))) for t in moved],
            "random_error": [float(t.random_error) for t in moved], "beside": order != _firing(orders),
            **self._estimate(frequency_hz),
        }  # fmt: skip
        marks = () if coherence >= self.settings.least_coherence else (
            Reason(ReasonCode.UNRESOLVED, f"coherence {coherence:.2f} at {frequency_hz:.2f} Hz, wanted "
                   f"{self.settings.least_coherence:g}: part of it does not come through the mount"),
        )  # fmt: skip
        found = []
        for combination, (one, other) in _combined(before, behind).items():
            ratio = other / max(one, 1e-300)
            error = float(np.sqrt(np.mean([float(t.random_error) ** 2 for t in moved])))
            for name, value, doubt in (
                ("isolation", -20.0 * np.log10(max(ratio, 1e-300)), 20.0 / np.log(10.0) * error),
                ("transmissibility", ratio, ratio * error),
            ):
                found.append(
                    Reading(
                        name, self.settings.response_position, combination, _UNIT[name], "ratio", float(value),
                        std_uncertainty=float(doubt), kind="ratio", order=order, frequency_hz=frequency_hz,
                        line_name=orders.name, reference_position=self.settings.reference_position, marks=marks,
                        extra=extra,
                    )
                )  # fmt: skip
        return found

    def _estimate(self, frequency_hz: float) -> dict[str, Any]:
        chosen = self.settings
        if chosen.natural_hz is None:
            return {}
        change = change_by_stiffness(
            frequency_hz, chosen.natural_hz, chosen.stiffness_percent, loss_factor=chosen.loss_factor
        )
        return {
            "estimate_percent": change,
            "estimate": f"estimate, not measured: {chosen.stiffness_percent:+g} % stiffness would change what comes "
            f"through at {frequency_hz:.1f} Hz by {change:+.1f} % (one mass, one linear spring of "
            f"{chosen.natural_hz:g} Hz, loss factor {chosen.loss_factor:g})",
        }


_UNIT = {"isolation": "dB", "transmissibility": "1"}
_C = ("rss", "mean")


def _firing(orders: OrderSpectra) -> float:
    firing = orders.extra.get("firing_order")
    return float(firing) if firing is not None else orders.amplitudes[0].order


def _place(positions: Sequence[str], wanted: str) -> str | None:
    """The position as the table spells it: "engine-side" and "Engine side" are one place."""
    folded = wanted.replace("-", " ").replace("_", " ").lower()
    return next((p for p in positions if p.replace("-", " ").replace("_", " ").lower() == folded), None)


def _common_axes(context: Context, reference: str, response: str) -> dict[str, tuple[int, int]]:
    """Channel pairs (before, behind) by axis. Raises ValueError when the positions share no axis."""
    signal = context.signal
    before = {signal.channels[i].axis: i for i in signal.at(reference)}
    behind = {signal.channels[i].axis: i for i in signal.at(response)}
    shared = {axis: (before[axis], behind[axis]) for axis in before if axis in behind}
    if not shared:
        raise ValueError(f"{reference!r} has axes {sorted(before)} and {response!r} {sorted(behind)}: none in common")
    return shared


def _transfer(spectra: Spectra, i: int, j: int, low: float, high: float) -> Transfer:
    pair = (min(i, j), max(i, j))
    if pair not in spectra.pairs:
        raise ValueError("no cross spectrum between the two positions; set pairs = 'positions' in stage 'spectrum'")
    cross = spectra.cross[spectra.pairs.index(pair)]
    cross = cross if i < j else np.conj(cross)
    one, other, both = band_sums(spectra.frequency, low, high, spectra.auto[i], spectra.auto[j], cross)
    return transfer(one, other, both, spectra.n_effective)


def _amplitudes(orders: OrderSpectra, order: float, channels: Sequence[int]) -> FloatArray:
    by_channel = {item.channel: item.amplitude for item in orders.of(order)}
    return np.array([by_channel[channel] for channel in channels])


def _combined(before: FloatArray, behind: FloatArray) -> dict[str, tuple[float, float]]:
    return {
        "rss": (float(np.sqrt(np.sum(before**2))), float(np.sqrt(np.sum(behind**2)))),
        "mean": (float(np.mean(before)), float(np.mean(behind))),
    }


@hookimpl
def register_metrics() -> list[type[Metric[Any]]]:
    """Isolation and transmissibility."""
    return [IsolationMetric]
