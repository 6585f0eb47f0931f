"""Rows of plain decimal numbers, each column with as many decimals throughout, read without a parser.

What loggers write in all likelihood: ``-0.005201,1.004441``. Where separators stand is found for some thousand rows at
once; the eight bytes before each of them are then taken as one word, whose digits three multiplications make a number
of. Every byte has to be accounted for as a digit, a separator, a decimal mark in its place or a sign in front, so
nothing else can be taken for a number; a block with anything else in it is left to the general parser.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

MOST_DIGITS = 15
"""Counts of so many digits are exact doubles, and so their quotient by a power of ten is correctly rounded."""

_PIECE_BYTES = 1 << 20
"""Looked at at a time: words and places stay in the second cache, and numpy's calls do not count yet."""
_LEAD = 31
"""Bytes before the line end before a piece: so far back the bytes before a separator may be asked for."""
_DIGITS_OF_32_BITS = 9
_WORD = 8
_AHEAD = 2
_LINE_END, _MINUS = 10, 45

Positions = npt.NDArray[np.int64]
Words = npt.NDArray[np.uint64]
Counts = npt.NDArray[np.signedinteger[Any]]


@dataclass(frozen=True, slots=True)
class FixedColumn:
    """One column as whole ``counts`` [shape=(n_row,)] of 10**-decimals; ``negative`` where a sign stands in front."""

    counts: Counts
    negative: npt.NDArray[np.bool_]
    decimals: int

    @property
    def values(self) -> npt.NDArray[np.float64]:
        """Correctly rounded doubles [shape=(n_row,)]; -0.0 is what it is."""
        values = self.counts / 10.0**self.decimals
        return np.asarray(np.copysign(values, 0.5 - self.negative), np.float64)

    @property
    def largest(self) -> int:
        """The largest count without its sign."""
        return max(int(self.counts.max()), -int(self.counts.min()))

    @property
    def size(self) -> int:
        """Rows."""
        return int(self.counts.size)

    @property
    def nbytes(self) -> int:
        """Bytes held."""
        return self.counts.nbytes + self.negative.nbytes


def fixed_columns(
    data: bytes, n_cells: int, delimiter: str, decimal: str, start: int = 0
) -> list[FixedColumn] | None:
    """The columns of a block of whole lines, or None where any byte is not as it should be.

    Parameters
    ----------
    data
        Lines that end with line feeds; the last may lack it.
    start
        Where the first of the rows begins.
    """
    form = _form(data, start, delimiter, decimal)
    if len(form.tails) != n_cells:
        return None
    ways = [_by_width, _by_separators]
    pieces = []
    for characters in _pieces(data, start):
        piece = None
        while ways and (piece := _piece(characters.view("<u8"), form, ways[0](characters, form))) is None:
            del ways[0]
        if piece is None:
            return None
        pieces.append(piece)
    return [_whole(column) for column in zip(*pieces, strict=True)]


@dataclass(frozen=True, slots=True)
class _Form:
    """How the rows of a block are written: the bytes that part cells and mark decimals, and for each cell how many
    bytes there are from its mark on (0 without one) and how many without a sign, as the first row has it.
    """

    delimiter: int
    mark: int
    tails: tuple[int, ...]
    widths: tuple[int, ...]


def _form(data: bytes, start: int, delimiter: str, decimal: str) -> _Form:
    mark = decimal.encode()
    end = data.find(b"\n", start)
    first = data[start : end if end >= 0 else len(data)]
    cells = [cell.removeprefix(b"-") for cell in first.split(delimiter.encode())]
    tails = (len(cell.partition(mark)[2]) + 1 if mark in cell else 0 for cell in cells)
    return _Form(ord(delimiter), ord(decimal), tuple(tails), tuple(len(cell) for cell in cells))


