"""Stage ``sound``, metrics ``sound_level``, ``order_level``: microphones beside the accelerations, in decibels."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal, Self, cast

import numpy as np
import numpy.typing as npt
from pydantic import Field

from ..pipeline.contracts import (
    Accumulator,
    Block,
    ChainSchema,
    Context,
    Estimator,
    Metric,
    OrderAmplitude,
    OrderSpectra,
    ProductSpec,
    Reading,
    Reason,
    ReasonCode,
    SchemaError,
    SignalSpec,
    Stage,
    StageSettings,
    hookimpl,
)
from ..pipeline.contracts.records import ENERGY
from ..pipeline.contracts.signal import FloatArray
from ..pipeline.kernels.clipping import ClipRule, ExtremeCount, clipped_samples, extreme_count, least_difference
from ..pipeline.kernels.filter_fit import WeightedStream
from ..pipeline.kernels.sound import (
    BAND_HZ,
    REFERENCE_PRESSURE,
    SOUND_WEIGHTINGS,
    TIME_CONSTANT_S,
    SquareSums,
    TimeWeighting,
    level_std,
    settling_s,
    sound_filter,
    sound_level,
    sound_weighting,
)
from ..pipeline.kernels.stuck import EqualRuns, equal_runs

_FORGOTTEN = 32.0
"""Time constants after which an exponential average has forgotten its start, to 1e-13."""


class SoundSettings(StageSettings):
    """How sound is averaged, and when a microphone is not believed."""

    time_weighting: Literal["F", "S"] = Field(
        "F", description="Exponential average of the greatest level: F (0.125 s) follows what is heard, S (1 s) less."
    )
    least_upper_hz: float = Field(
        800.0, gt=0, description="Sound up to here must be in the record: below 800 Hz an A-weighted level would leave "
        "out where the ear hears best; 2 kHz of sampling just reach it."
    )  # fmt: skip
    clipped_share: float = Field(
        0.001, ge=0, description="Share of samples held at the extreme above which a level is not told: as for "
        "accelerations."
    )  # fmt: skip
    clipped_least: int = Field(5, ge=1, description="Fewer clipped samples are left alone: a click, a chance.")
    stuck_s: float = Field(0.5, gt=0, description="One value for longer than this: no sound is that still.")
    static_pa: float = Field(
        100.0, gt=0, description="A mean pressure beyond this and beyond 20 times the sound is no microphone's: they "
        "pass no static pressure. A barometer shows 101 kPa."
    )  # fmt: skip


@dataclass(frozen=True, slots=True)
class SoundSums:
    """Product ``sound_sums``: per channel mean squares (Pa**2) by weighting, the greatest time-weighted square, faults.

    ``mean_square`` and ``mean_square_std`` [shape=(n_channel,) by weighting]; ``greatest`` [shape=(n_channel,)] of the
    A-weighted square; ``faults`` holds a channel's reason not to believe it, or None.
    """

    mean_square: Mapping[str, FloatArray]
    mean_square_std: Mapping[str, FloatArray]
    greatest: FloatArray
    time_weighting: str
    duration_s: float
    upper_hz: float
    filter_error_db: float
    faults: tuple[Reason | None, ...]


class SoundStage(Estimator[SoundSettings]):
    """Weighs the sound pressure at its own rate over the stretches and sums its squares."""

    name = "sound"
    numeric_version = 1
    makes = "sound_sums"
    Settings = SoundSettings
    acts_on = ("pressure",)

    def schema(self, incoming: ChainSchema) -> ChainSchema:
        """Adds ``sound_sums``. Raises SchemaError for channels that are no sound pressure, or an uneven clock."""
        wrong = [c for c in incoming.signal.channels if c.quantity != "pressure" or c.unit != "Pa"]
        if wrong or not incoming.signal.channels:
            raise SchemaError(
                "stage 'sound' listens to sound pressure in Pa",
                found=", ".join(f"channel {c.name!r} with {c.quantity} in {c.unit!r}" for c in wrong) or "no channels",
                allowed="channels of quantity pressure", todo="name the unit of the microphone's column: Pa",
            )  # fmt: skip
        if incoming.signal.rate_hz is not None and not incoming.signal.uniform:
            raise SchemaError(
                "stage 'sound' needs a uniform clock", found="a stamped signal", allowed="a uniform signal",
                todo="put stage 'resample' before it",
            )  # fmt: skip
        return incoming.plus(ProductSpec("sound_sums", ("channel",), "Pa2"))

    def grid(self, signal: SignalSpec, context: Context, products: Mapping[str, Any]) -> tuple[int, int]:  # noqa: ARG002
        """Slices of a second, each with what the filters need to forget that they started there."""
        plan = _Plan.of(signal, self.settings)
        return plan.n_slice + plan.n_warm, plan.n_slice

    def open(self, signal: SignalSpec, context: Context, products: Mapping[str, Any]) -> Accumulator:  # noqa: ARG002
        """Filters designed for this rate. Raises ValueError when the rate lets hardly any sound through."""
        return _Listening(self.settings, _Plan.of(signal, self.settings), len(signal.channels))


@dataclass(frozen=True, slots=True)
class _Plan:
    """Counts of samples: a slice, what a start within a run leaves out, what a run's own start does."""

    rate_hz: float
    n_slice: int
    n_warm: int
    n_settle: int

    @classmethod
    def of(cls, signal: SignalSpec, settings: SoundSettings) -> Self:
        rate = cast("float", signal.rate_hz)
        n_slice = max(1, round(rate))
        forgotten_s = settling_s() + _FORGOTTEN * TIME_CONSTANT_S[settings.time_weighting]
        return cls(rate, n_slice, n_slice * math.ceil(forgotten_s * rate / n_slice), math.ceil(settling_s() * rate))


