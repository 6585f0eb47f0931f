"""The dialect of a text capture: encoding, delimiter, decimal mark, preamble, and where the rows begin.

Found from the head of the file alone, and never by giving anything up: a line above the rows that could be
a damaged row (numbers in it, but not a row) is refused with its number instead of being taken for a header.
"""

from __future__ import annotations

import codecs
import csv
import itertools
import re
from collections import Counter
from dataclasses import dataclass, replace

from ..pipeline.contracts import ReaderRefusal, ReasonCode

HEAD_BYTES = 1 << 16
"""Looked at to find the dialect: longer preambles than this are refused."""

_SAMPLE_LINES = 40
_TYPICAL_LINES = 16
BLANKS = " \t"
COMMENT_MARKS = ("#", "//", "%", ";", "!")
MISSING = frozenset({"", "nan", "na", "n/a", "#n/a", "null", "none", "-", "--", "inf", "+inf", "-inf", "infinity",
                     "-infinity", "+infinity", "-nan", "+nan", "1.#qnan", "#nan", "-1.#ind"})  # fmt: skip
_CONTROL = re.compile(r"[\x00-\x08\x0e-\x19\x1b-\x1f]")
_NUMBER = {
    ".": re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?", re.ASCII),
    ",": re.compile(r"[+-]?(?:\d+,?\d*|,\d+)(?:[eE][+-]?\d+)?", re.ASCII),
}
STAMP = re.compile(
    r"(?:\d{4}-\d\d-\d\d|\d{4}/\d\d/\d\d|\d\d\.\d\d\.\d{4}|\d{8}(?=T))"  # a date: ISO, with slashes, or day first
    r"(?:[T ]+\d\d:?\d\d(?::?\d\d(?:[.,]\d{1,9})?)?\s*(?:Z|[+-]\d\d:?\d\d)?)?"  # and a time of day
    r"|\d\d:\d\d:\d\d(?:[.,]\d{1,9})?",
    re.ASCII,
)
"""Stamps whose order of day and month is certain: 11/12/2026 is not one of them."""
_NAMES = {"\t": "tab", ",": "comma", ";": "semicolon", "|": "bar", " ": "blanks", "": "none (one column)"}


@dataclass(frozen=True, slots=True)
class Dialect:
    """How the file is written, and what stands above its rows.

    ``kinds`` per cell: ``number``, ``stamp``, ``text`` or ``empty`` (a delimiter at the end of every row).
    ``first_row`` is the line number (from 1) of the first row of numbers; ``preamble`` the lines above it;
    ``sample`` the cells of the first rows, as text; ``seen`` all lines of rows that were looked at.
    """

    encoding: str
    delimiter: str
    decimal: str
    quoted: bool
    first_row: int
    kinds: tuple[str, ...]
    preamble: tuple[str, ...]
    sample: tuple[tuple[str, ...], ...]
    seen: tuple[str, ...] = ()

    @property
    def n_cells(self) -> int:
        """Cells per row."""
        return len(self.kinds)

    def cells(self, line: str) -> list[str]:
        """The cells of one line, without blanks and quotes around them."""
        return split_cells(line, self.delimiter)

    def first_cells(self) -> list[str]:
        """First cells of all rows that were looked at, in order."""
        if self.delimiter == "":
            return []
        separator = None if self.delimiter == " " else self.delimiter
        return [line.split(separator, 1)[0].strip().strip('"') for line in self.seen if line.strip()]

    def is_number(self, cell: str) -> bool:
        """Whether the cell is one finite number as this file writes them."""
        return is_number(cell, self.decimal)

    def as_json(self) -> dict[str, object]:
        """What ``inspect`` shows."""
        return {
            "encoding": self.encoding, "delimiter": _NAMES[self.delimiter], "decimal": self.decimal,
            "quoted": self.quoted, "first_row_line": self.first_row, "cells": self.n_cells,
        }  # fmt: skip


