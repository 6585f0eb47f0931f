"""Workers asked for before anything that takes time is loaded, where a run will need some in all likelihood."""

from __future__ import annotations

import os
import tomllib
from pathlib import Path

from ..execution.early_workers import INLINE_UP_TO, import_once
from .study_run import DEFAULT_ARCHIVE, out_folder
from .unchanged import made_alike


def workers_ahead(
    study_file: Path | str, *, archive_dir: Path | str | None = None, out_dir: Path | str | None = None,
    workers: int | None = None, scheduler: str | None = None,
) -> bool:  # fmt: skip
    """Start the process that workers are forked from, if this study will need them; True where it was started.

    A guess from the length of the table: a study that is wrong is told so later, by whoever reads it in earnest, and
    tables of other kinds than text are counted there.
    """
    path = Path(study_file)
    few = (workers or os.cpu_count() or 1) <= 1 or _rows_at_least(path) <= INLINE_UP_TO
    if scheduler is not None or few:
        return False
    if Path(archive_dir or DEFAULT_ARCHIVE).exists() and made_alike(out_folder(path, out_dir), path):
        return False
    import_once()
    return True


def _rows_at_least(study_file: Path) -> int:
    """Lines of the study's table below its header; 0 in any doubt."""
    try:
        table = study_file.parent / str(tomllib.loads(study_file.read_text(encoding="utf-8"))["captures"])
        if table.suffix.lower() not in (".csv", ".tsv", ".txt"):
            return 0
        return table.read_bytes().count(b"\n") - 1
    except (OSError, ValueError, KeyError):
        return 0