class _Listening(Accumulator):
    """Filters and sums at work."""

    def __init__(self, settings: SoundSettings, plan: _Plan, n_channel: int) -> None:
        self._settings, self._plan, self._n_channel = settings, plan, n_channel
        self._designs = {name: sound_filter(name, plan.rate_hz) for name in SOUND_WEIGHTINGS}
        self._sums = {name: SquareSums(n_channel, plan.n_slice) for name in SOUND_WEIGHTINGS}
        self._watches = [_ChannelWatch() for _ in range(n_channel)]
        self._greatest = np.zeros(n_channel)
        self._next: tuple[int, int] | None = None
        self._from = 0

    def accumulate(self, block: Block) -> None:
        joined = self._next == (block.run, block.first)
        if not joined:
            self._start(block.first)
        self._next = (block.run, block.stop)
        skip = min(max(self._from - block.first, 0), block.n)
        for name, stream in self._streams.items():
            squares = stream.push(block.values) ** 2
            self._sums[name].push(squares[:, skip:], block.first + skip)
            if name == "A":
                averaged = self._time.push(squares)[:, skip:]
                self._greatest = np.maximum(self._greatest, averaged.max(axis=-1, initial=0.0))
        counts = block.values if block.native is None else block.native.counts
        scale = np.ones(self._n_channel) if block.native is None else block.native.scale[:, 0]
        offset = np.zeros(self._n_channel) if block.native is None else block.native.offset[:, 0]
        for row, watch in enumerate(self._watches):
            watch.look(counts[row, skip:], (float(scale[row]), float(offset[row])), joined=joined)

    def _start(self, first: int) -> None:
        """Filters from rest; what they have not forgotten of that is left out (a part begins within a run)."""
        self._streams = {name: WeightedStream(design, self._n_channel) for name, design in self._designs.items()}
        self._time = TimeWeighting(self._plan.rate_hz, TIME_CONSTANT_S[self._settings.time_weighting], self._n_channel)
        self._from = first + (self._plan.n_warm if first else self._plan.n_settle)

    def merge(self, other: Self) -> None:
        for name, sums in self._sums.items():
            sums.merge(other._sums[name])
        for watch, later in zip(self._watches, other._watches, strict=True):
            watch.take(later)
        self._greatest = np.maximum(self._greatest, other._greatest)
        self._next = other._next

    def finish(self) -> SoundSums:
        n = self._sums["A"].n
        if n == 0:
            raise ValueError(f"no stretch is longer than the {settling_s():.2g} s a weighting filter needs to settle")
        squares: dict[str, FloatArray] = {name: sums.mean_square() for name, sums in self._sums.items()}
        scatter: dict[str, FloatArray] = {name: sums.mean_square_std() for name, sums in self._sums.items()}
        upper_hz = min(design.upper_hz for design in self._designs.values())
        error = max(design.largest_error for design in self._designs.values())
        return SoundSums(
            squares, scatter, self._greatest, self._settings.time_weighting, n / self._plan.rate_hz, upper_hz,
            float(20.0 * np.log10(1.0 + error)),
            tuple(self._fault(watch, float(squares["C"][i]), upper_hz) for i, watch in enumerate(self._watches)),
        )  # fmt: skip

    def _fault(self, watch: _ChannelWatch, square: float, upper_hz: float) -> Reason | None:
        """Why a channel's level is not told."""
        rule = self._settings
        if upper_hz < rule.least_upper_hz:
            detail = f"{self._plan.rate_hz:g} Hz of sampling hold sound up to {upper_hz:.0f} Hz"
            wanted = f"{rule.least_upper_hz:g} Hz are wanted for a weighted level"
            return Reason(ReasonCode.UNRESOLVED, f"{detail}; {wanted}")
        stuck_s = watch.equal.longest / self._plan.rate_hz
        if stuck_s > rule.stuck_s:
            return Reason(ReasonCode.STUCK, f"the microphone shows one value for {stuck_s:.2f} s")
        if abs(watch.mean) > max(rule.static_pa, 20.0 * math.sqrt(square)):
            detail = f"a mean of {watch.mean:.4g} Pa: microphones pass no static pressure"
            return Reason(ReasonCode.UNKNOWN_UNIT, f"{detail}; a wrong unit, or another sensor")
        clipped, longest = watch.clipped()
        if clipped >= rule.clipped_least and clipped > rule.clipped_share * watch.equal.n:
            share = 100.0 * clipped / watch.equal.n
            detail = f"{clipped} of {watch.equal.n} samples ({share:.2f} %) are held at the extreme"
            return Reason(ReasonCode.CLIPPED, f"{detail}, up to {longest} in a row; a level would read low")
        return None


