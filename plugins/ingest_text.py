"""Reader ``text``: delimited text as loggers write it.

Its parts: ``ingest_text_dialect`` (encoding, delimiter, where rows begin), ``ingest_text_columns`` (names, units,
axes), ``ingest_text_declared`` (facts above the rows), ``ingest_text_blocks`` (rows, correctly rounded) and
``ingest_text_clock`` (stamps). Two passes over the file: the first finds what can be kept exactly and whether the
clock is uniform, the second hands the samples over; a file that fits in a few blocks is parsed once.
"""

from __future__ import annotations

import io
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt

from ..pipeline.contracts import (
    CaptureHead,
    ChannelMapping,
    Clock,
    GroupHead,
    Reader,
    ReaderRefusal,
    ReasonCode,
    Sink,
    Source,
    hookimpl,
)
from ..pipeline.contracts.labels import Column, channel_head
from ..pipeline.kernels.clock import ClockFit
from .ingest_text_blocks import RowBlock, RowReader
from .ingest_text_clock import (
    StampWatch,
    TimeScale,
    clock_from_fit,
    clock_without_stamps,
    decimals_of,
    iso_nanoseconds,
    recorded_at,
)
from .ingest_text_columns import Layout, layout_of
from .ingest_text_dialect import HEAD_BYTES, Dialect, dialect_of

TAIL_BYTES = 1 << 14
"""Looked at from the end, to tell a time column from a slow signal where no header does."""

HELD_BYTES = 48 << 20
"""Parsed numbers kept between the passes; larger files are parsed twice instead."""


@dataclass(slots=True)
class _Survey:
    """What the first pass over the rows found."""

    layout: Layout
    n: int = 0
    decimals: dict[int, int | None] = field(default_factory=dict)
    greatest: dict[int, float] = field(default_factory=dict)
    stamps: StampWatch = field(default_factory=StampWatch)
    held: list[RowBlock] | None = field(default_factory=list)
    held_bytes: int = 0


@dataclass(frozen=True, slots=True)
class _Group:
    """Channels of one group and how their numbers become native counts."""

    name: str
    columns: tuple[Column, ...]
    places: tuple[int, ...]
    """Index of each column among the parsed number columns."""
    decimals: tuple[int, ...]
    dtype: str

    def counts(self, numbers: Sequence[npt.NDArray[np.float64]]) -> npt.NDArray[np.generic]:
        """Native counts [shape=(n_channel, n)] of parsed columns."""
        counts = np.empty((len(self.columns), numbers[0].size), self.dtype)
        for row, (place, decimals) in enumerate(zip(self.places, self.decimals, strict=True)):
            column = numbers[place]
            counts[row] = column if self.dtype == "float64" else np.rint(column * 10.0**decimals)
        return counts


