"""Directories of the archive, made durably: a name counts only once its parent is on the device."""

from __future__ import annotations

from pathlib import Path

from .fsio import Disk


class Places:
    """Makes directories below the root and remembers which are known to be on the device."""

    def __init__(self, root: Path, disk: Disk) -> None:
        self.root, self.disk = root, disk
        self._durable: set[Path] = {root}

    def directory(self, path: Path) -> None:
        """Make ``path`` and its parents durable.

        One that is there already is synced as well the first time: another process may have made it a
        moment ago and not have come to its own fsync.
        """
        if path in self._durable:
            return
        self.directory(path.parent)
        self.disk.mkdir(path)
        self.disk.fsync_dir(path.parent)
        self._durable.add(path)

    def forget(self, path: Path) -> None:
        """A directory was moved away or removed."""
        self._durable = {known for known in self._durable if known != path and path not in known.parents}
