"""What the archive remembers of a study: question, rows and what they came to, so that any of it can be made again."""

from __future__ import annotations

import tempfile
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

from ...storage import Archive
from ..contracts import CaptureRow, ChannelMapping, SettingsError
from ..execution.orders import Done
from ..study import Study, load_study

KIND = "studies"


def remember_study(archive: Archive, study: Study, rows: Iterable[CaptureRow], done: Mapping[int, Done]) -> None:
    """Keep the study's text, its rows, and the identities each row came to; a new version where it changed."""
    text = study.file.read_text(encoding="utf-8-sig") if study.file is not None else ""
    # field by field: a deep copy of every row would cost as much as all the rest
    kept = [
        {
            **{name: getattr(row, name) for name in CaptureRow.__dataclass_fields__},
            "mapping": row.mapping.as_json(), **_identities(done[row.row]),
        }
        for row in rows
    ]  # fmt: skip
    archive.put_decision(KIND, study.title, {"title": study.title, "study": text, "rows": kept})


def _identities(done: Done) -> dict[str, Any]:
    return {"capture_id": done.capture_id, "result_id": done.result_id, "sha256": done.sha256}


def remembered_titles(archive: Archive) -> list[str]:
    """Titles of the studies that were run over this archive."""
    return sorted(archive.decisions(KIND))


def remembered_study(archive: Archive, title: str) -> tuple[str, list[dict[str, Any]]]:
    """Text and rows of one study. Raises SettingsError naming those there are."""
    kept = archive.decision(KIND, title)
    if kept is None:
        known = ", ".join(remembered_titles(archive)) or "none"
        raise SettingsError(f"study {title!r}", found="no study of that title was run here", allowed=known)
    return kept["study"], kept["rows"]


def row_again(kept: Mapping[str, Any]) -> CaptureRow:
    """The typed row from the form it is kept in."""
    fields = {name: kept[name] for name in CaptureRow.__dataclass_fields__ if name in kept}
    return CaptureRow(**{**fields, "mapping": ChannelMapping.from_json(fields["mapping"])})


def study_again(text: str) -> Study:
    """The study from its kept text."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "study.toml"
        path.write_text(text, encoding="utf-8")
        return load_study(path)