class _ChannelWatch:
    """What is counted of one microphone's own samples over what the level is made of, joinable over any cut."""

    def __init__(self) -> None:
        self.upper, self.lower, self.equal = ExtremeCount(), ExtremeCount(), EqualRuns()
        self._line, self._total = (1.0, 0.0), 0.0

    def look(self, samples: npt.NDArray[Any], line: tuple[float, float], *, joined: bool) -> None:
        """Count the next samples [shape=(n,)], native where there are any; ``line`` is their scale and offset."""
        if not len(samples):
            return
        later = _ChannelWatch()
        later.upper, later.lower = extreme_count(samples, self.upper), extreme_count(samples, self.lower, lower=True)
        later.equal, later._line = equal_runs(samples, self.equal.step), line
        later._total = float(np.sum(samples, dtype=np.float64))
        self.take(later, joined=joined)

    def take(self, later: _ChannelWatch, *, joined: bool = True) -> None:
        """Both stretches as one; parts of a run follow each other without a gap."""
        self._line = later._line if later.equal.n else self._line
        self.upper = self.upper.then(later.upper, joined=joined)
        self.lower = self.lower.then(later.lower, joined=joined)
        self.equal = self.equal.then(later.equal, joined=joined)
        self._total += later._total

    @property
    def mean(self) -> float:
        """Mean pressure, Pa."""
        scale, offset = self._line
        return scale * self._total / max(self.equal.n, 1) + offset

    def clipped(self) -> tuple[int, int]:
        """Samples held at the extremes, and the longest row of them."""
        if not self.upper.codes:
            return 0, 0
        step = min(self.equal.step, least_difference(self.upper, self.lower))
        spread = self.upper.codes[0] + self.lower.codes[0]  # the lower one is kept with its sign turned
        sides = [clipped_samples(s, self.equal.n_equal, step, spread, ClipRule()) for s in (self.upper, self.lower)]
        return sum(n for n, _ in sides), max(longest for _, longest in sides)


