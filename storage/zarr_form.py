"""The form of our Zarr v3 arrays: metadata documents, chunk bytes and shard index.

Written directly rather than through the zarr library: the library takes 5 ms an array where encoding takes
0.9 ms, and every byte must pass the archive's own file seam and be hashed on its way. That the result *is*
Zarr v3 is checked by the tests, which read every store with zarr and xarray.

References
----------
Zarr core specification v3; sharding codec v1.0 (index of offset and length as uint64, then CRC-32C).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import google_crc32c
import numpy as np
import numpy.typing as npt

from .errors import BadContent, DamageFound
from .sealed import canonical, canonical_object

CHUNK = 65_536
"""Samples of one channel compressed together, at the most: a one-second slice reads in under 1 ms, a whole capture at
860 MB/s."""

_EIGHT = 8
"""Bits are shuffled by eight samples; Blosc leaves a chunk that is no multiple of it unshuffled, as it stands: half
again as many bytes of counts, in four times the time."""

SHARD = 1_048_576
"""Samples of all channels in one file: 8 h of 16 channels at 51.2 kHz are 1,407 files."""

MISSING = 2**64 - 1
_CODEC, _LEVEL = "lz4", 9
"""A third of the time of zstd for 1.5 to 2.6 % more bytes of bit-shuffled counts; see DEVELOPERS.md, note 50."""
_BLOSC_HEAD = 16
_WORDS = {"i": "int", "u": "uint", "f": "float", "c": "complex"}

AnyArray = npt.NDArray[Any]


def checked_dtype(dtype: npt.DTypeLike) -> np.dtype[Any]:
    """A little-endian numeric type that Zarr v3 knows by name. Raises BadContent."""
    kind = np.dtype(dtype)
    if kind.kind not in "iufcb" or kind.itemsize > 16 or (kind.kind == "f" and kind.itemsize > 8):
        raise BadContent(
            "an array for the archive", found=f"dtype {kind}",
            allowed="integers, float16 to 64, complex64 and 128, bool",
            todo="text belongs into attributes or into the manifest's content",
        )  # fmt: skip
    return kind.newbyteorder("<") if kind.itemsize > 1 else kind


def type_name(dtype: np.dtype[Any]) -> str:
    """The data type's name in Zarr v3."""
    return "bool" if dtype.kind == "b" else f"{_WORDS[dtype.kind]}{dtype.itemsize * 8}"


def fill_value(dtype: np.dtype[Any]) -> tuple[Any, Any]:
    """What stands where nothing was written: the value and its JSON form. NaN wherever the type has one."""
    if dtype.kind == "f":
        return np.nan, "NaN"
    if dtype.kind == "c":
        return complex(np.nan, np.nan), ["NaN", "NaN"]
    return (False, False) if dtype.kind == "b" else (0, 0)


@dataclass(frozen=True, slots=True)
class ArrayForm:
    """Shape and cutting of one array. ``shard`` is None where a chunk is a file of its own."""

    shape: tuple[int, ...]
    dtype: np.dtype[Any]
    chunk: tuple[int, ...]
    shard: tuple[int, ...] | None
    dims: tuple[str, ...]

    @classmethod
    def whole(cls, array: AnyArray, dims: Sequence[str]) -> ArrayForm:
        """One chunk for the whole array."""
        chunk = tuple(max(1, length) for length in array.shape)
        return cls(array.shape, array.dtype, chunk, None, tuple(dims))

    @classmethod
    def streamed(cls, rows: int | None, length: int, dtype: np.dtype[Any], dims: Sequence[str]) -> ArrayForm:
        """Shards along time; a signal shorter than a shard is one file of equal chunks of whole eights."""
        n_chunks = math.ceil(min(length, SHARD) / CHUNK) or 1
        chunk = CHUNK if length > SHARD else _EIGHT * (math.ceil(length / (_EIGHT * n_chunks)) or 1)
        shard = SHARD if length > SHARD else n_chunks * chunk
        if rows is None:
            return cls((length,), dtype, (chunk,), (shard,), tuple(dims))
        return cls((rows, length), dtype, (1, chunk), (rows, shard), tuple(dims))

    @property
    def file_shape(self) -> tuple[int, ...]:
        """Shape of the piece that one file holds."""
        return self.shard or self.chunk

    def document(self, attrs: Mapping[str, Any]) -> bytes:
        """The array's ``zarr.json`` as it stands on disk. Raises BadContent."""
        # "attributes" sorts before all else
        return b'{"attributes":%b,%b' % (canonical_object(attrs), _without_attributes(self))

    @classmethod
    def parsed(cls, document: Mapping[str, Any]) -> ArrayForm:
        """The form an array's ``zarr.json`` of ours describes."""
        name = document["data_type"]
        dtype = np.dtype(name) if name == "bool" else np.dtype(name).newbyteorder("<")
        outer = tuple(document["chunk_grid"]["configuration"]["chunk_shape"])
        first = document["codecs"][0]
        sharded = first["name"] == "sharding_indexed"
        chunk = tuple(first["configuration"]["chunk_shape"]) if sharded else outer
        shape, dims = tuple(document["shape"]), tuple(document["dimension_names"])
        return cls(shape, dtype, chunk, outer if sharded else None, dims)


