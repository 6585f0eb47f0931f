"""Originals: files as received, under the SHA-256 of their bytes, never changed and never dropped unasked."""

from __future__ import annotations

import hashlib
import os
import stat
import time
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from .errors import BadContent, SourceChanged
from .fsio import Disk, Unsynced
from .layout import Layout
from .places import Places
from .records import Companion, Record, Records, Said
from .staging import Staging

PIECE = 4 * 2**20
RACY_NS = 2_000_000_000
"""A file changed this shortly before it was hashed may be changed again within the same time stamp."""


@dataclass(frozen=True, slots=True)
class SourceStat:
    """What tells a changed file from an unchanged one without reading it."""

    size: int
    mtime_ns: int
    ctime_ns: int
    inode: int

    @classmethod
    def of(cls, status: os.stat_result) -> SourceStat:
        """The parts of a stat that count."""
        return cls(status.st_size, status.st_mtime_ns, status.st_ctime_ns, status.st_ino)

    def settled(self, now_ns: int) -> bool:
        """Whether the last change is long enough ago (and not in the future) for the stat to be trusted."""
        return now_ns - max(self.mtime_ns, self.ctime_ns) > RACY_NS


@dataclass(frozen=True, slots=True)
class Original:
    """An original in the archive. ``new`` is False where its bytes were there already."""

    sha256: str
    size: int
    path: Path
    new: bool
    source: SourceStat | None = None
    source_path: str = ""
    hashed_ns: int = 0
    """Clock when its reading began."""
    arrival: Record | None = None


@dataclass(frozen=True, slots=True)
class Copied:
    """A file copied into a private place and hashed, but neither on the device nor under its name."""

    copy: Unsynced
    staged: Path
    said: dict[str, str]
    original: Original
    """What it will be."""


class _Naming:
    """Gives a copy its final name; tells whether its bytes were not there before."""

    def __init__(self, disk: Disk, copied: Copied) -> None:
        self._disk, self._copied = disk, copied
        self.new = False

    def __call__(self) -> None:
        staged, original = self._copied.staged, self._copied.original
        self.new = self._disk.link(staged, original.path)
        if not self.new and self._disk.size(original.path) != original.size:
            # What is there cannot be what its name says; ours was hashed a moment ago.
            self._disk.replace(staged, original.path)


class Originals:
    """Takes files in, and finds them."""

    def __init__(self, layout: Layout, disk: Disk, staging: Staging, places: Places, records: Records) -> None:
        self._layout, self._disk, self._staging = layout, disk, staging
        self._places, self._records = places, records

    def put(self, source: Path, *, name: str, origin: str, batch: list[Copied] | None = None) -> Original:
        """Copy and hash in one reading, give the copy its final name, note the arrival; all durable on return.

        With ``batch`` only copied, and told there: ``settle`` does the rest, for all of a batch at once. Until then
        ``path`` of what is returned is that of the copy.

        Raises
        ------
        SourceChanged
            The file was written to while it was read.
        BadContent
            Nothing there, or no regular file.
        """
        copied = self._copied(source, {"name": name, "origin": origin})
        if batch is not None:
            batch.append(copied)
            return replace(copied.original, path=copied.staged)
        return self.settle([copied])[0]

    def _copied(self, source: Path, said: dict[str, str]) -> Copied:
        descriptor = self._opened(source)
        staged, began = self._staging.new_path(), time.time_ns()
        try:
            before = _regular(os.fstat(descriptor), source)
            digest = hashlib.sha256()
            copy = Unsynced(self._disk, staged)
            try:
                size = sum(copy.write(piece) for piece in _pieces(self._disk, descriptor, source, digest))
                after = SourceStat.of(os.fstat(descriptor))
                if after != before or size != before.size:
                    raise SourceChanged(f"{source} at rest", found="a change while it was read", todo="try again later")
                copy.start()
            except BaseException:
                self.drop([Copied(copy, staged, said, Original("", 0, staged, new=False))])
                raise
        finally:
            os.close(descriptor)
        final = self._layout.original(digest.hexdigest())
        place = os.path.abspath(source)  # noqa: PTH100
        there = Original(final.name, size, final, new=True, source=before, source_path=place, hashed_ns=began)
        return Copied(copy, staged, {**said, "size": str(size)}, there)

    def settle(self, batch: Sequence[Copied], *, away: bool = False) -> list[Original]:
        """Give copies their names and note their arrivals, in the same directories and by the same syncs.

        The same name and origin again adds no arrival. With ``away`` the copies have been read, too, and leave memory.
        """
        found: list[Original] = []
        try:
            named = [_Naming(self._disk, copied) for copied in batch]
            arrivals = self._records.add_together(
                Said(
                    copied.original.path.parent, {"original": copied.original.sha256}, copied.said,
                    f"{copied.original.sha256}.", True,
                    Companion(copied.copy.sync_away if away else copied.copy.sync, naming),
                )
                for copied, naming in zip(batch, named, strict=True)
            )  # fmt: skip
            for copied, naming, arrival in zip(batch, named, arrivals, strict=True):
                found.append(replace(copied.original, new=naming.new, arrival=arrival))
        finally:
            self.drop(batch)
        return found

    def drop(self, batch: Iterable[Copied]) -> None:
        """Let go of copies; one that has its name keeps it."""
        for copied in batch:
            copied.copy.close()
            self._disk.unlink(copied.staged)

    def _opened(self, source: Path) -> int:
        try:
            return self._disk.open_source(source)
        except FileNotFoundError as error:
            raise BadContent(f"a file at {source}", found="nothing", todo="check the path") from error

    def arrivals(self, sha256: str) -> list[Record]:
        """Every name and origin these bytes came with."""
        directory = self._layout.original(sha256).parent
        return self._records.all(directory, {"original": sha256}, f"{sha256}.")

    def find(self, sha256: str) -> Path | None:
        """The file of an original, or None."""
        path = self._layout.original(sha256)
        return path if self._disk.size(path) is not None else None

    def hashed(self, source: Path) -> tuple[str, SourceStat, int]:
        """SHA-256 of a file outside the archive, its stat, and the clock when reading began (ns)."""
        descriptor = self._opened(source)
        try:
            began = time.time_ns()
            before = _regular(os.fstat(descriptor), source)
            digest = hashlib.sha256()
            for _ in _pieces(self._disk, descriptor, source, digest):
                pass
            if SourceStat.of(os.fstat(descriptor)) != before:
                raise SourceChanged(f"{source} at rest", found="a change while it was read", todo="try again later")
        finally:
            os.close(descriptor)
        return digest.hexdigest(), before, began


def _regular(status: os.stat_result, path: Path) -> SourceStat:
    if not stat.S_ISREG(status.st_mode):
        raise BadContent(f"a file at {path}", found="a directory or device", allowed="regular files")
    return SourceStat.of(status)


def _pieces(disk: Disk, descriptor: int, path: Path, digest: hashlib._Hash) -> Iterator[bytes]:
    while True:
        piece = disk.read_piece(descriptor, PIECE, path)
        if not piece:
            return
        digest.update(piece)
        yield piece
