"""Stage ``order_spectrum``: all orders of a run at once, on equal steps of the crankshaft's angle."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Self

import numpy as np
from pydantic import Field, field_validator

from ..pipeline.contracts import (
    Accumulator,
    Block,
    ChainSchema,
    Context,
    Estimator,
    OrderSpectrum,
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
from ..pipeline.kernels.angle_domain import OrderFrames, OrderSpectrumSum
from ..pipeline.kernels.framing import Framer
from ..pipeline.kernels.stopped_orders import revolutions

REVOLUTIONS_PER_CYCLE = 2
"""Of a four-stroke engine; a two-stroke's single revolution goes into it."""


class OrderSpectrumSettings(StageSettings):
    """How finely orders are resolved, and how far up."""

    revolutions: int = Field(
        32, ge=4, le=256, description="Revolutions in a frame, whole engine cycles: orders 1/32 apart, so that half "
        "orders stand on cells and an alternator's 2.7 beside order 2.5 is a line of its own."
    )  # fmt: skip
    highest_order: float = Field(
        12.0, gt=0, description="Twice the firing order of a twelve-cylinder engine; less where the sampling rate does "
        "not reach."
    )  # fmt: skip
    longest_frame_s: float = Field(
        4.0, gt=0, le=30, description="The slowest speed of which a frame is made: 32 revolutions at 480 rpm. What is "
        "slower, an engine dying or cranked, is left out."
    )  # fmt: skip

    @field_validator("revolutions")
    @classmethod
    def _whole_cycles(cls, revolutions: int) -> int:
        if revolutions % REVOLUTIONS_PER_CYCLE:
            msg = f"{revolutions} revolutions are no whole engine cycles: two revolutions are one"
            raise ValueError(msg)
        return revolutions


class OrderSpectrumStage(Estimator[OrderSpectrumSettings]):
    """Averages the spectra of the stretches taken over the crankshaft's angle."""

    name = "order_spectrum"
    makes = "order_spectrum"
    numeric_version = 1
    Settings = OrderSpectrumSettings

    def schema(self, incoming: ChainSchema) -> ChainSchema:
        """Adds ``order_spectrum``. Raises SchemaError without the speed track or on an uneven clock."""
        self.needs_product(incoming, "track")
        self.needs_uniform_clock(incoming)
        unit = incoming.signal.channels[0].unit if incoming.signal.channels else "m s-2"
        return incoming.plus(ProductSpec("order_spectrum", ("channel", "order"), unit))

    def open(self, signal: SignalSpec, context: Context, products: Mapping[str, Any]) -> Accumulator:  # noqa: ARG002
        """Frames from the speeds of the track; without a speed nothing is gathered."""
        track: SpeedTrack = products["track"]
        frames = self._frames(signal, track)
        if frames is None:
            reason = track.reason or Reason(ReasonCode.NO_SPEED, "no speed is known to count revolutions by")
            return _NoSpectrum(signal, self.settings.revolutions, reason)
        return _Averaging(signal, frames, track)

    def grid(self, signal: SignalSpec, context: Context, products: Mapping[str, Any]) -> tuple[int, int]:  # noqa: ARG002
        """Samples of a frame, and from frame to frame."""
        frames = self._frames(signal, products["track"])
        return (1, 1) if frames is None else (frames.length, frames.hop)

    def _frames(self, signal: SignalSpec, track: SpeedTrack) -> OrderFrames | None:
        """The plan for the speeds of this track; None where no speed is known or none is fast enough."""
        if signal.rate_hz is None:
            raise SchemaError("stage 'order_spectrum' needs the sampling rate", found="none", todo="open it on a file")
        least = self.settings.revolutions / self.settings.longest_frame_s
        speeds = track.speed_hz[np.isfinite(track.speed_hz)]
        speeds = speeds[speeds >= least]
        if track.source == "none" or speeds.size < 2:
            return None
        # a little slower than the slowest: a frame there still holds a step of angle more than it needs
        slowest, fastest = max(least, 0.98 * float(speeds.min())), float(speeds.max())
        return OrderFrames(signal.rate_hz, self.settings.revolutions, slowest, fastest, self.settings.highest_order)


class _Averaging(Accumulator):
    """The sums, and the framer that cuts each run."""

    def __init__(self, signal: SignalSpec, frames: OrderFrames, track: SpeedTrack) -> None:
        self._signal, self._frames, self._track = signal, frames, track
        self._framer, self._run = Framer(frames.length, frames.hop), -1
        self._sums = OrderSpectrumSum(frames, len(signal.channels))

    def accumulate(self, block: Block) -> None:
        """Add the frames a block completes."""
        if block.run != self._run or (self._framer.expects or block.first) != block.first:
            self._framer.restart()
            self._run = block.run
        start_s = block.start_s - block.first / block.rate_hz
        for index, frames in self._framer.push(block.values, block.first):
            for number in range(frames.shape[1]):
                first = (index + number) * self._frames.hop
                at = start_s + (first + np.arange(self._frames.length)) / self._frames.rate_hz
                self._sums.add(frames[:, number], at, self._turns(at))

    def _turns(self, time_s: FloatArray) -> FloatArray:
        """Revolutions at instants; unknown (NaN at the ends) where the speed is not known all through them."""
        known = np.isfinite(self._track.speed_hz)
        at = self._track.time_s
        step = float(np.median(np.diff(at))) if at.size > 1 else np.inf
        inside = known[(at >= time_s[0]) & (at <= time_s[-1])]
        away = max(at[known][0] - time_s[0], time_s[-1] - at[known][-1])
        if not inside.all() or away > step:
            return np.full(time_s.size, np.nan)
        return revolutions(time_s, at, self._track.speed_hz)

    def merge(self, other: Self) -> None:
        """Add what another worker gathered over a later part."""
        self._sums.merge(other._sums)
        self._framer, self._run = other._framer, other._run

    def finish(self) -> OrderSpectrum:
        """The spectrum, or that no stretch held as many revolutions at a known speed."""
        sums, orders = self._sums, self._frames.orders
        absent = None
        if not sums.count.any():
            detail = f"no stretch holds {self._frames.revolutions} revolutions at a speed that is known all along"
            absent = Reason(ReasonCode.NO_SPEED, detail)
        return OrderSpectrum(
            self._signal.channels, orders, sums.amplitude(), sums.count, self._frames.revolutions, absent
        )


class _NoSpectrum(Accumulator):
    """Stands in where there is no speed."""

    def __init__(self, signal: SignalSpec, n_revolutions: int, reason: Reason) -> None:
        self._signal, self._revolutions, self._reason = signal, n_revolutions, reason

    def accumulate(self, block: Block) -> None:
        """Nothing is kept."""

    def merge(self, other: Self) -> None:
        """Nothing to take over."""

    def finish(self) -> OrderSpectrum:
        """An empty spectrum with the reason."""
        none, n = np.empty(0), len(self._signal.channels)
        return OrderSpectrum(
            self._signal.channels, none, np.empty((n, 0)), np.empty(0, dtype=np.int64), self._revolutions, self._reason
        )


@hookimpl
def register_stages() -> list[type[Stage[Any]]]:
    """The order spectrum."""
    return [OrderSpectrumStage]
