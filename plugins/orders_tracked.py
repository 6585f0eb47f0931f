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
from ..pipeline.kernels.line_levels import output_times
from ..pipeline.kernels.order_bands import SpeedRange, confirming_orders, planned_bands
from ..pipeline.kernels.speed_track import frame_seconds
from ..pipeline.kernels.zoom import ZoomPlan, still_plan, zoom_plan
from ..pipeline.kernels.zoomed_runs import ZoomedRun, ZoomedRuns


class OrdersSettings(StageSettings):
    """Which orders are read, and how wide."""

    orders: tuple[float, ...] = Field(
        (), description="Further orders to read beside the firing order; none are needed for a verdict."
    )  # fmt: skip
    confirming_multiples: tuple[float, ...] = Field(
        (2.0, 0.5), description="Multiples of the firing order that may confirm its name: a speed taken from a line "
        "cannot prove what the line is, two further orders on the same track can."
    )  # fmt: skip
    confirming_orders: tuple[float, ...] = Field(
        (1.0, 0.5), description="Further orders that may confirm it: unbalance turns once a revolution, a weak "
        "cylinder fires every second one."
    )  # fmt: skip
    band_frames: float = Field(
        2.0, gt=0, description="Half the counted band, over the inverse of the frame length the track was followed "
        "with: leaves under 0.2 % of the energy of the fastest wander that length suits outside."
    )  # fmt: skip
    neighbour_share: float = Field(
        0.1, gt=0, lt=1, description="A neighbour inside the band marks the reading as unresolved from this share of "
        "the line's amplitude on; merged, a tenth would read 0.5 % high."
    )  # fmt: skip
    whole_s: float = Field(
        900.0, gt=0, description="Records up to this length are read as a whole; longer ones part by part, so that "
        "memory does not grow with them."
    )  # fmt: skip
    part_s: float = Field(30.0, ge=10, description="Length of a part: as long as a capture usually is.")
    step_s: float = Field(0.5, gt=0, description="Step of an order's amplitude along the capture.")
    confirm_sigma: float = Field(
        5.0, gt=0, description="An order confirms when its amplitude stands this many standard uncertainties of "
        "noise above nothing: less than one chance in a million each."
    )  # fmt: skip


@dataclass(frozen=True)
class Plan:
    """One zoom per order and the bands counted; ``reported`` are the firing order and those asked for."""

    channels: tuple[int, ...]
    orders: tuple[float, ...]
    reported: tuple[float, ...]
    zoom: ZoomPlan
    bands: tuple[kernel.BandPlan, ...]
    track: SpeedTrack
    part_frames: int | None
    static: FloatArray | None = None
    """Mean of each channel [shape=(n_channel,)] where orders sweep, and so are mixed before the zoom."""

    @property
    def firing(self) -> float:
        """The firing order."""
        return self.reported[0]


@dataclass(frozen=True)
class ReadParts:
    """What came of parts read together: per order the energy and whether it follows the speed; cycles and time."""

    energies: tuple[kernel.OrderEnergy, ...]
    follows: tuple[bool, ...]
    revolutions: float
    seconds: float
    n_parts: int
    tracks: tuple[tuple[FloatArray, FloatArray], ...]
    """Per reported order, instants of the capture and the amplitude over time [shape=(n_channel, n_step)]."""


