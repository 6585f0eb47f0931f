"""Rows of a text capture as groups of native counts: what the first pass finds, what the second hands over.

Columns without holes share the clock of the rows. A column that is filled in some rows only (a temperature once a
second) becomes a group of its own, with the stamps of those rows.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt

from ..pipeline.contracts import ChannelMapping, Clock, GroupHead, ReaderRefusal, ReasonCode
from ..pipeline.contracts.labels import Column, channel_head
from .ingest_text_blocks import RowBlock, RowReader
from .ingest_text_clock import EXACT_COUNTS, StampWatch, TimeScale, decimals_of, iso_nanoseconds
from .ingest_text_columns import Layout
from .ingest_text_dialect import Dialect
from .ingest_text_fixed import FixedColumn

HELD_BYTES = 48 << 20
"""Parsed numbers kept between the passes; larger files are parsed twice instead."""
Numbers = npt.NDArray[np.float64]


@dataclass(slots=True)
class ColumnFacts:
    """What the first pass found about one column: decimals (None: no exact counts), size, where it is filled."""

    decimals: int | None
    greatest: float = 0.0
    n: int = 0
    first_row: int = 0
    last_row: int = 0
    first_stamp: Any = None
    last_stamp: Any = None

    def see_counts(self, column: FixedColumn) -> None:
        """Take further values whose decimals are known."""
        largest = column.largest
        if self.decimals is None or column.decimals > self.decimals:
            self.see(column.values)
            return
        if largest * 10 ** (self.decimals - column.decimals) >= EXACT_COUNTS:
            self.decimals = decimals_of(column.values, self.decimals)
        self.greatest = max(self.greatest, largest / 10.0**column.decimals)
        self.n += column.counts.size

    def see(self, values: Numbers) -> None:
        """Take further values without holes."""
        if self.decimals is not None:
            self.decimals = decimals_of(values, self.decimals)
        self.greatest = max(self.greatest, float(np.max(np.abs(values), initial=0.0)))
        self.n += values.size

    def see_filled(self, values: Numbers, rows_before: int, stamps: npt.NDArray[Any] | None) -> None:
        """Take further values of a column with holes (NaN)."""
        filled = np.flatnonzero(np.isfinite(values))
        if not filled.size:
            return
        if not self.n:
            self.first_row = rows_before + int(filled[0])
            self.first_stamp = None if stamps is None else stamps[filled[0]]
        self.last_row = rows_before + int(filled[-1])
        self.last_stamp = None if stamps is None else stamps[filled[-1]]
        self.see(values[filled])


@dataclass(slots=True)
class Survey:
    """What the first pass over the rows found; ``held`` keeps the blocks of a file that is small enough."""

    layout: Layout
    facts: dict[int, ColumnFacts]
    n: int = 0
    stamps: StampWatch = field(default_factory=StampWatch)
    held: list[RowBlock] | None = field(default_factory=list)
    held_bytes: int = 0


@dataclass(frozen=True, slots=True)
class Group:
    """Channels of one group and how their numbers become native counts.

    ``places`` are the columns' indices among the parsed number columns; ``sparse`` marks a group of one column
    that is filled in some rows only.
    """

    name: str
    columns: tuple[Column, ...]
    places: tuple[int, ...]
    decimals: tuple[int, ...]
    dtype: str
    sparse: bool = False

    def rows(self, block: RowBlock) -> slice | npt.NDArray[np.int64]:
        """Which rows of a block belong to the group."""
        return np.flatnonzero(np.isfinite(block.values(self.places[0]))) if self.sparse else slice(None)

    def counts(self, block: RowBlock, rows: slice | npt.NDArray[np.int64]) -> npt.NDArray[np.generic]:
        """Native counts [shape=(n_channel, n)] of these rows."""
        chosen = [self._counts(block, *which)[rows] for which in zip(self.places, self.decimals, strict=True)]
        counts = np.empty((len(self.columns), chosen[0].size), self.dtype)
        for row, column in enumerate(chosen):
            counts[row] = column
        return counts

    def _counts(self, block: RowBlock, place: int, decimals: int) -> npt.NDArray[Any]:
        column = block.numbers[place]
        if self.dtype == "float64":
            return block.values(place)
        if isinstance(column, FixedColumn) and column.decimals == decimals:
            return column.counts
        return np.rint(block.values(place) * 10.0**decimals)

    def head(self, clock: Clock, n: int, mapping: ChannelMapping) -> GroupHead:
        """The group as the capture's head states it."""
        channels = tuple(
            channel_head(column, mapping, 10.0**decimals)
            for column, decimals in zip(self.columns, self.decimals, strict=True)
        )
        return GroupHead(self.name, channels, clock, n, self.dtype)


def number_places(dialect: Dialect) -> dict[int, int]:
    """Index among the parsed number columns, by cell."""
    cells = [cell for cell, kind in enumerate(dialect.kinds) if kind == "number"]
    return {cell: place for place, cell in enumerate(cells)}