def _pieces(data: bytes, start: int) -> Iterator[npt.NDArray[np.uint8]]:
    """Some whole lines at a time [shape=(8 * n,)], behind a line end, zeros around; the next ones spoil them."""
    everything = np.frombuffer(data, np.uint8)
    room = np.zeros(0, np.uint8)
    while start < len(data):
        stop = _stop(data, start + _PIECE_BYTES, start)
        end = _LEAD + 1 + stop - start
        if room.size < end + 2 * _WORD:
            room = np.zeros(end + 2 * _WORD, np.uint8)
            room[_LEAD] = _LINE_END
        room[_LEAD + 1 : end] = everything[start:stop]
        room[end : end + 2 * _WORD] = 0
        if room[end - 1] != _LINE_END:
            room[end] = _LINE_END
            end += 1
        yield room[: -(-end // _WORD) * _WORD]
        start = stop


def _stop(data: bytes, wanted: int, start: int) -> int:
    """The end of the last line that ends by there, or else of the one that goes on."""
    if wanted >= len(data):
        return len(data)
    return data.rfind(b"\n", start, wanted) + 1 or data.find(b"\n", wanted) + 1 or len(data)


@dataclass(frozen=True, slots=True)
class _Cells:
    """One cell of some rows [shape=(n_row,)]: its end, whether a sign stands in front, its length without that."""

    ends: Positions
    negative: npt.NDArray[np.bool_]
    lengths: Positions


def _by_width(characters: npt.NDArray[np.uint8], form: _Form) -> list[_Cells] | None:
    """All cells from their widths, the first of a row (often a time, which grows) from what is left.

    None where there are no delimiters between them.
    """
    if sum(form.widths) < _WORD:
        return None
    line_ends = _places(characters == _LINE_END, apart=True)
    # two in eight bytes give a place between or behind them; or else one of them is taken for a cell's
    if np.any(np.take(characters, line_ends) != _LINE_END):
        return None
    ends, starts = line_ends[1:], line_ends[:-1]
    cells: list[_Cells] = []
    for width in form.widths[:0:-1]:
        delimiters = ends - (width + 1)
        if delimiters.min() < 0:
            return None
        negative = np.take(characters, delimiters) == _MINUS
        delimiters -= negative
        if np.any(np.take(characters, delimiters) != form.delimiter):
            return None
        cells.append(_Cells(ends, negative, np.full(1, width)))
        ends = delimiters
    cells.append(_between(characters, starts, ends))
    return cells[::-1]


def _by_separators(characters: npt.NDArray[np.uint8], form: _Form) -> list[_Cells] | None:
    """All cells from delimiters and line ends; None where rows have more of them or fewer."""
    separators = characters == _LINE_END
    n_lines = np.count_nonzero(separators) - 1
    separators |= characters == form.delimiter
    ends = _places(separators, apart=False)
    n_cells = len(form.tails)
    # every so many separators one is a line end, and there are no others
    if ends.size != n_lines * n_cells + 1 or not np.all(characters[ends[::n_cells]] == _LINE_END):
        return None
    by_cell = [np.ascontiguousarray(ends[cell::n_cells]) for cell in range(n_cells)]
    return [
        _between(characters, before[: after.size], after)
        for before, after in zip(by_cell, [*by_cell[1:], by_cell[0][1:]], strict=True)
    ]


def _between(characters: npt.NDArray[np.uint8], before: Positions, ends: Positions) -> _Cells:
    negative = np.take(characters[1:], before) == _MINUS
    lengths = ends - before
    lengths -= 1
    lengths -= negative
    return _Cells(ends, negative, lengths)


def _places(marked: npt.NDArray[np.bool_], *, apart: bool) -> Positions:
    """Where marks stand among a multiple of eight bytes; ``apart``: at most one in eight, which are asked as one."""
    words = marked.view("<u8")
    found = np.flatnonzero(words != 0)
    if not apart and found.size < np.count_nonzero(marked):
        return np.flatnonzero(marked)
    # the mark's place in the word moves into the highest byte
    within = np.take(words, found)
    within *= np.uint64(0x0001020304050607)
    within >>= np.uint64(56)
    within &= np.uint64(7)
    found <<= 3
    found += within.view(np.int64)
    return found


def _piece(words: Words, form: _Form, cells: list[_Cells] | None) -> list[FixedColumn] | None:
    """The columns of some rows; None where a cell is anything but digits around its mark."""
    columns: list[FixedColumn] = []
    for cell, tail in zip(cells or (), form.tails, strict=cells is not None):
        counts = _counts(words, cell, tail, form.mark)
        if counts is None:
            return None
        if np.any(cell.negative):
            counts *= np.int8(1) - np.int8(2) * cell.negative.view(np.int8)
        columns.append(FixedColumn(counts, cell.negative, max(tail - 1, 0)))
    return columns or None


def _whole(parts: tuple[FixedColumn, ...]) -> FixedColumn:
    if len(parts) == 1:
        return parts[0]
    counts = np.concatenate([part.counts for part in parts])
    return FixedColumn(counts, np.concatenate([part.negative for part in parts]), parts[0].decimals)


def _counts(words: Words, cell: _Cells, tail: int, mark: int) -> Counts | None:
    """What stands before each separator as a whole number without its sign; None where it is none, or too long."""
    fewest, most = int(cell.lengths.min()), int(cell.lengths.max())
    if fewest <= tail or most - (tail > 0) > MOST_DIGITS:
        return None
    at = cell.ends >> 3
    at -= _AHEAD
    down = (cell.ends & 7).view(np.uint64)
    down <<= np.uint64(3)
    up = np.uint64(64) - down  # a shift by all 64 bits gives zero
    lengths = cell.lengths if fewest < most else cell.lengths[:1]
    zeros, room = _sixteen(tail, ord("0"), mark), _sixteen(tail, 0x7F - 9, 0x7F)
    late = _digits(_joined(words, at, 1, down, up), zeros[0], room[0], _LATE[lengths])
    if late is None:
        return None
    early = None
    if most > _WORD:
        early = _digits(_joined(words, at, 2, down, up), zeros[1], room[1], _EARLY[lengths])
        if early is None:
            return None
    if tail:
        _close_up(late, early, tail)
    numbers = _number(late)
    if early is not None and most - (tail > 0) > _WORD:
        numbers += _number(early) * np.uint64(10**_WORD)
    return numbers.astype(np.int32 if most - (tail > 0) <= _DIGITS_OF_32_BITS else np.int64)


def _sixteen(tail: int, usual: int, at_mark: int) -> tuple[np.uint64, np.uint64]:
    """The same byte sixteen times but where the mark stands, as the last word and the one before it."""
    both = bytearray([usual]) * (2 * _WORD)
    if tail:
        both[-tail] = at_mark
    early, late = np.frombuffer(both, "<u8")
    return late, early


def _digits(words: Words, zeros: np.uint64, room: np.uint64, kept: Words) -> Words | None:
    """The digits in the bytes ``kept``, zero at the mark; None where anything else is there. The words are spoilt.

    ``zeros`` is their text if all were zero, ``room`` what brings more than nine, or more than nothing at the mark,
    into a byte's highest bit.
    """
    words ^= zeros
    words &= kept
    over = words + room
    # a byte that carries into the next one has that bit itself
    over |= words
    return None if np.bitwise_or.reduce(over) & np.uint64(0x8080808080808080) else words


def _joined(words: Words, at: Positions, back: int, down: Words, up: Words) -> Words:
    """Eight bytes each from the words ``back`` before those places and their neighbours."""
    # the words are moved, not the places: what is behind the last place is not asked for
    joined = np.take(words[_AHEAD - back :], at)
    joined >>= down
    rest = np.take(words[_AHEAD - back + 1 :], at)
    rest <<= up
    joined |= rest
    return joined


def _close_up(late: Words, early: Words | None, tail: int) -> None:
    """Move what stands before the mark, ``tail`` bytes before the end, up into its place."""
    holder = late if tail <= _WORD or early is None else early
    whole = holder & np.uint64((1 << 8 * (-tail % _WORD)) - 1)
    whole *= np.uint64(255)
    holder += whole
    if holder is late and early is not None:
        late |= early >> np.uint64(56)
        early <<= np.uint64(8)


def _number(words: Words) -> Words:
    """The number of eight digits in each word, zeros in front [shape as given]; the words are spoilt."""
    # every digit but the last times ten, with its neighbour; then pairs of these, then pairs of pairs
    words *= np.uint64((10 << 8) + 1)
    words >>= np.uint64(8)
    words &= np.uint64(0x00FF00FF00FF00FF)
    words *= np.uint64((100 << 16) + 1)
    words >>= np.uint64(16)
    words &= np.uint64(0x0000FFFF0000FFFF)
    words *= np.uint64((10000 << 32) + 1)
    words >>= np.uint64(32)
    return words


_ALL = (1 << 64) - 1
_LENGTHS = range(2 * _WORD + 1)
_LATE = np.array([_ALL << 8 * (_WORD - min(n, _WORD)) & _ALL for n in _LENGTHS], np.uint64)
_EARLY = np.array([_ALL << 8 * min(2 * _WORD - n, _WORD) & _ALL for n in _LENGTHS], np.uint64)
"""The bytes of a number of so many that are in its last word, and in the one before."""
for _table in (_LATE, _EARLY):
    _table.flags.writeable = False
