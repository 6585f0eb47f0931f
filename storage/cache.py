"""Bytes that may be lost at any time: kept beside the catalogue so that work need not be done twice.

Nothing here is synced and no promise rests on it. What a crash or a failing disk left is told from what was put by
the hash in front of it, and then is simply not there.
"""

from __future__ import annotations

import contextlib
import hashlib
import time
from collections.abc import Iterator
from pathlib import Path

from .errors import StorageError
from .fsio import Disk, Unsynced
from .layout import Layout, checked_id
from .staging import Staging

_DIGEST = hashlib.sha256().digest_size


class Cache:
    """Entries by identity. Losing one costs time, never a wrong answer; ``put`` never fails its caller."""

    def __init__(self, layout: Layout, disk: Disk, staging: Staging) -> None:
        self._root, self._disk, self._staging = layout.cache, disk, staging
        self._made: set[str] = set()

    def get(self, identity: str) -> bytes | None:
        """The bytes put under this identity, as they were; None where there are none or they are damaged."""
        try:
            data = self._disk.read(self._path(identity))
        except (OSError, StorageError):
            return None
        body = data[_DIGEST:]
        return body if hashlib.sha256(body).digest() == data[:_DIGEST] else None

    def put(self, identity: str, data: bytes) -> bool:
        """Keep bytes under an identity, in place of what was there; False where that was not possible."""
        final = self._path(identity)
        try:
            staged = self._staging.new_path()
            try:
                self._make(identity[:2])
                with Unsynced(self._disk, staged) as file:
                    file.write(hashlib.sha256(data).digest() + data)
                self._disk.replace(staged, final)
            except BaseException:
                self._disk.unlink(staged)
                raise
        except (OSError, StorageError):
            self._made.clear()
            return False
        return True

    def clear(self, older_than_s: float = 0.0) -> int:
        """Remove entries that were put longer ago than this; the bytes that became free."""
        freed = 0
        for path in list(self._entries()):
            with contextlib.suppress(OSError, StorageError):
                status = path.lstat()
                if time.time() - status.st_mtime >= older_than_s:
                    self._disk.unlink(path)
                    freed += status.st_size
        return freed

    def _entries(self) -> Iterator[Path]:
        for shelf in self._disk.names(self._root):
            yield from (self._root / shelf / name for name in self._disk.names(self._root / shelf))

    def _path(self, identity: str) -> Path:
        return self._root / f"{checked_id(identity)[:2]}/{identity}"

    def _make(self, shelf: str) -> None:
        if shelf not in self._made:
            self._disk.mkdir(self._root)
            self._disk.mkdir(self._root / shelf)
            self._made.add(shelf)
