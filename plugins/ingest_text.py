"""Reader ``text``: delimited text as loggers write it.

Its parts: ``ingest_text_dialect`` (encoding, delimiter, where rows begin), ``ingest_text_columns`` (header, time
column), ``ingest_text_declared`` (facts above the rows), ``ingest_text_blocks`` (rows, correctly rounded),
``ingest_text_clock`` (stamps) and ``ingest_text_groups`` (native counts). Two passes over the file: the first finds
what can be kept exactly and whether the clock is uniform, the second hands the samples over; a file that fits in
a few blocks is parsed once.
"""

from __future__ import annotations

import io
from collections.abc import Sequence
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
from ..pipeline.kernels.clock import ClockFit
from .ingest_text_blocks import RowBlock, RowReader, SparseColumn, needs_parser
from .ingest_text_clock import TimeScale, clock_by_count, clock_from_fit, clock_without_stamps, recorded_at
from .ingest_text_columns import Layout, layout_of, with_named_empties
from .ingest_text_dialect import HEAD_BYTES, Dialect, dialect_of, with_tail
from .ingest_text_groups import Group, Survey, groups_of, sparse_clock, stamp_values, surveyed

TAIL_BYTES = 1 << 14
"""Looked at from the end, to tell a time column from a slow signal where no header does."""

FEWEST_ROWS = 3


