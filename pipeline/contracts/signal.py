"""The dataset schema: what flows between stages, described without data, and the blocks that carry it.

Between stages of one capture plain blocks flow (a labelled array costs about a millisecond to build, the
whole signal work of a capture about eight); labelled xarray datasets with the same names, dims and units
stand at the doors: archive, Python interface, plugin tests.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any, Literal, Self, cast

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
ComplexArray = npt.NDArray[np.complex128]


@dataclass(frozen=True, slots=True)
class ChannelSpec:
    """One channel of the signal: its native name, where it sits and what it measures (SI unit)."""

    name: str
    quantity: str
    unit: str
    position: str = ""
    axis: str = ""
    full_scale: float | None = None
    step: float | None = None
    """Smallest difference the native counts can show, in the SI unit; None when stored as floats."""
    upright: bool = False
    """Whether a stage has turned this axis so that z is up, whatever way the sensor sat."""


@dataclass(frozen=True, slots=True)
class SignalSpec:
    """The signal a stage receives or hands on: channels on one clock.

    ``rate_hz`` is the exact rate of a uniform clock, the measured mean rate otherwise, and None while no
    file has been read. ``duration_s`` likewise.
    """

    channels: tuple[ChannelSpec, ...]
    uniform: bool
    rate_hz: float | None
    duration_s: float | None = None

    @property
    def positions(self) -> tuple[str, ...]:
        """Positions in order of first appearance."""
        return tuple(dict.fromkeys(channel.position for channel in self.channels))

    def at(self, position: str) -> tuple[int, ...]:
        """Indices of the channels at one position."""
        return tuple(i for i, channel in enumerate(self.channels) if channel.position == position)

    def with_rate(self, rate_hz: float | None, *, uniform: bool) -> SignalSpec:
        """The same channels on another clock, or this very signal where the clock is its own."""
        if (rate_hz, uniform) == (self.rate_hz, self.uniform):
            return self
        return SignalSpec(self.channels, uniform, rate_hz, self.duration_s)


@dataclass(frozen=True, slots=True)
class ProductSpec:
    """A result of a stage, described without data: its dims and the SI unit of its main variable."""

    name: str
    dims: tuple[str, ...]
    unit: str


@dataclass(frozen=True, slots=True)
class ChainSchema:
    """What is available at one point of the chain: the signal and the products made so far."""

    signal: SignalSpec
    products: Mapping[str, ProductSpec] = field(default_factory=dict)
    selected: bool = False
    """True after the stage that decides the stretches: from there on samples come from stretches only."""

    def plus(self, *made: ProductSpec) -> ChainSchema:
        """The schema with further products."""
        return ChainSchema(self.signal, {**self.products, **{spec.name: spec for spec in made}}, self.selected)


@dataclass(frozen=True, slots=True)
class NativeCounts:
    """Integer counts as they were written [shape=(n_channel, n)]; the values are ``counts * scale + offset``
    [shape=(n_channel, 1) each].
    """

    counts: npt.NDArray[np.integer[Any]]
    scale: FloatArray
    offset: FloatArray

    def values(self) -> FloatArray:
        """In SI units, read-only: stages and passes share them."""
        # converted first: multiplied as integers they go through a buffer
        made: FloatArray = self.counts.astype(np.float64)
        made *= self.scale
        if self.offset.any():
            made += self.offset
        made.setflags(write=False)
        return made


@dataclass(frozen=True, slots=True)
class Block:
    """Consecutive samples of one run (a piece of the capture without a gap).

    ``values`` [shape=(n_channel, n), SI units, float64]; ``first`` is the index of its first sample in the
    run's own count; ``start_s`` the time of that sample; ``times_s`` [shape=(n,)] only where the clock is not
    uniform. ``run`` numbers the runs of a pass. ``native`` holds the same samples as counts, where they were stored
    as integers and no transform has touched them: a screen looks at a quarter of the bytes.
    """

    values: FloatArray
    run: int
    first: int
    start_s: float
    rate_hz: float
    times_s: FloatArray | None = None
    native: NativeCounts | None = None

    @classmethod
    def of_counts(
        cls, native: NativeCounts, run: int, first: int, start_s: float, rate_hz: float, times_s: FloatArray | None,
        values: FloatArray | None = None,
    ) -> Self:  # fmt: skip
        """A block whose values are made when they are first asked for, unless they are known: no stage of a long
        capture asks.
        """
        block = cls.__new__(cls)
        fields = {"run": run, "first": first, "start_s": start_s, "rate_hz": rate_hz, "times_s": times_s}
        for name, value in {**fields, "native": native}.items():
            object.__setattr__(block, name, value)
        if values is not None:
            object.__setattr__(block, "values", values)
        return block

    @property
    def _made(self) -> FloatArray | None:
        """The values, where they are there."""
        try:
            return cast("FloatArray", object.__getattribute__(self, "values"))
        except AttributeError:
            return None

    if not TYPE_CHECKING:

        def __getattr__(self, name: str) -> Any:
            """Called for what is not set: the values, before anybody asked for them."""
            if name != "values" or self.native is None:
                raise AttributeError(name)
            object.__setattr__(self, "values", self.native.values())
            return self.values

    @property
    def n(self) -> int:
        """Samples per channel."""
        return int((self.values if self.native is None else self.native.counts).shape[-1])

    def values_of(self, channels: Sequence[int]) -> FloatArray:
        """Values of some channels [shape=(len(channels), n)], to be looked at only: neighbours are not copied."""
        if not channels:
            return self.values[:0]
        first, stop = channels[0], channels[-1] + 1
        if list(channels) == list(range(first, stop)):
            return self.values[first:stop]
        return self.values[list(channels)]

    def cut(self, first: int, stop: int) -> Self:
        """Samples ``first ... stop - 1`` of this block as a block; they keep their counts and instants."""
        times = None if self.times_s is None else self.times_s[first:stop]
        start_s = self.start_s + first / self.rate_hz if times is None else float(times[0])
        if self.native is None:
            return replace(
                self, values=self.values[:, first:stop], first=self.first + first, start_s=start_s, times_s=times
            )
        native = NativeCounts(self.native.counts[:, first:stop], self.native.scale, self.native.offset)
        made = None if self._made is None else self._made[:, first:stop]
        return self.of_counts(native, self.run, self.first + first, start_s, self.rate_hz, times, made)

    def without_counts(self) -> Block:
        """The same block as values only."""
        if self.native is None:
            return self
        return Block(self.values, self.run, self.first, self.start_s, self.rate_hz, self.times_s)

    def counted_from(self, origin: int, run: int | None = None) -> Self:
        """The same samples, counted from another one, in the same run or another."""
        number, first = self.run if run is None else run, self.first - origin
        if self.native is None:
            return replace(self, first=first, run=number)
        return self.of_counts(self.native, number, first, self.start_s, self.rate_hz, self.times_s, self._made)

    @property
    def stop(self) -> int:
        """Index after the last sample."""
        return self.first + self.n


@dataclass(frozen=True, slots=True)
class Aside:
    """A channel on a clock of its own (logged rpm, mount temperature, tachometer), held whole.

    ``times_s`` and ``values`` [shape=(n,)], seconds of the capture's clock and SI units.
    """

    name: str
    quantity: str
    unit: str
    times_s: FloatArray
    values: FloatArray
    position: str = ""


@dataclass(frozen=True, slots=True)
class Context:
    """All a stage may know beside samples and products.

    ``facts`` holds the row's facts that the stage declared in ``uses_facts`` (None where the row is silent);
    ``asides`` the slow channels; ``gaps`` pairs of seconds where the clock has holes; ``span_s`` first and
    last instant of the capture; ``clock`` figures of the clock fit (``jitter_s``, ``n_gaps`` ...); ``gravity`` the
    static vector (x, y, z, m s-2) of each position that has one, known to stages after the choice of stretches.
    """

    signal: SignalSpec
    facts: Mapping[str, Any] = field(default_factory=dict)
    asides: tuple[Aside, ...] = ()
    gaps: tuple[tuple[float, float], ...] = ()
    span_s: tuple[float, float] = (0.0, 0.0)
    clock: Mapping[str, float] = field(default_factory=dict)
    gravity: Mapping[str, tuple[float, float, float]] = field(default_factory=dict)


ClockState = Literal["uniform", "stamped"]
