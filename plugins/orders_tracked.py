"""Tracked orders: amplitude of the firing order and its companions over the chosen stretches."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Self

import numpy as np
from pydantic import Field
from scipy import fft

from ..pipeline.contracts import (
    Accumulator,
    Block,
    ChainSchema,
    Context,
    Estimator,
    OrderAmplitude,
    OrderSpectra,
    ProductSpec,
    Reason,
    ReasonCode,
    SchemaError,
    SignalSpec,
    SpeedTrack,
    Stage,
    StageSettings,
    hookimpl,
)
from ..pipeline.contracts.signal import FloatArray
from ..pipeline.kernels import order_tracking as kernel
from ..pipeline.kernels.amplitude_uncertainty import AmplitudeCovariance, amplitude_covariance
from ..pipeline.kernels.speed_track import frame_seconds
from ..pipeline.kernels.zoom import ZoomedRun, ZoomedRuns, ZoomPlan, zoom_plan


class OrdersSettings(StageSettings):
    """Which orders are read, and how wide."""

    orders: tuple[float, ...] = Field(
        (), description="Further orders to read beside the firing order; none are needed for a verdict."
    )  # fmt: skip
    confirming: tuple[float, ...] = Field(
        (0.5, 2.0, 1.5), description="Multiples of the firing order that may confirm its name: a speed taken from a "
        "line cannot prove what the line is, two further orders on the same track can."
    )  # fmt: skip
    band_frames: float = Field(
        2.0, gt=0, description="Half the counted band, over the inverse of the frame length the track was followed "
        "with: leaves under 0.2 % of the energy of the fastest wander that length suits outside."
    )  # fmt: skip
    neighbour_share: float = Field(
        0.1, gt=0, lt=1, description="A neighbour inside the band marks the reading as unresolved from this share of "
        "the line's amplitude on; merged, a tenth would read 0.5 % high."
    )  # fmt: skip
    confirm_sigma: float = Field(
        5.0, gt=0, description="An order confirms when its amplitude stands this many standard uncertainties of "
        "noise above nothing: less than one chance in a million each."
    )  # fmt: skip


@dataclass(frozen=True)
class Plan:
    """One zoom per order (all of one width) and the bands counted."""

    rate_hz: float
    channels: tuple[int, ...]
    orders: tuple[float, ...]
    reported: tuple[float, ...]
    zoom: ZoomPlan
    bands: tuple[kernel.BandPlan, ...]
    track: SpeedTrack


class OrdersAccumulator(Accumulator):
    """Keeps the baseband around each order until the end."""

    def __init__(self, plan: Plan, settings: OrdersSettings) -> None:
        self.plan = plan
        self.settings = settings
        self.zoomed = ZoomedRuns(plan.zoom, len(plan.channels))
        self.starts: dict[int, float] = {}

    def accumulate(self, block: Block) -> None:
        """Take the next block of a run."""
        self.starts.setdefault(block.run, block.start_s - block.first / block.rate_hz)
        self.zoomed.push(block.run, block.first, block.values[list(self.plan.channels)])

    def merge(self, other: Self) -> None:
        """Take over what another worker gathered."""
        self.zoomed.merge(other.zoomed)
        self.starts = {**other.starts, **self.starts}

    def finish(self) -> OrderSpectra:
        """Amplitudes of all orders."""
        runs = {run: zoomed for run, zoomed in self.zoomed.runs().items() if zoomed.baseband.shape[-1] >= 8}
        if not runs:
            return OrderSpectra((), absent=Reason(ReasonCode.NO_LINE, "no stretch is long enough to read an order"))
        amplitudes: list[OrderAmplitude] = []
        covariances: dict[float, AmplitudeCovariance] = {}
        neighbours: dict[float, tuple[tuple[float, float, str], ...]] = {}
        confirmed: list[float] = []
        firing = self.plan.reported[0]
        for index, order in enumerate(self.plan.orders):
            stopped = self._stopped(runs, index)
            read = kernel.order_energy if order in self.plan.reported else kernel.order_presence
            energy = read(stopped, self.plan.bands[index])
            entries, covariances[order] = self._amplitudes(order, energy, self._frequency(runs, order))
            amplitudes += entries
            neighbours[order] = energy.neighbours()
            if order != firing and _stands_out(entries, self.settings.confirm_sigma):
                confirmed += [order] if kernel.follows_speed(stopped, energy.floor) else []
        return OrderSpectra(
            tuple(amplitudes),
            name=_name(firing, self.plan.track, confirmed),
            extra={
                "covariance": covariances, "neighbours": neighbours, "confirmed_by": tuple(confirmed),
                "firing_order": firing, "line_to_floor_db": self.plan.track.extra.get("line_to_floor_db"),
            },
        )  # fmt: skip

    def _stopped(self, runs: dict[int, ZoomedRun], index: int) -> list[kernel.StoppedRun]:
        """The order's baseband, stopped by the track, per run."""
        plan, out = self.plan, []
        for run, zoomed in runs.items():
            # a length of small prime factors: the transforms of a prime one take ten times as long
            n = fft.prev_fast_len(zoomed.baseband.shape[-1])
            at = self._output_times(zoomed)[:n]
            turns = kernel.revolutions(self.starts[run] + at, plan.track.time_s, plan.track.speed_hz)
            cycles = plan.orders[index] * turns
            values = kernel.stopped(zoomed.baseband[index, :, :n], at, plan.zoom.centers_hz[index], cycles)
            out.append(kernel.StoppedRun(values, at, cycles))
        return out

    def _frequency(self, runs: dict[int, ZoomedRun], order: float) -> tuple[float, float]:
        """Mean frequency of an order over the stretches used, and its standard uncertainty."""
        track, turned, seconds = self.plan.track, 0.0, 0.0
        for run, zoomed in runs.items():
            ends = self.starts[run] + np.array([zoomed.first * self.plan.zoom.hop, zoomed.n_seen]) / self.plan.rate_hz
            turned += float(np.diff(kernel.revolutions(ends, track.time_s, track.speed_hz))[0])
            seconds += float(np.diff(ends)[0])
        # the track's figures are of the firing line's cycles; each run has two ends
        of_line = len(runs) * track.extra.get("cycle_std", 0.0) ** 2 / seconds**2
        of_line += track.extra.get("drift_density", 0.0) / seconds
        return order * turned / seconds, float(np.sqrt(of_line)) * order / (track.order or order)

    def _output_times(self, zoomed: ZoomedRun) -> FloatArray:
        plan = self.plan.zoom
        index = zoomed.first + np.arange(zoomed.baseband.shape[-1])
        return np.asarray(plan.delay_s + index * plan.hop / plan.rate_hz)

    def _amplitudes(
        self, order: float, energy: kernel.OrderEnergy, frequency: tuple[float, float]
    ) -> tuple[list[OrderAmplitude], AmplitudeCovariance]:
        # below one standard deviation of noise an amplitude's own error formula breaks down: hold it there
        least = np.sqrt(energy.noise_square_std())
        amplitude = np.sqrt(np.maximum(energy.square, 0.0))
        covariance = amplitude_covariance(np.maximum(amplitude, least), energy)
        entries, marks = [], _neighbour_marks(energy, self.settings.neighbour_share)
        for index, channel in enumerate(self.plan.channels):
            only = np.zeros(amplitude.size)
            only[index] = 1.0
            entries.append(
                OrderAmplitude(
                    order=order, channel=channel, amplitude=float(amplitude[index]), std=covariance.std(only),
                    floor_density=float(energy.floor[index]), frequency_hz=frequency[0],
                    frequency_std_hz=frequency[1], marks=marks, extra={"least": float(least[index])},
                )
            )  # fmt: skip
        return entries, covariance