@lru_cache(maxsize=32)
def _without_attributes(form: ArrayForm) -> bytes:
    """What follows the attributes in an array's ``zarr.json``: the same for all arrays of one form."""
    codecs = chunk_codecs(form.dtype)
    if form.shard is not None:
        codecs = [{"name": "sharding_indexed", "configuration": {
            "chunk_shape": list(form.chunk), "codecs": codecs, "index_location": "end",
            "index_codecs": [{"name": "bytes", "configuration": {"endian": "little"}}, {"name": "crc32c"}],
        }}]  # fmt: skip
    document = {
        "zarr_format": 3, "node_type": "array", "shape": list(form.shape), "data_type": type_name(form.dtype),
        "chunk_grid": {"name": "regular", "configuration": {"chunk_shape": list(form.file_shape)}},
        # "." keeps an array's files in one directory: two directories fewer to make and to fsync
        "chunk_key_encoding": {"name": "default", "configuration": {"separator": "."}},
        "fill_value": fill_value(form.dtype)[1], "codecs": codecs,
        "dimension_names": list(form.dims), "storage_transformers": [],
    }  # fmt: skip
    return canonical(document)[1:]


def group_document(attrs: Mapping[str, Any]) -> bytes:
    """The group's ``zarr.json`` as it stands on disk. Raises BadContent."""
    return b'{"attributes":%b,"node_type":"group","zarr_format":3}' % canonical_object(attrs)


def chunk_codecs(dtype: np.dtype[Any]) -> list[dict[str, Any]]:
    """Blosc with bit shuffle (best of those measured for sensor data), then CRC-32C."""
    as_bytes: dict[str, Any] = {"name": "bytes"}
    if dtype.itemsize > 1:
        as_bytes["configuration"] = {"endian": "little"}
    blosc = {"typesize": dtype.itemsize, "cname": _CODEC, "clevel": _LEVEL, "shuffle": "bitshuffle", "blocksize": 0}
    return [as_bytes, {"name": "blosc", "configuration": blosc}, {"name": "crc32c"}]


def _blosc() -> Any:
    # Imported where it is used: a quarter of the time it takes to import the archive, and a run with nothing new
    # touches no array.
    from numcodecs import blosc  # type: ignore[import-untyped]

    return blosc


def _crc(data: bytes) -> bytes:
    return int(google_crc32c.value(data)).to_bytes(4, "little")


def _without_crc(data: bytes, where: str) -> bytes:
    if len(data) < 4 or int.from_bytes(data[-4:], "little") != google_crc32c.value(data[:-4]):
        raise DamageFound(where, "bytes that differ from their CRC-32C")
    return data[:-4]


def encoded_chunk(chunk: AnyArray) -> bytes:
    """Compressed bytes of one chunk with their checksum."""
    data = _compressed(chunk)
    return data + _crc(data)


def _compressed(chunk: AnyArray) -> bytes:
    blosc = _blosc()
    data: bytes = blosc.compress(np.ascontiguousarray(chunk), _CODEC.encode(), _LEVEL, blosc.BITSHUFFLE)
    return data


def decoded_chunk(data: bytes, form: ArrayForm, where: str) -> AnyArray:
    """One chunk's values [shape=form.chunk]. Raises DamageFound."""
    values = np.empty(form.chunk, dtype=form.dtype)
    decode_chunk_into(values.reshape(-1), data, form, where)
    return values


def decode_chunk_into(values: AnyArray, data: bytes, form: ArrayForm, where: str) -> None:
    """Fill in one chunk's values [shape=(n,), contiguous, of the form's type]. Raises DamageFound."""
    plain = _without_crc(data, where)
    # the bytes a Blosc buffer says it holds: where they are not those asked for, decoding must not even start
    n_bytes = int.from_bytes(plain[4:8], "little") if len(plain) >= _BLOSC_HEAD else -1
    if n_bytes != values.nbytes or values.size != math.prod(form.chunk):
        raise DamageFound(where, f"{n_bytes} bytes in a chunk of {math.prod(form.chunk) * form.dtype.itemsize}")
    _blosc().decompress(plain, values)


def encoded_shard(block: AnyArray, form: ArrayForm) -> bytes:
    """A shard file: the chunks of ``block`` [shape=(..., n)], time by time, then the index of all its places."""
    lines = block.reshape(-1, block.shape[-1])
    width, n_columns = form.chunk[-1], form.file_shape[-1] // form.chunk[-1]
    index = np.full((lines.shape[0], n_columns, 2), MISSING, dtype="<u8")
    pieces: list[bytes] = []
    offset = 0
    for column in range(math.ceil(lines.shape[1] / width)):
        for row, line in enumerate(lines):
            data = _compressed(_padded(line[column * width : (column + 1) * width], width))
            size = len(data) + 4
            index[row, column] = offset, size
            pieces += data, _crc(data)
            offset += size
    places = index.tobytes()
    return b"".join([*pieces, places, _crc(places)])


def _padded(line: AnyArray, width: int) -> AnyArray:
    if line.size == width:
        return line
    full = np.full(width, fill_value(line.dtype)[0], dtype=line.dtype)
    full[: line.size] = line
    return full


def shard_index(data: bytes, form: ArrayForm, where: str) -> npt.NDArray[np.uint64]:
    """Offset and length of every chunk place [shape=(n_row, n_column, 2)]. Raises DamageFound."""
    rows = 1 if len(form.shape) == 1 else form.file_shape[0]
    n_columns = form.file_shape[-1] // form.chunk[-1]
    size = rows * n_columns * 16 + 4
    if len(data) < size:
        raise DamageFound(where, f"{len(data)} bytes, which is less than a shard's index of {size}")
    plain = _without_crc(data[-size:], where)
    return np.frombuffer(plain, dtype="<u8").reshape(rows, n_columns, 2)
