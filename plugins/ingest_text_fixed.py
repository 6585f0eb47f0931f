"""Rows of plain decimal numbers, each column with as many decimals throughout, read without a parser.

What loggers write in all likelihood: ``-0.005201,1.004441``. Where separators stand is found for a whole block at
once; the digits before each of them are then picked from tables of the two-digit and four-digit numbers that begin at
every byte. Every byte has to be accounted for as a digit, a separator, a decimal mark in its place or a sign in front,
so nothing else can be taken for a number; a block with anything else in it is left to the general parser.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

MOST_DIGITS = 15
"""Counts of so many digits are exact doubles, and so their quotient by a power of ten is correctly rounded."""

_DIGITS_OF_32_BITS = 9
_LEAD = 31
"""Bytes before the line end before the block: so far back the digits before a separator may be asked for.

Places of separators are counted from that line end, which is the first of them.
"""
_LINE_END, _MINUS, _ZERO = 10, 45, 48

Positions = npt.NDArray[np.intp]
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
    def nbytes(self) -> int:
        """Bytes held."""
        return self.counts.nbytes + self.negative.nbytes


class _Digits:
    """The digits of a block, as numbers of one, two and four of them by where they begin; other bytes are zeros."""

    def __init__(self, characters: npt.NDArray[np.uint8]) -> None:
        ones = characters - np.uint8(_ZERO)
        whether = ones < 10
        self.n = int(np.count_nonzero(whether))
        ones *= whether.view(np.uint8)
        pairs = ones[:-1] * np.uint8(10)
        pairs += ones[1:]
        wide = pairs.astype(np.uint16)
        fours = wide[:-2] * np.uint16(100)
        fours += wide[2:]
        self._tables = ((4, fours), (2, pairs), (1, ones))

    def before(self, ends: Positions, back: int, n: int, dtype: type[np.int32 | np.int64]) -> Counts:
        """The number in the ``n`` bytes that end ``back`` bytes before each place [shape=(n_row,)]."""
        number: Counts | None = None
        left = n
        for width, table in self._tables:
            while left >= width:
                # the table is moved, not the places: they are asked a dozen times
                part = table[_LEAD - back - left :][ends]
                left -= width
                digits = np.multiply(part, 10**left, dtype=dtype)
                number = digits if number is None else np.add(number, digits, out=number)
        return np.zeros(ends.size, dtype) if number is None else number


def fixed_columns(data: bytes, n_lines: int, n_cells: int, delimiter: str, decimal: str) -> list[FixedColumn] | None:
    """The columns of a block of whole lines, or None where any byte is not as it should be.

    Parameters
    ----------
    data
        Lines that end with line feeds; the last may lack it.
    n_lines
        How many there are.
    """
    n_bytes = len(data) + (not data.endswith(b"\n"))
    characters = np.zeros(-(-(_LEAD + 1 + n_bytes) // 8) * 8, np.uint8)
    characters[_LEAD] = characters[_LEAD + n_bytes] = _LINE_END
    characters[_LEAD + 1 : _LEAD + 1 + len(data)] = np.frombuffer(data, np.uint8)
    ends = _places((characters == ord(delimiter)) | (characters == _LINE_END))
    # as many line ends as lines, one of them closing every row: no delimiter is too many or too few anywhere
    if ends.size != n_lines * n_cells + 1 or not np.all(characters[ends[::n_cells]] == _LINE_END):
        return None
    ends -= _LEAD
    digits = _Digits(characters)
    accounted = digits.n + ends.size - 1
    columns = []
    for cell in range(n_cells):
        read = _column(characters, digits, ends[cell:-1:n_cells], ends[cell + 1 :: n_cells], decimal)
        if read is None:
            return None
        column, n_others = read
        columns.append(column)
        accounted += n_others
    return columns if accounted == n_bytes else None


def _places(marked: npt.NDArray[np.bool_]) -> Positions:
    """Where marks stand among a multiple of eight bytes: mostly there is one in eight at most, so eights are asked."""
    words = marked.view("<u8")
    found = np.flatnonzero(words != 0)
    single = words[found]
    if np.any(single & (single - np.uint64(1))):
        return np.flatnonzero(marked)
    found *= 8
    found += ((single * np.uint64(0x0001020304050607)) >> np.uint64(56)).view(np.int64)
    return found


def _column(
    characters: npt.NDArray[np.uint8], digits: _Digits, before: Positions, ends: Positions, decimal: str
) -> tuple[FixedColumn, int] | None:
    """One column between these separators, and how many of its bytes are signs and decimal marks."""
    first = bytes(characters[_LEAD + 1 + before[0] : _LEAD + ends[0]])
    n_after = len(first) - first.find(decimal.encode()) if decimal.encode() in first else 0  # with the mark
    decimals = max(n_after - 1, 0)
    negative = characters[_LEAD + 1 :][before] == _MINUS
    n_whole = ends - before
    n_whole -= negative
    fewest, most = int(n_whole.min()) - n_after - 1, int(n_whole.max()) - n_after - 1
    if fewest < 1 or most + decimals > MOST_DIGITS:
        return None
    if n_after and np.count_nonzero(characters[_LEAD - n_after :][ends] == ord(decimal)) < ends.size:
        return None
    dtype = np.int32 if most + decimals <= _DIGITS_OF_32_BITS else np.int64
    counts = digits.before(ends, n_after, most, dtype)
    if fewest < most - 1:
        # what stands right before a number is no digit and counts as zero; further left may be some
        counts %= _POWERS[n_whole - (n_after + 1)].astype(dtype)
    if decimals:
        counts *= dtype(10**decimals)
        counts += digits.before(ends, 0, decimals, dtype)
    n_signs = int(np.count_nonzero(negative))
    if n_signs:
        counts *= np.int8(1) - np.int8(2) * negative.view(np.int8)
    return FixedColumn(counts, negative, decimals), n_signs + (ends.size if n_after else 0)


_POWERS = 10 ** np.arange(MOST_DIGITS + 1, dtype=np.int64)
_POWERS.flags.writeable = False