def _neighbour_marks(energy: kernel.OrderEnergy, least_share: float) -> tuple[Reason, ...]:
    """A mark for each neighbour in the band that matters."""
    marks = []
    for away_hz, share, clock in energy.neighbours():
        if share >= least_share:
            kind = "that follows the speed" if clock == "angle" else "of fixed frequency"
            detail = (
                f"a line {kind}, {abs(away_hz):.3g} Hz away at {100 * share:.0f} % of this one, stands in the band "
                f"of +-{energy.half_band_hz:.3g} Hz; its energy was taken out by its beat"
            )
            marks.append(Reason(ReasonCode.UNRESOLVED, detail))
    return tuple(marks)


def _stands_out(entries: list[OrderAmplitude], sigma: float) -> bool:
    """Whether any channel's amplitude is that far above what noise alone shows."""
    return any(item.amplitude**2 > sigma * item.extra["least"] ** 2 for item in entries)


def _name(firing: float, track: SpeedTrack, confirmed: list[float]) -> str:
    """How the firing line may be called."""
    if track.source in ("tachometer", "logged") or len(confirmed) >= 2:
        return f"engine order {firing:g}"
    return "assumed from nominal speed"


class NoOrders(Accumulator):
    """Stands in where there is no speed: says why, looks at nothing."""

    def __init__(self, reason: Reason) -> None:
        self.reason = reason

    def accumulate(self, block: Block) -> None:
        """Nothing is kept."""

    def merge(self, other: Self) -> None:
        """Nothing to take over."""

    def finish(self) -> OrderSpectra:
        """The reason."""
        return OrderSpectra((), absent=self.reason)


