"""Directories of the archive, made durably: a name counts only once its parent is on the device."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Sequence
from functools import partial
from pathlib import Path

from .fsio import Disk


class Places:
    """Makes directories below the root and remembers which are known to be on the device."""

    def __init__(self, root: Path, disk: Disk) -> None:
        self.root, self.disk = root, disk
        self._durable: set[str] = {str(root)}

    def directory(self, path: Path, beside: Sequence[Callable[[], object]] = ()) -> None:
        """Make ``path`` and its parents durable, and do what else may be done at the same time.

        One that is there already is synced as well the first time: another process may have made it a
        moment ago and not have come to its own fsync.
        """
        self.directories([path], beside)

    def directories(self, paths: Iterable[Path], beside: Sequence[Callable[[], object]] = ()) -> None:
        """The same for several, by one round of syncs."""
        fresh = {str(place): place for path in paths for place in reversed(self._unsure(path))}
        for place in fresh.values():
            self.disk.mkdir(place)
        above = {str(parent): parent for parent in (place.parent for place in fresh.values())}
        self.disk.together([*beside, *(partial(self.disk.fsync_dir, parent) for parent in above.values())])
        self._durable.update(fresh)

    def _unsure(self, path: Path) -> list[Path]:
        """``path`` and what is above it up to what is known to be durable: whatever lies above that is so, too."""
        found: list[Path] = []
        while str(path) not in self._durable:
            found.append(path)
            path, below = path.parent, path
            if path == below:
                return []
        return found

    def forget(self, path: Path) -> None:
        """A directory was moved away or removed."""
        gone = f"{path}{os.sep}"
        self._durable = {known for known in self._durable if not f"{known}{os.sep}".startswith(gone)}