def stamp_values(block: RowBlock, layout: Layout, dialect: Dialect) -> npt.NDArray[Any]:
    """Stamps (or sample numbers) of a block: float64 as written, or int64 nanoseconds."""
    first = layout.time[0] if layout.time or layout.counter is None else layout.counter
    if dialect.kinds[first.cell] == "number":
        return block.values(number_places(dialect)[first.cell])
    lines = np.array([block.line(row) for row in range(block.n)], np.int64)
    stamp_cells = [cell for cell, kind in enumerate(dialect.kinds) if kind == "stamp"]
    texts = [block.stamps[stamp_cells.index(column.cell)] for column in layout.time]
    joined = texts[0] if len(texts) == 1 else texts[0].astype(str).astype(object) + "T" + texts[1]
    return iso_nanoseconds(joined, lines)


def _counted_stamps(block: RowBlock, layout: Layout, dialect: Dialect) -> FixedColumn | None:
    first = layout.time[0] if layout.time or layout.counter is None else layout.counter
    column = block.numbers[number_places(dialect)[first.cell]] if dialect.kinds[first.cell] == "number" else None
    return column if isinstance(column, FixedColumn) else None


def surveyed(rows: RowReader, layout: Layout, dialect: Dialect) -> Survey:
    """Go over all rows once. Raises ReaderRefusal for the first offence, SparseColumn for a hole beside the signal."""
    survey = Survey(layout, {c.cell: ColumnFacts(_written_decimals(dialect, c.cell)) for c in layout.data})
    places = number_places(dialect)
    for block in rows.blocks():
        timed = bool(layout.time or layout.counter) and block.n > 0
        # counts as written where there are no holes, whose stamps would be looked at as well
        counted = _counted_stamps(block, layout, dialect) if timed else None
        stamps = stamp_values(block, layout, dialect) if timed and counted is None else None
        for cell, facts in survey.facts.items():
            column = block.numbers[places[cell]]
            if isinstance(column, FixedColumn):
                facts.see_counts(column)
            elif cell in rows.sparse:
                facts.see_filled(column, survey.n, stamps)
            else:
                facts.see(column)
        if counted is not None:
            survey.stamps.push_counts(counted, block.line)
        elif stamps is not None:
            survey.stamps.push(stamps, block.line)
        survey.n += block.n
        _hold(survey, block)
    if not survey.n:
        raise ReaderRefusal(ReasonCode.EMPTY, "the file holds no rows", todo="record again, or export again")
    return survey


def _hold(survey: Survey, block: RowBlock) -> None:
    if survey.held is None:
        return
    survey.held.append(block)
    survey.held_bytes += sum(column.nbytes for column in block.numbers)
    if survey.held_bytes > HELD_BYTES:
        survey.held = None


def _written_decimals(dialect: Dialect, cell: int) -> int:
    """Decimals of the first rows, to start from."""
    mantissas = (row[cell].lower().partition("e")[0] for row in dialect.sample[:8])
    return min(max((len(text.partition(dialect.decimal)[2]) for text in mantissas), default=0), 12)


def groups_of(survey: Survey, dialect: Dialect, sparse: frozenset[int]) -> list[Group]:
    """The signal's group first, then what lies beside it, then every column with holes for itself."""
    whole = [column for column in survey.layout.data if column.cell not in sparse]
    signal = tuple(column for column in whole if column.dynamic)
    beside = tuple(column for column in whole if not column.dynamic)
    groups = [
        _group(name, columns, survey, dialect) for name, columns in (("signal", signal), ("beside", beside)) if columns
    ]
    filled = [c for c in survey.layout.data if c.cell in sparse and survey.facts[c.cell].n]
    return groups + [_group(f"beside_c{c.number}", (c,), survey, dialect, sparse=True) for c in filled]


def _group(
    name: str, columns: tuple[Column, ...], survey: Survey, dialect: Dialect, *, sparse: bool = False
) -> Group:
    places = tuple(number_places(dialect)[column.cell] for column in columns)
    facts = [survey.facts[column.cell] for column in columns]
    exact = tuple(fact.decimals for fact in facts if fact.decimals is not None)
    if len(exact) < len(columns):
        return Group(name, columns, places, (0,) * len(columns), "float64", sparse)
    largest = max(fact.greatest * 10.0**d for fact, d in zip(facts, exact, strict=True))
    return Group(name, columns, places, exact, "int32" if largest < 2**31 - 1 else "int64", sparse)


def sparse_clock(facts: ColumnFacts, clock: Clock, scale: TimeScale | None) -> Clock:
    """Clock of a column with holes: stamps of its own, and their mean rate (the rows' rate for a single value)."""
    if scale is None:
        tick_s = 1.0 / clock.rate_hz
        first, last = float(facts.first_row), float(facts.last_row)
    else:
        tick_s = scale.tick_s
        first, last = (float(scale.ticks(np.asarray([s]))[0]) for s in (facts.first_stamp, facts.last_stamp))
    start, span = first * (tick_s or 1.0), (last - first) * (tick_s or 1.0)
    rate = (facts.n - 1) / span if span > 0.0 else clock.rate_hz
    return Clock(False, start, rate, tick_s, clock.origin)
