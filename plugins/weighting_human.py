"""Stages ``weighted`` and ``exposure``: human weighting after ISO 2631-1, rms, total, MTVV, VDV."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal, cast

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
    ProductSpec,
    Reading,
    SchemaError,
    SignalSpec,
    Stage,
    StageSettings,
    hookimpl,
    judged_by_floor,
    sensor_floor,
)
from ..pipeline.contracts.signal import FloatArray
from ..pipeline.kernels.filter_fit import FittedFilter, WeightedStream
from ..pipeline.kernels.weighting import ExposureGauge, Weighting, noise_bandwidth_hz, weighting_filter

CAUTION = (
    "Weighted with ISO 2631-1 at the seat base (seat guide), not at the seat surface; the seat's own transfer is not "
    "included. For comparing two states of one vehicle. Not a medical or legal assessment, and not a workplace "
    "exposure assessment."
)
"""Goes with every weighted value."""

INDIVISIBLE = 1 << 62
"""A recursive filter carries its state through the whole run, so a run goes to one worker."""

AxisWeighting = Literal["Wk", "Wd", "Wc", "Wf"]


class WeightedSettings(StageSettings):
    """Which weighting each axis gets, with its factor."""

    x: AxisWeighting = Field("Wd", description="Weighting of x: Wd, comfort at the seat surface.")
    y: AxisWeighting = Field("Wd", description="Weighting of y: Wd, comfort at the seat surface.")
    z: AxisWeighting = Field("Wk", description="Weighting of z: Wk, comfort at the seat surface.")
    settle_s: float = Field(
        2.5, ge=0, description="Left out after each start: one period of the 0.4 Hz high pass, which rings from the "
        "offset that is left.",
    )  # fmt: skip


@dataclass(frozen=True, slots=True)
class WeightedExposure:
    """Product ``exposure_sums``: per channel rms, peak, MTVV, VDV (m s-2 and m/s^1.75) and how well rms is known."""

    rms: FloatArray
    rms_std: FloatArray
    peak: FloatArray
    mtvv: FloatArray
    vdv: FloatArray
    duration_s: float
    largest_filter_error: float
    upper_hz: float
    noise_bandwidth_hz: FloatArray
    """Per channel: how much white noise the weighting lets through."""


class WeightedStage(Estimator[WeightedSettings]):
    """Filters each axis with its weighting over the stretches and sums squares and fourth powers."""

    name = "weighted"
    numeric_version = 1
    makes = "exposure_sums"
    Settings = WeightedSettings

    def schema(self, incoming: ChainSchema) -> ChainSchema:
        """Adds ``exposure_sums``. Raises SchemaError without a uniform clock or without axes x, y, z."""
        axes = {channel.axis for channel in incoming.signal.channels}
        if not axes & set("xyz"):
            raise SchemaError("stage 'weighted' wants channels with axes x, y, z", found=", ".join(sorted(axes)))
        rate = incoming.signal.rate_hz
        if rate is not None and rate < 150.0:
            raise SchemaError(
                "stage 'weighted' wants at least 150 Hz", found=f"{rate:g} Hz", todo="record at a higher rate"
            )
        return incoming.plus(ProductSpec("exposure_sums", ("channel",), "m s-2"))

    def grid(self, signal: SignalSpec, context: Context, products: Mapping[str, Any]) -> tuple[int, int]:  # noqa: ARG002
        """One frame a run."""
        return INDIVISIBLE, INDIVISIBLE

    def open(self, signal: SignalSpec, context: Context, products: Mapping[str, Any]) -> Accumulator:  # noqa: ARG002
        """Filters designed for this rate; the offset seen by the screen is taken off first."""
        rate = cast("float", signal.rate_hz)
        weightings = [self._weighting(channel.axis) for channel in signal.channels]
        screen = products.get("screen")
        offset = np.zeros(len(weightings)) if screen is None else screen.mean
        return _Weighing(rate, weightings, offset, round(self.settings.settle_s * rate))

    def _weighting(self, axis: str) -> Weighting:
        return cast("Weighting", getattr(self.settings, axis, self.settings.z))


@dataclass
class _Weighing(Accumulator):
    """Filters and sums at work; seconds are summed one by one, for the scatter of the mean square."""

    rate_hz: float
    weightings: list[Weighting]
    offset: FloatArray
    n_settle: int

    def __post_init__(self) -> None:
        self._designs: dict[Weighting, FittedFilter] = {
            w: weighting_filter(w, self.rate_hz) for w in dict.fromkeys(self.weightings)
        }
        self._streams: list[WeightedStream] = []
        self._gauge = ExposureGauge(self.rate_hz, len(self.weightings))
        self._seconds = ExposureSeconds(len(self.weightings), max(1, round(self.rate_hz)))
        self._seen = 0

    def accumulate(self, block: Block) -> None:
        if block.first == 0:
            self._streams = [WeightedStream(self._designs[w], 1) for w in self.weightings]
            self._gauge.end_run()
            self._seconds.end_run()
            self._seen = 0
        values = block.values - self.offset[:, None]
        weighted = np.concatenate([s.push(row[None]) for s, row in zip(self._streams, values, strict=True)])
        settled = weighted[:, max(0, self.n_settle - self._seen) :]
        self._seen += block.n
        if settled.shape[-1]:
            self._gauge.push(settled)
            self._seconds.push(settled**2)

    def merge(self, other: Accumulator) -> None:
        assert isinstance(other, _Weighing)
        self._gauge.merge(other._gauge)  # noqa: SLF001  the same class
        self._seconds.merge(other._seconds)  # noqa: SLF001

    def finish(self) -> WeightedExposure:
        if self._gauge.n == 0:
            raise ValueError(f"nothing is left after {self.n_settle / self.rate_hz:g} s of settling in each stretch")
        designs = self._designs.values()
        return WeightedExposure(
            self._gauge.rms(), self._seconds.rms_std(self._gauge.rms()), self._gauge.peak, self._gauge.mtvv(),
            self._gauge.vdv(), self._gauge.duration_s, max(d.largest_error for d in designs),
            min(d.upper_hz for d in designs), np.array([noise_bandwidth_hz(w, self.rate_hz) for w in self.weightings]),
        )  # fmt: skip


@dataclass
class ExposureSeconds:
    """Mean squares of whole seconds: count, sum and sum of squares per channel."""

    n_channel: int
    n_second: int
    n: int = 0

    def __post_init__(self) -> None:
        self.total, self.squares = np.zeros(self.n_channel), np.zeros(self.n_channel)
        self.end_run()

    def end_run(self) -> None:
        """A second that the run did not finish is left out."""
        self._part, self._filled = np.zeros(self.n_channel), 0

    def push(self, squares: FloatArray) -> None:
        """Take squares [shape=(n_channel, n)]."""
        at = 0
        while at < squares.shape[-1]:
            take = min(self.n_second - self._filled, squares.shape[-1] - at)
            self._part = self._part + squares[:, at : at + take].sum(axis=-1)
            self._filled += take
            at += take
            if self._filled == self.n_second:
                mean = self._part / self.n_second
                self.n, self.total, self.squares = self.n + 1, self.total + mean, self.squares + mean**2
                self.end_run()

    def merge(self, other: ExposureSeconds) -> None:
        """Take over another run's seconds."""
        self.n, self.total, self.squares = self.n + other.n, self.total + other.total, self.squares + other.squares

    def rms_std(self, rms: FloatArray) -> FloatArray:
        """Standard uncertainty of the rms, from the scatter of the seconds; NaN below 2 seconds."""
        if self.n < 2:
            return np.full(self.n_channel, np.nan)
        variance = np.maximum(self.squares / self.n - (self.total / self.n) ** 2, 0.0) * self.n / (self.n - 1)
        return np.sqrt(variance / self.n) / (2.0 * np.maximum(rms, 1e-300))


