"""Files that were refused: bytes, reason and reader fault are kept until a person decides."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from ...storage import Archive
from ..contracts import SettingsError


def quarantined(archive_dir: Path | str) -> list[dict[str, Any]]:
    """What is held now, with the reason."""
    with Archive.open(Path(archive_dir), role="reader") as archive:
        return archive.quarantined()


def held(archive_dir: Path | str, sha256: str) -> dict[str, Any]:
    """One held original: reason, the names it came with, and where its bytes are. Raises SettingsError."""
    with Archive.open(Path(archive_dir), role="reader") as archive:
        entry = _one(archive, sha256)
        path = archive.original(entry["sha256"])
        return {**entry, "arrivals": archive.arrivals(entry["sha256"]), "bytes": str(path) if path else None}


def release(archive_dir: Path | str, sha256: str, *, action: str, note: str) -> str:
    """Let an original out: ``retry`` (read it again at the next run) or ``release`` (it is settled). Its id."""
    with Archive.open(Path(archive_dir), role="coordinator") as archive:
        entry = _one(archive, sha256)
        archive.release(entry["sha256"], action=action, note=note)
        return str(entry["sha256"])


def _one(archive: Archive, sha256: str) -> dict[str, Any]:
    found = [entry for entry in archive.quarantined() if entry["sha256"].startswith(sha256.lower())]
    if len(found) != 1:
        what = "none" if not found else f"{len(found)} that begin so"
        raise SettingsError(f"quarantined file {sha256!r}", found=what, todo="`thrumline quarantine list`")
    return found[0]