def encoding_of(head: bytes) -> str:
    """Encoding by byte-order mark, by the pattern of zero bytes, or UTF-8 with Latin-1 as the last resort."""
    if head.startswith(codecs.BOM_UTF8):
        return "utf-8-sig"
    if head.startswith(codecs.BOM_UTF16_LE):
        return "utf-16-le"
    if head.startswith(codecs.BOM_UTF16_BE):
        return "utf-16-be"
    sample = head[:4096]
    even, odd = sample[0::2].count(0), sample[1::2].count(0)
    if odd > len(sample) // 4 and even < odd // 8:
        return "utf-16-le"
    if even > len(sample) // 4 and odd < even // 8:
        return "utf-16-be"
    try:
        codecs.getincrementaldecoder("utf-8")().decode(head)
    except UnicodeDecodeError:
        return "latin-1"
    return "utf-8"


def plain_newlines(text: str) -> str:
    """The text with every line ending written as one line feed."""
    return text.replace("\r\n", "\n").replace("\r", "\n") if "\r" in text else text


def split_cells(line: str, delimiter: str) -> list[str]:
    """Cells of one line; an empty delimiter means one cell, a blank means runs of blanks or tabs.

    Only blanks and tabs are taken off: other characters that count as white space are damage, not layout.
    """
    if delimiter == "":
        return [line.strip(BLANKS).strip('"').strip(BLANKS)]
    if delimiter == " ":
        return [cell.strip('"') for cell in re.split(r"[ \t]+", line.strip(BLANKS))]
    if '"' in line:
        quoted = next(csv.reader([line], delimiter=delimiter, skipinitialspace=True), [])
        return [cell.strip(BLANKS) for cell in quoted]
    return [cell.strip(BLANKS) for cell in line.split(delimiter)]


def is_number(cell: str, decimal: str) -> bool:
    """Whether a cell is one finite number with this decimal mark."""
    return _NUMBER[decimal].fullmatch(cell) is not None


def kind_of(cell: str, decimal: str) -> str:
    """``number``, ``missing``, ``stamp`` or ``text``."""
    if is_number(cell, decimal):
        return "number"
    if cell.lower() in MISSING:
        return "missing"
    return "stamp" if STAMP.fullmatch(cell) else "text"


def without_comment_mark(line: str, delimiter: str) -> str | None:
    """What stands behind a comment mark, or None when the line carries none."""
    stripped = line.lstrip().lstrip('"')
    for mark in COMMENT_MARKS:
        if stripped.startswith(mark) and mark != delimiter:
            return stripped.lstrip("".join(COMMENT_MARKS) if mark != ";" else ";").strip()
    return None


@dataclass(frozen=True, slots=True)
class _Candidate:
    delimiter: str
    decimal: str
    kinds: tuple[str, ...]
    score: float


def _candidate(lines: list[str], delimiter: str, decimal: str) -> _Candidate | None:
    """How well this delimiter and decimal mark explain the lines; None when they explain nothing."""
    rows = [[kind_of(cell, decimal) for cell in split_cells(line, delimiter)] for line in lines]
    rows = [row for row in rows if "number" in row]
    if not rows:
        return None
    n_cells, _ = Counter(len(row) for row in rows).most_common(1)[0]
    if n_cells == 1 and delimiter:
        return None
    rows = [row for row in rows if len(row) == n_cells]
    kinds = tuple(_majority([row[i] for row in rows]) for i in range(n_cells))
    fitting = sum(all(k in (kind, "missing") for k, kind in zip(row, kinds, strict=True)) for row in rows)
    good = sum(kind in ("number", "stamp", "empty") for kind in kinds) / n_cells
    return _Candidate(delimiter, decimal, kinds, fitting * good) if "number" in kinds else None


def _majority(kinds: list[str]) -> str:
    present = [kind for kind in kinds if kind != "missing"]
    if not present:
        return "empty"
    return Counter(present).most_common(1)[0][0]


def _header_alone(lines: list[str]) -> bool:
    """One or two lines of titles (and units) after any comments, and nothing else."""
    said = [line for line in lines if line.strip() and not line.lstrip().startswith(("#", "//", "%"))]
    return 1 <= len(said) <= 2 and all(re.search(r"\S\s*[,;\t|]\s*\S", line) for line in said)


