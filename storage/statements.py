"""What was said in an archive: facts about captures, decisions of people, reasons why an original was not taken."""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from .batch import Batch
from .catalogue import Catalogue
from .fsio import Disk
from .layout import Layout, name_below
from .recalled import Recalled
from .records import Record, Records, Said, record_of
from .sealed import Spelt, check_members

_AT_ONCE = 64
"""Records of one round of syncs: each is a file held open until then."""


class Statements(ABC):
    """The part of ``Archive`` that keeps numbered records: create-once, the highest number holds."""

    layout: Layout
    disk: Disk
    records: Records
    _catalogue: Catalogue | None
    _recalled: Recalled | None
    _batch: Batch | None

    @property
    @abstractmethod
    def root(self) -> Path:
        """The archive's directory."""

    @abstractmethod
    def _may_write(self, what: str) -> None:
        """Raises NotAllowed for a role that may not."""

    def _add(self, directory: Path, about: Mapping[str, Any], content: Mapping[str, Any]) -> Record:
        return self._add_together([Said(directory, about, content)])[0]

    def _add_together(self, said: Sequence[Said]) -> list[Record]:
        self._may_write("a record")
        records = self.records.add_together(said)
        # one that was said before may lack its row: the attempt that said it may have failed right after
        if self._catalogue is not None:
            index = self._catalogue
            index.add(records=[r for r in records if r.fresh or index.record_seal(r.path) is None])
        return records

    def put_fact(self, capture_id: str, content: Mapping[str, Any]) -> int | None:
        """Note what is said about a capture now; None where the newest says the same already."""
        return self.put_facts({capture_id: content})[capture_id]

    def put_facts(self, said: Mapping[str, Mapping[str, Any]]) -> dict[str, int | None]:
        """The same for several captures, by one round of syncs."""
        places = {capture_id: self.layout.facts_of(capture_id) for capture_id in said}
        spelt = {capture_id: Spelt.of(dict(content)) for capture_id, content in said.items()}
        found: dict[str, int | None] = dict.fromkeys(said)
        new = [capture_id for capture_id in said if not self._says(places[capture_id], spelt[capture_id])]
        wanted = [Said(places[capture_id], {"capture_id": capture_id}, spelt[capture_id]) for capture_id in new]
        groups = [wanted[start : start + _AT_ONCE] for start in range(0, len(wanted), _AT_ONCE)]
        records = [record for group in groups for record in self._add_together(group)]
        for capture_id, record in zip(new, records, strict=True):
            if self._recalled is not None:
                self._recalled.note_record(name_below(self.root, places[capture_id]), record)
            found[capture_id] = record.n if record.fresh else None
        return found

    def _says(self, directory: Path, content: Spelt) -> bool:
        """Whether the newest record of a directory is remembered to say this, and still there."""
        if self._recalled is None:
            return False
        n = self._recalled.says(name_below(self.root, directory), content)
        return n is not None and self.disk.size(directory / f"{n}.json") is not None

    def facts(self, capture_id: str) -> list[dict[str, Any]]:
        """Everything ever said about a capture, oldest first."""
        about = {"capture_id": capture_id}
        return [r.content for r in self.records.all(self.layout.facts_of(capture_id), about)]

    def newest_fact(self, capture_id: str) -> dict[str, Any] | None:
        """What is said about a capture now."""
        record = self.records.newest(self.layout.facts_of(capture_id), {"capture_id": capture_id})
        return record.content if record else None

    def put_decision(self, kind: str, name: str, content: Mapping[str, Any]) -> int | None:
        """Note what a person decided; None where it was decided so already."""
        record = self._add(self.layout.decision(kind, name), {"kind": kind, "name": name}, content)
        return record.n if record.fresh else None

    def decision(self, kind: str, name: str) -> dict[str, Any] | None:
        """What holds now, or None."""
        record = self.records.newest(self.layout.decision(kind, name), {"kind": kind, "name": name})
        return record.content if record else None

    def decisions(self, kind: str) -> dict[str, dict[str, Any]]:
        """What holds now, by name, for all decisions of a kind."""
        directory = self.layout.decision(kind, "").parent
        found = {}
        for entry in self.disk.names(directory):
            numbers = self.records.numbers(directory / entry)
            if numbers:
                path = directory / entry / f"{numbers[-1]}.json"
                about = record_of(self.disk.read(path), path).about
                check_members(about, path, "name")
                found[about["name"]] = self.decision(kind, about["name"]) or {}
        return found

    def quarantine(self, sha256: str, reason: Mapping[str, Any]) -> int | None:
        """Note why an original was not taken; its bytes stay among the originals. In a batch, at its end."""
        if self._batch is not None:
            # by then this worker may have a batch again, which is not the one this belongs to
            self._batch.afterwards.append(lambda: self._held_back(sha256, reason))
            return None
        return self._held_back(sha256, reason)

    def _held_back(self, sha256: str, reason: Mapping[str, Any]) -> int | None:
        record = self._add(self.layout.quarantine_of(sha256), {"original": sha256}, reason)
        return record.n if record.fresh else None

    def quarantined(self, sha256: str | None = None) -> list[dict[str, Any]]:
        """What is held now: ``sha256``, ``n``, ``reason``; released entries are left out."""
        names = [sha256] if sha256 else [n for n in self.disk.names(self.layout.quarantine) if len(n) == 64]
        found = []
        for name in names:
            newest = self.records.newest(self.layout.quarantine_of(name), {"original": name})
            released = self.decision("quarantine", name) or {"through": 0}
            if newest is not None and newest.n > released["through"]:
                found.append({"sha256": name, "n": newest.n, "reason": newest.content})
        return found

    def release(self, sha256: str, *, action: str, note: str = "") -> bool:
        """Let an original out of quarantine (``action``: retry or release); False where it was not held."""
        held = self.quarantined(sha256)
        if held:
            self.put_decision("quarantine", sha256, {"action": action, "note": note, "through": held[0]["n"]})
        return bool(held)
