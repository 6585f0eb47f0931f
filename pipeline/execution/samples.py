"""One capture's samples, from memory or from the archive: runs without gaps, blocks in SI units, slow channels."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import pairwise
from typing import Any, Protocol

import numpy as np
import numpy.typing as npt

from ..contracts import Aside, Block, CaptureHead, ChannelHead, ChannelSpec, Context, GroupHead, SchemaError, SignalSpec
from ..contracts.labels import is_microphone, microphone_position
from ..contracts.signal import NativeCounts
from ..kernels import clock as clock_kernel
from ..kernels.slow_channels import thinned

BLOCK_VALUES = 1 << 20
"""Values (channels x samples) in one block: 8 MB as float64, so that a long capture stays within bounds."""

STORED_TOGETHER = 65_536
"""Samples of a channel that the archive keeps in one chunk."""

ASIDE_QUANTITIES = ("speed", "tachometer", "temperature")
"""Quantities a stage may ask for beside the signal, held whole."""

ASIDE_RATES_HZ = {"speed": 200.0, "temperature": 20.0}
"""What such a quantity is held at, at the most: written on the signal's own clock it would fill the memory."""

SLOW_HZ = 50.0
"""Up to here a channel on another clock is held whole whatever it measures: an hour is 1.4 MB."""


class SampleArray(Protocol):
    """Native counts on disk or in memory; ``read`` slices the last axis."""

    @property
    def shape(self) -> tuple[int, ...]:
        """Channels and samples."""

    def read(self, start: int, stop: int) -> npt.NDArray[Any]:
        """Samples start..stop of all channels."""


@dataclass(frozen=True, slots=True)
class HeldArray:
    """A whole array in memory behind the same face."""

    values: npt.NDArray[Any]

    @property
    def shape(self) -> tuple[int, ...]:
        """Channels and samples."""
        return self.values.shape

    def read(self, start: int, stop: int) -> npt.NDArray[Any]:
        """Samples start..stop of all channels."""
        return self.values[..., start:stop]


@dataclass(frozen=True, slots=True)
class Run:
    """Samples start..stop of the signal's group, without a gap between them."""

    start: int
    stop: int


class PassSamples(Protocol):
    """What a pass wants of the samples it goes over."""

    @property
    def signal(self) -> SignalSpec:
        """Description of the signal."""

    @property
    def n_samples(self) -> int:
        """Samples per channel."""

    def index_at(self, time_s: float) -> int:
        """Index of the first sample at or after an instant."""

    def blocks(self, run: Run, number: int, counted_from: int | None = None) -> Iterator[Block]:
        """The run's samples, block by block, counted from its start (or another sample)."""