class OrdersAccumulator(Accumulator):
    """Keeps the baseband around each order until the end; long records leave it part by part."""

    def __init__(self, plan: Plan, settings: OrdersSettings) -> None:
        self.plan = plan
        self.settings = settings
        n_signal = len(plan.channels) * (1 if plan.static is None else len(plan.orders))
        self.zoomed = ZoomedRuns(plan.zoom, n_signal, plan.part_frames)
        self.starts: dict[int, float] = {}
        self.done: dict[tuple[int, int], ReadParts] = {}

    def accumulate(self, block: Block) -> None:
        """Take the next block of a run."""
        self.starts.setdefault(block.run, block.start_s - block.first / block.rate_hz)
        values = block.values[list(self.plan.channels)]
        if self.plan.static is not None:
            values = self._mixed(values - self.plan.static[:, None], block)
        self.zoomed.push(block.run, block.first, values)
        self._read_ready()

    def _mixed(self, values: FloatArray, block: Block) -> Any:
        """Every channel turned back by every order's angle [shape=(n_order * n_channel, n), complex]."""
        run_s = self.starts[block.run]
        at = run_s + (block.first + np.arange(block.n)) / block.rate_hz
        turns = kernel.revolutions(at, self.plan.track.time_s, self.plan.track.speed_hz)
        back = np.exp(-2j * np.pi * np.mod(np.array(self.plan.orders)[:, None] * turns, 1.0))
        return (back[:, None] * values[None]).reshape(-1, block.n)

    def merge(self, other: Self) -> None:
        """Take over what another worker gathered."""
        self.zoomed.merge(other.zoomed)
        self.starts = {**other.starts, **self.starts}
        self.done.update(other.done)
        self._read_ready()

    def _read_ready(self) -> None:
        for run, part in self.zoomed.ready():
            self.done[run, part.first] = self._read([(run, part)])

    def finish(self) -> OrderSpectra:
        """Amplitudes of all orders."""
        rest = [(run, part) for run, part in self.zoomed.rest() if part.n_out >= 8]
        done = dict(self.done)
        if self.plan.part_frames is None:
            done |= {(0, 0): self._read(rest)} if rest else {}
        else:
            done |= {(run, part.first): self._read([(run, part)]) for run, part in rest}
        if not done:
            return OrderSpectra((), absent=Reason(ReasonCode.NO_LINE, "no stretch is long enough to read an order"))
        # in the order of the record, whoever read which part: sums of floats depend on their order
        return self._product([done[key] for key in sorted(done)])

    def _product(self, parts: list[ReadParts]) -> OrderSpectra:
        amplitudes: list[OrderAmplitude] = []
        covariances: dict[float, AmplitudeCovariance] = {}
        neighbours: dict[float, tuple[tuple[float, float, str], ...]] = {}
        confirmed: list[float] = []
        tracks: dict[float, tuple[FloatArray, FloatArray, FloatArray]] = {}
        for index, order in enumerate(self.plan.orders):
            energy = kernel.pooled_energy([part.energies[index] for part in parts])
            entries, covariances[order] = self._amplitudes(order, energy, self._frequency(parts, order))
            amplitudes += entries
            neighbours[order] = energy.neighbours()
            if order in self.plan.reported:
                tracks[order] = self._track([part.tracks[len(tracks)] for part in parts])
            following = 2 * sum(part.follows[index] for part in parts) > len(parts)
            if order != self.plan.firing and following and _stands_out(entries, self.settings.confirm_sigma):
                confirmed.append(order)
        return OrderSpectra(
            tuple(amplitudes),
            name=_name(self.plan.firing, self.plan.track, confirmed),
            extra={
                "covariance": covariances, "neighbours": neighbours, "confirmed_by": tuple(confirmed),
                "tracks": tracks, "firing_order": self.plan.firing,
                "line_to_floor_db": self.plan.track.extra.get("line_to_floor_db"),
            },
        )  # fmt: skip

    def _track(self, pieces: list[tuple[FloatArray, FloatArray]]) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Instants, crankshaft speed and amplitude [shape=(n_channel, n_step)] of one order along the capture."""
        at = np.concatenate([time_s for time_s, _ in pieces])
        track = self.plan.track
        known = np.isfinite(track.speed_hz)
        speed = np.interp(at, track.time_s[known], track.speed_hz[known])
        return at, speed, np.concatenate([values for _, values in pieces], axis=-1)

    def _read(self, parts: list[tuple[int, ZoomedRun]]) -> ReadParts:
        """Energies of all orders over some parts, read together."""
        plan, track = self.plan, self.plan.track
        energies, follows, tracks = [], [], []
        for index, order in enumerate(plan.orders):
            stopped = [self._stopped(run, part, index) for run, part in parts]
            read = kernel.order_energy if order in plan.reported else kernel.order_presence
            energies.append(read(stopped, plan.bands[index]))
            may = order != plan.firing and np.any(energies[-1].square > energies[-1].noise_square_std())
            follows.append(bool(may) and kernel.follows_speed(stopped, energies[-1].floor))
            if order in plan.reported:
                tracks.append(self._over_time(parts, stopped, energies[-1], plan.bands[index]))
        turned, seconds = 0.0, 0.0
        for run, part in parts:
            ends = self.starts[run] + np.array([part.start, part.stop]) / plan.zoom.rate_hz
            turned += float(np.diff(kernel.revolutions(ends, track.time_s, track.speed_hz))[0])
            seconds += float(np.diff(ends)[0])
        return ReadParts(tuple(energies), tuple(follows), turned, seconds, len(parts), tuple(tracks))

    def _over_time(
        self, parts: list[tuple[int, ZoomedRun]], stopped: list[kernel.StoppedRun], energy: kernel.OrderEnergy,
        band: kernel.BandPlan,
    ) -> tuple[FloatArray, FloatArray]:  # fmt: skip
        """An order's amplitude along the capture."""
        step_s = self.settings.step_s
        found = [kernel.amplitude_over_time(run, energy.floor, band, step_s) for run in stopped]
        at = [self.starts[run] + time_s for (run, _), (time_s, _) in zip(parts, found, strict=True)]
        return np.concatenate(at), np.concatenate([values for _, values in found], axis=-1)

    def _stopped(self, run: int, part: ZoomedRun, index: int) -> kernel.StoppedRun:
        """An order's baseband, stopped by the track."""
        plan = self.plan
        # a length of small prime factors: the transforms of a prime one take ten times as long
        n = fft.prev_fast_len(part.n_out)
        at = output_times(plan.zoom, part)[:n]
        cycles = plan.orders[index] * kernel.revolutions(
            self.starts[run] + at, plan.track.time_s, plan.track.speed_hz
        )
        if plan.static is not None:
            width = len(plan.channels)
            values = part.baseband[0, index * width : (index + 1) * width, :n]
            return kernel.StoppedRun(values, at, cycles)
        values = kernel.stopped(part.baseband[index, :, :n], at, plan.zoom.centers_hz[index], cycles)
        return kernel.StoppedRun(values, at, cycles)

    def _frequency(self, parts: list[ReadParts], order: float) -> tuple[float, float]:
        """Mean frequency of an order over the stretches used, and its standard uncertainty."""
        track, seconds = self.plan.track, sum(part.seconds for part in parts)
        # the track's figures are of the firing line's cycles; each part has two ends
        of_line = sum(part.n_parts for part in parts) * track.extra.get("cycle_std", 0.0) ** 2 / seconds**2
        of_line += track.extra.get("drift_density", 0.0) / seconds
        mean = order * sum(part.revolutions for part in parts) / seconds
        return mean, float(np.sqrt(of_line)) * order / (track.order or order)

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
        speed = SpeedRange(float(np.median(track.speed_hz[known])), 0.5 * float(np.ptp(track.speed_hz[known])))
        frame_s = float(track.extra.get("frame_s", frame_seconds(firing * speed.speed_hz)))
        own = self.settings
        may = confirming_orders(firing, own.confirming_multiples, own.confirming_orders, context.facts.get("strokes"))
        bands = planned_bands(firing, own.orders, may, speed, own.band_frames / frame_s, rate)
        if not bands:
            detail = f"no band fits about the firing order at {firing * speed.speed_hz:.4g} Hz"
            return Reason(ReasonCode.NO_LINE, detail)
        centers = tuple(band.order * speed.speed_hz for band in bands)
        if speed.sweeps:
            zoom = still_plan(rate, bands[0].half_zoom_hz)
        else:
            zoom = zoom_plan(rate, centers, tuple(band.half_zoom_hz for band in bands))
        # half a revolution's rate: whatever the strokes say, orders may stand at equal distances on either side
        cycle_hz = 0.5 * speed.lowest_hz
        channels = tuple(i for i, spec in enumerate(signal.channels) if spec.quantity == "acceleration")
        long = signal.duration_s is not None and signal.duration_s > own.whole_s
        return Plan(
            channels=channels,
            orders=tuple(band.order for band in bands),
            reported=(firing, *(band.order for band in bands[1:] if band.order in own.orders)),
            zoom=zoom,
            bands=tuple(
                kernel.BandPlan(zoom.out_rate_hz, b.half_band_hz, b.beside_hz, b.reach_hz, 0.8 * cycle_hz)
                for b in bands
            ),
            track=track,
            part_frames=max(1, round(own.part_s * zoom.out_rate_hz)) if long else None,
            static=_static(products, channels) if speed.sweeps else None,
        )


def _static(products: Mapping[str, Any], channels: tuple[int, ...]) -> FloatArray:
    """The channels' means, gravity above all, as the screen found them; nothing where there was no screen."""
    facts = products.get("screen")
    return np.zeros(len(channels)) if facts is None else np.asarray(facts.mean)[list(channels)]


def _stated_order(facts: Mapping[str, Any]) -> float | None:
    if facts.get("firing_order") is not None:
        return float(facts["firing_order"])
    cylinders, strokes = facts.get("cylinders"), facts.get("strokes") or 4
    return None if cylinders is None else float(cylinders) * 2.0 / float(strokes)


@hookimpl
def register_stages() -> list[type[Stage[Any]]]:
    """The tracked orders."""
    return [OrdersTracked]
