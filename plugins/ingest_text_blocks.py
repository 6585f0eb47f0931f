"""Rows of a text capture as blocks of float64, correctly rounded, with every doubtful line looked at by hand.

The fast way (a C parser over blocks of whole lines) is believed only when rows, delimiters and finite
numbers all come out as the lines promise; otherwise the block is read line by line and the first offence is
named by line and column.
"""

from __future__ import annotations

import codecs
import csv
import io
import re
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from ..pipeline.contracts import ReaderRefusal, ReasonCode
from .ingest_text_dialect import BLANKS, MISSING, Dialect, is_number, kind_of, without_comment_mark
from .ingest_text_fixed import FixedColumn, fixed_columns

BLOCK_BYTES = 4 << 20
"""Bytes parsed at a time: large enough that the parser's start does not count, small enough to bound memory."""

_LONGEST_LINE = 1 << 20
_NO_DELIMITER = "\x01"
"""Given to the parser for files of one column; a file that holds it is looked at by hand."""


@dataclass(frozen=True, slots=True)
class RowBlock:
    """Consecutive rows: ``numbers`` one array [shape=(n_row,)] per number column, ``stamps`` one per stamp column.

    ``lines`` [shape=(n_row,)] are the line numbers of the rows in the file, or None when they simply follow
    ``first_line``. Where all numbers have as many decimals throughout their column, ``numbers`` are columns of
    counts instead.
    """

    numbers: tuple[npt.NDArray[np.float64] | FixedColumn, ...]
    stamps: tuple[npt.NDArray[np.object_], ...]
    first_line: int
    lines: npt.NDArray[np.int64] | None = None

    @property
    def n(self) -> int:
        """Rows."""
        first = self.numbers[0]
        return int((first.counts if isinstance(first, FixedColumn) else first).size)

    def values(self, place: int) -> npt.NDArray[np.float64]:
        """One column's numbers as doubles [shape=(n_row,)]."""
        column = self.numbers[place]
        return column.values if isinstance(column, FixedColumn) else column

    def line(self, row: int) -> int:
        """Line number of one row."""
        return int(self.lines[row]) if self.lines is not None else self.first_line + row


def text_blocks(path: Path, encoding: str) -> Iterator[tuple[bytes, bool]]:
    """Whole lines as UTF-8 (or the file's own single bytes), line feeds only; True with the last block."""
    with path.open("rb") as stream:
        decoder = codecs.getincrementaldecoder(encoding)("strict") if encoding.startswith("utf-16") else None
        rest, waiting = b"", b""
        while raw := stream.read(BLOCK_BYTES):
            data = rest + (_recoded(decoder, raw) if decoder else raw)
            # a carriage return at the very end may be the first half of a line ending
            cut = max(data.rfind(b"\n"), data.rfind(b"\r", 0, max(len(data) - 1, 0))) + 1
            if not cut and len(data) > _LONGEST_LINE + BLOCK_BYTES:
                raise ReaderRefusal(
                    ReasonCode.LIMIT_EXCEEDED, "a line is too long for rows of samples",
                    found=f"{len(data)} bytes without a line end", allowed=f"{_LONGEST_LINE} bytes",
                )  # fmt: skip
            rest = data[cut:]
            if cut and waiting:
                yield waiting, False
            waiting = _plain(data[:cut]) if cut else waiting
        rest += _recoded(decoder, b"") if decoder else b""
        if rest and waiting:
            yield waiting, False
        yield (_plain(rest) if rest else waiting), True


def _recoded(decoder: codecs.IncrementalDecoder, raw: bytes) -> bytes:
    try:
        return decoder.decode(raw, final=not raw).encode()
    except UnicodeError:
        raise ReaderRefusal(
            ReasonCode.UNREADABLE, "the text is not whole in its encoding", found="half a character (UTF-16)"
        ) from None


def _plain(data: bytes) -> bytes:
    if b"\r" in data:
        data = data.replace(b"\r\n", b"\n").replace(b"\r", b"\n")
    return data


class SparseColumn(Exception):
    """A hole in a column beside the signal: it is read again as one that is filled in some rows only."""

    def __init__(self, cell: int) -> None:
        super().__init__(f"cell {cell}")
        self.cell = cell