class CaptureSamples:
    """Samples of one capture as the chain wants them.

    ``arrays`` maps ``<group>_counts`` and ``<group>_stamps`` to native arrays. The signal is made of one
    group's channels of the given quantities, the first group's unless another is named; an acceleration channel
    that was given no axis is kept in the archive but takes no part. Raises SchemaError when nothing is left.
    """

    def __init__(
        self, head: CaptureHead, arrays: Mapping[str, SampleArray], quantities: Sequence[str], group: int = 0
    ) -> None:
        self.head = head
        self._arrays = arrays
        self._group = head.groups[group]
        self._chosen = [i for i, c in enumerate(self._group.channels) if _takes_part(c, quantities)]
        if not self._chosen:
            found = ", ".join(f"{c.name} ({c.quantity})" for c in self._group.channels)
            raise SchemaError(f"the recipe works on {', '.join(quantities)}", found=found, todo="give `axes`")
        self._picks = self._chosen != list(range(len(self._group.channels)))
        channels = [self._group.channels[i] for i in self._chosen]
        self._scale = np.array([[c.scale] for c in channels])
        self._offset = np.array([[c.offset] for c in channels])
        self._counts = arrays[f"{self._group.name}_counts"]

    def beside(self, quantities: Sequence[str]) -> CaptureSamples | None:
        """The samples of the channels beside the signal, of the first group that has any, or None."""
        for number, group in enumerate(self.head.groups):
            if group.clock.rate_hz > SLOW_HZ and any(_stands_beside(c, quantities) for c in group.channels):
                return CaptureSamples(_with_places(self.head, number, quantities), self._arrays, quantities, number)
        return None

    @property
    def n_samples(self) -> int:
        """Samples per channel of the signal."""
        return self._group.n_samples

    @cached_property
    def signal(self) -> SignalSpec:
        """Description of the signal."""
        integer = np.issubdtype(np.dtype(self._group.dtype), np.integer)
        channels = tuple(
            ChannelSpec(
                c.name, c.quantity, c.si, c.position, c.axis,
                full_scale=c.full_scale, step=abs(c.scale) if integer else None,
            )
            for c in (self._group.channels[i] for i in self._chosen)
        )  # fmt: skip
        clock = self._group.clock
        return SignalSpec(channels, clock.uniform, clock.rate_hz, self.span_s[1] - self.span_s[0])

    @cached_property
    def _fit(self) -> clock_kernel.ClockFit | None:
        return None if self._group.clock.uniform else self._gauged()

    def _gauged(self) -> clock_kernel.ClockFit:
        ticks = self._arrays[f"{self._group.name}_stamps"].read(0, self._group.n_samples)
        return clock_kernel.clock_fit(ticks, self._group.clock.tick_s or None)

    @cached_property
    def runs(self) -> tuple[Run, ...]:
        """Pieces between gaps, in order."""
        edges = [0, *(() if self._fit is None else (int(i) for i in self._fit.gap_at)), self.n_samples]
        return tuple(Run(a, b) for a, b in pairwise(edges) if b > a)

    @cached_property
    def gaps(self) -> tuple[tuple[float, float], ...]:
        """Last instant before and first instant after each hole of the clock."""
        return tuple((self.time_at(a.stop - 1), self.time_at(b.start)) for a, b in pairwise(self.runs))

    @cached_property
    def span_s(self) -> tuple[float, float]:
        """First instant, and one sample past the last."""
        step = 1.0 / self._group.clock.rate_hz
        return (self.time_at(0), self.time_at(self.n_samples - 1) + step)

    @cached_property
    def _times(self) -> npt.NDArray[np.float64]:
        return self._stamps(self._group)

    def time_at(self, index: int) -> float:
        """Instant of one sample on the capture's own clock, seconds."""
        clock = self._group.clock
        return clock.start_s + index / clock.rate_hz if clock.uniform else float(self._times[index])

    def index_at(self, time_s: float) -> int:
        """Index of the first sample at or after an instant (to a millionth of a sample)."""
        clock = self._group.clock
        if clock.uniform:
            return int(np.clip(np.ceil((time_s - clock.start_s) * clock.rate_hz - 1e-6), 0, self.n_samples))
        return int(np.searchsorted(self._times, time_s - 1e-6 / clock.rate_hz))

    def blocks(self, run: Run, number: int, counted_from: int | None = None) -> Iterator[Block]:
        """The run's samples in SI units, block by block, counted from the run's start (or another sample)."""
        origin = run.start if counted_from is None else counted_from
        size = self._block_samples
        if size >= self.n_samples:
            yield self._share(run, number, origin)
            return
        start = run.start
        while start < run.stop:
            stop = min((start // size + 1) * size, run.stop)
            yield self._block(start, stop, number, start - origin)
            start = stop

    def _share(self, run: Run, number: int, origin: int) -> Block:
        """The run's samples of the one block there is, which all passes share with what was made of it."""
        whole = self._whole
        if (run.start, run.stop, number, origin) == (0, self.n_samples, 0, 0):
            return whole
        return whole.cut(run.start, run.stop).counted_from(origin, number)

    @cached_property
    def _whole(self) -> Block:
        return self._block(0, self.n_samples, 0, 0)

    @property
    def _block_samples(self) -> int:
        size = max(1024, BLOCK_VALUES // len(self._chosen))
        # whole chunks of the archive: none is then decoded twice or copied
        return size // STORED_TOGETHER * STORED_TOGETHER or size

    def _block(self, start: int, stop: int, number: int, first: int) -> Block:
        """Samples start..stop of all channels that take part."""
        counts = self._counts.read(start, stop)
        if self._picks:
            counts = counts[self._chosen]
        clock = self._group.clock
        times = None if clock.uniform else self._times[start:stop]
        where = number, first, self.time_at(start), clock.rate_hz, times
        native = NativeCounts(counts, self._scale, self._offset)
        return Block.of_counts(native, *where) if counts.dtype.kind in "iu" else Block(native.values(), *where)

    def context(self, facts: Mapping[str, Any]) -> Context:
        """All a stage may know beside samples."""
        fit = self._fit
        figures = {} if fit is None else _clock_figures(fit)
        instants = (self.time_at(0), self.time_at(self.n_samples - 1))
        return Context(self.signal, facts, self.asides, self.gaps, instants, figures)

    @cached_property
    def asides(self) -> tuple[Aside, ...]:
        """Slow and side channels, whole."""
        return tuple(
            self._aside(group, i)
            for group in self.head.groups
            for i, channel in enumerate(group.channels)
            if channel.quantity in ASIDE_QUANTITIES or (group is not self._group and _is_slow(group, channel))
        )

    def _aside(self, group: GroupHead, index: int) -> Aside:
        channel = group.channels[index]
        most = ASIDE_RATES_HZ.get(channel.quantity, np.inf)
        n_mean = max(1, int(group.clock.rate_hz / most))
        size = max(1, BLOCK_VALUES // len(group.channels) // n_mean) * n_mean
        array = self._arrays[f"{group.name}_counts"]
        values, times = [np.empty(0)], [np.empty(0)]
        for start in range(0, group.n_samples, size):
            stop = min(start + size, group.n_samples)
            held = array.read(start, stop)[index] * channel.scale + channel.offset
            values.append(thinned(held, n_mean))
            times.append(thinned(self._stamps(group, start, stop), n_mean))
        unit = channel.si or channel.unit
        return Aside(
            channel.name, channel.quantity, unit, np.concatenate(times), np.concatenate(values), channel.position
        )

    def _stamps(self, group: GroupHead, start: int = 0, stop: int | None = None) -> npt.NDArray[np.float64]:
        clock, stop = group.clock, group.n_samples if stop is None else stop
        if clock.uniform:
            return clock.start_s + np.arange(start, stop) / clock.rate_hz
        ticks = self._arrays[f"{group.name}_stamps"].read(start, stop)
        return ticks * clock.tick_s if clock.tick_s else np.asarray(ticks, dtype=np.float64)


def _clock_figures(fit: clock_kernel.ClockFit) -> dict[str, float]:
    return {
        "jitter_s": fit.jitter_s, "n_gaps": float(len(fit.gaps)), "n_repeated": float(fit.n_repeated),
        "rate_std_hz": fit.rate_std_hz,
    }  # fmt: skip


def _is_slow(group: GroupHead, channel: ChannelHead) -> bool:
    """Whether a channel of another clock is a circumstance (a pressure, a current), not a second signal."""
    return channel.quantity != "acceleration" and 0.0 < group.clock.rate_hz <= SLOW_HZ


def _stands_beside(channel: ChannelHead, quantities: Sequence[str]) -> bool:
    """Whether a channel is one of those beside the signal: of pressures only a microphone's, told by its unit."""
    return channel.quantity in quantities and (channel.quantity != "pressure" or is_microphone(channel))


def _with_places(head: CaptureHead, number: int, quantities: Sequence[str]) -> CaptureHead:
    """The head with only the channels beside the signal of one group in reach, each at its position."""
    group = head.groups[number]
    channels = tuple(
        replace(c, position=microphone_position(c, head)) if _stands_beside(c, quantities) else replace(c, quantity="")
        for c in group.channels
    )
    groups = (*head.groups[:number], replace(group, channels=channels), *head.groups[number + 1 :])
    return replace(head, groups=groups)


def _takes_part(channel: ChannelHead, quantities: Sequence[str]) -> bool:
    return channel.quantity in quantities and (channel.quantity != "acceleration" or channel.axis != "")
