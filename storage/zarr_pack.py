"""A small Zarr store as one file: an uncompressed zip, which zarr's own ``ZipStore`` opens.

Every file of a tree has to be made, hashed, listed in the manifest and brought to the device, every directory as well:
the eight arrays' files and five directories of a result's spectra cost more than the rest of the result. Same members,
same bytes: nothing of the clock or of the machine is in it.

References
----------
APPNOTE.TXT (the zip format), sections 4.3.7 (local header), 4.3.12 (central directory), 4.3.16 (its end).
"""

from __future__ import annotations

import io
import struct
import zipfile
import zlib
from collections.abc import Callable, Sequence

from .errors import DamageFound

PACK_SUFFIX = ".zip"
PACKED_BYTES = 4 * 2**20
"""Larger stores are directories: a packed one is read and hashed as a whole whatever is wanted of it."""

_LOCAL, _CENTRAL, _END = struct.Struct("<4s5H3L2H"), struct.Struct("<4s6H3L5H2L"), struct.Struct("<4s4H2LH")
_VERSION, _UNIX, _OWNERS, _FIRST_OF_1980, _UTF_8 = 20, 3 << 8, 0o600 << 16, 0x21, 1 << 11


def packed(members: Sequence[tuple[str, bytes]]) -> bytes:
    """A zip of these files (name, bytes), stored as they are: byte for byte what the standard library makes of them.

    That takes forty calls a member, which in a worker, between chains, cost 0.13 ms a result more than this.
    """
    pieces: list[bytes] = []
    listed: list[bytes] = []
    at = 0
    for name, data in members:
        spelt = name.encode()
        said = _VERSION, 0 if name.isascii() else _UTF_8, 0, 0, _FIRST_OF_1980, zlib.crc32(data), len(data), len(data)
        pieces += _LOCAL.pack(b"PK\3\4", *said, len(spelt), 0), spelt, data
        listed += _CENTRAL.pack(b"PK\1\2", _UNIX | _VERSION, *said, len(spelt), 0, 0, 0, 0, _OWNERS, at), spelt
        at += _LOCAL.size + len(spelt) + len(data)
    directory = b"".join(listed)
    end = _END.pack(b"PK\5\6", 0, 0, len(members), len(members), len(directory), at, 0)
    return b"".join([*pieces, directory, end])


class Packing:
    """Takes the files of one store and writes them as one, or each by itself once they are too many bytes."""

    def __init__(self, name: str, write: Callable[[str, bytes], None]) -> None:
        self._name, self._write_file = name, write
        self._held: list[tuple[str, bytes]] | None = []
        self._n_bytes = 0

    def write(self, place: str, data: bytes) -> None:
        """Take the file ``place`` of the store."""
        self._n_bytes += len(data)
        if self._held is None:
            self._write_file(f"{self._name}/{place}", data)
            return
        self._held.append((place, data))
        if self._n_bytes > PACKED_BYTES:
            held, self._held = self._held, None
            for place, data in held:
                self._write_file(f"{self._name}/{place}", data)

    def close(self) -> None:
        """Write what was held back."""
        if self._held is not None:
            self._write_file(f"{self._name}{PACK_SUFFIX}", packed(self._held))
            self._held = None


class Pack:
    """The files of a packed store, by their names in the tree; its bytes were held against the manifest before."""

    def __init__(self, store: str, data: bytes) -> None:
        self._data, where = data, store + PACK_SUFFIX
        try:
            listed = zipfile.ZipFile(io.BytesIO(data)).infolist()
        except zipfile.BadZipFile as error:
            raise DamageFound(where, f"no packed store: {error}") from error
        # as ``packed`` lays them out: nothing but its name between a member's header and its bytes
        starts = ((m, m.header_offset + _LOCAL.size + len(m.filename.encode())) for m in listed)
        self._places = {f"{store}/{m.filename}": (start, start + m.file_size) for m, start in starts}

    @property
    def names(self) -> tuple[str, ...]:
        """What is in it."""
        return tuple(self._places)

    def read(self, name: str) -> bytes:
        """Bytes of one file. Raises DamageFound."""
        if name not in self._places:
            raise DamageFound(name, "nothing: it is missing in the packed store")
        return self._data[slice(*self._places[name])]
