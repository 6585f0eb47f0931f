"""Tracked orders: amplitude of the firing order and its companions over the chosen stretches."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any, Self

import numpy as np
from pydantic import Field

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
from ..pipeline.kernels.amplitude_uncertainty import AmplitudeCovariance, amplitude_covariance
from ..pipeline.kernels.order_bands import OrderBand, SpeedRange, confirming_orders, firing_order, planned_bands
from ..pipeline.kernels.order_reading import OrderReader, ReadParts
from ..pipeline.kernels.order_tracking import BandPlan, OrderEnergy, pooled_energy
from ..pipeline.kernels.quantiles import row_medians
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
    """What is read, from which channels; ``static`` [shape=(n_channel,)] is gravity's share.

    One reader per track: where two lines could be the firing line, each is read along its own.
    """

    channels: tuple[int, ...]
    readers: tuple[OrderReader, ...]
    tracks: tuple[SpeedTrack, ...]
    part_frames: int | None
    static: FloatArray

    @property
    def zoom(self) -> ZoomPlan:
        """The zoom all readers share."""
        return self.readers[0].zoom


class OrdersAccumulator(Accumulator):
    """Keeps the baseband around each order until the end; long records leave it part by part."""

    def __init__(self, plan: Plan, settings: OrdersSettings) -> None:
        self.plan = plan
        self.settings = settings
        self.zoomed = ZoomedRuns(plan.zoom, plan.readers[0].n_zoomed, plan.part_frames, levels=False)
        self.starts: dict[int, float] = {}
        self.done: dict[tuple[int, int], tuple[ReadParts, ...]] = {}

    def accumulate(self, block: Block) -> None:
        """Take the next block of a run."""
        start_s = self.starts.setdefault(block.run, block.start_s - block.first / block.rate_hz)
        values: Any = block.values_of(self.plan.channels)
        if self.plan.readers[0].sweeping:
            at = start_s + (block.first + np.arange(block.n)) / block.rate_hz
            values = self.plan.readers[0].mixed(values - self.plan.static[:, None], at)
        self.zoomed.push(block.run, block.first, values)
        self._read_ready()

    def merge(self, other: Self) -> None:
        """Take over what another worker gathered."""
        self.zoomed.merge(other.zoomed)
        self.starts = {**other.starts, **self.starts}
        self.done.update(other.done)
        self._read_ready()

    def _read_ready(self) -> None:
        for run, part in self.zoomed.ready():
            self.done[run, part.first] = self._read([(run, part)])

    def _read(self, parts: list[tuple[int, ZoomedRun]]) -> tuple[ReadParts, ...]:
        started = [(self.starts[run], part) for run, part in parts]
        return tuple(reader.read(started) for reader in self.plan.readers)

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
        read = [done[key] for key in sorted(done)]
        found = [
            self._product(reader, track, [parts[index] for parts in read])
            for index, (reader, track) in enumerate(zip(self.plan.readers, self.plan.tracks, strict=True))
        ]
        return found[0] if len(found) == 1 else _the_confirmed(found[0], found[1])

    def _product(self, reader: OrderReader, track: SpeedTrack, parts: list[ReadParts]) -> OrderSpectra:
        amplitudes: list[OrderAmplitude] = []
        covariances: dict[float, AmplitudeCovariance] = {}
        neighbours: dict[float, tuple[tuple[float, float, str], ...]] = {}
        confirmed: list[float] = []
        tracks: dict[float, tuple[FloatArray, FloatArray, FloatArray]] = {}
        pulled = pooled_energy([part.energies[0] for part in parts]).pulled_hz()
        for index, order in enumerate(reader.orders):
            energy = pooled_energy([part.energies[index] for part in parts])
            entries, covariances[order] = self._amplitudes(order, energy, _frequency(track, parts, order, pulled))
            amplitudes += entries
            neighbours[order] = energy.neighbours()
            if index < reader.n_reported:
                tracks[order] = _along(track, [part.tracks[index] for part in parts])
            following = 2 * sum(part.follows[index] for part in parts) > len(parts)
            if index > 0 and following and _stands_out(entries, self.settings.confirm_sigma):
                confirmed.append(order)
        return OrderSpectra(
            tuple(amplitudes),
            name=_name(reader.orders[0], track, confirmed),
            extra={
                "covariance": covariances, "neighbours": neighbours, "confirmed_by": tuple(confirmed),
                "tracks": tracks, "firing_order": reader.orders[0],
                "line_to_floor_db": track.extra.get("line_to_floor_db"),
            },
        )  # fmt: skip

    def _amplitudes(
        self, order: float, energy: OrderEnergy, frequency: tuple[float, float]
    ) -> tuple[list[OrderAmplitude], AmplitudeCovariance]:
        # below one standard deviation of noise an amplitude's own error formula breaks down: hold it there
        least = np.sqrt(energy.noise_square_std())
        amplitude = np.sqrt(np.maximum(energy.square, 0.0))
        covariance = amplitude_covariance(np.maximum(amplitude, least), energy)
        marks = _neighbour_marks(energy, self.settings.neighbour_share)
        relative = energy.floor_relative_std()
        columns = (self.plan.channels, amplitude.tolist(), covariance.stds, energy.floor.tolist(), least.tolist())
        entries = [
            OrderAmplitude(
                order=order, channel=channel, amplitude=own, std=std, floor_density=floor, frequency_hz=frequency[0],
                frequency_std_hz=frequency[1], marks=marks, extra={"least": noise, "floor_relative_std": relative},
            )
            for channel, own, std, floor, noise in zip(*columns, strict=True)
        ]  # fmt: skip
        return entries, covariance


def _along(
    track: SpeedTrack, pieces: list[tuple[FloatArray, FloatArray]]
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Instants, crankshaft speed and amplitude [shape=(n_channel, n_step)] of one order along the capture."""
    at = np.concatenate([time_s for time_s, _ in pieces])
    known = np.isfinite(track.speed_hz)
    speed = np.interp(at, track.time_s[known], track.speed_hz[known])
    return at, speed, np.concatenate([values for _, values in pieces], axis=-1)


