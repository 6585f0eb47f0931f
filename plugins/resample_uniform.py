"""Transform ``resample``: uneven stamps onto a uniform clock, any clock to a rate asked for, fast ones made slower."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
from pydantic import Field

from ..pipeline.contracts import (
    Block,
    BlockFlow,
    ChainSchema,
    Context,
    SchemaError,
    SignalSpec,
    StageSettings,
    Transform,
    hookimpl,
)
from ..pipeline.contracts.signal import FloatArray
from ..pipeline.kernels.decimation import PASS_BAND, DecimationPlan, Decimator, decimation_plan
from ..pipeline.kernels.resampling import RateConverter, conversion_plan
from ..pipeline.kernels.uneven_resampling import GRID_GROUP, GRID_TAPS, GridResampler


class ResampleSettings(StageSettings):
    """Where to resample to."""

    rate_hz: float | None = Field(
        default=None,
        gt=0,
        description="Rate wanted, Hz. None keeps a uniform clock untouched and puts an uneven one on a grid at "
        "its own measured rate, because a needless resampling only adds error.",
    )
    highest_hz: float | None = Field(
        default=1280.0,
        gt=0,
        description="Where rate_hz is None, accelerations sampled so fast that every second sample would do are made "
        "slower by a whole factor, and stay flat up to here: as far as a record at 3.2 kHz reaches, beyond the twelfth "
        "order at 4,500 rpm (900 Hz). Other quantities (sound, force) keep their rate. None keeps every rate.",
    )


class Resample(Transform[ResampleSettings]):
    """Band-limited: flat within 0.01 dB to 0.8 of the lower Nyquist frequency, aliases 80 dB down."""

    name = "resample"
    numeric_version = 3
    Settings = ResampleSettings
    acts_on = ("*",)

    def schema(self, incoming: ChainSchema) -> ChainSchema:
        """The same channels on a uniform clock."""
        signal = incoming.signal
        rate = self.settings.rate_hz or signal.rate_hz
        if rate is not None:
            rate /= self.factor(signal)
        return ChainSchema(signal.with_rate(rate, uniform=True), incoming.products, incoming.selected)

    def factor(self, signal: SignalSpec) -> int:
        """By how much a uniform signal is made slower; 1 where it keeps its rate."""
        highest, rate = self.settings.highest_hz, signal.rate_hz
        fit = signal.uniform and all(channel.quantity == "acceleration" for channel in signal.channels)
        if self.settings.rate_hz is not None or highest is None or rate is None or not fit:
            return 1
        # a part in a million: a rate known to seven digits must not cost a factor
        return max(1, int(rate * PASS_BAND / (2.0 * highest) * (1.0 + 1e-6)))

    def halo_s(self, signal: SignalSpec) -> float:
        """Reach of the interpolation on either side."""
        rate = signal.rate_hz
        if rate is None or self._untouched(signal):
            return 0.0
        factor = self.factor(signal)
        if factor > 1:
            return (decimation_plan(rate, factor).half + factor) / rate
        grid = 0.0 if signal.uniform else (GRID_TAPS + GRID_GROUP) / rate
        wanted = self.settings.rate_hz
        return grid + (conversion_plan(rate, wanted).half_s + 1.0 / rate if wanted is not None else 0.0)

    def open(self, signal: SignalSpec, context: Context) -> BlockFlow:  # noqa: ARG002
        """Start one pass. Raises SchemaError when the clock's rate is not known."""
        if self._untouched(signal):
            return _Untouched()
        if signal.rate_hz is None:
            raise SchemaError(
                "stage resample: field rate_hz of the signal", found="none", allowed="the measured rate",
                todo="give sample_rate_hz in the captures table",
            )  # fmt: skip
        if self.factor(signal) > 1:
            return _Slower(decimation_plan(signal.rate_hz, self.factor(signal)))
        wanted = self.settings.rate_hz
        converter = None if wanted in (None, signal.rate_hz) else RateConverter(conversion_plan(signal.rate_hz, wanted))
        return _Resampling(None if signal.uniform else GridResampler(signal.rate_hz), converter, signal.rate_hz)

    def divisible(self, signal: SignalSpec) -> bool:
        """Uniform clocks are; the grid for uneven stamps starts at a run's first one."""
        return signal.uniform

    def _untouched(self, signal: SignalSpec) -> bool:
        return signal.uniform and self.settings.rate_hz in (None, signal.rate_hz) and self.factor(signal) == 1


