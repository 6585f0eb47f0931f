"""Finding an archive, making one, and putting its catalogue to work."""

from __future__ import annotations

import time
import uuid

from .catalogue import Catalogue
from .errors import ArchiveMissing, DamageFound, DiskFault
from .fsio import Disk
from .layout import ARCHIVE_FORMAT, Layout
from .sealed import seal, unseal


def archive_identity(layout: Layout, disk: Disk, *, create: bool) -> str:
    """The id in FORMAT, the first file of an archive. Raises ArchiveMissing, DamageFound."""
    if create and disk.size(layout.format) is None:
        _make_format(layout, disk)
    if disk.size(layout.format) is None:
        raise ArchiveMissing(
            f"an archive at {layout.root}", found="no FORMAT file there",
            todo="name another directory, or make it with `archive init`",
        )  # fmt: skip
    document = unseal(disk.read(layout.format), layout.format, "archive_format", "id", "min_reader")
    if document["min_reader"] > ARCHIVE_FORMAT:
        raise ArchiveMissing(
            f"an archive of format {ARCHIVE_FORMAT} or older at {layout.root}",
            found=f"format {document['archive_format']}", todo="use a newer version of thrumline",
        )  # fmt: skip
    identity: str = document["id"]
    return identity


def make_root(layout: Layout, disk: Disk) -> None:
    """The directory of a new archive, durably."""
    layout.root.parent.mkdir(parents=True, exist_ok=True)
    if disk.mkdir(layout.root) or disk.size(layout.format) is None:
        disk.fsync_dir(layout.root.parent)


def _make_format(layout: Layout, disk: Disk) -> None:
    if (layout.root / "originals").exists():
        todo = "bring FORMAT back from a copy"
        raise DamageFound(layout.format, "nothing, in an archive that has originals", todo=todo)
    staged = layout.root / f"FORMAT.{uuid.uuid4().hex[:12]}"
    made = {"archive_format": ARCHIVE_FORMAT, "id": str(uuid.uuid4()), "min_reader": ARCHIVE_FORMAT}
    disk.write_new(staged, seal(made))
    disk.link(staged, layout.format)
    disk.unlink(staged)
    disk.fsync_dir(layout.root)


def opened_catalogue(layout: Layout, identity: str, disk: Disk, *, as_left: bool = False) -> tuple[Catalogue, bool]:
    """The catalogue, or a new one where the file cannot be used (the old is kept aside), and whether it is as it was.

    ``as_left``: the file is known to be the one that was closed last; it is not looked through again.
    """
    catalogue = Catalogue.open(layout.catalogue, layout.root, identity, disk.point, look_through=not as_left)
    if catalogue is not None:
        return catalogue, as_left
    stamp = time.time_ns()
    for suffix in ("", "-wal", "-shm"):
        old = layout.catalogue.with_name(layout.catalogue.name + suffix)
        if old.exists():
            old.rename(old.with_name(f"unusable-{stamp}.sqlite{suffix}"))
    catalogue = Catalogue.open(layout.catalogue, layout.root, identity, disk.point)
    if catalogue is None:
        found = "a file that is no database right after its making"
        raise DiskFault(f"a new catalogue at {layout.catalogue}", found=found)
    return catalogue, False
