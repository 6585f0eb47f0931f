"""Decimal text of whole columns at once: a byte matrix per column and a mask of the bytes that count.

A call of a formatting function per number costs about a microsecond; a demo fleet has four million numbers.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from .components import FloatArray

ByteMatrix = npt.NDArray[np.uint8]
Column = tuple[ByteMatrix, npt.NDArray[np.bool_]]
_ZERO = ord("0")


def decimal_counts(values: FloatArray, decimals: int) -> npt.NDArray[np.int64]:
    """Values as whole multiples of ``10**-decimals``, rounded half to even. Raises ValueError beyond 2**62."""
    counts = np.round(np.asarray(values, dtype=np.float64) * 10.0**decimals)
    if counts.size and float(np.max(np.abs(counts))) >= 2.0**62:
        raise ValueError(f"{decimals} decimals do not fit into 62 bits for values up to {np.max(np.abs(values))!r}")
    return counts.astype(np.int64)


def decimal_column(counts: npt.NDArray[np.int64], decimals: int, point: str = ".") -> Column:
    """Text of ``counts / 10**decimals``, shortest integer part, all decimals written [shape=(n, width)]."""
    size = np.abs(counts)
    n_digits = max(len(str(int(size.max(initial=0)))), decimals + 1)
    digits = np.empty((len(counts), n_digits), dtype=np.uint8)
    rest = size
    for place in range(n_digits - 1, -1, -1):
        rest, digit = np.divmod(rest, 10)
        digits[:, place] = digit
    whole = n_digits - decimals
    leading = np.logical_or.accumulate(digits[:, :whole] != 0, axis=1)
    leading[:, -1] = True
    sign = np.full((len(counts), 1), ord("-"), dtype=np.uint8)
    parts, masks = [sign, digits[:, :whole] + _ZERO], [(counts < 0)[:, None], leading]
    if decimals:
        parts += [np.full((len(counts), 1), ord(point), dtype=np.uint8), digits[:, whole:] + _ZERO]
        masks += [np.ones((len(counts), 1 + decimals), dtype=bool)]
    return np.concatenate(parts, axis=1), np.concatenate(masks, axis=1)


def text_column(texts: npt.NDArray[np.bytes_]) -> Column:
    """Texts of equal or unequal length [shape=(n,), bytes] as a column."""
    matrix = texts.reshape(-1, 1).view(np.uint8).reshape(len(texts), texts.dtype.itemsize)
    return matrix, matrix != 0


def rows_of(columns: Sequence[Column], delimiter: str, line_end: str) -> bytes:
    """The table's bytes: columns joined by the delimiter, every row closed by the line end."""
    n = len(columns[0][0])
    parts: list[ByteMatrix] = []
    masks: list[npt.NDArray[np.bool_]] = []
    for place, (matrix, mask) in enumerate(columns):
        after = line_end if place == len(columns) - 1 else delimiter
        closing = np.frombuffer(after.encode("ascii"), dtype=np.uint8)
        parts += [matrix, np.broadcast_to(closing, (n, len(closing)))]
        masks += [mask, np.ones((n, len(closing)), dtype=bool)]
    return np.concatenate(parts, axis=1)[np.concatenate(masks, axis=1)].tobytes()