def _frequency(track: SpeedTrack, parts: list[ReadParts], order: float, pulled_hz: float) -> tuple[float, float]:
    """Mean frequency of an order over the stretches used, and its standard uncertainty.

    ``pulled_hz``: what neighbours may do to the firing line's path; a phase that is followed is not pulled.
    """
    seconds = sum(part.seconds for part in parts)
    drift = track.extra.get("drift_density", 0.0)
    # the track's figures are of the firing line's cycles; each part has two ends
    of_line = sum(part.n_parts for part in parts) * track.extra.get("cycle_std", 0.0) ** 2 / seconds**2
    of_line += drift / seconds + (pulled_hz**2 if drift > 0.0 else 0.0)
    mean = order * sum(part.revolutions for part in parts) / seconds
    return mean, float(np.sqrt(of_line)) * order / (track.order or order)


def _the_confirmed(main: OrderSpectra, rival: OrderSpectra) -> OrderSpectra:
    """Of two lines that could be the firing line, the one whose further orders say so; marked where both or neither."""
    proven = [len(item.extra["confirmed_by"]) >= 2 for item in (main, rival)]
    if proven[0] != proven[1]:
        return main if proven[0] else rival
    other, own = rival.amplitudes[0], main.amplitudes[0]
    which = "both have" if proven[0] else "neither has"
    detail = (
        f"another line, at {other.frequency_hz:.4g} Hz, could be the firing line as well as the stronger one at "
        f"{own.frequency_hz:.4g} Hz: {which} further orders that confirm it"
    )
    mark = Reason(ReasonCode.UNRESOLVED, detail)
    firing = main.extra["firing_order"]
    amplitudes = tuple(
        replace(item, marks=(*item.marks, mark)) if item.order == firing else item for item in main.amplitudes
    )
    return replace(main, amplitudes=amplitudes)


def _neighbour_marks(energy: OrderEnergy, least_share: float) -> tuple[Reason, ...]:
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

    def __init__(self, reason: Reason, bound: Mapping[int, float]) -> None:
        self.reason = reason
        self.bound = bound

    def accumulate(self, block: Block) -> None:
        """Nothing is kept."""

    def merge(self, other: Self) -> None:
        """Nothing to take over."""

    def finish(self) -> OrderSpectra:
        """The reason."""
        return OrderSpectra((), absent=self.reason, extra={"bound": dict(self.bound)})


