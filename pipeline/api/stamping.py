"""What a whole run notes beside its files, so that the next one can tell that nothing is new."""

from __future__ import annotations

import hashlib
import json
import os
import sys
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from .unchanged import STAMP_FILE, made_with, read_note, seen_now, untouched

if TYPE_CHECKING:
    from pathlib import Path

    from ...storage import Archive
    from ..execution.orders import Done
    from ..host import Host
    from ..study import CapturesTable, Study
    from .study_run import StudyRun


@dataclass(frozen=True, slots=True)
class Stamp:
    """All that the files of one run are made from. ``answers`` is the hash of it with what each row came to.

    Where only the state of the archive is another one (another study was run there), the answers tell that the
    files stand.
    """

    answers: str
    made_with: str
    documents: tuple[str, ...]
    strangers: Mapping[str, list[int] | None]
    sources: Mapping[str, list[int] | None]
    results: tuple[str, ...]

    @classmethod
    def of(
        cls, study: Study, table: CapturesTable, done: Mapping[int, Done], host: Host, archive: Archive
    ) -> Stamp:
        """The stamp of a study's run; ``done`` before duplicates are refused (they follow from it)."""
        documents = _documents(study, table)
        made, strangers = made_with(documents), _strangers(host)
        digest = hashlib.sha256(repr((made, strangers, archive.id, host.fingerprint(), table.problems)).encode())
        for number, item in sorted(done.items()):
            said = (number, item.capture_id, item.result_id, item.sha256, None if item.result_id else item.fitness)
            digest.update(repr(said).encode())
        results = tuple(sorted({item.result_id for item in done.values() if item.result_id}))
        return cls(digest.hexdigest(), made, documents, strangers, _sources(table, archive), results)

    def keep(self, out: Path, run: StudyRun, archive: Archive) -> None:
        """Put the stamp beside the files; it appears whole or not at all."""
        document = {
            "answers": self.answers, "state": archive.state, "made_with": self.made_with,
            "documents": self.documents, "strangers": self.strangers, "sources": self.sources,
            "results": self.results, "files": {path.name: seen_now(str(path)) for path in run.files},
            "sentences": list(run.sentences), "notes": list(run.notes),
        }  # fmt: skip
        unfinished = out / f"{STAMP_FILE}.unfinished"
        unfinished.write_text(json.dumps(document), encoding="utf-8")
        unfinished.replace(out / STAMP_FILE)

    def holds(self, out: Path) -> Mapping[str, Any] | None:
        """What was kept with the files in ``out``, if they are those of the same answers, untouched; else None."""
        kept = read_note(out)
        try:
            stands = kept is not None and kept["answers"] == self.answers and untouched(out, kept["files"])
        except (KeyError, AttributeError, TypeError):
            return None
        return kept if stands else None


def _documents(study: Study, table: CapturesTable) -> tuple[str, ...]:
    recipe = (study.base_dir / study.recipe,) if study.recipe.endswith(".toml") else ()
    return tuple(str(path) for path in (study.file, table.path, *recipe) if path is not None)


def _sources(table: CapturesTable, archive: Archive) -> dict[str, list[int] | None]:
    """Each row's file as it was when it was hashed; of a row that cannot be used, its file as it is now.

    A file changed so shortly before it was hashed that the archive does not trust its times stands here as
    absent, so that the next run looks at it again.
    """
    found: dict[str, list[int] | None] = {}
    for problem in table.problems:
        path = os.path.realpath(table.file_path(problem))
        found[path] = seen_now(path)
    for row in table.rows:
        path = os.path.realpath(table.file_path(row))
        found[path] = archive.remembered_stat(path)
    return found


def _strangers(host: Host) -> dict[str, list[int] | None]:
    """Files of plugins that are not ours: every loaded module below the names they are imported by."""
    ours = __name__.partition(".")[0]
    tops = {offer.offered.__module__.partition(".")[0] for offer in host.offers} - {ours}
    loaded = [module for name, module in sys.modules.items() if name.partition(".")[0] in tops]
    places = {file for module in loaded if (file := getattr(module, "__file__", None)) is not None}
    return {place: seen_now(place) for place in sorted(places)}
