"""Trying out, on the spot, what the promise assumes of the file system."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from .errors import ArchiveBusy, StorageError
from .findings import Finding
from .layout import AREAS
from .lock import CoordinatorLock

if TYPE_CHECKING:
    from .archive import Archive


def unfit_places(archive: Archive) -> list[Finding]:
    """Assumptions that do not hold where this archive lies; empty when all do.

    Tried in the private place: create-once by link, rename that refuses a taken name, fsync of directories, a lock
    that excludes. Looked at: all areas on one file system. Whether fsync tells the truth cannot be tried from here.
    """
    tried: dict[str, Callable[[Archive, Path], bool]] = {
        "a link to a name that is taken is refused": _link_refuses,
        "a rename onto a directory that is not empty is refused": _rename_refuses,
        "a directory can be synced": _directory_syncs,
        "a lock excludes a second holder": _lock_excludes,
        "all areas lie on one file system": _one_file_system,
    }
    found = []
    for claim, holds in tried.items():
        place = archive.staging.new_directory()
        try:
            if not holds(archive, place):
                found.append(Finding("", f"not so here: {claim}"))
        except (StorageError, OSError) as error:
            found.append(Finding("", f"cannot be tried here: {claim}: {error}"))
        finally:
            archive.disk.rmtree(place)
    return found


def _link_refuses(archive: Archive, place: Path) -> bool:
    for name in ("first", "second"):
        archive.disk.write_new(place / name, name.encode())
    linked = archive.disk.link(place / "first", place / "taken")
    return linked and not archive.disk.link(place / "second", place / "taken") and (
        archive.disk.read(place / "taken") == b"first"
    )


def _rename_refuses(archive: Archive, place: Path) -> bool:
    for name in ("first", "second"):
        archive.disk.mkdir(place / name)
        archive.disk.write_new(place / name / "file", name.encode())
    return not archive.disk.rename(place / "first", place / "second") and (
        archive.disk.read(place / "second" / "file") == b"second"
    )


def _directory_syncs(archive: Archive, place: Path) -> bool:
    archive.disk.fsync_dir(place)
    return True


def _lock_excludes(archive: Archive, place: Path) -> bool:  # noqa: ARG001
    first = CoordinatorLock(place / "lock")
    try:
        CoordinatorLock(place / "lock").release()
    except ArchiveBusy:
        return True
    finally:
        first.release()
    return False


def _one_file_system(archive: Archive, place: Path) -> bool:
    here = place.stat().st_dev
    return all((archive.root / area).stat().st_dev == here for area in AREAS if (archive.root / area).exists())
