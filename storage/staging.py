"""Private places for what is unfinished, named after their owner so that the dead can be swept."""

from __future__ import annotations

import itertools
import os
import re
import socket
import sys
import time
import uuid
from dataclasses import dataclass
from pathlib import Path

from .at_rest import boot_id
from .fsio import Disk

ABANDONED_S = 36 * 3600.0
"""Age after which another host's leftovers count as abandoned: its processes cannot be looked up from here."""

_OWNER = re.compile(r"(?P<host>[A-Za-z0-9_.]+)-(?P<boot>[0-9a-f]{8}|none)-(?P<pid>[0-9]+)-[0-9a-f]{12}\Z")


def host_name() -> str:
    """The machine's name in letters that a file name may have."""
    return re.sub(r"[^A-Za-z0-9_.]", "_", socket.gethostname()) or "host"


@dataclass(frozen=True, slots=True)
class Leftover:
    """A private directory nobody finished: normal after a crash."""

    path: Path
    why: str


class Staging:
    """A process's private directory below ``staging/``."""

    def __init__(self, root: Path, disk: Disk) -> None:
        self._root, self._disk = root, disk
        self._own: Path | None = None
        self._pid = 0
        self._numbers = itertools.count(1)

    def _directory(self) -> Path:
        # A forked child must not share its parent's place: the parent sweeps it when it ends.
        if self._own is None or self._pid != os.getpid():
            own = self._root / f"{host_name()}-{boot_id()}-{os.getpid()}-{uuid.uuid4().hex[:12]}"
            self._disk.mkdir(self._root)
            self._disk.mkdir(own)
            self._own, self._pid = own, os.getpid()
        return self._own

    def new_path(self) -> Path:
        """A fresh name for a private file or directory; nothing is made."""
        return self._directory() / str(next(self._numbers))

    def new_directory(self) -> Path:
        """A fresh private directory."""
        path = self.new_path()
        self._disk.mkdir(path)
        return path

    def close(self) -> None:
        """Remove this process's place and whatever is left in it."""
        if self._own is not None and self._pid == os.getpid():
            self._disk.rmtree(self._own)
            self._own = None

    def leftovers(self) -> list[Leftover]:
        """Places of owners that are dead, from before this boot, or foreign and old."""
        found = []
        for name in self._disk.names(self._root):
            why = _abandoned(name, self._root / name)
            if why:
                found.append(Leftover(self._root / name, why))
        return found

    def sweep(self) -> list[Leftover]:
        """Remove abandoned places; what was removed."""
        found = self.leftovers()
        for leftover in found:
            self._disk.rmtree(leftover.path)
        return found


def _abandoned(name: str, path: Path) -> str:
    owner = _OWNER.match(name)
    try:
        age = time.time() - path.lstat().st_mtime
    except OSError:
        return ""
    if owner is None or owner["host"] != host_name():
        return f"untouched for {age / 3600:.0f} h" if age > ABANDONED_S else ""
    if owner["boot"] != boot_id():
        return "its owner ended with an earlier start of this machine"
    return "" if _alive(int(owner["pid"])) else f"its owner, process {owner['pid']}, has ended"


def _alive(pid: int) -> bool:
    if sys.platform == "win32":  # there, signal 0 would end the process that is asked for
        return True
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    except (OSError, OverflowError):
        return True
    return True