class TextReader(Reader):
    """Rows of numbers under an optional header, in any usual dialect."""

    name = "text"
    numeric_version = 1
    summary = "delimited text: comma, semicolon, tab or blanks; decimal comma; headers with units; any time column"

    def warm(self) -> None:
        """Import the parser."""
        import pandas as pd

        pd.read_csv  # noqa: B018 - attribute access completes the lazy import

    def sniff(self, head: bytes, name: str) -> float:
        """0.6 for text with rows of numbers (0.7 with a text suffix), 0.2 for other text, else 0."""
        try:
            dialect_of(head, complete=len(head) < 65536)
        except ReaderRefusal as refusal:
            suffix = name.lower().endswith((".csv", ".txt", ".tsv", ".asc", ".dat"))
            texts = refusal.code is not ReasonCode.UNREADABLE and (suffix or refusal.code is not ReasonCode.EMPTY)
            printable = sum(32 <= byte < 127 or byte in b"\t\r\n" for byte in head[:2048])
            return 0.2 if texts and (suffix or printable > 0.9 * min(len(head), 2048)) else 0.0
        return 0.7 if name.lower().endswith((".csv", ".txt", ".tsv", ".asc", ".dat")) else 0.6

    def read(self, source: Source, mapping: ChannelMapping, sink: Sink) -> list[CaptureHead]:
        """Pass all samples to the sink and return the one head."""
        dialect, layout = _opened(source, mapping)
        rows = RowReader(source.path, dialect)
        survey = _surveyed(rows, layout, dialect)
        clock, scale, fit = _clock(survey, mapping)
        _refuse_other_count(survey)
        groups = _groups(survey, dialect)
        head = CaptureHead(
            index=0, reader=self.name,
            groups=tuple(_group_head(group, clock, survey.n, mapping) for group in groups),
            recorded_at=recorded_at(scale, layout.declared),
            metadata=_metadata(dialect, layout, rows, fit),
        )  # fmt: skip
        sink.begin(0)
        for block in survey.held if survey.held is not None else rows.blocks():
            for group in groups:
                sink.samples(group.name, group.counts(block.numbers))
            if scale is not None and not clock.uniform:
                ticks = scale.ticks(_stamp_values(block, layout, dialect))
                for group in groups:
                    sink.stamps(group.name, ticks)
        return [head]

    def describe(self, source: Source, mapping: ChannelMapping) -> dict[str, Any]:
        """Dialect, columns, the lines above the rows and the first rows."""
        dialect, layout = _opened(source, mapping)
        columns = [
            {
                "column": f"c{column.number}", "name": column.name, "quantity": column.quantity,
                "unit": column.unit.name if column.unit else column.unit_text, "axis": column.axis,
            }
            for column in layout.data
        ]  # fmt: skip
        return {
            "dialect": dialect.as_json(),
            "time_column": [column.name for column in layout.time],
            "columns": columns,
            "text_columns_left_out": list(layout.passed_over),
            "preamble": list(dialect.preamble[:40]),
            "first_rows": [list(row) for row in dialect.sample[:5]],
        }


