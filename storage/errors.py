"""Typed errors of the archive: each says what was asked, found, allowed and what to do next."""

from __future__ import annotations

import errno
from pathlib import Path

_SPACE = frozenset({errno.ENOSPC, errno.EDQUOT})


class StorageError(Exception):
    """Root of all errors raised by the archive.

    Parameters
    ----------
    asked, found, allowed, todo
        What was wanted, what was there instead, what would have been accepted, what to do next.
        Empty parts are left out of the message.
    """

    transient = False
    """True where the same call may succeed later without anything being changed by hand."""

    def __init__(self, asked: str, *, found: str = "", allowed: str = "", todo: str = "") -> None:
        self.asked, self.found, self.allowed, self.todo = asked, found, allowed, todo
        super().__init__(self.sentence())

    def sentence(self) -> str:
        """The whole message in one line."""
        parts = [self.asked]
        parts += [f"found {self.found}"] if self.found else []
        parts += [f"allowed: {self.allowed}"] if self.allowed else []
        parts += [self.todo] if self.todo else []
        return "; ".join(parts)

    def __reduce__(self) -> tuple[object, ...]:
        return _rebuild, (type(self), self.__dict__.copy(), self.args)


def _rebuild(kind: type[StorageError], state: dict[str, object], args: tuple[object, ...]) -> StorageError:
    error = kind.__new__(kind)
    error.__dict__.update(state)
    error.args = args
    return error


class ArchiveMissing(StorageError):
    """There is no archive at this place, or it is of a form this version does not read."""


class ArchiveBusy(StorageError):
    """Another coordinator holds the archive."""

    transient = True


class DamageFound(StorageError):
    """Something in the archive is not what was committed; it is not handed out as data."""

    def __init__(
        self, path: Path | str, what: str, *, todo: str = "run `archive verify`, then `archive repair`"
    ) -> None:
        self.path, self.what = str(path), what
        super().__init__(f"an undamaged {self.path}", found=what, todo=todo)


class BadContent(StorageError):
    """A document, array or name that the archive's format cannot hold."""


class NotAllowed(StorageError):
    """The role the archive was opened in does not allow it."""


class SourceChanged(StorageError):
    """A file was changed while it was being taken in."""

    transient = True


class DiskFull(StorageError):
    """There is no room, or less than the floor that is kept free."""

    transient = True


class DiskFault(StorageError):
    """The operating system refused or failed a file operation."""

    transient = True

    def __init__(self, asked: str, *, found: str = "", allowed: str = "", todo: str = "") -> None:
        super().__init__(asked, found=found, allowed=allowed, todo=todo)
        self.number: int | None = None


def told(error: OSError, asked: str) -> StorageError:
    """An operating system error as a typed one that names the operation and the path."""
    found = f"{errno.errorcode.get(error.errno or 0, 'error')}: {error.strerror or error}"
    if error.errno in _SPACE:
        return DiskFull(asked, found=found, todo="free some space, then run it again")
    fault = DiskFault(asked, found=found, todo="check the disk and its permissions, then run it again")
    fault.number = error.errno
    return fault
