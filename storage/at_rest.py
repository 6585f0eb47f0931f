"""Whether anything was written to an archive since its last coordinator left: a mark that any writer breaks.

Whoever writes makes itself a private place in ``staging/`` first and removes it last, and both change that
directory's time of change. A coordinator that leaves with nobody else at work sets this time to one of its own
choosing, long past, so that no clock will ever set it again, and notes it in ``catalog/at-rest.json`` with a new
name for the state it leaves. As long as the note holds, the state has that name and the catalogue knows everything:
a start need not list the disk. Losing the note, or a doubt of any kind, costs that listing and nothing else.

The note is void after a restart of the machine: a time of change may then be older than the last write. Beside
``staging/`` it covers the times of the upper directories, since people copy whole trees in and out by hand.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import secrets
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from .errors import StorageError
from .fsio import Unsynced

if TYPE_CHECKING:
    from .archive import Archive

MARK = "at-rest.json"
_SPLIT = ("originals", "captures", "results", "decisions")
"""Areas whose directories are few, however many captures there are."""
_WHOLE = ("facts", "quarantine")
_LONGEST_AGO_S = 2**30


@dataclass(frozen=True, slots=True)
class Rest:
    """A state of an archive. ``state`` names it; ``catalogue`` is whether the catalogue's file is the one it had."""

    state: str
    catalogue: bool


def new_state() -> str:
    """A name for a state nobody has seen yet."""
    return secrets.token_hex(16)


def boot_id() -> str:
    """Changes with every start of the machine; ``none`` where the system does not tell."""
    try:
        return Path("/proc/sys/kernel/random/boot_id").read_text("ascii")[:8]
    except OSError:
        return "none"


def at_rest(root: Path | str) -> Rest | None:
    """The state the archive at ``root`` was left in, if nothing was written to it since; None in any doubt."""
    place = os.fspath(root)
    try:
        noted = _noted(place)
        same = noted["boot"] == boot_id() != "none" and noted["staging"] == _mark(f"{place}/staging")
        if not same or noted["upper"] != _upper(place):
            return None
        return Rest(noted["state"], None is not noted["catalogue"] == _catalogue(place))
    except (OSError, ValueError, KeyError, TypeError):
        return None


def note_of_rest(archive: Archive, state: str, catch_up: Callable[[], int]) -> dict[str, Any] | None:
    """What to note once a coordinator, its private place gone, has closed its catalogue; None while others work.

    ``catch_up`` indexes what the catalogue has not heard of and counts it: whatever was written before the time was
    set is seen by it, whatever comes later breaks the note. Where it finds something, somebody else has written, and
    the state gets another name than ``state``, under which this coordinator may have said what it saw.
    """
    root, disk = archive.root, archive.disk
    if at_rest(root) is not None:
        return _noted(os.fspath(root))
    try:
        disk.set_time(root / "staging", 2 * secrets.randbelow(_LONGEST_AGO_S // 2))
    except StorageError:
        return None
    chosen = _mark(f"{root}/staging")
    if disk.names(root / "staging") or boot_id() == "none":
        return None
    name = state if catch_up() == 0 else new_state()
    noted = {"boot": boot_id(), "staging": chosen, "state": name, "upper": _upper(os.fspath(root))}
    return noted if chosen == _mark(f"{root}/staging") else None


def keep_note(archive: Archive, noted: Mapping[str, Any] | None) -> None:
    """Write the note down, with the catalogue's file as it was closed; without a note, remove the last one.

    So whoever left because of an error (of the catalogue, perhaps) makes the next start look through everything.
    """
    place = archive.root / "catalog" / MARK
    if noted is None:
        archive.disk.unlink(place)
        return
    noted = {**noted, "catalogue": _catalogue(os.fspath(archive.root))}
    with contextlib.suppress(OSError, ValueError):
        if _noted(os.fspath(archive.root)) == noted:
            return
    unfinished = place.with_name(f"{MARK}.unfinished")
    archive.disk.unlink(unfinished)
    with Unsynced(archive.disk, unfinished) as file:
        file.write(json.dumps(noted).encode("ascii"))
    archive.disk.replace(unfinished, place)


def _noted(root: str) -> dict[str, Any]:
    with open(f"{root}/catalog/{MARK}", "rb") as file:  # noqa: PTH123  asked by every run, path objects cost more
        noted: dict[str, Any] = json.load(file)
    return noted


def _mark(path: Path | str) -> list[int]:
    status = os.stat(path)  # noqa: PTH116
    return [status.st_ino, status.st_mtime_ns]


def _catalogue(root: str) -> list[int] | None:
    """Size, time and inode of a catalogue that was closed by its last user; else None, which equals no note."""
    try:
        if os.path.getsize(f"{root}/catalog/catalogue.sqlite-wal"):  # noqa: PTH202
            return None
    except FileNotFoundError:
        pass
    status = os.stat(f"{root}/catalog/catalogue.sqlite")  # noqa: PTH116
    return [status.st_size, status.st_mtime_ns, status.st_ino]


def _upper(root: str) -> str:
    """Hash of the times of change of the directories above captures, results, originals, facts and decisions."""
    seen = hashlib.sha256()
    for area in (*_WHOLE, *_SPLIT):
        seen.update(repr((area, _mark(f"{root}/{area}"))).encode())
    for area in _SPLIT:
        with os.scandir(f"{root}/{area}") as entries:
            for name, status in sorted((entry.name, entry.stat(follow_symlinks=False)) for entry in entries):
                seen.update(f"{name}:{status.st_ino}:{status.st_mtime_ns};".encode())
    return seen.hexdigest()
