"""Stage ``screen``: what the native samples show, over the whole capture, in one pass."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any, Self

import numpy as np
import numpy.typing as npt
from pydantic import Field

from ..pipeline.contracts import (
    Accumulator,
    Block,
    ChainSchema,
    Context,
    Estimator,
    ProductSpec,
    SchemaError,
    ScreenFacts,
    SignalSpec,
    Stage,
    StageSettings,
    hookimpl,
)
from ..pipeline.kernels.clipping import (
    SHORTEST_RUN,
    ClipRule,
    ExtremeCount,
    at_full_scale,
    clipped_samples,
    extreme_count,
    least_difference,
)
from ..pipeline.kernels.level_strip import (
    BandPlan,
    Cells,
    LevelStrip,
    band_plan,
    cell_samples,
    framed,
    pooled_mean_std,
    usual_densities,
)
from ..pipeline.kernels.run_lengths import RunTally, run_tally
from ..pipeline.kernels.stuck import EqualRuns, equal_runs

AnyArray = npt.NDArray[Any]


class ScreenSettings(StageSettings):
    """How finely the level strip looks, and when equal values are clipping."""

    cell_s: float = Field(
        default=0.125,
        gt=0,
        description="Length of a cell of the level strip: short against a slam (1 s), and two cells together "
        "still resolve 4 Hz, enough to tell a firing line from what lies beside it.",
    )
    most_cells: int = Field(
        default=32_000,
        ge=100,
        description="Cells in the longest strip of three channels (fewer where there are more channels): a record over "
        "an hour gets longer cells, so memory is bounded.",
    )
    pile_up: float = Field(
        default=5.0,
        gt=1,
        description="Samples on the extreme code per sample on any of the three codes below it from which a "
        "coarse channel counts as clipped; the crest of a smooth quantised signal reaches 2.5.",
    )
    fewest_codes: float = Field(
        default=16.0,
        ge=2,
        description="A channel spanning fewer converter codes is quiet: no full scale is so few codes wide.",
    )
    fine_share: float = Field(
        default=0.01,
        ge=0,
        le=1,
        description="Share of samples equal to the one before (outside the runs at the extreme) up to which "
        "the converter is fine enough that three equal values on the extreme are no chance.",
    )


@dataclass(frozen=True)
class _Line:
    """What takes a channel's samples, as they are looked at, to SI units: ``scale * sample + offset``."""

    scale: float = 1.0
    offset: float = 0.0

    def si(self, sample: float) -> float:
        return sample * self.scale + self.offset


@dataclass
class _ChannelTally:
    """What is counted of one channel, in native counts where there are any, joinable over any cut."""

    line: _Line = field(default_factory=_Line)
    upper: ExtremeCount = field(default_factory=ExtremeCount)
    lower: ExtremeCount = field(default_factory=ExtremeCount)
    equal: EqualRuns = field(default_factory=EqualRuns)
    full: RunTally = field(default_factory=lambda: RunTally(SHORTEST_RUN))

    def push(self, samples: AnyArray, full_scale: float | None, *, joined: bool) -> None:
        later = _ChannelTally(
            self.line, extreme_count(samples, self.upper), extreme_count(samples, self.lower, lower=True),
            equal_runs(samples, self.equal.step, self.equal.pairs.longest),
        )  # fmt: skip
        if full_scale is not None:
            later.full = later.at_full_scale(samples, full_scale)
        self.take(later, joined=joined)

    def at_full_scale(self, samples: AnyArray, full_scale: float) -> RunTally:
        """Runs at the stated full scale in what this tally was made of."""
        ends = np.array([self.greatest, self.least])
        if not at_full_scale(ends, full_scale).any():
            return RunTally(SHORTEST_RUN, len(samples))
        values = samples * self.line.scale + self.line.offset
        return run_tally(at_full_scale(values, full_scale), SHORTEST_RUN)

    def take(self, later: _ChannelTally, *, joined: bool) -> None:
        self.line = later.line if later.equal.n else self.line
        self.upper = self.upper.then(later.upper, joined=joined)
        self.lower = self.lower.then(later.lower, joined=joined)
        self.equal = self.equal.then(later.equal, joined=joined)
        self.full = self.full.then(later.full, joined=joined)

    @property
    def _ends(self) -> tuple[float, float]:
        """Values of the highest and the lowest code."""
        upper = self.upper.codes[0] if self.upper.codes else float("nan")
        lower = -self.lower.codes[0] if self.lower.codes else float("nan")
        return self.line.si(upper), self.line.si(lower)

    @property
    def greatest(self) -> float:
        return max(self._ends)

    @property
    def least(self) -> float:
        return min(self._ends)

    @property
    def at_greatest(self) -> RunTally:
        """Runs on the greatest value; a negative scale turns the codes over."""
        return (self.upper if self.line.scale > 0 else self.lower).runs

    @property
    def at_least(self) -> RunTally:
        """Runs on the least value."""
        return (self.lower if self.line.scale > 0 else self.upper).runs

    @property
    def step(self) -> float:
        """Least difference of neighbours in time or of the outermost values: the converter's code, if any."""
        return abs(self.line.scale) * min(self.equal.step, least_difference(self.upper, self.lower))

    def clipped(self, rule: ClipRule) -> tuple[int, int]:
        """(samples in clipped runs, longest of them) over both sides, or at the stated full scale if more."""
        spread = self.greatest - self.least
        sides = [
            clipped_samples(side, self.equal.n_equal, self.step, spread, rule)
            for side in (self.upper, self.lower)
        ]
        counted = sum(count for count, _ in sides), max(longest for _, longest in sides)
        stated = self.full.total, self.full.greatest if self.full.total else 0
        return max(counted, stated)


