"""Reading our Zarr stores: every file is held against the manifest before a value of it is handed out."""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Iterable, Iterator
from typing import TYPE_CHECKING, Any

import numpy as np

from .errors import BadContent, DamageFound
from .zarr_form import MISSING, AnyArray, ArrayForm, decode_chunk_into, decoded_chunk, shard_index
from .zarr_pack import PACK_SUFFIX, Pack

if TYPE_CHECKING:
    from .trees import Tree

ReadFile = Callable[[str], bytes]
"""Takes a name relative to the tree ("capture.zarr/g0_counts/c.0.0") and gives the bytes that were committed."""


class StoreReader:
    """One Zarr group of a committed tree. ``attrs`` are the group's, ``names`` its arrays."""

    def __init__(self, tree: Tree, name: str) -> None:
        self._tree, self.name = tree, name
        self._read: ReadFile = tree.read
        files: Iterable[str] = tree.files
        if name + PACK_SUFFIX in tree.files:
            pack = Pack(name, tree.read(name + PACK_SUFFIX))
            self._read, files = pack.read, pack.names
        self.attrs: dict[str, Any] = self._document("zarr.json")["attributes"]
        start, end = f"{name}/", "/zarr.json"
        inside = (file[len(start) :] for file in files if file.startswith(start))
        self.names = tuple(sorted(file.removesuffix(end) for file in inside if file.endswith(end)))

    def _document(self, place: str) -> dict[str, Any]:
        document: dict[str, Any] = json.loads(self._read(f"{self.name}/{place}"))
        return document

    def array(self, name: str) -> ArrayReader:
        """One array by its name. Raises BadContent where there is none of that name."""
        if name not in self.names:
            raise BadContent(f"array {name!r} of {self._tree.path}", allowed=", ".join(self.names))
        return ArrayReader(self._read, f"{self.name}/{name}", self._document(f"{name}/zarr.json"))


class ArrayReader:
    """One array; the last axis is time or frequency. Holds at most one shard and one column of chunks.

    Not to be shared between threads.
    """

    def __init__(self, read: ReadFile, place: str, document: dict[str, Any]) -> None:
        self._read, self._place = read, place
        self._form = ArrayForm.parsed(document)
        self.attrs: dict[str, Any] = document["attributes"]
        self.shape, self.dims = self._form.shape, self._form.dims
        self.dtype = self._form.dtype.newbyteorder("=")
        self._shard: tuple[int, bytes, Any] | None = None
        self._column: tuple[int, AnyArray] | None = None

    def read_all(self) -> AnyArray:
        """All values [shape=self.shape]. Raises DamageFound."""
        if self._form.shard is not None:
            return self.read(0, self.shape[-1])
        if not math.prod(self.shape):
            return np.empty(self.shape, self.dtype)
        where = f"{self._place}/{'.'.join(['c', *['0'] * len(self.shape)])}"
        values = decoded_chunk(self._read(where), self._form, where)
        return values.astype(self.dtype, copy=True)

    def blocks(self) -> Iterator[AnyArray]:
        """All values, a file's worth at a time."""
        if self._form.shard is None:
            yield self.read_all()
            return
        width = self._form.file_shape[-1]
        for start in range(0, self.shape[-1], width):
            yield self.read(start, min(start + width, self.shape[-1]))

    def read(self, start: int, stop: int) -> AnyArray:
        """Values with last-axis index from ``start`` to before ``stop`` [shape=(..., stop - start)].

        Raises
        ------
        BadContent
            The range is not inside the array.
        DamageFound
            A file is not what was committed.
        """
        length = self.shape[-1] if self.shape else 0
        if not 0 <= start <= stop <= length:
            raise BadContent(f"samples {start} to {stop} of {self._place}", allowed=f"0 to {length}")
        if self._form.shard is None:
            return np.ascontiguousarray(self.read_all()[..., start:stop])
        values = np.empty((*self.shape[:-1], stop - start), self.dtype)
        if start == stop:
            return values
        lines, width = values.reshape(-1, stop - start), self._form.chunk[-1]
        for column in range(start // width, math.ceil(stop / width)):
            first, last = max(start, column * width), min(stop, (column + 1) * width)
            held = self._column is not None and self._column[0] == column
            if last - first == width and not held and self._native:
                # wanted whole: decoded to where it is wanted
                self._decode(column, lines[:, first - start : last - start])
                continue
            chunks, offset = self._chunks(column), column * width
            lines[:, first - start : last - start] = chunks[:, first - offset : last - offset]
        return values

    @property
    def _native(self) -> bool:
        """Whether the values stand in memory as they do on disk."""
        return self._form.dtype == self.dtype

    def _chunks(self, column: int) -> AnyArray:
        if self._column is None or self._column[0] != column:
            rows = 1 if len(self.shape) == 1 else math.prod(self.shape[:-1])
            chunks = np.empty((rows, self._form.chunk[-1]), self._form.dtype)
            self._decode(column, chunks)
            self._column = column, chunks
        return self._column[1]

    def _decode(self, column: int, out: AnyArray) -> None:
        """One column of chunks into the rows of ``out`` [shape=(n_row, chunk)]."""
        per_shard = self._form.file_shape[-1] // self._form.chunk[-1]
        data, index, where = self._shard_file(column // per_shard)
        for row, (offset, size) in zip(out, index[:, column % per_shard].tolist(), strict=True):
            if offset == MISSING:
                raise DamageFound(where, "no chunk where samples should be")
            decode_chunk_into(row, data[offset : offset + size], self._form, where)

    def _shard_file(self, number: int) -> tuple[bytes, Any, str]:
        where = f"{self._place}/{'c.0.' if len(self.shape) > 1 else 'c.'}{number}"
        if self._shard is None or self._shard[0] != number:
            data = self._read(where)
            self._shard = number, data, shard_index(data, self._form, where)
        return self._shard[1], self._shard[2], where