class ExposureSettings(StageSettings):
    """Factors of the axes in the total, and when the extra measures are told."""

    kx: float = Field(1.0, gt=0, description="Factor of x in the total: 1 for comfort at the seat surface.")
    ky: float = Field(1.0, gt=0, description="Factor of y in the total: 1 for comfort at the seat surface.")
    kz: float = Field(1.0, gt=0, description="Factor of z in the total: 1 for comfort at the seat surface.")
    crest_limit: float = Field(9.0, gt=1, description="Crest factor up to which the basic method is enough (6.2.1).")
    mtvv_ratio: float = Field(1.5, gt=1, description="MTVV over rms from which MTVV is to be reported (6.3.3).")
    vdv_ratio: float = Field(1.75, gt=1, description="VDV over rms T^1/4 from which VDV is to be reported (6.3.3).")
    least_times_sensor_floor: float = Field(
        3.0, ge=0, description="A value must be this many times what the sensor's own noise makes of it, where the "
        "table states `noise_density`: at 3 times, noise adds 5 % to an rms, and it adds to both parts alike."
    )  # fmt: skip


class ExposureMetric(Metric[ExposureSettings]):
    """Weighted rms, MTVV and VDV per position: total with factors, rss and mean of axes."""

    name = "exposure"
    numeric_version = 1
    Settings = ExposureSettings
    uses_facts = (NOISE_FACT,)
    reading_names = ("weighted_rms", "mtvv", "vdv")

    def schema(self, incoming: ChainSchema) -> ChainSchema:
        """Needs ``exposure_sums``. Raises SchemaError without it."""
        if "exposure_sums" not in incoming.products:
            raise SchemaError("stage 'exposure' wants product 'exposure_sums'", todo="put stage 'weighted' before it")
        return incoming

    def readings(self, products: Mapping[str, Any], context: Context) -> Sequence[Reading]:
        """Three readings a position and combination; crest factor and the rule of 6.3.3 stand in ``extra``."""
        sums: WeightedExposure = products["exposure_sums"]
        found: list[Reading] = []
        for position in context.signal.positions:
            chosen = list(context.signal.at(position))
            factors = np.array([self._factor(context.signal.channels[i].axis) for i in chosen])
            for name, values, unit, detector in (
                ("weighted_rms", sums.rms, "m/s2", "rms"), ("mtvv", sums.mtvv, "m/s2", "running rms, 1 s"),
                ("vdv", sums.vdv, "m/s^1.75", "fourth-power dose"),
            ):  # fmt: skip
                extra = self._extra(sums, chosen, context)
                std = sums.rms_std[chosen] if name == "weighted_rms" else None
                made = _combined(name, position, values[chosen], std, factors, (unit, detector), extra)
                found += [self._above_sensor(reading, sums, chosen, factors, context) for reading in made]
        return found

    def _above_sensor(
        self, reading: Reading, sums: WeightedExposure, chosen: list[int], factors: FloatArray, context: Context
    ) -> Reading:
        """The reading, or its absence where the sensor's own noise, weighted alike, comes near it."""
        width = sums.noise_bandwidth_hz[chosen] * (factors**2 if reading.combination == "weighted" else 1.0)
        floor = sensor_floor(context.facts, [context.signal.channels[i] for i in chosen], width, reading)
        if floor is not None and reading.reading == "vdv":
            # the fourth power of a normal noise has a mean of 3 sigma^4
            floor = replace(floor, value=floor.value * (3.0 * sums.duration_s) ** 0.25, unit=reading.unit)
        return judged_by_floor(reading, floor, self.settings.least_times_sensor_floor)

    def _factor(self, axis: str) -> float:
        return float(getattr(self.settings, f"k{axis}", 1.0))

    def _extra(self, sums: WeightedExposure, chosen: list[int], context: Context) -> dict[str, Any]:
        crest = sums.peak[chosen] / np.maximum(sums.rms[chosen], 1e-300)
        quarter = sums.duration_s**0.25
        mtvv = np.max(sums.mtvv[chosen] / np.maximum(sums.rms[chosen], 1e-300))
        vdv = np.max(sums.vdv[chosen] / np.maximum(sums.rms[chosen] * quarter, 1e-300))
        rule = self.settings
        return {
            "caution": CAUTION,
            "axes": [context.signal.channels[i].axis for i in chosen],
            "per_axis_rms": [float(v) for v in sums.rms[chosen]],
            "crest_factor": float(np.max(crest)),
            "basic_method_is_enough": bool(np.max(crest) <= rule.crest_limit),
            "report_extra_measures": bool(mtvv > rule.mtvv_ratio or vdv > rule.vdv_ratio),
            "duration_s": sums.duration_s,
            "filter_error": sums.largest_filter_error,
            "upper_hz": sums.upper_hz,
        }