class _ScreenAccumulator(Accumulator):
    def __init__(self, settings: ScreenSettings, signal: SignalSpec, plan: BandPlan) -> None:
        self._settings, self._signal, self._plan = settings, signal, plan
        self._channels = [_ChannelTally() for _ in signal.channels]
        self._strip = LevelStrip(len(signal.channels), plan)
        self._n = 0
        self._start: tuple[int, int] | None = None
        self._end: tuple[int, int] | None = None
        self._seconds = 0.0

    def accumulate(self, block: Block) -> None:
        if block.n == 0:
            return
        joined = self._end is None or self._end == (block.run, block.first)
        if not joined:
            self._strip.close()
        samples: AnyArray = block.values if block.native is None else block.native.counts
        if block.native is not None and self._start is None:
            pairs = zip(block.native.scale[:, 0].tolist(), block.native.offset[:, 0].tolist(), strict=True)
            self._channels = [_ChannelTally(_Line(*pair)) for pair in pairs]
        for tally, row, spec in zip(self._channels, samples, self._signal.channels, strict=True):
            tally.push(row, spec.full_scale, joined=joined)
        self._strip.push(samples, float(block.start_s) if block.times_s is None else block.times_s)
        self._n += block.n
        self._start = self._start or (block.run, block.first)
        self._end = (block.run, block.stop)

    def merge(self, other: Self) -> None:
        joined = self._end is not None and self._end == other._start
        for tally, later in zip(self._channels, other._channels, strict=True):
            tally.take(later, joined=joined)
        self._strip.merge(other._strip, joined=joined)
        self._n += other._n
        self._start = self._start or other._start
        self._end = other._end or self._end

    def finish(self) -> ScreenFacts:
        lines = [tally.line for tally in self._channels]
        scale, offset = (np.array([[getattr(line, name)] for line in lines]) for name in ("scale", "offset"))
        cells = self._strip.cells(scale, offset)
        mean, std = pooled_mean_std(cells)
        clipped = [tally.clipped(self._rule()) for tally in self._channels]
        rate_hz = self._plan.rate_hz
        whole = cells.of_length(self._plan.hop / 2)
        return ScreenFacts(
            n_samples=self._n,
            n_clipped=np.array([count for count, _ in clipped], dtype=np.int64),
            longest_clipped=np.array([longest for _, longest in clipped], dtype=np.int64),
            longest_stuck_s=np.array([tally.equal.longest / rate_hz for tally in self._channels]),
            mean=mean,
            std=std,
            least=np.array([tally.least for tally in self._channels]),
            greatest=np.array([tally.greatest for tally in self._channels]),
            level_time_s=whole.time_s,
            level=whole.level,
            peak=whole.peak,
            duration_s=float(np.sum(cells.n)) / rate_hz,
            extra=self._extra(whole),
        )

    def _rule(self) -> ClipRule:
        chosen = self._settings
        return ClipRule(pile_up=chosen.pile_up, fewest_codes=chosen.fewest_codes, fine_share=chosen.fine_share)

    def _extra(self, cells: Cells) -> dict[str, Any]:
        plan, known = self._plan, framed(cells.bands)
        usual, scatter = usual_densities(cells.bands, known)
        return {
            "channels": self._signal.channels,
            "rate_hz": plan.rate_hz,
            "cell_s": plan.hop / plan.rate_hz,
            "cell_mean": cells.mean,
            "cell_first_s": cells.first_s,
            "cell_last_s": cells.last_s,
            "bands": cells.bands,
            "framed": known,
            "usual": usual,
            "usual_scatter": scatter,
            "band_low_hz": plan.low_hz,
            "band_high_hz": plan.high_hz,
            "step": np.array([tally.step for tally in self._channels]),
            "n_equal": np.array([tally.equal.n_equal for tally in self._channels]),
            "at_greatest": np.array([tally.at_greatest.total for tally in self._channels]),
            "at_least": np.array([tally.at_least.total for tally in self._channels]),
        }


