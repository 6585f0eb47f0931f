"""Small numbered documents, create-once: facts, decisions, arrivals, reasons for quarantine."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

from .errors import DamageFound, StorageError
from .fsio import Disk, Unsynced
from .layout import RECORD
from .places import Places
from .sealed import Spelt, canonical, seal, seal_of, sha256, unseal
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
    said: str
    """Hash of the content alone: what it says, without its number."""
    fresh: bool = False
    """True where this very call wrote it; False where it was read, or had been said already."""


@dataclass(frozen=True, slots=True)
class Companion:
    """A file that a record lies beside and speaks of: brought to the device with it, named just before it."""

    sync: Callable[[], object]
    name: Callable[[], object]
    """Gives the file its final name; may be asked again."""


@dataclass(frozen=True, slots=True)
class Said:
    """What is to be recorded: see ``Records.add``. A ``companion`` is durable as well once the record is."""

    directory: Path
    about: Mapping[str, Any]
    content: Mapping[str, Any] | Spelt
    stem: str = ""
    once: bool = False
    companion: Companion | None = None


@dataclass(frozen=True, slots=True)
class _Draft:
    """A record that is there, or one in a private place."""

    record: Record
    staged: Path | None = None
    file: Unsynced | None = None

    def drop(self, disk: Disk) -> None:
        """Remove the private name."""
        if self.file is not None and self.staged is not None:
            self.file.close()
            disk.unlink(self.staged)


def record_of(data: bytes, path: Path) -> Record:
    """The record whose sealed bytes these are. Raises DamageFound where they are not whole, or another document's."""
    document = unseal(data, path, "about", "content", "n")
    content = document["content"]
    return Record(document["n"], document["about"], content, seal_of(data), path, sha256(canonical(content)))


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
        record = record_of(read_file(self._disk, path), path)
        if record.about != dict(about) or record.n != n:
            raise DamageFound(path, f"the record {record.n} of {record.about}")
        return record

    def newest(self, directory: Path, about: Mapping[str, Any], stem: str = "") -> Record | None:
        """The version that holds, or None."""
        numbers = self.numbers(directory, stem)
        return self.read(directory, numbers[-1], about, stem) if numbers else None

    def all(self, directory: Path, about: Mapping[str, Any], stem: str = "") -> list[Record]:
        """All versions, oldest first."""
        return [self.read(directory, n, about, stem) for n in self.numbers(directory, stem)]

    def add(
        self, directory: Path, about: Mapping[str, Any], content: Mapping[str, Any], *, stem: str = "",
        once: bool = False,
    ) -> Record:
        """Write the next version, durably; the one that is there where the newest says the same already.

        With ``once`` no earlier version may say the same either. Two writers at once get two numbers, or
        one of them finds that the other has said it.
        """
        return self.add_together([Said(directory, about, content, stem, once)])[0]

    def add_together(self, said: Iterable[Said]) -> list[Record]:
        """Write several, each as ``add`` does, by one round of syncs; a companion is durable as well on return.

        Raises StorageError where a number was taken by others a thousand times in a row.
        """
        left, found = list(enumerate(said)), dict[int, Record]()
        for _ in range(_TRIES):
            drafts: list[tuple[int, Said, _Draft]] = []
            try:
                for i, one in left:
                    drafts.append((i, one, self._drafted(one)))
                self._brought_home([(one, draft) for _, one, draft in drafts])
                found |= {i: record for i, one, draft in drafts if (record := self._named(one, draft)) is not None}
            finally:
                for _, _, draft in drafts:
                    draft.drop(self._disk)
            homes = dict.fromkeys(one.directory for i, one, _ in drafts if i in found)
            self._disk.together([partial(self._disk.fsync_dir, home) for home in homes])
            left = [(i, one) for i, one in left if i not in found]
            if not left:
                return [found[i] for i in range(len(found))]
        raise StorageError(f"a new record in {left[0][1].directory}", found=f"its number taken {_TRIES} times in a row")

    def _drafted(self, said: Said) -> _Draft:
        """The record that says it already, or the next one in a private place."""
        numbers = self.numbers(said.directory, said.stem)
        wanted = said.content if isinstance(said.content, Spelt) else Spelt.of(dict(said.content))
        digest = sha256(wanted.text)
        for n in reversed(numbers if said.once else numbers[-1:]):
            record = self.read(said.directory, n, said.about, said.stem)
            if record.said == digest:
                return _Draft(record)
        n = (numbers[-1] if numbers else 0) + 1
        data = seal({"about": dict(said.about), "content": wanted, "format": 1, "n": n})
        target = said.directory / f"{said.stem}{n}.json"
        record = Record(n, dict(said.about), wanted.value, seal_of(data), target, digest, fresh=True)
        staged = self._staging.new_path()
        file = Unsynced(self._disk, staged)
        draft = _Draft(record, staged, file)
        try:
            file.write(data)
        except BaseException:
            draft.drop(self._disk)
            raise
        return draft

    def _brought_home(self, drafts: Sequence[tuple[Said, _Draft]]) -> None:
        """Bring what the names will stand for to the device: one journal commit serves files and directories."""
        files = [draft.file for _, draft in drafts if draft.file is not None]
        for file in files:
            file.start()
        companions = [said.companion.sync for said, _ in drafts if said.companion is not None]
        # of one that was said before, the fsync may still be to come: its directory is brought home as well
        self._places.directories(
            dict.fromkeys(said.directory for said, _ in drafts), [*companions, *(file.sync for file in files)]
        )

    def _named(self, said: Said, draft: _Draft) -> Record | None:
        """Give companion and record their names; None where another writer has taken the number."""
        if said.companion:
            said.companion.name()
        if draft.staged is None or self._disk.link(draft.staged, draft.record.path):
            return draft.record
        return None