class SoundLevelMetric(Metric[StageSettings]):
    """LAeq, LCeq and the greatest time-weighted A level of each position, dB re 20 micropascal."""

    name = "sound_level"
    numeric_version = 1
    acts_on = ("pressure",)
    reading_names = ("laeq", "lceq", "laf_max")
    in_decibels = ("laeq", "lceq", "laf_max")

    def schema(self, incoming: ChainSchema) -> ChainSchema:
        """Needs ``sound_sums``. Raises SchemaError without it."""
        if "sound_sums" not in incoming.products:
            raise SchemaError("stage 'sound_level' wants product 'sound_sums'", todo="put stage 'sound' before it")
        return incoming

    def readings(self, products: Mapping[str, Any], context: Context) -> Sequence[Reading]:
        """Three readings a position; an absent one says why."""
        sums: SoundSums = products["sound_sums"]
        found: list[Reading] = []
        for position in context.signal.positions:
            channels = list(context.signal.at(position))
            fault = _fault_of(sums, channels)
            levels = self._levels(sums, position, channels, context)
            found += [Reading.missing(level, fault) for level in levels] if fault else levels
        return found

    def _levels(self, sums: SoundSums, position: str, channels: list[int], context: Context) -> list[Reading]:
        extra = {
            "microphones": [context.signal.channels[i].name for i in channels], "duration_s": sums.duration_s,
            "band_hz": [BAND_HZ[0], sums.upper_hz], "filter_error_db": sums.filter_error_db,
        }  # fmt: skip
        found = []
        for name, weighting in (("laeq", "A"), ("lceq", "C")):
            square = float(np.mean(sums.mean_square[weighting][channels]))
            std = float(np.sqrt(np.sum(sums.mean_square_std[weighting][channels] ** 2)) / len(channels))
            doubt = float(level_std(square, std))
            found.append(_reading(name, position, f"{weighting}, equivalent", square, doubt, extra))
        greatest = float(np.mean(sums.greatest[channels]))
        return [*found, _reading("laf_max", position, f"A, {sums.time_weighting}, greatest", greatest, None, extra)]


class OrderLevelSettings(StageSettings):
    """From where on an order has a level."""

    least_line_to_floor_db: float = Field(
        10.0, description="Power of an order over the floor in 1 Hz that its level needs: at 10 dB a tenth of the "
        "floor left in it is 0.04 dB."
    )  # fmt: skip


