"""What the columns of a text capture are: names, units, quantities, the time column, the axes; declared facts.

Columns c1, c2 ... of a mapping count the columns of the file from the left, leaving out the time column.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from itertools import pairwise

from ..pipeline.contracts import ChannelMapping, ReaderRefusal, ReasonCode
from ..pipeline.contracts.labels import Column, column_of, is_time_name, with_axes, with_unit
from ..pipeline.contracts.units import known_unit
from .ingest_text_declared import Declared, declared_in, key_value
from .ingest_text_dialect import Dialect, without_comment_mark

_COUNTER = re.compile(
    r"(?:sample|index|idx|seq|sequence|counter)(?:[ _]*(?:no\.?|nr\.?|number|index|counter|count|id))?"
)


@dataclass(frozen=True, slots=True)
class Layout:
    """The columns, sorted by their use."""

    time: tuple[Column, ...]
    """One column, or two (a date and a time of day), or none."""
    data: tuple[Column, ...]
    passed_over: tuple[str, ...]
    declared: Declared
    header: tuple[str, ...]
    counter: Column | None = None
    """A column that numbers the samples, where there is no time column: it stays a data column as well."""
    unread_time: str = ""
    """First cell of a column that is named a time but holds other text."""


def layout_of(dialect: Dialect, mapping: ChannelMapping) -> Layout:
    """Columns of the file as its header and the mapping name them.

    Raises
    ------
    ReaderRefusal
        ``ambiguous`` when the axes cannot be told or units contradict each other, ``unknown_unit`` when an
        acceleration has no unit known here, ``not_numeric`` when a column asked for holds text.
    """
    labels, units, rest = _header(dialect)
    declared = declared_in(rest)
    columns = [column_of(i, labels[i], units[i]) for i in range(dialect.n_cells)]
    time = _time_columns(columns, dialect, labelled=any(labels))
    taken = {column.cell for column in time}
    numbered = [
        replace(column, number=n, name=column.name or f"c{n}")
        for n, column in enumerate((c for c in columns if c.cell not in taken and dialect.kinds[c.cell] != "empty"), 1)
    ]
    data = [column for column in numbered if dialect.kinds[column.cell] == "number"]
    passed = tuple(column.name for column in numbered if dialect.kinds[column.cell] != "number")
    data = [with_unit(column, mapping, declared.unit_text) for column in with_axes(data, numbered, mapping)]
    counter = next((c for c in data if _COUNTER.fullmatch(c.name.strip().lower()) and not c.axis), None)
    return Layout(
        tuple(time), tuple(data), passed, declared, labels if any(labels) else (),
        None if time else counter, _unread_time(numbered, dialect),
    )  # fmt: skip


def _unread_time(numbered: list[Column], dialect: Dialect) -> str:
    named = [c for c in numbered if dialect.kinds[c.cell] == "text" and (is_time_name(c) or c.name.lower() == "date")]
    return dialect.sample[0][named[0].cell] if named and dialect.sample else ""


def with_named_empties(dialect: Dialect) -> Dialect:
    """The dialect with columns that are named, but empty in the rows seen so far, taken for numbers with holes."""
    if "empty" not in dialect.kinds:
        return dialect
    labels, _, _ = _header(dialect)
    kinds = ("number" if kind == "empty" and label else kind for kind, label in zip(dialect.kinds, labels, strict=True))
    return replace(dialect, kinds=tuple(kinds))


def _header(dialect: Dialect) -> tuple[tuple[str, ...], tuple[str, ...], list[str]]:
    """Labels per cell, units per cell from a units row, and the lines that are neither."""
    lines = [line for line in dialect.preamble if line.strip()]
    blank = ("",) * dialect.n_cells
    units = blank
    for back in range(len(lines) - 1, -1, -1):
        comment = without_comment_mark(lines[back], dialect.delimiter)
        cells = tuple(dialect.cells(lines[back] if comment is None else comment))
        if len(cells) != dialect.n_cells or (dialect.n_cells == 1 and not _labels_one_column(cells[0])):
            if comment is None and back == len(lines) - 1 and _is_row_of_labels(cells, lines[back], dialect):
                raise ReaderRefusal(
                    ReasonCode.UNREADABLE, "the header does not fit the rows",
                    found=f"{len(cells)} labels for {dialect.n_cells} columns: {lines[back].strip()[:80]!r}",
                    todo="name every column once",
                )  # fmt: skip
            continue
        if units is blank and _is_units_row(cells):
            units = cells
            continue
        return cells, units, lines[:back] + [line for line in lines[back + 1 :] if line != lines[back]]
    return units, units, lines


def _is_row_of_labels(cells: tuple[str, ...], line: str, dialect: Dialect) -> bool:
    """Three or more labels, or a line that is no ``key: value``: meant for columns, but not for as many."""
    if any(dialect.is_number(cell) for cell in cells) or re.search(r"[:=]", line):
        return False
    return len(cells) > 2 or key_value(line) is None


def _labels_one_column(text: str) -> bool:
    return key_value(text) is None and len(text) <= 60 and len(text.split()) <= 4


def _is_units_row(cells: tuple[str, ...]) -> bool:
    spelled = [cell for cell in cells if cell.strip("[](){}- ")]
    if not spelled:
        return False
    known = [known_unit(cell) is not None and not _axis_token(cell) for cell in spelled]
    bracketed = [re.fullmatch(r"[\[(].*[\])]", cell) is not None for cell in spelled]
    return sum(known) * 2 >= len(spelled) or all(bracketed)


def _axis_token(text: str) -> bool:
    return text.strip().lower() in ("x", "y", "z")


def _time_columns(columns: list[Column], dialect: Dialect, *, labelled: bool) -> list[Column]:
    stamped = [column for column in columns if dialect.kinds[column.cell] == "stamp"]
    if stamped:
        return stamped[:2] if _date_then_time(stamped, dialect) else stamped[:1]
    numeric = [column for column in columns if dialect.kinds[column.cell] == "number"]
    if labelled:
        named = [column for column in numeric if is_time_name(column)]
        return named[:1]
    if len(columns) < 2 or dialect.kinds[0] != "number":
        return []
    return [columns[0]] if _rises(dialect) else []


def _rises(dialect: Dialect) -> bool:
    """Whether the first column of a file without header is the time: it rises nearly throughout, but is no counter.

    A slow signal rises for a while as well, so all rows of the head and the tail are asked; between clearly yes
    and clearly no lies a refusal, because a mapping's c1 depends on the answer.
    """
    values = [float(cell.replace(dialect.decimal, ".")) for cell in dialect.first_cells() if dialect.is_number(cell)]
    steps = [b - a for a, b in pairwise(values)]
    if len(values) < 3 or max(steps) <= 0.0 or all(step == 1.0 for step in steps):
        return False
    share = sum(step >= 0.0 for step in steps) / len(steps)
    net = (values[-1] - values[0]) / sum(abs(step) for step in steps)
    if share >= 0.95 and net >= 0.95:
        return True
    if share < 0.95 and net < 0.5:
        return False
    raise ReaderRefusal(
        ReasonCode.AMBIGUOUS, "the first column may be a time or a signal",
        found=f"{share * 100:.0f} % of its steps do not fall", todo="add a header line that names the columns",
    )  # fmt: skip


def _date_then_time(stamped: list[Column], dialect: Dialect) -> bool:
    if len(stamped) < 2 or not dialect.sample:
        return False
    first, second = (dialect.sample[0][column.cell] for column in stamped[:2])
    return ":" not in first and second.count(":") == 2 and "-" not in second
