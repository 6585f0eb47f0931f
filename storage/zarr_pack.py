"""A small Zarr store as one file: an uncompressed zip, which zarr's own ``ZipStore`` opens.

Every file of a tree has to be made, hashed, listed in the manifest and brought to the device, every directory as well:
the eight arrays' files and five directories of a result's spectra cost more than the rest of the result. Same members,
same bytes: nothing of the clock or of the machine is in it.
"""

from __future__ import annotations

import io
import zipfile
from collections.abc import Callable, Sequence

from .errors import DamageFound

PACK_SUFFIX = ".zip"
PACKED_BYTES = 4 * 2**20
"""Larger stores are directories: a packed one is read and hashed as a whole whatever is wanted of it."""

_LOCAL_HEADER_BYTES = 30
"""What stands before a member's name (APPNOTE.TXT, the zip format, section 4.3.7)."""


def packed(members: Sequence[tuple[str, bytes]]) -> bytes:
    """A zip of these files (name, bytes), stored as they are."""
    pack = io.BytesIO()
    with zipfile.ZipFile(pack, "w", zipfile.ZIP_STORED) as archive:
        for name, data in members:
            archive.writestr(zipfile.ZipInfo(name), data)  # without a time of its own it is of 1980
    return pack.getvalue()


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
        starts = ((m, m.header_offset + _LOCAL_HEADER_BYTES + len(m.filename.encode())) for m in listed)
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