class OrderLevelMetric(Metric[OrderLevelSettings]):
    """Level of each tracked order at each position, rms, not weighted, dB re 20 micropascal."""

    name = "order_level"
    numeric_version = 2
    Settings = OrderLevelSettings
    acts_on = ("pressure",)
    reading_names = ("order_level",)
    in_decibels = ("order_level",)

    def schema(self, incoming: ChainSchema) -> ChainSchema:
        """Needs ``sound_orders``. Raises SchemaError without it."""
        if "sound_orders" not in incoming.products:
            raise SchemaError(
                "stage 'order_level' wants product 'sound_orders'", todo="put stage 'sound_orders' before it"
            )
        return incoming

    def readings(self, products: Mapping[str, Any], context: Context) -> Sequence[Reading]:
        """One reading a position for the firing order, others marked as standing beside it."""
        sums: SoundSums | None = products.get("sound_sums")
        found: list[Reading] = []
        for position in context.signal.positions:
            channels = list(context.signal.at(position))
            fault = None if sums is None else _fault_of(sums, channels)
            # too slow a rate for a weighted level is none for a line that is in the record
            told_of = fault is None or fault.code is ReasonCode.UNRESOLVED
            # a microphone that shows nothing may have failed the orders as well: its own reason says more
            orders: OrderSpectra | None = products["sound_orders"] if told_of else None
            absent = fault if orders is None else orders.absent
            if orders is None or absent is not None:
                like = _reading("order_level", position, "rms", 1.0, None, {})
                found.append(Reading.missing(like, cast("Reason", absent)))
                continue
            told = dict.fromkeys([orders.extra["firing_order"], *orders.extra["tracks"]])
            found += [self._order(orders, order, position, channels) for order in told]
        return found

    def _order(self, orders: OrderSpectra, order: float, position: str, channels: list[int]) -> Reading:
        entries = [item for item in orders.of(order) if item.channel in channels]
        square = float(np.mean([0.5 * item.amplitude**2 for item in entries]))
        std = float(np.sqrt(np.sum([(item.amplitude * item.std) ** 2 for item in entries]))) / len(entries)
        ratio, least = _line_to_floor_db(entries), self.settings.least_line_to_floor_db
        extra: dict[str, Any] = {"beside": order != orders.extra["firing_order"]}
        if ratio >= least:
            weighting_db = _weighting_along(orders, order, channels)
            extra = {
                "a_weighting_db": weighting_db, "a_weighted_level": float(sound_level(square)) + weighting_db,
                "line_to_floor_db": ratio, **extra,
            }  # fmt: skip
        marks = tuple(dict.fromkeys(mark for item in entries for mark in item.marks))
        reading = _reading("order_level", position, "rms", square, float(level_std(square, std)), extra, order=order,
                           frequency_hz=entries[0].frequency_hz, line_name=orders.name, marks=marks)  # fmt: skip
        if ratio >= least:
            return reading
        stands = f"{ratio:.1f} dB over" if square > 0.0 else "nowhere above"
        detail = f"order {order:g} stands {stands} its floor in 1 Hz, {least:g} dB are wanted for a level"
        return Reading.missing(reading, Reason(ReasonCode.AT_FLOOR, detail))


def _weighting_along(orders: OrderSpectra, order: float, channels: list[int]) -> float:
    """A-weighting of an order, dB: of its power wherever its frequency was, which in a run-up is no single one.

    The track leaves out less than a step at its end: 0.2 dB of a run-up of 24 s.
    """
    entries = orders.of(order)
    _, speed_hz, amplitude = orders.extra["tracks"][order]
    own = [i for i, item in enumerate(entries) if item.channel in channels]
    # steps below the floor carry a minus sign
    power = np.sum(np.maximum(amplitude[own], 0.0) ** 2, axis=0)
    hertz = order * speed_hz
    if not np.sum(power) > 0.0:
        power, hertz = np.ones(1), np.array([entries[0].frequency_hz])
    return float(10.0 * np.log10(np.average(np.abs(sound_weighting(hertz, "A")) ** 2, weights=power)))


def _reading(
    name: str, position: str, detector: str, square: float, doubt: float | None, extra: Mapping[str, Any], **more: Any
) -> Reading:
    known = doubt if doubt is not None and math.isfinite(doubt) else None
    told = {**extra, "reference_pa": REFERENCE_PRESSURE}
    return Reading(
        name, position, ENERGY, "dB", detector, float(sound_level(square)), std_uncertainty=known, extra=told, **more
    )


def _fault_of(sums: SoundSums, channels: list[int]) -> Reason | None:
    return next((fault for i in channels if (fault := sums.faults[i]) is not None), None)


def _line_to_floor_db(entries: list[OrderAmplitude]) -> float:
    line, floor = sum(0.5 * e.amplitude**2 for e in entries), sum(e.floor_density for e in entries)
    return float(10.0 * np.log10(max(line, 1e-300) / max(floor, 1e-300)))


@hookimpl
def register_stages() -> list[type[Stage[Any]]]:
    """The weighting filters and sums."""
    return [SoundStage]


@hookimpl
def register_metrics() -> list[type[Metric[Any]]]:
    """Levels of sound."""
    return [SoundLevelMetric, OrderLevelMetric]