class OrdersTracked(Estimator[OrdersSettings]):
    """Reads engine orders along the speed track, over the chosen stretches."""

    name = "orders"
    makes = "orders"
    numeric_version = 1
    Settings = OrdersSettings
    uses_facts = ("cylinders", "strokes", "firing_order", "rpm")

    def schema(self, incoming: ChainSchema) -> ChainSchema:
        """Adds the order amplitudes; needs the speed track and a uniform clock."""
        if "track" not in incoming.products:
            raise SchemaError(
                "stage 'orders' needs the product 'track'", found=", ".join(sorted(incoming.products)) or "none",
                allowed="a recipe in which 'track' stands before 'orders'", todo="add the stage 'track'",
            )  # fmt: skip
        if not incoming.signal.uniform:
            raise SchemaError(
                "stage 'orders' needs a uniform clock", found="a stamped signal", allowed="a uniform signal",
                todo="put a resampling stage before it",
            )  # fmt: skip
        return incoming.plus(ProductSpec("orders", ("order", "channel"), "m s-2"))

    def open(self, signal: SignalSpec, context: Context, products: Mapping[str, Any]) -> Accumulator:
        """Plan the zooms, or say why there is nothing to read."""
        planned = self._plan(signal, context, products)
        return NoOrders(planned) if isinstance(planned, Reason) else OrdersAccumulator(planned, self.settings)

    def grid(self, signal: SignalSpec, context: Context, products: Mapping[str, Any]) -> tuple[int, int]:
        """Frames of the zoom's filter."""
        planned = self._plan(signal, context, products)
        return (1, 1) if isinstance(planned, Reason) else (planned.zoom.length, planned.zoom.hop)

    def _plan(self, signal: SignalSpec, context: Context, products: Mapping[str, Any]) -> Plan | Reason:
        track: SpeedTrack = products["track"]
        firing = track.order or _stated_order(context.facts)
        known = np.isfinite(track.speed_hz)
        if track.source == "none" or firing is None or not known.any():
            return track.reason or Reason(ReasonCode.NO_SPEED, "cylinders, or firing_order, is not given")
        rate = signal.rate_hz
        if rate is None:
            raise SchemaError("stage 'orders' needs the sampling rate", found="none", todo="open it on a read signal")
        speed = float(np.median(track.speed_hz[known]))
        frame_s = float(track.extra.get("frame_s", frame_seconds(firing * speed)))
        spread = 0.5 * float(np.ptp(track.speed_hz[known]))
        half_band = max(self.settings.band_frames / frame_s, 0.35)
        planned = []
        for order in self._orders(firing, context.facts):
            share = order / firing
            band_hz = half_band * share ** (2.0 / 3.0)
            wide = 6.0 if order == firing or order in self.settings.orders else 3.0
            reach = min(max(wide * band_hz, 2.0), 0.45 * order * speed - order * spread)
            if reach > 2.0 * band_hz and order * (speed + spread) + reach < 0.5 * rate:
                planned.append((order, band_hz, reach))
        if not planned or planned[0][0] != firing:
            return Reason(ReasonCode.NO_LINE, f"no band fits around the firing order at {firing * speed:.4g} Hz")
        zoom = zoom_plan(
            rate, tuple(item[0] * speed for item in planned), tuple(item[2] + item[0] * spread for item in planned)
        )
        cycle_hz = speed * (1.0 if context.facts.get("strokes") == 2 else 0.5)
        bands = tuple(
            kernel.BandPlan(zoom.out_rate_hz, band_hz, 1.3 * band_hz, reach, 0.8 * cycle_hz)
            for _, band_hz, reach in planned
        )
        channels = tuple(i for i, spec in enumerate(signal.channels) if spec.quantity == "acceleration")
        return Plan(
            rate, channels, tuple(item[0] for item in planned), (firing, *self.settings.orders), zoom, bands, track
        )

    def _orders(self, firing: float, facts: Mapping[str, Any]) -> tuple[float, ...]:
        """The firing order, the orders asked for, and those that may confirm: whole cycles' multiples only."""
        step = 1.0 if facts.get("strokes") == 2 else 0.5
        further = [firing * k for k in self.settings.confirming]
        fitting = [order for order in further if abs(order / step - round(order / step)) < 1e-9]
        return tuple(dict.fromkeys((firing, *self.settings.orders, *fitting)))


def _stated_order(facts: Mapping[str, Any]) -> float | None:
    if facts.get("firing_order") is not None:
        return float(facts["firing_order"])
    cylinders, strokes = facts.get("cylinders"), facts.get("strokes") or 4
    return None if cylinders is None else float(cylinders) * 2.0 / float(strokes)


@hookimpl
def register_stages() -> list[type[Stage[Any]]]:
    """The tracked orders."""
    return [OrdersTracked]
