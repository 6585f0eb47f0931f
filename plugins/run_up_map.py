"""Stage ``speed_map`` and metric ``order_peak``: a run-up as a map over speed, and an order's largest amplitude."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Self

import numpy as np
from pydantic import Field

from ..pipeline.contracts import (
    NOISE_FACT,
    Accumulator,
    Block,
    ChainSchema,
    Context,
    Estimator,
    Metric,
    OrderSpectra,
    ProductSpec,
    Reading,
    Reason,
    ReasonCode,
    SchemaError,
    SignalSpec,
    SpeedMap,
    SpeedTrack,
    Stage,
    StageSettings,
    hookimpl,
    judged_by_floor,
    sensor_floor,
)
from ..pipeline.contracts.signal import FloatArray
from ..pipeline.contracts.units import MILLI_G
from ..pipeline.kernels.framing import Framer
from ..pipeline.kernels.speed_map import BinnedTrack, SpeedMapSum, binned_track, speed_bins

MOST_SPEEDS, MOST_FREQUENCIES = 200, 400
"""Largest map: 3 channels of this size take 1 MB, as much as a minute of samples."""


class SpeedMapSettings(StageSettings):
    """How fine the map is."""

    speed_step_rpm: float = Field(
        50.0, gt=0, description="Width of a speed bin: a four-cylinder firing line moves by 1.7 Hz in it, less than "
        "a cell of the map; wider where 200 bins would not do."
    )  # fmt: skip
    frame_s: float = Field(
        0.5, gt=0.02, le=10, description="Length of a spectrum: with a Hann window lines are 4/frame wide, and a line "
        "that sweeps by 4/frame in it, 16 Hz/s at 0.5 s, keeps nine tenths of its amplitude."
    )  # fmt: skip
    upper_hz: float = Field(
        400.0, gt=0, description="Highest frequency of the map: firing line and first harmonic of a four-cylinder "
        "engine at 6,000 rpm; at most 400 cells are kept."
    )  # fmt: skip


class SpeedMapStage(Estimator[SpeedMapSettings]):
    """Gathers short spectra of the stretches by the speed at their middle."""

    name = "speed_map"
    makes = "speed_map"
    numeric_version = 1
    Settings = SpeedMapSettings

    def schema(self, incoming: ChainSchema) -> ChainSchema:
        """Adds ``speed_map``. Raises SchemaError without the speed track or on an uneven clock."""
        self.needs_product(incoming, "track")
        self.needs_uniform_clock(incoming)
        unit = incoming.signal.channels[0].unit if incoming.signal.channels else "m s-2"
        return incoming.plus(ProductSpec("speed_map", ("channel", "speed", "frequency"), unit))

    def open(self, signal: SignalSpec, context: Context, products: Mapping[str, Any]) -> Accumulator:  # noqa: ARG002
        """Bins from the speeds of the track; without a speed nothing is gathered."""
        track: SpeedTrack = products["track"]
        known = np.isfinite(track.speed_hz)
        if track.source == "none" or not known.any():
            reason = track.reason or Reason(ReasonCode.NO_SPEED, "no speed is known to map against")
            return _NoMap(signal, reason, self.settings.frame_s)
        return _Mapping(signal, self._length(signal), self.settings, track)

    def grid(self, signal: SignalSpec, context: Context, products: Mapping[str, Any]) -> tuple[int, int]:  # noqa: ARG002
        """Frames and their hop, half a frame."""
        length = self._length(signal)
        return length, length // 2

    def _length(self, signal: SignalSpec) -> int:
        if signal.rate_hz is None:
            raise SchemaError("stage 'speed_map' needs the sampling rate", found="none", todo="open it on a file")
        return max(8, 2 * round(0.5 * self.settings.frame_s * signal.rate_hz))


class _Mapping(Accumulator):
    """The sums of the map, and the framers that cut each run."""

    def __init__(self, signal: SignalSpec, length: int, settings: SpeedMapSettings, track: SpeedTrack) -> None:
        rate = signal.rate_hz or 1.0
        self._signal, self._rate, self._track = signal, rate, track
        self._framer, self._run = Framer(length, length // 2), -1
        bins = speed_bins(track.speed_hz, settings.speed_step_rpm / 60.0, MOST_SPEEDS)
        n = min(MOST_FREQUENCIES, length // 2 + 1, int(settings.upper_hz * length / rate) + 1)
        self._sums = SpeedMapSum(len(signal.channels), bins, length, rate, n)

    def accumulate(self, block: Block) -> None:
        """Add the frames a block completes."""
        if block.run != self._run or (self._framer.expects or block.first) != block.first:
            self._framer.restart()
            self._run = block.run
        start_s = block.start_s - block.first / block.rate_hz
        for index, frames in self._framer.push(block.values, block.first):
            first = (index + np.arange(frames.shape[1])) * self._framer.hop
            middle = start_s + (first + 0.5 * (self._framer.length - 1)) / self._rate
            self._sums.add(frames, self._speed_at(np.asarray(middle, dtype=np.float64)))

    def _speed_at(self, time_s: FloatArray) -> FloatArray:
        """Speed at instants; unknown where the nearest known speed is a frame away."""
        known = np.isfinite(self._track.speed_hz)
        at, speed = self._track.time_s[known], self._track.speed_hz[known]
        after = np.clip(np.searchsorted(at, time_s), 1, max(1, at.size - 1))
        before = np.maximum(after - 1, 0)
        away = np.minimum(np.abs(time_s - at[before]), np.abs(at[np.minimum(after, at.size - 1)] - time_s))
        return np.where(away <= self._framer.length / self._rate, np.interp(time_s, at, speed), np.nan)

    def merge(self, other: Self) -> None:
        """Add what another worker gathered over a later part."""
        self._sums.merge(other._sums)
        self._framer, self._run = other._framer, other._run

    def finish(self) -> SpeedMap:
        """The map."""
        sums = self._sums
        return SpeedMap(
            self._signal.channels, sums.bins.middles_hz, sums.frequency, sums.amplitude(), sums.count,
            sums.length / self._rate,
        )  # fmt: skip


class _NoMap(Accumulator):
    """Stands in where there is no speed."""

    def __init__(self, signal: SignalSpec, reason: Reason, frame_s: float) -> None:
        self._signal, self._reason, self._frame_s = signal, reason, frame_s

    def accumulate(self, block: Block) -> None:
        """Nothing is kept."""

    def merge(self, other: Self) -> None:
        """Nothing to take over."""

    def finish(self) -> SpeedMap:
        """An empty map with the reason."""
        n = len(self._signal.channels)
        none = np.empty(0)
        return SpeedMap(
            self._signal.channels, none, none, np.empty((n, 0, 0)), np.empty(0, dtype=np.int64), self._frame_s,
            self._reason,
        )  # fmt: skip


class OrderPeakSettings(StageSettings):
    """Which order carries the reading, and how its track is cut by speed."""

    order: float | None = Field(
        None, gt=0, description="The order a study compares; the firing order where none is given. Others that stage "
        "'orders' reads are told beside it."
    )  # fmt: skip
    speed_step_rpm: float = Field(
        50.0, gt=0, description="Width of a speed bin: some steps of a slow run-up fall into each, and a resonance of "
        "5 % damping at 1,500 rpm is three bins wide."
    )  # fmt: skip
    edge_s: float = Field(
        1.0, ge=0, description="Left out at both ends of every stretch, where the band filter has signal on one side "
        "only."
    )  # fmt: skip
    least_sigma: float = Field(
        5.0, gt=0, description="The largest amplitude must stand this many standard deviations of noise above "
        "nothing: the largest of a hundred bins of noise reaches 3."
    )  # fmt: skip
    least_times_sensor_floor: float = Field(
        3.0, ge=0, description="The largest amplitude must be this many times what the sensor's own noise shows in "
        "1 Hz, where the table states `noise_density`: the same measure as for the firing order beside it."
    )  # fmt: skip


class OrderPeak(Metric[OrderPeakSettings]):
    """The largest amplitude of an order over the run-up, and the speed at which it stood.

    The largest of some dozens of bins is found high by one or two of its standard uncertainties where the order is
    as large everywhere; for both parts of a comparison alike. ``n_bins`` in ``extra`` says of how many.
    """

    name = "order_peak"
    numeric_version = 1
    Settings = OrderPeakSettings
    uses_facts = (NOISE_FACT,)
    reading_names = ("order_peak",)

    def schema(self, incoming: ChainSchema) -> ChainSchema:
        """Needs the order amplitudes; adds nothing to the chain. Raises SchemaError without them."""
        if "orders" not in incoming.products:
            raise SchemaError(
                "metric 'order_peak' needs the product 'orders'", found=", ".join(sorted(incoming.products)) or "none",
                allowed="a recipe in which 'orders' stands before it", todo="add the stages 'track' and 'orders'",
            )  # fmt: skip
        return incoming

    def readings(self, products: Mapping[str, Any], context: Context) -> Sequence[Reading]:
        """One reading per position, combination and order; those of further orders are marked in ``extra``."""
        orders: OrderSpectra = products["orders"]
        found: list[Reading] = []
        for position in context.signal.positions:
            channels = [i for i in context.signal.at(position) if context.signal.channels[i].quantity == "acceleration"]
            if not channels:
                continue
            for combination in ("rss", "mean"):
                made = self._of_position(orders, position, channels, combination)
                found += [self._above_sensor(reading, channels, context) for reading in made]
        return found

    def _above_sensor(self, reading: Reading, channels: list[int], context: Context) -> Reading:
        """The reading, or its absence where the sensor's own noise in 1 Hz comes near it."""
        floor = sensor_floor(context.facts, [context.signal.channels[i] for i in channels], 1.0, reading)
        return judged_by_floor(reading, floor, self.settings.least_times_sensor_floor)

    def _of_position(
        self, orders: OrderSpectra, position: str, channels: list[int], combination: str
    ) -> list[Reading]:
        like = Reading("order_peak", position, combination, "mg", "peak", None, order=self.settings.order)
        if orders.absent is not None:
            return [Reading.missing(like, orders.absent)]
        main = self.settings.order or float(orders.extra["firing_order"])
        tracks = orders.extra["tracks"]
        if main not in tracks:
            detail = f"order {main:g} was not read; read were {', '.join(f'{order:g}' for order in tracks)}"
            return [Reading.missing(like, Reason(ReasonCode.NO_LINE, detail))]
        return [self._of_order(orders, order, main, channels, like) for order in tracks]

    def _of_order(
        self, orders: OrderSpectra, order: float, main: float, channels: list[int], like: Reading
    ) -> Reading:
        entries = {item.channel: item for item in orders.of(order)}
        chosen = [n for n, channel in enumerate(sorted(entries)) if channel in channels]
        at, speed, amplitude = orders.extra["tracks"][order]
        inner = _clear_of_ends(at, self.settings.edge_s)
        bins = speed_bins(speed, self.settings.speed_step_rpm / 60.0, MOST_SPEEDS)
        binned = binned_track(speed[inner], amplitude[chosen][:, inner], bins)
        named = f"engine order {order:g}" if orders.name.startswith("engine order") else orders.name
        like = Reading(
            "order_peak", like.position, like.combination, "mg", "peak", None, order=order, line_name=named,
            extra={"beside": order != main},
        )  # fmt: skip
        if binned.index.size == 0:
            return Reading.missing(like, Reason(ReasonCode.NO_LINE, "no stretch is long enough to cut by speed"))
        floor = np.array([entries[channel].floor_density for channel in sorted(entries)])[chosen]
        step_s = float(np.median(np.diff(at))) if at.size > 1 else self.settings.edge_s
        return self._peak(like, binned, bins.middles_hz[binned.index], floor, step_s)

    def _peak(
        self, like: Reading, binned: BinnedTrack, speed_hz: FloatArray, floor: FloatArray, step_s: float
    ) -> Reading:
        """The largest bin, its uncertainty from floor and scatter, and the whole curve in ``extra``."""
        by_axis = np.sqrt(binned.square)
        curve = by_axis.mean(axis=0) if like.combination == "mean" else np.sqrt(binned.square.sum(axis=0))
        best = int(np.argmax(curve))
        value, axes = float(curve[best]), by_axis[:, best]
        noise = floor / (step_s * binned.count[best])
        slope = np.full(axes.size, 1.0 / axes.size) if like.combination == "mean" else axes / max(value, 1e-300)
        scattered = binned.scatter[:, best] / (2.0 * np.maximum(axes, np.sqrt(noise)))
        std = float(np.sqrt(np.sum(slope**2 * (noise + scattered**2))))
        told = {
            **like.extra, "speed_rpm": 60.0 * float(speed_hz[best]), "n_steps": int(binned.count[best]),
            "n_bins": int(curve.size),
            "curve_rpm": [round(60.0 * float(v), 3) for v in speed_hz],
            "curve_mg": [float(f"{v / MILLI_G:.5g}") for v in curve],
        }  # fmt: skip
        made = Reading(
            like.reading, like.position, like.combination, "mg", "peak", value / MILLI_G,
            std_uncertainty=std / MILLI_G, order=like.order, frequency_hz=float((like.order or 0.0) * speed_hz[best]),
            line_name=like.line_name, extra=told,
        )  # fmt: skip
        least = float(np.sqrt(noise.sum() if like.combination == "rss" else noise.mean()))
        if value > self.settings.least_sigma * least:
            return made
        bound = (value + 1.645 * std) / MILLI_G
        detail = (
            f"the largest amplitude over speed stands {value / least:.2g} standard deviations of noise above nothing, "
            f"a value needs {self.settings.least_sigma:g}; with 95 % confidence it is below {bound:.3g} mg"
        )
        return Reading.missing(made, Reason(ReasonCode.NO_LINE, detail))


def _clear_of_ends(at: FloatArray, edge_s: float) -> np.ndarray[Any, np.dtype[np.bool_]]:
    """Which steps lie further than this from the ends of their stretch [shape=(n,)]."""
    if at.size < 2:
        return np.ones(at.size, dtype=bool)
    breaks = np.flatnonzero(np.diff(at) > 1.5 * np.median(np.diff(at))) + 1
    inner = np.zeros(at.size, dtype=bool)
    half = 0.5 * float(np.median(np.diff(at)))
    for piece in np.split(np.arange(at.size), breaks):
        first, last = at[piece[0]] - half, at[piece[-1]] + half
        inner[piece] = (at[piece] - half >= first + edge_s - 1e-9) & (at[piece] + half <= last - edge_s + 1e-9)
    return inner


@hookimpl
def register_stages() -> list[type[Stage[Any]]]:
    """The map over speed."""
    return [SpeedMapStage]


@hookimpl
def register_metrics() -> list[type[Metric[Any]]]:
    """The largest amplitude of an order."""
    return [OrderPeak]
