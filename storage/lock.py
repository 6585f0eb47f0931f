"""One coordinator at a time: a lock the operating system gives back when its holder dies."""

from __future__ import annotations

import os
import sys
from pathlib import Path

from .errors import ArchiveBusy

if sys.platform == "win32":
    import msvcrt

    def _take(descriptor: int) -> None:
        msvcrt.locking(descriptor, msvcrt.LK_NBLCK, 1)
else:
    import fcntl

    def _take(descriptor: int) -> None:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)


class CoordinatorLock:
    """Held from construction until ``release`` or the end of the process, however that comes about.

    Raises
    ------
    ArchiveBusy
        Another process, or this one, holds it; said at once, without waiting.
    """

    def __init__(self, path: Path) -> None:
        self._descriptor = os.open(path, os.O_CREAT | os.O_RDWR, 0o644)
        try:
            _take(self._descriptor)
        except OSError as error:
            holder = os.read(self._descriptor, 200).decode("utf-8", "replace").strip()
            os.close(self._descriptor)
            raise ArchiveBusy(
                f"to coordinate {path.parent}", found=f"another coordinator at work ({holder or 'unnamed'})",
                todo="wait until it has ended, or read without coordinating",
            ) from error  # fmt: skip
        os.ftruncate(self._descriptor, 0)
        os.pwrite(self._descriptor, f"process {os.getpid()}\n".encode(), 0)

    def release(self) -> None:
        """Give it back."""
        if self._descriptor >= 0:
            os.close(self._descriptor)
            self._descriptor = -1
