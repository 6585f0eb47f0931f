"""Small numbered documents, create-once: facts, decisions, arrivals, reasons for quarantine."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from .errors import DamageFound, StorageError
from .fsio import Disk, Unsynced
from .layout import RECORD
from .places import Places
from .sealed import canonical, seal, seal_of, sha256, unseal
from .staging import Staging
from .trees import read_file

_TRIES = 1000


@dataclass(frozen=True, slots=True)
class Record:
    """One version of a document."""

    n: int
    about: dict[str, Any]
    content: dict[str, Any]
    seal: str
    path: Path
    fresh: bool = False
    """True where this very call wrote it; False where it was read, or had been said already."""


@dataclass(frozen=True, slots=True)
class Companion:
    """A file that a record lies beside and speaks of: brought to the device with it, named just before it."""

    sync: Callable[[], object]
    name: Callable[[], object]
    """Gives the file its final name; may be asked again."""


def said_hash(content: Mapping[str, Any]) -> str:
    """Hash of what a record says, without its number."""
    return sha256(canonical(content))


class Records:
    """Reads and writes the documents of one directory at a time; the highest number holds."""

    def __init__(self, disk: Disk, staging: Staging, places: Places) -> None:
        self._disk, self._staging, self._places = disk, staging, places

    def numbers(self, directory: Path, stem: str = "") -> list[int]:
        """Numbers present, ascending. ``stem`` is what stands before the number (``<sha256>.``)."""
        found = []
        for name in self._disk.names(directory):
            match = RECORD.match(name[len(stem) :]) if name.startswith(stem) else None
            if match:
                found.append(int(match[1]))
        return sorted(found)

    def read(self, directory: Path, n: int, about: Mapping[str, Any], stem: str = "") -> Record:
        """One version. Raises DamageFound where it is not whole or speaks of something else."""
        path = directory / f"{stem}{n}.json"
        data = read_file(self._disk, path)
        document = unseal(data, path)
        if document.get("about") != dict(about) or document.get("n") != n:
            raise DamageFound(path, f"the record {document.get('n')} of {document.get('about')}")
        return Record(n, document["about"], document["content"], seal_of(data), path)

    def newest(self, directory: Path, about: Mapping[str, Any], stem: str = "") -> Record | None:
        """The version that holds, or None."""
        numbers = self.numbers(directory, stem)
        return self.read(directory, numbers[-1], about, stem) if numbers else None

    def all(self, directory: Path, about: Mapping[str, Any], stem: str = "") -> list[Record]:
        """All versions, oldest first."""
        return [self.read(directory, n, about, stem) for n in self.numbers(directory, stem)]

    def add(
        self, directory: Path, about: Mapping[str, Any], content: Mapping[str, Any], *, stem: str = "",
        once: bool = False, companion: Companion | None = None,
    ) -> Record:
        """Write the next version, durably; the one that is there where the newest says the same already.

        With ``once`` no earlier version may say the same either. Two writers at once get two numbers, or
        one of them finds that the other has said it. A ``companion`` is durable as well when this returns.
        """
        wanted = canonical(content)
        for _ in range(_TRIES):
            numbers = self.numbers(directory, stem)
            known = numbers if once else numbers[-1:]
            for n in reversed(known):
                record = self.read(directory, n, about, stem)
                if canonical(record.content) == wanted:
                    # said before, but perhaps by someone whose fsync is still to come
                    self._places.directory(directory, [companion.sync] if companion else [])
                    if companion:
                        companion.name()
                    self._disk.fsync_dir(directory)
                    return record
            n = (numbers[-1] if numbers else 0) + 1
            written = self._write(directory, n, about, content, stem, companion)
            if written is not None:
                return written
        raise StorageError(f"a new record in {directory}", found=f"the number taken {_TRIES} times in a row")

    def _write(
        self, directory: Path, n: int, about: Mapping[str, Any], content: Mapping[str, Any], stem: str,
        companion: Companion | None,
    ) -> Record | None:
        data = seal({"about": dict(about), "content": dict(content), "format": 1, "n": n})
        target, staged = directory / f"{stem}{n}.json", self._staging.new_path()
        with Unsynced(self._disk, staged) as file:
            file.write(data)
            file.start()
            # one journal commit serves both files and the directories
            self._places.directory(directory, [companion.sync, file.sync] if companion else [file.sync])
        if companion:
            companion.name()
        linked = self._disk.link(staged, target)
        self._disk.unlink(staged)
        if not linked:
            return None
        self._disk.fsync_dir(directory)
        return Record(n, dict(about), dict(content), seal_of(data), target, fresh=True)
