"""Writing a Zarr store into a draft: block by block, length unknown ahead, whole shards at a time."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any

import numpy as np
import numpy.typing as npt

from .errors import BadContent
from .zarr_form import (
    SHARD,
    AnyArray,
    ArrayForm,
    checked_dtype,
    encoded_chunk,
    encoded_shard,
    group_document,
)

WriteFile = Callable[[str, bytes], None]
"""Takes a name relative to the store ("g0_counts/c.0.0") and the file's bytes."""


class StreamedArray:
    """An array along time that is being written. Not more than one shard is held in memory.

    ``append`` takes [shape=(rows, n)] or, with ``rows`` None, [shape=(n,)].
    """

    def __init__(
        self, name: str, dtype: np.dtype[Any], rows: int | None, dims: tuple[str, ...], write: WriteFile
    ) -> None:
        self.name, self.dtype, self.rows, self.dims = name, dtype, rows, dims
        self.attrs: dict[str, Any] = {}
        self.length = 0
        self._write = write
        self._held: list[AnyArray] = []
        self._n_held = 0
        self._n_shards = 0

    def append(self, block: npt.ArrayLike, *, stays: bool = False) -> None:
        """Take the next block; it is copied unless it ``stays`` as it is until the tree is committed.

        Raises BadContent where shape or type are not those declared.
        """
        values = self._checked(np.asarray(block))
        self.length += values.shape[-1]
        while values.shape[-1]:
            taken = values[..., : SHARD - self._n_held]
            # the caller may fill its buffer anew while this block waits for its shard
            self._held.append(taken.astype(self.dtype, copy=not stays))
            self._n_held += taken.shape[-1]
            values = values[..., taken.shape[-1] :]
            if self._n_held == SHARD:
                self._flush(SHARD + 1)

    def _checked(self, values: AnyArray) -> AnyArray:
        wanted = (self.rows,) if self.rows is not None else ()
        same_type = values.dtype.newbyteorder("=") == self.dtype.newbyteorder("=")
        if values.ndim != len(wanted) + 1 or values.shape[:-1] != wanted or not same_type:
            raise BadContent(
                f"a block for {self.name!r} of shape {(*wanted, 'n')} and type {self.dtype.name}",
                found=f"shape {values.shape}, type {values.dtype.name}",
            )
        return values

    def _flush(self, length: int) -> None:
        form = self._form(length)
        held = self._held[0] if len(self._held) == 1 else np.concatenate(self._held, axis=-1)
        place = f"c.{self._n_shards}" if self.rows is None else f"c.0.{self._n_shards}"
        self._write(f"{self.name}/{place}", encoded_shard(held, form))
        self._held, self._n_held, self._n_shards = [], 0, self._n_shards + 1

    def _form(self, length: int) -> ArrayForm:
        # A full shard does not know yet whether another follows; its bytes are the same either way.
        return ArrayForm.streamed(self.rows, length, self.dtype, self.dims)

    def finish(self) -> ArrayForm:
        """Write what is left and the array's description."""
        if self._n_held:
            self._flush(self.length)
        form = self._form(self.length)
        self._write(f"{self.name}/zarr.json", form.document(self.attrs))
        return form


class StoreDraft:
    """A Zarr group that is being written. ``attrs`` may be changed until the draft is committed, and hold ``Spelt``."""

    def __init__(self, name: str, write: WriteFile) -> None:
        self.name = name
        self.attrs: dict[str, Any] = {}
        self._write = write
        self._open: dict[str, StreamedArray] = {}
        self._forms: dict[str, ArrayForm] = {}

    def array(
        self, name: str, *, dtype: npt.DTypeLike, dims: Sequence[str], rows: int | None = None,
        attrs: Mapping[str, Any] | None = None,
    ) -> StreamedArray:  # fmt: skip
        """Begin an array along time, 2-D [shape=(rows, n)] or with ``rows`` None 1-D [shape=(n,)]."""
        wanted = 1 if rows is None else 2
        if len(dims) != wanted or rows == 0:
            raise BadContent(f"{wanted} names of dimensions for {name!r}", found=f"{tuple(dims)!r}, {rows} rows")
        self._new_name(name)
        array = StreamedArray(name, checked_dtype(dtype), rows, tuple(dims), self._write)
        array.attrs.update(attrs or {})
        self._open[name] = array
        return array

    def put(
        self, name: str, array: npt.ArrayLike, *, dims: Sequence[str], attrs: Mapping[str, Any] | None = None
    ) -> None:
        """Write a whole array of any number of dimensions as one chunk (up to 1 GiB)."""
        values = np.asarray(array)
        values = np.ascontiguousarray(values, dtype=checked_dtype(values.dtype)).reshape(values.shape)
        if len(dims) != values.ndim or values.nbytes > 2**30:
            raise BadContent(
                f"a whole array {name!r} with dimensions {tuple(dims)!r}",
                found=f"shape {values.shape}, {values.nbytes} bytes", allowed="a name per dimension, 1 GiB",
            )  # fmt: skip
        self._new_name(name)
        form = ArrayForm.whole(values, dims)
        if values.size:
            self._write(f"{name}/{'.'.join(['c', *['0'] * values.ndim])}", encoded_chunk(values))
        self._write(f"{name}/zarr.json", form.document(attrs or {}))
        self._forms[name] = form

    def _new_name(self, name: str) -> None:
        if name in self._open or name in self._forms or not name.isidentifier():
            raise BadContent("a new array", found=f"name {name!r}", allowed="an identifier not used in this store")

    def finish(self) -> None:
        """Write what is left. Raises BadContent where one dimension would have two lengths (xarray refuses it)."""
        for name, array in self._open.items():
            self._forms[name] = array.finish()
        lengths: dict[str, tuple[int, str]] = {}
        for name, form in self._forms.items():
            for dim, length in zip(form.dims, form.shape, strict=True):
                known, first = lengths.setdefault(dim, (length, name))
                if known != length:
                    raise BadContent(
                        f"one length for the dimension {dim!r}", found=f"{known} in {first!r}, {length} in {name!r}",
                        todo="give the arrays dimensions of different names",
                    )  # fmt: skip
        self._write("zarr.json", group_document(self.attrs))