class _Untouched(BlockFlow):
    """Hands every block on as it is."""

    def push(self, block: Block) -> Iterable[Block]:
        """The same block."""
        return (block,)

    def flush(self) -> Iterable[Block]:
        """Nothing is held back."""
        return ()


class _Slower(BlockFlow):
    """Every so-manyth sample of a uniform clock, band-limited; counts are filtered as counts and scaled after it."""

    def __init__(self, plan: DecimationPlan) -> None:
        self._plan, self._decimator = plan, Decimator(plan)
        self._run: int | None = None
        self._origin_s = 0.0
        self._next = 0
        self._line: tuple[FloatArray | float, FloatArray | float] = 1.0, 0.0

    def push(self, block: Block) -> Iterable[Block]:
        """Outputs that this block completes; what is left of an earlier run comes first."""
        left = list(self.flush()) if self._run not in (None, block.run) else []
        if self._run is None:
            self._run, self._next = block.run, self._decimator.restart(block.first)
            self._origin_s = block.start_s - block.first / self._plan.rate_hz
        native = block.native
        if native is None:
            made = self._decimator.push(block.values)
        else:
            self._line = native.scale, native.offset
            made = self._decimator.push(native.counts)
        return [*left, *self._hand_on(made)]

    def flush(self) -> Iterable[Block]:
        """The rest of the run."""
        made = [] if self._run is None else list(self._hand_on(self._decimator.flush()))
        self._run = None
        return made

    def _hand_on(self, made: FloatArray) -> Iterable[Block]:
        if made.shape[-1] == 0:
            return
        scale, offset = self._line
        first, self._next = self._next, self._next + made.shape[-1]
        assert self._run is not None
        start_s = self._origin_s + first * self._plan.factor / self._plan.rate_hz
        yield Block(made * scale + offset, self._run, first, start_s, self._plan.out_rate_hz)


class _Resampling(BlockFlow):
    """Stamps to grid, then grid to rate; either may be absent."""

    def __init__(self, grid: GridResampler | None, converter: RateConverter | None, rate_hz: float) -> None:
        self._grid, self._converter = grid, converter
        self._grid_hz = rate_hz
        self._rate_hz = converter.plan.rate_out if converter is not None else rate_hz
        self._run: int | None = None
        self._origin_s = 0.0
        self._made = 0

    def push(self, block: Block) -> Iterable[Block]:
        """Outputs that this block completes; what is left of an earlier run comes first."""
        left = list(self.flush()) if self._run not in (None, block.run) else []
        if self._run is None:
            self._begin(block)
        values: FloatArray = block.values
        if self._grid is not None:
            values = self._grid.push(values, _stamps(block))
        if self._converter is not None:
            values = self._converter.push(values)
        return [*left, *self._hand_on(values)]

    def flush(self) -> Iterable[Block]:
        """The rest of the run."""
        if self._run is None:
            return []
        values = self._grid.flush() if self._grid is not None else None
        if self._converter is not None:
            parts = [] if values is None else [self._converter.push(values)]
            values = np.concatenate([*parts, self._converter.flush()], axis=-1)
        made = [] if values is None else list(self._hand_on(values))
        self._run = None
        return made

    def _begin(self, block: Block) -> None:
        self._run, self._made = block.run, 0
        start = block.start_s if block.times_s is None else float(block.times_s[0])
        first = 0
        if self._grid is None and self._converter is not None:
            first = self._converter.restart(block.first)
        self._origin_s = start - (block.first / self._grid_hz if self._grid is None else 0.0)
        self._made = first

    def _hand_on(self, values: FloatArray) -> Iterable[Block]:
        n = values.shape[-1]
        if n == 0:
            return
        first, self._made = self._made, self._made + n
        assert self._run is not None
        yield Block(values, self._run, first, self._origin_s + first / self._rate_hz, self._rate_hz)


def _stamps(block: Block) -> FloatArray:
    if block.times_s is not None:
        return block.times_s
    return np.asarray(block.start_s + np.arange(block.n) / block.rate_hz, dtype=np.float64)


@hookimpl
def register_stages() -> list[type[Resample]]:
    """The stage of this module."""
    return [Resample]