class OrdersTracked(Estimator[OrdersSettings]):
    """Reads engine orders along the speed track, over the chosen stretches."""

    name = "orders"
    makes = "orders"
    numeric_version = 1
    Settings = OrdersSettings
    uses_facts = ("cylinders", "strokes", "firing_order", "rpm")
    quantity, unit = "acceleration", "m s-2"

    def schema(self, incoming: ChainSchema) -> ChainSchema:
        """Adds the order amplitudes; needs the speed track and a uniform clock."""
        self.needs_product(incoming, "track")
        self.needs_uniform_clock(incoming)
        return incoming.plus(ProductSpec(self.makes, ("order", "channel"), self.unit))

    def open(self, signal: SignalSpec, context: Context, products: Mapping[str, Any]) -> Accumulator:
        """Plan the zooms, or say why there is nothing to read."""
        planned = self._plan(signal, context, products)
        if isinstance(planned, Reason):
            return NoOrders(planned, products["track"].extra.get("bound", {}))
        return OrdersAccumulator(planned, self.settings)

    def grid(self, signal: SignalSpec, context: Context, products: Mapping[str, Any]) -> tuple[int, int]:
        """Frames of the zoom's filter."""
        planned = self._plan(signal, context, products)
        return (1, 1) if isinstance(planned, Reason) else (planned.zoom.length, planned.zoom.hop)

    def _plan(self, signal: SignalSpec, context: Context, products: Mapping[str, Any]) -> Plan | Reason:
        track: SpeedTrack = products["track"]
        facts = context.facts
        stated = firing_order(facts.get("cylinders"), facts.get("strokes"), facts.get("firing_order"))
        firing = track.order or stated
        known = np.isfinite(track.speed_hz)
        if track.source == "none" or firing is None or not known.any():
            return track.reason or Reason(ReasonCode.NO_SPEED, "cylinders, or firing_order, is not given")
        rate = signal.rate_hz
        if rate is None:
            raise SchemaError("stage 'orders' needs the sampling rate", found="none", todo="open it on a read signal")
        rival = track.extra.get("rival")
        tracks = (track,) if rival is None else (track, rival)
        speeds = [_range(item) for item in tracks]
        bands = [self._bands(firing, *pair, rate, context.facts) for pair in zip(tracks, speeds, strict=True)]
        if not bands[0]:
            detail = f"no band fits about the firing order at {firing * speeds[0].speed_hz:.4g} Hz"
            return Reason(ReasonCode.NO_LINE, detail)
        if not bands[-1] or speeds[0].sweeps:
            tracks, speeds, bands = tracks[:1], speeds[:1], bands[:1]
        zoom = _zoom(rate, speeds, bands)
        channels = tuple(i for i, spec in enumerate(signal.channels) if spec.quantity == self.quantity)
        readers, first = [], 0
        for item, speed, own in zip(tracks, speeds, bands, strict=True):
            # half a revolution's rate: whatever the strokes say, orders may stand at equal distances either side
            widest = 0.4 * speed.lowest_hz
            readers.append(OrderReader(
                orders=tuple(band.order for band in own),
                n_reported=1 + sum(band.order in self.settings.orders for band in own[1:]),
                n_channel=len(channels), zoom=zoom,
                bands=tuple(
                    BandPlan(zoom.out_rate_hz, b.half_band_hz, b.beside_hz, b.reach_hz, widest) for b in own
                ),
                track_time_s=item.time_s, speed_hz=item.speed_hz, sweeping=speed.sweeps,
                step_s=self.settings.step_s, first_center=first,
            ))  # fmt: skip
            first += len(own)
        long = signal.duration_s is not None and signal.duration_s > self.settings.whole_s
        part = max(1, round(self.settings.part_s * zoom.out_rate_hz)) if long else None
        return Plan(channels, tuple(readers), tracks, part, self._static(products, channels))

    def _static(self, products: Mapping[str, Any], channels: tuple[int, ...]) -> FloatArray:
        """The channels' means, gravity above all, as the screen found them; nothing where there was no screen."""
        facts = products.get("screen")
        return np.zeros(len(channels)) if facts is None else np.asarray(facts.mean)[list(channels)]

    def _bands(
        self, firing: float, track: SpeedTrack, speed: SpeedRange, rate_hz: float, facts: Mapping[str, Any]
    ) -> list[OrderBand]:
        frame_s = float(track.extra.get("frame_s", frame_seconds(firing * speed.speed_hz)))
        own = self.settings
        may = confirming_orders(firing, own.confirming_multiples, own.confirming_orders, facts.get("strokes"))
        return planned_bands(firing, own.orders, may, speed, own.band_frames / frame_s, rate_hz)


def _range(track: SpeedTrack) -> SpeedRange:
    speed = track.speed_hz[np.isfinite(track.speed_hz)]
    return SpeedRange(float(row_medians(speed)), 0.5 * float(speed.max() - speed.min()))


def _zoom(rate_hz: float, speeds: list[SpeedRange], bands: list[list[OrderBand]]) -> ZoomPlan:
    """One zoom for the bands of all tracks."""
    if speeds[0].sweeps:
        return still_plan(rate_hz, bands[0][0].half_zoom_hz)
    centers = [band.order * speed.speed_hz for speed, own in zip(speeds, bands, strict=True) for band in own]
    return zoom_plan(rate_hz, tuple(centers), tuple(band.half_zoom_hz for own in bands for band in own))


class SoundOrders(OrdersTracked):
    """The same orders along the same track, as microphones beside the accelerations hear them."""

    name = "sound_orders"
    makes = "sound_orders"
    acts_on = ("pressure",)
    quantity, unit = "pressure", "Pa"

    def _static(self, products: Mapping[str, Any], channels: tuple[int, ...]) -> FloatArray:  # noqa: ARG002
        """The screen looked at other channels, and a microphone passes no static pressure."""
        return np.zeros(len(channels))


@hookimpl
def register_stages() -> list[type[Stage[Any]]]:
    """The tracked orders, of accelerations and of sound."""
    return [OrdersTracked, SoundOrders]
