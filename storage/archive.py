"""The archive as the rest of thrumline sees it."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Callable, Container, Iterable, Iterator, Mapping, Sequence
from contextlib import AbstractContextManager
from functools import partial
from pathlib import Path
from typing import Any, Literal, Self

from .at_rest import at_rest, keep_note, new_state, note_of_rest
from .batch import Batch
from .cache import Cache
from .catalogue import Attempts, Catalogue, TreeRow
from .doctor import unfit_places
from .errors import DiskFull, NotAllowed, StorageError
from .findings import Decode, Depth, Finding, Report
from .fsio import Disk
from .layout import AREAS, MANIFEST, Layout, checked_kind
from .lock import CoordinatorLock
from .opening import archive_identity, make_root, opened_catalogue
from .originals import Original, Originals
from .places import Places
from .recalled import Recalled
from .reconcile import reconcile, scanned, tree_ids
from .records import Records
from .staging import Leftover, Staging
from .statements import Statements
from .trees import Draft, Tree, read_tree
from .upkeep import Derive, Repair, Superseded, cleared, copied_out, repaired
from .verify import verified

Role = Literal["coordinator", "worker", "reader"]
FLOOR_BYTES = 256 * 2**20
"""Kept free: room for the catalogue, for reports and for whoever has to clear up."""


class Archive(Statements):
    """One archive, opened in a role. Use ``Archive.open``; close it, or use it as a context manager.

    The coordinator is the only one to write the catalogue, and there is one at a time. Workers write originals,
    captures, results and records; readers write nothing.
    """

    def __init__(self, layout: Layout, identity: str, role: Role, disk: Disk, floor_bytes: int) -> None:
        self.layout, self.id, self.role, self.disk, self.floor_bytes = layout, identity, role, disk, floor_bytes
        self.places = Places(layout.root, disk)
        self.staging = Staging(layout.staging, disk)
        self.records = Records(disk, self.staging, self.places)
        self.originals = Originals(layout, disk, self.staging, self.places, self.records)
        self.cache = Cache(layout, disk, self.staging)
        self.swept: list[Leftover] = []
        self._lock: CoordinatorLock | None = None
        self._catalogue: Catalogue | None = None
        self._recalled: Recalled | None = None
        self._batch: Batch | None = None
        self._state = new_state()

    # opening and closing

    @classmethod
    def open(
        cls, root: Path | str, *, role: Role, create: bool = False, disk: Disk | None = None,
        floor_bytes: int = FLOOR_BYTES,
    ) -> Archive:  # fmt: skip
        """Open the archive at ``root``.

        Parameters
        ----------
        role
            ``coordinator`` takes the lock and keeps the catalogue; ``worker`` and ``reader`` take none.
        create
            Make a new archive where there is none (coordinator only).
        disk
            The file operations; a test hands in one that fails.
        floor_bytes
            Room on the disk that is kept free.

        Raises
        ------
        ArchiveMissing
            No archive there, or one of a newer format.
        ArchiveBusy
            Another coordinator holds it; said at once.
        DamageFound
            ``FORMAT`` is not what was written.
        """
        layout, disk = Layout(Path(root).absolute()), disk or Disk()
        if create and role != "coordinator":
            raise NotAllowed("to create an archive", found=f"role {role!r}", allowed="coordinator")
        if create:
            make_root(layout, disk)
        if role != "coordinator" or not (create or layout.format.exists()):
            return cls(layout, archive_identity(layout, disk, create=False), role, disk, floor_bytes)
        lock = CoordinatorLock(layout.lock)
        try:
            archive = cls(layout, archive_identity(layout, disk, create=create), role, disk, floor_bytes)
        except BaseException:
            lock.release()
            raise
        archive._lock = lock
        try:
            archive._coordinate()
        except BaseException:
            archive._let_go()
            raise
        return archive

    def _coordinate(self) -> None:
        rest = at_rest(self.root)
        # nothing was written since the last coordinator left: the catalogue knows all there is
        as_left = rest is not None and rest.catalogue
        if not as_left:
            for area in AREAS:
                self.places.directory(self.root / area)
            self.swept = self.staging.sweep()
        self._catalogue, as_left = opened_catalogue(self.layout, self.id, self.disk, as_left=as_left)
        if not as_left:
            reconcile(self, self._catalogue)
        self._recalled = Recalled(self._catalogue)

    def close(self) -> None:
        """Let go of everything; the coordinator keeps what it remembers for the next time."""
        noted = None
        try:
            if self._recalled is not None:
                self._recalled.keep()
            self.staging.close()
            noted = self._note_of_rest()
        finally:
            self._let_go(noted)

    def _note_of_rest(self) -> Mapping[str, Any] | None:
        """For the next start; without it that start looks through everything."""
        if self._catalogue is None:
            return None
        catalogue = self._catalogue
        return note_of_rest(self, self._state, lambda: reconcile(self, catalogue))

    @property
    def state(self) -> str:
        """Coordinator: name that the present state of the archive has, or will have when this is closed.

        It is never met again once anything was written; see ``storage.at_rest``.
        """
        rest = at_rest(self.root)
        return self._state if rest is None else rest.state

    def _let_go(self, noted: Mapping[str, Any] | None = None) -> None:
        coordinating = self._catalogue is not None
        if self._catalogue is not None:
            self._catalogue.close()
            self._catalogue, self._recalled = None, None
        self.staging.close()
        if coordinating:
            with contextlib.suppress(StorageError, OSError):
                keep_note(self, noted)
        self.disk.rest()
        if self._lock is not None:
            self._lock.release()
            self._lock = None

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, *_: object) -> None:
        if kind is None:
            self.close()
        else:
            self._let_go()

    @property
    def root(self) -> Path:
        """The archive's directory."""
        return self.layout.root

    @property
    def catalogue(self) -> Catalogue:
        """The index; for the coordinator only. Raises NotAllowed."""
        if self._catalogue is None:
            raise NotAllowed("the catalogue", found=f"role {self.role!r}", allowed="coordinator")
        return self._catalogue

    def catalogue_for_reading(self) -> Catalogue | None:
        """The index in any role, as it is now; give it back with ``done_reading``. None where there is none."""
        return self._catalogue or Catalogue.read_only(self.layout.catalogue, self.root, self.id)

    def done_reading(self, catalogue: Catalogue) -> None:
        """Close a catalogue that was opened only for reading."""
        if catalogue is not self._catalogue:
            catalogue.close()

    def _may_write(self, what: str) -> None:
        if self.role == "reader":
            raise NotAllowed(f"to write {what}", found="role 'reader'", allowed="coordinator, worker")

    def check_floor(self, incoming_bytes: int = 0) -> None:
        """Refuse an intake before the disk is full. Raises DiskFull."""
        free = self.disk.free_bytes(self.root)
        if free - incoming_bytes < self.floor_bytes:
            raise DiskFull(
                f"room for {incoming_bytes / 2**20:.1f} MiB more in {self.root}", found=f"{free / 2**20:.0f} MiB free",
                allowed=f"intake while {self.floor_bytes / 2**20:.0f} MiB stay free",
                todo="free some space; nothing was written",
            )  # fmt: skip

    # originals

    def put_original(self, path: Path | str, *, name: str, origin: str = "") -> Original:
        """Take a file in under its SHA-256; when this returns it is on the device and its arrival is noted.

        In a batch (``settled_together``) that is put off to its end; ``path`` is where the bytes lie until then.

        Raises
        ------
        DiskFull
            Less than the floor would be left; nothing was written.
        SourceChanged
            The file was written to meanwhile.
        """
        self._may_write("an original")
        source = Path(path)
        self.check_floor(self.disk.size(source) or 0)
        batch = None if self._batch is None else self._batch.copied
        original = self.originals.put(source, name=name, origin=origin, batch=batch)
        if self._catalogue is not None:
            self.note_original(original)
        return original

    def note_original(self, original: Original) -> None:
        """Coordinator: index what a worker took in, and remember the source's hash."""
        arrivals = [original.arrival] if original.arrival else []
        self.catalogue.add(originals=[original], records=arrivals)
        if self._recalled is not None:
            self._recalled.note_original(original)

    def original(self, sha256: str) -> Path | None:
        """The file of an original, or None."""
        return self.originals.find(sha256)

    def arrivals(self, sha256: str) -> list[dict[str, Any]]:
        """Names and origins these bytes came with, oldest first."""
        return [record.content for record in self.originals.arrivals(sha256)]

    def sha256_of(self, path: Path | str, *, rehash: bool = False) -> str:
        """SHA-256 of any file; the coordinator remembers it by path, size, times and inode."""
        source = Path(path).absolute()
        known = None if rehash else self.recalled_sha256(source)
        if known is not None:
            return known
        digest, stat, began = self.originals.hashed(source)
        if self._recalled is not None:
            self._recalled.note(str(source), stat, digest, began)
        return digest

    def recalled_sha256(self, path: Path | str) -> str | None:
        """SHA-256 of a file that is unchanged since it was hashed, without reading it; None where not known."""
        return None if self._recalled is None else self._recalled.sha256(Path(path).absolute())

    def remembered_stat(self, path: Path | str) -> list[int] | None:
        """Size, times (ns) and inode a file had when it was hashed; None where its times could not be trusted."""
        return None if self._recalled is None else self._recalled.stat(os.fspath(path))

    # captures and results

    def has(self, kind: str, identity: str) -> bool:
        """Whether a capture or result is committed."""
        return self.disk.size(self.layout.tree(kind, identity) / MANIFEST) is not None

    def having(self, kind: str, ids: Sequence[str]) -> set[str]:
        """Those of ``ids`` that are committed; asks the disk, a few microseconds each."""
        return {identity for identity in ids if self.has(kind, identity)}

    def ids(self, kind: str) -> list[str]:
        """Identities of all captures or results on the disk, in order, in any role."""
        return tree_ids(self, checked_kind(kind))

    def tree(self, kind: str, identity: str) -> Tree | None:
        """A committed capture or result, or None. Raises DamageFound where it is not whole."""
        return read_tree(self.disk, self.layout.tree(kind, identity), kind, identity)

    def draft(self, kind: str, identity: str) -> Draft:
        """A capture or result in the making, in a private place; ``commit`` makes it visible."""
        self._may_write(f"one of {checked_kind(kind)}")
        self.check_floor()
        final = self.layout.tree(kind, identity)
        if self._batch is None:
            return Draft(kind, identity, final, self.staging, self.places)
        ahead = partial(self._batch.settle_originals, self.originals)
        return Draft(kind, identity, final, self.staging, self.places, self._batch.staged, ahead)

    @contextlib.contextmanager
    def settled_together(self) -> Iterator[Batch]:
        """Worker: what is put and committed inside becomes durable and visible at the end, together.

        Nothing of it may be acknowledged before, and the rest of the world does not see it. Whatever is raised inside
        drops all of it; what is raised at the end (DiskFull, DiskFault), all that has no name yet.
        """
        with self.gathered() as batch:
            yield batch
        self.settle(batch)

    @contextlib.contextmanager
    def gathered(self) -> Iterator[Batch]:
        """Worker: the same without its end, which is ``settle``; another batch may be gathered beside that."""
        if self.role != "worker" or self._batch is not None:
            found = f"role {self.role!r}" if self._batch is None else "a batch inside a batch"
            raise NotAllowed("to settle work together", found=found, allowed="worker, one batch at a time")
        self._batch = batch = Batch()
        try:
            yield batch
        except BaseException:
            batch.drop(self.originals, self.disk)
            raise
        finally:
            self._batch = None

    def settle(self, batch: Batch) -> None:
        """Worker: make what was gathered durable and visible, in any thread. Raises DiskFull, DiskFault."""
        batch.settle(self.originals, self.places)

    def put_small(self, kind: str, identity: str, content: Mapping[str, Any], run: Mapping[str, Any]) -> Tree:
        """Commit a tree that is nothing but its manifest."""
        with self.draft(kind, identity) as draft:
            tree = draft.commit(content, run)
        if self._catalogue is not None and (tree.fresh or self._catalogue.tree_seal(kind, identity) is None):
            self._catalogue.add(trees=[TreeRow.of(tree)])
        return tree

    def note_committed(self, kind: str, *ids: str) -> None:
        """Coordinator: index what workers committed; one transaction for all of them."""
        trees = [self.tree(kind, identity) for identity in ids]
        self.note_rows(TreeRow.of(tree) for tree in trees if tree is not None)

    def note_rows(self, rows: Iterable[TreeRow]) -> None:
        """Coordinator: index what workers committed by what they say of it; no file is opened."""
        self.catalogue.add(trees=rows)

    def indexed_together(self) -> AbstractContextManager[None]:
        """Coordinator: what is indexed inside goes into the catalogue some at a time, not each by itself.

        What is acknowledged inside is on the device as ever, since the catalogue is no part of that; see
        ``Catalogue.together``.
        """
        return self.catalogue.together()

    def note_attempt(self, key: str, error: str) -> int:
        """Coordinator: count a failed attempt at a piece of work; how many there are now."""
        return self.catalogue.note_attempt(key, error)

    def attempts(self, key: str) -> Attempts:
        """Failed attempts at a piece of work; a cache, lost with the catalogue."""
        return self.catalogue.attempts(key)

    def rebuild(self) -> int:
        """Coordinator: make the catalogue anew from what is on the disk; the number of rows."""
        found = scanned(self)
        self.catalogue.renew(map(TreeRow.of, found.trees), found.originals, found.records)
        return len(found)

    # looking after it

    def verify(
        self, depth: Depth = "structure", *, subset: tuple[int, int] | None = None, decode: Decode | None = None
    ) -> Report:
        """Check the archive and change nothing; see ``storage.verify.verified``."""
        return verified(self, depth, subset=subset, decode=decode)

    def doctor(self) -> list[Finding]:
        """Assumptions about the file system that do not hold where this archive lies; see ``storage.doctor``."""
        self._may_write("a trial")
        return unfit_places(self)

    def repair(self, derive: Derive) -> Repair:
        """Coordinator: put what is damaged aside, derive it anew, note what is lost; see ``storage.upkeep``."""
        self._may_write("a repair")
        return repaired(self, derive)

    def gc(
        self, wanted: Container[str] | Callable[[Tree], bool], *, older_than_s: float, drop: bool = False
    ) -> list[Superseded]:
        """Coordinator: results that are not wanted and older than so much; dropped only when told so."""
        return cleared(self, wanted, older_than_s=older_than_s, drop=drop)

    def export_originals(self, files: Mapping[str, str], folder: Path | str) -> list[Path]:
        """Copy originals (file name -> SHA-256) into a folder, every byte checked on the way."""
        return copied_out(self, files, Path(folder))