class TextReader(Reader):
    """Rows of numbers under an optional header, in any usual dialect."""

    name = "text"
    numeric_version = 1
    summary = "delimited text: comma, semicolon, tab or blanks; decimal comma; headers with units; any time column"

    def __init__(self) -> None:
        self._sniffed: tuple[bytes, bool, Dialect] | None = None

    def warm(self) -> None:
        """Import the parser, unless the file that was sniffed begins as one that needs none."""
        if self._sniffed is not None and not needs_parser(self._sniffed[0], self._sniffed[2]):
            return
        import pandas as pd

        pd.read_csv  # noqa: B018 - attribute access completes the lazy import

    def sniff(self, head: bytes, name: str) -> float:
        """0.6 for text with rows of numbers (0.7 with a text suffix), 0.2 for other text, else 0."""
        complete = len(head) < HEAD_BYTES
        try:
            self._sniffed = head, complete, dialect_of(head, complete=complete)
        except ReaderRefusal as refusal:
            suffix = name.lower().endswith((".csv", ".txt", ".tsv", ".asc", ".dat"))
            texts = refusal.code is not ReasonCode.UNREADABLE and (suffix or refusal.code is not ReasonCode.EMPTY)
            printable = sum(32 <= byte < 127 or byte in b"\t\r\n" for byte in head[:2048])
            return 0.2 if texts and (suffix or printable > 0.9 * min(len(head), 2048)) else 0.0
        return 0.7 if name.lower().endswith((".csv", ".txt", ".tsv", ".asc", ".dat")) else 0.6

    def read(self, source: Source, mapping: ChannelMapping, sink: Sink) -> list[CaptureHead]:
        """Pass all samples to the sink and return the one head."""
        dialect, layout = self._opened(source, mapping)
        rows, survey = _gone_over(source, dialect, layout)
        clock, scale, fit = _clock(survey, mapping)
        _refuse_other_count(survey)
        _refuse_few_rows(survey)
        groups = groups_of(survey, dialect, rows.sparse)
        head = CaptureHead(
            index=0, reader=self.name,
            groups=tuple(_group_head(group, survey, clock, scale, mapping) for group in groups),
            recorded_at=recorded_at(scale, layout.declared),
            metadata=_metadata(dialect, survey, rows, fit),
        )  # fmt: skip
        sink.begin(0)
        first_row = 0
        stamped = scale is not None and not (clock.uniform and not any(group.sparse for group in groups))
        for block in survey.held if survey.held is not None else rows.blocks():
            ticks = scale.ticks(stamp_values(block, layout, dialect)) if scale is not None and stamped else None
            for group in groups:
                _pass_block(group, block, first_row, None if clock.uniform and not group.sparse else ticks, sink)
            first_row += block.n
        return [head]

    def describe(self, source: Source, mapping: ChannelMapping) -> dict[str, Any]:
        """Dialect, columns, the lines above the rows and the first rows."""
        dialect, layout = self._opened(source, mapping)
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

    def _opened(self, source: Source, mapping: ChannelMapping) -> tuple[Dialect, Layout]:
        with source.path.open("rb", buffering=0) as stream:
            head = stream.read(HEAD_BYTES)
            size = stream.seek(0, io.SEEK_END)
            stream.seek(max(size - TAIL_BYTES, HEAD_BYTES) // 2 * 2)
            tail = stream.read()
        if not head:
            raise ReaderRefusal(ReasonCode.EMPTY, "the file holds no bytes", todo="record again, or copy it again")
        dialect = with_named_empties(with_tail(self._dialect(head, complete=size <= HEAD_BYTES), tail))
        return dialect, layout_of(dialect, mapping)

    def _dialect(self, head: bytes, *, complete: bool) -> Dialect:
        """The dialect of the file sniffed just now, which most files are, or of another."""
        if self._sniffed is not None and self._sniffed[:2] == (head, complete):
            return self._sniffed[2]
        return dialect_of(head, complete=complete)


def _gone_over(source: Source, dialect: Dialect, layout: Layout) -> tuple[RowReader, Survey]:
    """The first pass, begun again whenever a column beside the signal turns out to have holes."""
    beside = frozenset(column.cell for column in layout.data if not column.axis)
    sparse: frozenset[int] = frozenset()
    while True:
        rows = RowReader(source.path, dialect, sparse, beside)
        try:
            return rows, surveyed(rows, layout, dialect)
        except SparseColumn as found:
            sparse = sparse | {found.cell}


def _pass_block(
    group: Group, block: RowBlock, first_row: int, ticks: npt.NDArray[Any] | None, sink: Sink
) -> None:
    chosen = group.rows(block)
    counts = group.counts(block, chosen)
    if not counts.size:
        return
    sink.samples(group.name, counts)
    if ticks is not None:
        sink.stamps(group.name, ticks[chosen])
    elif group.sparse:
        sink.stamps(group.name, np.arange(first_row, first_row + block.n, dtype=np.int64)[chosen])


def _group_head(
    group: Group, survey: Survey, clock: Clock, scale: TimeScale | None, mapping: ChannelMapping
) -> GroupHead:
    if not group.sparse:
        return group.head(clock, survey.n, mapping)
    facts = survey.facts[group.columns[0].cell]
    return group.head(sparse_clock(facts, clock, scale), facts.n, mapping)


def _clock(survey: Survey, mapping: ChannelMapping) -> tuple[Clock, TimeScale | None, ClockFit | None]:
    layout = survey.layout
    if not layout.time:
        clock = clock_without_stamps(layout, mapping)
        return (clock, None, None) if layout.counter is None else clock_by_count(clock, survey.stamps)
    survey.stamps.refuse_backward()
    scale = survey.stamps.scale(layout, mapping)
    fit = survey.stamps.fit(scale)
    return clock_from_fit(fit, scale, layout.declared, mapping), scale, fit


def _refuse_other_count(survey: Survey) -> None:
    declared = survey.layout.declared.n_samples
    if declared is not None and declared != survey.n:
        raise ReaderRefusal(
            ReasonCode.UNREADABLE, "the number of samples", found=f"{survey.n} rows, but the header says {declared}",
            todo="copy the file again, it may be cut short; or correct the header",
        )  # fmt: skip


def _refuse_few_rows(survey: Survey) -> None:
    """In one row or two nothing tells a damaged cell from text, and a column of text is left out."""
    if survey.n < FEWEST_ROWS:
        raise ReaderRefusal(
            ReasonCode.EMPTY, f"at least {FEWEST_ROWS} rows of numbers", found=f"{survey.n}",
            todo="record again, or export again",
        )  # fmt: skip


def _metadata(dialect: Dialect, survey: Survey, rows: RowReader, fit: ClockFit | None) -> dict[str, Any]:
    layout = survey.layout
    found: dict[str, Any] = {
        "dialect": dialect.as_json(),
        "preamble": "\n".join(dialect.preamble)[:4096],
        "header": list(layout.header),
        "columns": {f"c{column.number}": column.name for column in layout.data},
    }
    if layout.passed_over:
        found["text_columns_left_out"] = list(layout.passed_over)
    if unfilled := [c.name for c in layout.data if not survey.facts[c.cell].n]:
        found["columns_without_values"] = unfilled
    if rows.footer:
        found["closing_lines"] = rows.footer[:20]
    if fit is not None:
        found["clock"] = {
            "jitter_s": fit.jitter_s, "n_gaps": len(fit.gaps), "n_repeated": fit.n_repeated,
            "resolution_s": fit.resolution_s,
        }  # fmt: skip
    return found


@hookimpl
def register_readers() -> Sequence[type[Reader]]:
    """The one reader of delimited text."""
    return [TextReader]