def _opened(source: Source, mapping: ChannelMapping) -> tuple[Dialect, Layout]:
    with source.path.open("rb") as stream:
        head = stream.read(HEAD_BYTES)
        size = stream.seek(0, io.SEEK_END)
        stream.seek(max(size - TAIL_BYTES, HEAD_BYTES) // 2 * 2)
        tail = stream.read()
    if not head:
        raise ReaderRefusal(ReasonCode.EMPTY, "the file holds no bytes", todo="record again, or copy it again")
    dialect = dialect_of(head, complete=size <= HEAD_BYTES, tail=tail)
    return dialect, layout_of(dialect, mapping)


def _number_places(dialect: Dialect) -> dict[int, int]:
    """Index among the parsed number columns, by cell."""
    cells = [cell for cell, kind in enumerate(dialect.kinds) if kind == "number"]
    return {cell: place for place, cell in enumerate(cells)}


def _stamp_values(block: RowBlock, layout: Layout, dialect: Dialect) -> npt.NDArray[Any]:
    """Stamps of a block as float64 as written, or int64 nanoseconds."""
    first = layout.time[0]
    if dialect.kinds[first.cell] == "number":
        return block.numbers[_number_places(dialect)[first.cell]]
    lines = np.array([block.line(row) for row in range(block.n)], np.int64)
    stamp_cells = [cell for cell, kind in enumerate(dialect.kinds) if kind == "stamp"]
    texts = [block.stamps[stamp_cells.index(column.cell)] for column in layout.time]
    joined = texts[0] if len(texts) == 1 else texts[0].astype(str).astype(object) + "T" + texts[1]
    return iso_nanoseconds(joined, lines)


def _surveyed(rows: RowReader, layout: Layout, dialect: Dialect) -> _Survey:
    survey = _Survey(layout)
    places = _number_places(dialect)
    least = {column.cell: _written_decimals(dialect, column.cell) for column in layout.data}
    survey.decimals = dict(least)
    for block in rows.blocks():
        survey.n += block.n
        for column in layout.data:
            _survey_column(survey, column.cell, block.numbers[places[column.cell]])
        if layout.time and block.n:
            survey.stamps.push(_stamp_values(block, layout, dialect), block.line)
        if survey.held is not None:
            survey.held.append(block)
            survey.held_bytes += sum(column.nbytes for column in block.numbers)
            if survey.held_bytes > HELD_BYTES:
                survey.held = None
    if not survey.n:
        raise ReaderRefusal(ReasonCode.EMPTY, "the file holds no rows", todo="record again, or export again")
    return survey


def _survey_column(survey: _Survey, cell: int, values: npt.NDArray[np.float64]) -> None:
    so_far = survey.decimals[cell]
    if so_far is not None:
        survey.decimals[cell] = decimals_of(values, so_far)
    survey.greatest[cell] = max(survey.greatest.get(cell, 0.0), float(np.max(np.abs(values), initial=0.0)))


def _written_decimals(dialect: Dialect, cell: int) -> int | None:
    """Decimals of the first rows, to start from; None when there are too many to be counts."""
    mantissas = (row[cell].lower().partition("e")[0] for row in dialect.sample)
    return min(max((len(text.partition(dialect.decimal)[2]) for text in mantissas), default=0), 12)


def _clock(survey: _Survey, mapping: ChannelMapping) -> tuple[Clock, TimeScale | None, ClockFit | None]:
    layout = survey.layout
    if not layout.time:
        return clock_without_stamps(layout.declared, mapping), None, None
    survey.stamps.refuse_backward()
    scale = survey.stamps.scale(layout, mapping)
    fit = survey.stamps.fit(scale)
    return clock_from_fit(fit, scale, layout.declared, mapping), scale, fit


def _refuse_other_count(survey: _Survey) -> None:
    declared = survey.layout.declared.n_samples
    if declared is not None and declared != survey.n:
        raise ReaderRefusal(
            ReasonCode.UNREADABLE, "the number of samples", found=f"{survey.n} rows, but the header says {declared}",
            todo="copy the file again, it may be cut short; or correct the header",
        )  # fmt: skip


def _groups(survey: _Survey, dialect: Dialect) -> list[_Group]:
    signal = tuple(column for column in survey.layout.data if column.dynamic)
    beside = tuple(column for column in survey.layout.data if not column.dynamic)
    named = (("signal", signal), ("beside", beside))
    return [_group(name, columns, survey, dialect) for name, columns in named if columns]


def _group(name: str, columns: tuple[Column, ...], survey: _Survey, dialect: Dialect) -> _Group:
    places = _number_places(dialect)
    decimals = [survey.decimals[column.cell] for column in columns]
    exact = tuple(d for d in decimals if d is not None)
    if len(exact) < len(columns):
        return _Group(name, columns, tuple(places[c.cell] for c in columns), (0,) * len(columns), "float64")
    largest = max(survey.greatest[c.cell] * 10.0**d for c, d in zip(columns, exact, strict=True))
    dtype = "int32" if largest < 2**31 - 1 else "int64"
    return _Group(name, columns, tuple(places[c.cell] for c in columns), exact, dtype)


def _group_head(group: _Group, clock: Clock, n: int, mapping: ChannelMapping) -> GroupHead:
    channels = tuple(
        channel_head(column, mapping, 10.0**decimals)
        for column, decimals in zip(group.columns, group.decimals, strict=True)
    )
    return GroupHead(group.name, channels, clock, n, group.dtype)


def _metadata(dialect: Dialect, layout: Layout, rows: RowReader, fit: ClockFit | None) -> dict[str, Any]:
    found: dict[str, Any] = {
        "dialect": dialect.as_json(),
        "preamble": "\n".join(dialect.preamble)[:4096],
        "header": list(layout.header),
        "columns": {f"c{column.number}": column.name for column in layout.data},
    }
    if layout.passed_over:
        found["text_columns_left_out"] = list(layout.passed_over)
    if rows.footer:
        found["closing_lines"] = rows.footer[:20]
    if fit is not None:
        found["clock"] = {
            "jitter_s": fit.jitter_s, "n_gaps": len(fit.gaps), "n_repeated": fit.n_repeated,
            "resolution_s": fit.resolution_s,
        }  # fmt: skip
    return found


def _reader_classes() -> Iterator[type[Reader]]:
    yield TextReader


@hookimpl
def register_readers() -> Sequence[type[Reader]]:
    """The one reader of delimited text."""
    return list(_reader_classes())
