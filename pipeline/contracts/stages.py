"""What a plugin author implements: Reader, Transform, Estimator, Derivation, Metric.

A recipe is a list of stages. Every stage first answers, without data, what it would make of a schema, so a
chain that cannot work is refused before a sample is read. Then:

* a **Transform** maps blocks of samples to blocks of samples (resampling, rotation, filtering);
* an **Estimator** watches blocks go by and finishes one product (a spectrum, a speed track);
* a **Derivation** makes a product from products (axis combination, lines, the choice of stretches);
* a **Metric** makes readings from products.

Estimators that stand before the stage that decides the stretches (``selects = True``) see the whole capture,
those after it see the chosen stretches only: two passes over the samples at the most.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any, ClassVar, Generic, Protocol, Self, TypeVar

import numpy as np
import numpy.typing as npt
from pydantic import BaseModel, ConfigDict

from .errors import SchemaError
from .records import CaptureHead, ChannelMapping, GroupHead, Reading
from .signal import Block, ChainSchema, Context, SignalSpec


class StageSettings(BaseModel):
    """Settings of a stage: frozen, unknown keys refused, every field described with its reason."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


SettingsT = TypeVar("SettingsT", bound=StageSettings)


class Stage(ABC, Generic[SettingsT]):
    """What all stages share: a name, an integer version of their numbers, settings, a schema answer.

    ``numeric_version`` is raised only when the numbers change: it is part of every result's identity.
    ``uses_facts`` lists the columns of the captures table the stage reads: only these enter the identity.

    ``acts_on`` names the quantities whose channels the stage sees. Empty: those the recipe is about. A stage that
    names another one (sound: ``("pressure",)``) sees its channels alone, at their own rate, where the recipe lists it
    in ``beside``, and is left out of a capture that has none. ``("*",)``: each kind of channel by itself.
    """

    name: ClassVar[str]
    numeric_version: ClassVar[int]
    Settings: ClassVar[type[StageSettings]] = StageSettings
    uses_facts: ClassVar[tuple[str, ...]] = ()
    acts_on: ClassVar[tuple[str, ...]] = ()

    def __init__(self, settings: SettingsT) -> None:
        self.settings = settings

    @abstractmethod
    def schema(self, incoming: ChainSchema) -> ChainSchema:
        """What the chain offers after this stage. Raises SchemaError naming stage, field, found, wanted."""

    def needs_product(self, incoming: ChainSchema, product: str) -> None:
        """For ``schema``: raises SchemaError where no stage before this one makes the product, named as its stage."""
        if product not in incoming.products:
            raise SchemaError(
                f"stage {self.name!r} needs the product {product!r}",
                found=", ".join(sorted(incoming.products)) or "none",
                allowed=f"a recipe in which {product!r} stands before {self.name!r}", todo=f"add the stage {product!r}",
            )  # fmt: skip

    def needs_uniform_clock(self, incoming: ChainSchema) -> None:
        """For ``schema``: raises SchemaError where samples come with stamps instead of at even steps."""
        if not incoming.signal.uniform:
            raise SchemaError(
                f"stage {self.name!r} needs a uniform clock", found="a stamped signal", allowed="a uniform signal",
                todo="put a resampling stage before it",
            )  # fmt: skip


class BlockFlow(ABC):
    """One transform at work on one pass: carries the state between blocks of a run."""

    @abstractmethod
    def push(self, block: Block) -> Iterable[Block]:
        """Take the next block; give back what is complete. A new ``run`` starts afresh."""

    @abstractmethod
    def flush(self) -> Iterable[Block]:
        """Give back what is left at the end of a run."""


class Transform(Stage[SettingsT]):
    """Blocks in, blocks out. Cutting the input elsewhere must not change the output."""

    @abstractmethod
    def open(self, signal: SignalSpec, context: Context) -> BlockFlow:
        """Start one pass over a signal of this description."""

    def halo_s(self, signal: SignalSpec) -> float:  # noqa: ARG002
        """Seconds of input needed on either side of a piece to make that piece's output exactly."""
        return 0.0

    def divisible(self, signal: SignalSpec) -> bool:
        """Whether a long run may be cut into parts, each of which begins with a block whose ``first`` is not 0.

        Such a part, with its halo on both sides, must give the samples that the whole run gives, under the same
        counts (output 0 is at the run's first instant). By default only where there is no halo.
        """
        return self.halo_s(signal) == 0.0