class ScreenStage(Estimator[ScreenSettings]):
    """Counts clipped and repeated samples and follows level, peak and band powers through time."""

    name = "screen"
    numeric_version = 2
    makes = "screen"
    Settings = ScreenSettings

    def schema(self, incoming: ChainSchema) -> ChainSchema:
        """Adds ``screen``. Raises SchemaError unless every channel is an acceleration in m s-2."""
        wrong = [c for c in incoming.signal.channels if c.quantity != "acceleration" or c.unit != "m s-2"]
        if wrong or not incoming.signal.channels:
            raise SchemaError(
                "stage 'screen' looks at acceleration in m s-2",
                found=", ".join(f"channel {c.name!r} with {c.quantity} in {c.unit!r}" for c in wrong)
                or "a signal without channels",
                allowed="acceleration channels in m s-2",
                todo="name the acceleration columns with `axes` in the captures table",
            )
        if incoming.selected:
            raise SchemaError(
                "stage 'screen' looks at the whole capture",
                found="a recipe in which the stretches are already chosen before it",
                allowed="'screen' before the stage that chooses the stretches",
                todo="move 'screen' up in the recipe",
            )
        return incoming.plus(ProductSpec("screen", ("channel", "frame"), "m s-2"))

    def open(self, signal: SignalSpec, context: Context, products: Mapping[str, Any]) -> Accumulator:  # noqa: ARG002
        """Plan one pass over a signal of known rate."""
        return _ScreenAccumulator(self.settings, signal, self._plan(signal, context))

    def grid(self, signal: SignalSpec, context: Context, products: Mapping[str, Any]) -> tuple[int, int]:  # noqa: ARG002
        """Cells follow each other without overlap: parts may start at any multiple of one."""
        hop = self._plan(signal, context).hop
        return hop, hop

    def lasting(self, product: ScreenFacts) -> ScreenFacts:
        """Without the bands of each cell, nine tenths of it, which only the choice of stretches looks at."""
        kept = {name: held for name, held in product.extra.items() if name not in ("bands", "framed")}
        return replace(product, extra=kept)

    def _plan(self, signal: SignalSpec, context: Context) -> BandPlan:
        if signal.rate_hz is None:
            raise SchemaError(
                "stage 'screen' needs the sampling rate when it starts",
                found="a signal whose rate is not known yet",
                allowed="a signal read from a file",
            )
        duration_s = signal.duration_s or (context.span_s[1] - context.span_s[0]) or None
        most = self.settings.most_cells * 3 / max(3, len(signal.channels))
        hop = cell_samples(signal.rate_hz, duration_s, self.settings.cell_s, most)
        return band_plan(hop, signal.rate_hz)


@hookimpl
def register_stages() -> list[type[Stage[Any]]]:
    """The stage of this module."""
    return [ScreenStage]