def _best_candidate(lines: list[str]) -> _Candidate:
    text = "\n".join(lines)
    most = sum(re.search("[0-9]", line) is not None for line in lines)
    found: list[_Candidate] = []
    for delimiter, decimal in itertools.product(("\t", ";", ",", "|", " ", ""), (".", ",")):
        if delimiter in text and (decimal == "." or "," in text) and (one := _candidate(lines, delimiter, decimal)):
            found.append(one)
            if one.score >= most:  # every line that holds a digit is explained: none that follows can explain more
                break
    if not found:
        if _header_alone(lines):
            raise ReaderRefusal(
                ReasonCode.EMPTY, "a header and no rows below it", found=_shown(lines[0]),
                todo="record again, or export again",
            )  # fmt: skip
        raise ReaderRefusal(
            ReasonCode.NOT_NUMERIC, "no rows of numbers in this text",
            found=_shown(lines[0]) if lines else "no lines", todo="export the samples as rows of numbers",
        )  # fmt: skip
    return max(found, key=lambda candidate: candidate.score)


def _shown(text: str) -> str:
    return repr(text if len(text) <= 60 else text[:57] + "...")


def dialect_of(head: bytes, *, complete: bool) -> Dialect:
    """The dialect of a file whose first bytes are ``head``, all of them when it is ``complete``.

    Raises
    ------
    ReaderRefusal
        ``empty`` without any text, ``unreadable`` for binary content, ``not_numeric`` without rows of
        numbers or with a damaged row above the first whole one, ``ambiguous`` where one comma may be
        a delimiter or a decimal mark.
    """
    encoding = encoding_of(head)
    text = head.decode(encoding, errors="replace").removeprefix("\ufeff")
    lines = plain_newlines(text).split("\n")
    if not complete and len(lines) > 1:
        lines.pop()
    elif not complete:
        raise ReaderRefusal(
            ReasonCode.LIMIT_EXCEEDED, "the first line is too long for a header or a row",
            found=f"no line end in {HEAD_BYTES} bytes", todo="export the samples as rows, one instant a line",
        )  # fmt: skip
    if not "".join(lines).strip():
        raise ReaderRefusal(ReasonCode.EMPTY, "the file holds no text", todo="record again, or export again")
    _refuse_binary(text)
    best = _best_candidate(_typical(lines))
    first = _first_row(lines, best)
    sample = [split_cells(line, best.delimiter) for line in lines[first : first + _SAMPLE_LINES] if line.strip()]
    rows = tuple(tuple(cells) for cells in sample if len(cells) == len(best.kinds))
    if "empty" in best.kinds and len(rows) < 3:
        raise ReaderRefusal(
            ReasonCode.NON_FINITE, "too few rows to tell an empty column from missing cells",
            found=_shown(lines[first]), todo="record again, or remove the empty column",
        )  # fmt: skip
    _refuse_damaged_rows(lines[:first], best)
    dialect = Dialect(
        encoding=encoding, delimiter=best.delimiter, decimal=best.decimal,
        quoted='"' in "".join(lines[first : first + _SAMPLE_LINES]), first_row=first + 1, kinds=best.kinds,
        preamble=tuple(lines[:first]), sample=rows,
        seen=tuple(lines[first:]),
    )  # fmt: skip
    _refuse_unclear_comma(dialect)
    return dialect


def with_tail(dialect: Dialect, tail: bytes) -> Dialect:
    """The dialect with the whole lines among the file's last bytes looked at as well."""
    lines = plain_newlines(tail.decode(dialect.encoding, errors="replace")).split("\n")[1:-1]
    return replace(dialect, seen=(*dialect.seen, *lines)) if lines else dialect


def _typical(lines: list[str]) -> list[str]:
    """Some of the first and of the last lines of the head: the last ones are rows in all likelihood."""
    chosen = lines if len(lines) <= 2 * _SAMPLE_LINES else lines[:_TYPICAL_LINES] + lines[-_TYPICAL_LINES:]
    return [line for line in chosen if line.strip() and without_comment_mark(line, "") is None]


def _refuse_binary(text: str) -> None:
    odd = _CONTROL.findall(text, 0, 4096)
    if len(odd) > 3:
        raise ReaderRefusal(
            ReasonCode.UNREADABLE, "this is no text", found=f"bytes of value {ord(odd[0])}",
            todo="name the reader of its format, or export it as text",
        )  # fmt: skip