class Accumulator(ABC):
    """One estimator at work. Memory must not grow with the samples pushed through (small tracks may)."""

    @abstractmethod
    def accumulate(self, block: Block) -> None:
        """Take the next block of a run."""

    @abstractmethod
    def merge(self, other: Self) -> None:
        """Take over what another worker gathered on a later part of the same pass."""

    @abstractmethod
    def finish(self) -> Any:
        """The product."""


class Estimator(Stage[SettingsT]):
    """Watches blocks and finishes one product named ``makes``.

    ``grid`` tells how the work may be split: frames of ``length`` samples every ``hop`` samples from the
    start of each run; a part that starts at a multiple of ``hop`` and overlaps its neighbour by ``length -
    hop`` merges exactly.
    """

    makes: ClassVar[str]

    @abstractmethod
    def open(self, signal: SignalSpec, context: Context, products: Mapping[str, Any]) -> Accumulator:
        """Plan one pass over a signal of this description; ``products`` are those made before."""

    def grid(self, signal: SignalSpec, context: Context, products: Mapping[str, Any]) -> tuple[int, int]:  # noqa: ARG002
        """``(length, hop)`` in samples of the frames this estimator sees; (1, 1) when it has none."""
        return 1, 1

    def lasting(self, product: Any) -> Any:
        """What stages after the choice of stretches get of the product, where this one stands before it.

        It is kept in the archive's cache and sent to every worker that shares a long capture: a product that is large
        only for the choice itself gives that part up here. By default all of it.
        """
        return product


class Derivation(Stage[SettingsT]):
    """Makes one product named ``makes`` from products, without samples.

    With ``selects = True`` its product is a ``Fitness``: it decides whether and where the capture is used.
    """

    makes: ClassVar[str]
    selects: ClassVar[bool] = False

    @abstractmethod
    def derive(self, products: Mapping[str, Any], context: Context) -> Any:
        """The product."""


class Metric(Stage[SettingsT]):
    """Makes readings from products. ``reading_names`` are what a study may ask for."""

    reading_names: ClassVar[tuple[str, ...]]
    no_percent: ClassVar[tuple[str, ...]] = ()
    """Readings of which a percent change means nothing (decibels, angles): no study may rest on them."""
    in_decibels: ClassVar[tuple[str, ...]] = ()
    """Levels re a fixed quantity: their change is a difference in dB, held against ``limit_db`` of a study."""

    @abstractmethod
    def readings(self, products: Mapping[str, Any], context: Context) -> Sequence[Reading]:
        """One reading per position and combination; an absent one carries its reason."""


class Source(Protocol):
    """A file to be read: a path in the archive, and the name it came with."""

    @property
    def path(self) -> Path:
        """Where the bytes are (read only)."""

    @property
    def name(self) -> str:
        """The file's own name, for its suffix and for messages."""


class Sink(Protocol):
    """Where a reader's samples go, block by block. Several captures per file are allowed, one at a time."""

    def begin(self, index: int) -> None:
        """Start the capture with this index in the file."""

    def samples(self, group: str, counts: npt.NDArray[np.generic]) -> None:
        """Append native counts [shape=(n_channel, n)] to a group; dtype stays the same within a group."""

    def stamps(self, group: str, ticks: npt.NDArray[np.generic]) -> None:
        """Append time stamps [shape=(n,)], integer ticks or float64 seconds, in step with the samples."""


class Reader(ABC):
    """One file format. Accepting a file with other samples than it holds is the worst failure there is."""

    name: ClassVar[str]
    numeric_version: ClassVar[int]
    summary: ClassVar[str] = ""

    def warm(self) -> None:  # noqa: B027 - an offer, not a duty
        """Import what reading needs; called once in each reader child, before its first file of this format."""

    @abstractmethod
    def sniff(self, head: bytes, name: str) -> float:
        """How sure this reader is, 0 to 1, from the first 64 KiB and the file name; no other reading."""

    @abstractmethod
    def read(self, source: Source, mapping: ChannelMapping, sink: Sink) -> list[CaptureHead]:
        """Pass all samples to the sink and return the heads. Raises ReaderRefusal, never guesses."""

    def describe(self, source: Source, mapping: ChannelMapping) -> dict[str, Any]:  # noqa: ARG002
        """What ``inspect`` shows beside the heads (dialect, header lines, first rows); may be empty."""
        return {}


__all__ = [
    "Accumulator", "BlockFlow", "CaptureHead", "Derivation", "Estimator", "GroupHead", "Metric", "Reader",
    "Sink", "Source", "Stage", "StageSettings", "Transform",
]  # fmt: skip