def _combined(
    name: str, position: str, values: FloatArray, std: FloatArray | None, factors: FloatArray, kind: tuple[str, str],
    extra: Mapping[str, Any],
) -> list[Reading]:  # fmt: skip
    """Total with factors (``weighted``), root sum of squares, and mean over axes."""
    one = np.ones_like(values)
    made = []
    for combination, weights in (("rss", one), ("weighted", factors)):
        total = float(np.sqrt(np.sum((weights * values) ** 2)))
        doubt = None if std is None else float(np.sqrt(np.sum((weights**2 * values * std) ** 2)) / max(total, 1e-300))
        made.append((combination, total, doubt))
    mean_doubt = None if std is None else float(np.sqrt(np.sum(std**2)) / len(values))
    made.append(("mean", float(np.mean(values)), mean_doubt))
    return [
        Reading(
            name, position, combination, kind[0], kind[1], value,
            std_uncertainty=doubt if doubt is not None and np.isfinite(doubt) else None, extra=extra,
        )
        for combination, value, doubt in made
    ]  # fmt: skip


@hookimpl
def register_stages() -> list[type[Stage[Any]]]:
    """The weighting filters and sums."""
    return [WeightedStage]


@hookimpl
def register_metrics() -> list[type[Metric[Any]]]:
    """Weighted rms, MTVV, VDV."""
    return [ExposureMetric]