class RowReader:
    """Reads the rows of one file in its dialect; text cells that are no stamps are passed over.

    ``sparse`` are the cells of number columns that may be empty (NaN in the blocks); a hole in any other cell
    of ``beside`` raises SparseColumn, a hole elsewhere is refused.
    """

    def __init__(
        self, path: Path, dialect: Dialect, sparse: frozenset[int] = frozenset(), beside: frozenset[int] = frozenset()
    ) -> None:
        self._path, self._dialect = path, dialect
        self.sparse, self._beside = sparse, beside
        self._numeric = [i for i, kind in enumerate(dialect.kinds) if kind == "number"]
        self._stamped = [i for i, kind in enumerate(dialect.kinds) if kind == "stamp"]
        self._decimal = "." if self._decimal_in_quotes else dialect.decimal
        self.footer: list[str] = []

    def blocks(self) -> Iterator[RowBlock]:
        """All rows in order. Raises ReaderRefusal naming line and column of the first offence."""
        line = 1
        skip = self._dialect.first_row - 1
        for data, last in text_blocks(self._path, self._dialect.encoding):
            start, skipped = _after_lines(data, skip)
            line, skip = line + skipped, skip - skipped
            if start < len(data):
                yield self._block(data, start, line, last)
                line += 0 if last else _n_lines(data) - skipped

    def _block(self, data: bytes, start: int, line: int, last: bool) -> RowBlock:
        if last and not data.endswith(b"\n"):
            self._refuse_cut_cell(data, line + _n_lines(data[start:]) - 1)
        columns = None if self._dialect.quoted else self._fixed(data, start)
        if columns is None:
            return self._general(data[start:], line, last)
        return RowBlock(tuple(columns), (), line)

    def _general(self, data: bytes, line: int, last: bool) -> RowBlock:
        plain = data
        if self._dialect.quoted or b'"' in data:
            plain = self._unquoted(data, line)
            columns = self._fixed(plain)
            if columns is not None:
                return RowBlock(tuple(columns), (), line)
        parsed = self._parsed(plain, _n_lines(data))
        if parsed is not None:
            return RowBlock(*parsed, first_line=line)
        return self._examined(plain, line, last)

    def _fixed(self, data: bytes, start: int = 0) -> list[FixedColumn] | None:
        """The block where it is nothing but numbers of fixed decimals, which are read in half the time."""
        return None if self.sparse else _fixed_columns(data, self._dialect, self._decimal, start)

    @cached_property
    def _options(self) -> dict[str, Any]:
        import pandas as pd

        dialect = self._dialect
        names = [f"c{i}" for i in range(dialect.n_cells)]
        version = tuple(int(part) for part in pd.__version__.split(".")[:2])
        return {
            "header": None, "names": names, "index_col": False, "na_filter": False, "quoting": csv.QUOTE_NONE,
            "sep": {" ": r"\s+", "": _NO_DELIMITER}.get(dialect.delimiter, dialect.delimiter),
            "decimal": self._decimal,
            "skip_blank_lines": False, "low_memory": False,
            "usecols": [names[i] for i in (*self._numeric, *self._stamped)],
            "dtype": {names[i]: object if i in self.sparse else np.float64 for i in self._numeric}
            | {names[i]: object for i in self._stamped},
            # before 3.1 the parser's usual conversion could be one unit of the last place off
            **({"float_precision": "round_trip"} if version < (3, 1) else {}),
        }  # fmt: skip

    @property
    def _decimal_in_quotes(self) -> bool:
        return self._dialect.quoted and self._dialect.delimiter == "," and self._dialect.decimal == ","

    def _parsed(
        self, data: bytes, n_lines: int
    ) -> tuple[tuple[npt.NDArray[np.float64], ...], tuple[npt.NDArray[np.object_], ...]] | None:
        """The block by the C parser, or None when anything at all is not as it should be."""
        import pandas as pd

        dialect = self._dialect
        if (dialect.delimiter in (" ", "") and "text" in dialect.kinds) or "empty" in dialect.kinds[:-1]:
            return None
        mark = (dialect.delimiter or _NO_DELIMITER).encode()
        found = _blank_parted_cells(data) - n_lines if dialect.delimiter == " " else _count(data, mark)
        if found != n_lines * (dialect.n_cells - 1):
            return None  # the parser drops surplus cells without a word
        ends = data.endswith(b"\n")
        if dialect.kinds[-1] == "empty" and data.count(mark + b"\n") != n_lines - (not ends):
            return None
        try:
            encoding = "utf-8" if data.isascii() else "latin-1"  # the second is slower, and never fails
            frame = pd.read_csv(io.BytesIO(data), encoding=encoding, **self._options)
        except (ValueError, OverflowError):  # the parser's own errors are ValueErrors
            return None
        if len(frame) != n_lines:
            return None
        columns = [self._numbers(i, frame[f"c{i}"].to_numpy()) for i in self._numeric]
        numbers = tuple(column for column in columns if column is not None)
        if len(numbers) < len(columns):
            return None
        return numbers, tuple(frame[f"c{i}"].to_numpy(object) for i in self._stamped)

    def _numbers(self, cell: int, column: npt.NDArray[Any]) -> npt.NDArray[np.float64] | None:
        """A parsed column as finite numbers (with holes where it may have some), or None."""
        if cell not in self.sparse:
            numbers = np.asarray(column, np.float64)
            return numbers if np.isfinite(numbers).all() else None
        numbers = np.full(column.size, np.nan)
        for row, text in enumerate(column):
            bare = text.strip(BLANKS)
            if bare.lower() in MISSING:
                continue
            if not is_number(bare, self._decimal):
                return None
            numbers[row] = float(bare.replace(",", "."))
        return numbers

    def _unquoted(self, data: bytes, line: int) -> bytes:
        mark = re.escape(self._dialect.delimiter.encode()) if self._dialect.delimiter.strip() else rb"[ \t]"
        pattern = rb'(?:(?<=\n)|(?<=^)|(?<=%b))([ ]*)"([^"\n]*)"(?=[ ]*(?:%b|\n|$))' % (mark, mark)
        inner = rb",", (b"." if self._decimal_in_quotes else b",")
        plain = re.sub(pattern, lambda match: match[1] + match[2].replace(*inner), data)
        if b'"' in plain:
            where = line + plain[: plain.index(b'"')].count(b"\n")
            raise ReaderRefusal(
                ReasonCode.NOT_NUMERIC, f"line {where} has a stray quotation mark",
                allowed="quotation marks around whole cells", todo="mend the line",
            )  # fmt: skip
        return plain

    def _examined(self, data: bytes, first_line: int, last: bool) -> RowBlock:
        """The block line by line: blank lines and a closing comment are passed over, anything else refused."""
        rows: list[list[str]] = []
        lines: list[int] = []
        closing: list[str] = []
        decimal = self._decimal
        for number, text in enumerate(data.decode("latin-1").split("\n"), first_line):
            if not text.strip(" \t\f\v\x1a"):
                continue
            if last and self._is_closing(text):
                closing.append(text)
                continue
            if closing:
                raise self._refusal_of_line(number, text, "comes after a closing comment")
            rows.append(self._checked_cells(text, number, decimal))
            lines.append(number)
        self.footer += closing
        return self._built(rows, lines, decimal, first_line)

    def _is_closing(self, text: str) -> bool:
        comment = without_comment_mark(text, self._dialect.delimiter)
        if comment is None:
            return False
        return sum(character.isdigit() for character in comment) <= len(comment) // 4

    def _checked_cells(self, text: str, number: int, decimal: str) -> list[str]:
        cells = self._dialect.cells(text)
        wanted = self._dialect.n_cells
        if len(cells) != wanted:
            kinds = {kind_of(cell, decimal) for cell in cells}
            what = f"has {len(cells)} cells where the rows have {wanted}" if "text" not in kinds else "is no row"
            raise self._refusal_of_line(number, text, what)
        for column, (cell, kind) in enumerate(zip(cells, self._dialect.kinds, strict=True), 1):
            self._check_cell(cell, kind, number, column, decimal)
        return cells

    def _check_cell(self, cell: str, kind: str, number: int, column: int, decimal: str) -> None:
        where = f"line {number}, column {column}"
        have = kind_of(cell, decimal)
        if kind == "empty" and cell:
            raise ReaderRefusal(
                ReasonCode.UNREADABLE, f"{where} should be empty as in the other rows", found=repr(cell[:60])
            )
        if kind not in ("number", "stamp") or have == kind == "stamp":
            return
        if have == "missing" and column - 1 in self.sparse:
            return
        if have == "missing" and column - 1 in self._beside:
            raise SparseColumn(column - 1)
        if have == "missing":
            raise ReaderRefusal(
                ReasonCode.NON_FINITE, f"{where} holds no finite number",
                found=repr(cell) if cell else "an empty cell", todo="cut the record there, or record again",
            )  # fmt: skip
        if have != kind:
            raise ReaderRefusal(
                ReasonCode.NOT_NUMERIC, f"{where} is no {'number' if kind == 'number' else 'time stamp'}",
                found=repr(cell[:60]), allowed=f"numbers with '{decimal}' as decimal mark", todo="mend the line",
            )  # fmt: skip
        if kind == "number" and not np.isfinite(float(cell.replace(",", "."))):
            raise ReaderRefusal(ReasonCode.NON_FINITE, f"{where} holds no finite number", found=repr(cell[:60]))

    def _built(self, rows: list[list[str]], lines: list[int], decimal: str, first_line: int) -> RowBlock:
        numbers = tuple(
            np.array([_number_or_hole(row[i], decimal) for row in rows], np.float64) for i in self._numeric
        )
        stamps = tuple(np.array([row[i] for row in rows], object) for i in self._stamped)
        return RowBlock(numbers, stamps, first_line, np.array(lines, np.int64))

    def _refusal_of_line(self, number: int, text: str, what: str) -> ReaderRefusal:
        shown = text.strip()
        return ReaderRefusal(
            ReasonCode.UNREADABLE, f"line {number} {what}",
            found=repr(shown if len(shown) <= 60 else shown[:57] + "..."), todo="mend or remove the line",
        )  # fmt: skip

    def _refuse_cut_cell(self, data: bytes, number: int) -> None:
        """A file that ends in mid-line, in a column of fixed decimals, with fewer of them, was cut off."""
        cells = self._dialect.cells(data[data.rfind(b"\n") + 1 :].decode("latin-1"))
        before = [row[-1] for row in self._dialect.sample[:-1] if len(row) == len(cells)]
        decimals = {_decimals(cell, self._dialect.decimal) for cell in before[-50:]}
        if len(before) < 10 or len(decimals) != 1 or not is_number(cells[-1], self._dialect.decimal):
            return
        (usual,) = decimals
        if _decimals(cells[-1], self._dialect.decimal) < usual:
            raise ReaderRefusal(
                ReasonCode.UNREADABLE, f"line {number} ends in the middle of a number",
                found=repr(cells[-1]), allowed=f"{usual} decimals as in every other row", todo="remove the last line",
            )  # fmt: skip