def _first_row(lines: list[str], best: _Candidate) -> int:
    """Index of the first line that is a whole row."""
    for index, line in enumerate(lines):
        if not line.strip() or without_comment_mark(line, best.delimiter) is not None:
            continue
        if _is_row(split_cells(line, best.delimiter), best):
            return index
    raise ReaderRefusal(ReasonCode.NOT_NUMERIC, "no complete row of numbers in this text", found=_shown(lines[0]))


def _is_row(cells: list[str], best: _Candidate) -> bool:
    if len(cells) != len(best.kinds):
        return False
    kinds = [kind_of(cell, best.decimal) for cell in cells]
    pairs = list(zip(kinds, best.kinds, strict=True))
    measured = [(have, want) for have, want in pairs if want in ("number", "stamp")]
    return all(have in (want, "missing") for have, want in measured) and any(have == want for have, want in measured)


def _refuse_damaged_rows(preamble: list[str], best: _Candidate) -> None:
    """Refuse a line above the rows that may be a row someone damaged; taking it for text would lose samples."""
    for index, line in enumerate(preamble):
        bare = line.strip(BLANKS)
        if not bare:
            continue
        comment = without_comment_mark(bare, best.delimiter)
        text = bare if comment is None else comment
        cells = split_cells(text, best.delimiter)
        n_numbers = sum(is_number(cell, best.decimal) for cell in cells)
        if n_numbers == len(cells):
            what = "a row that is not whole" if comment is None else "a row behind a comment mark"
            raise _damaged(index, bare, what)
        if _labels_all(cells, best) or _KEY_VALUE.match(text):
            continue
        if len(cells) == len(best.kinds) and 2 * n_numbers > len(cells) and not _PROSE.match(text):
            raise _damaged(index, bare, "a row with a cell that is no number")
        short_key = _SHORT_KEY.match(text) and 2 * n_numbers <= len(cells)
        prose = _PROSE.match(text) and 2 * n_numbers <= len(cells)
        if comment is None and not short_key and not prose and re.search(r"\d", text):
            raise _damaged(index, bare, "neither a header nor a row")


_KEY_VALUE = re.compile(r"[\"'\[(<{ ]*[^\W\d_]{2}[^:=,;\t]*[:=]")
_SHORT_KEY = re.compile(r"[^\W\d_]\s*[:=]")
_PROSE = re.compile(
    r"[\"'\[(<{*=\-_ ]*[^\W\d_]{2}"  # two letters lead
    r"|\d{1,4}[-./]\d{1,2}[-./]\d{1,4}(?!\d)(?:[T ,;]|$)|\d\d?:\d\d"  # or a date or a time of day
    r"|\d+[ -]?[^\W\d_]{3}"  # or a number of something: 3-axis, 12 bits
)


def _labels_all(cells: list[str], best: _Candidate) -> bool:
    """Whether the line labels every column, as a header or a units row does."""
    labels = [cell for cell in cells if cell]
    return len(cells) == len(best.kinds) and bool(labels) and all(_is_label(cell, best.decimal) for cell in labels)


def _is_label(cell: str, decimal: str) -> bool:
    if kind_of(cell, decimal) != "text" or re.match(r"[\d+.,\-]", cell):
        return False
    return re.search(r"\d[.,]\d", cell) is None


def _damaged(index: int, line: str, what: str) -> ReaderRefusal:
    return ReaderRefusal(
        ReasonCode.NOT_NUMERIC, f"line {index + 1} above the rows looks like {what}",
        found=_shown(line), todo="mend or remove the line",
    )  # fmt: skip


def _refuse_unclear_comma(dialect: Dialect) -> None:
    """Two whole numbers around one comma: 0,12 may be one number or two."""
    if dialect.delimiter != "," or dialect.n_cells != 2 or dialect.quoted:
        return
    if not all(cell.isdigit() for row in dialect.sample for cell in row[1:]):
        return
    header = [line for line in dialect.preamble if line.strip()]
    if header and len(dialect.cells(header[-1])) == 2:
        return
    raise ReaderRefusal(
        ReasonCode.AMBIGUOUS, "a comma here may part two cells or be a decimal mark",
        found=_shown(",".join(dialect.sample[0])),
        todo="add a header line that names each column, or part the cells with semicolons",
    )  # fmt: skip
