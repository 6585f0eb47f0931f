"""Directories of the archive, made durably: a name counts only once its parent is on the device."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path

from .fsio import Disk


class Places:
    """Makes directories below the root and remembers which are known to be on the device."""

    def __init__(self, root: Path, disk: Disk) -> None:
        self.root, self.disk = root, disk
        self._durable: set[Path] = {root}

    def directory(self, path: Path, beside: Sequence[Callable[[], object]] = ()) -> None:
        """Make ``path`` and its parents durable, and do what else may be done at the same time.

        One that is there already is synced as well the first time: another process may have made it a
        moment ago and not have come to its own fsync.
        """
        fresh = [place for place in (path, *path.parents) if self.root in place.parents and place not in self._durable]
        for place in reversed(fresh):
            self.disk.mkdir(place)
        self.disk.together([*beside, *(partial(self.disk.fsync_dir, place.parent) for place in fresh)])
        self._durable.update(fresh)

    def forget(self, path: Path) -> None:
        """A directory was moved away or removed."""
        self._durable = {known for known in self._durable if known != path and path not in known.parents}