def _number_or_hole(cell: str, decimal: str) -> float:
    return float(cell.replace(decimal, ".")) if is_number(cell, decimal) else np.nan


def needs_parser(head: bytes, dialect: Dialect) -> bool:
    """Whether the rows at the head of a file are more than numbers of fixed decimals."""
    lines = head.replace(b"\r\n", b"\n").split(b"\n")[dialect.first_row - 1 : -1]
    rows = b"\n".join([*lines, b""])
    return dialect.quoted or _fixed_columns(rows, dialect, dialect.decimal) is None


def _fixed_columns(data: bytes, dialect: Dialect, decimal: str, start: int = 0) -> list[FixedColumn] | None:
    if dialect.delimiter in (" ", "") or set(dialect.kinds) != {"number"} or not data:
        return None
    return fixed_columns(data, dialect.n_cells, dialect.delimiter, decimal, start)


def _count(data: bytes, character: bytes) -> int:
    """How often one character occurs (several times faster than the method of ``bytes``)."""
    return int(np.count_nonzero(np.frombuffer(data, np.uint8) == character[0]))


def _blank_parted_cells(data: bytes) -> int:
    """Number of cells between blanks, tabs and line ends."""
    characters = np.frombuffer(data, np.uint8)
    inside = (characters != 32) & (characters != 9) & (characters != 10)
    return int(np.count_nonzero(inside[1:] & ~inside[:-1])) + int(inside[:1].sum())


def _decimals(cell: str, decimal: str) -> int:
    return len(cell.partition(decimal)[2])


def _n_lines(data: bytes) -> int:
    return _count(data, b"\n") + (not data.endswith(b"\n"))


def _after_lines(data: bytes, n: int) -> tuple[int, int]:
    """Where the line after the first ``n`` begins, or the end where there are fewer, and how many lines that is."""
    start = 0
    for done in range(n):
        if start >= len(data):
            return start, done
        start = data.find(b"\n", start) + 1 or len(data)
    return start, n
