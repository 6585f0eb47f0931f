"""Originals: files as received, under the SHA-256 of their bytes, never changed and never dropped unasked."""

from __future__ import annotations

import hashlib
import os
import stat
import time
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

from .errors import BadContent, SourceChanged
from .fsio import Disk, Unsynced
from .layout import Layout
from .places import Places
from .records import Companion, Record, Records
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


class Originals:
    """Takes files in, and finds them."""

    def __init__(self, layout: Layout, disk: Disk, staging: Staging, places: Places, records: Records) -> None:
        self._layout, self._disk, self._staging = layout, disk, staging
        self._places, self._records = places, records

    def put(self, source: Path, *, name: str, origin: str) -> Original:
        """Copy and hash in one reading, give the copy its final name, note the arrival; all durable on return.

        Raises
        ------
        SourceChanged
            The file was written to while it was read.
        BadContent
            Nothing there, or no regular file.
        """
        descriptor = self._opened(source)
        staged, began = self._staging.new_path(), time.time_ns()
        try:
            before = _regular(os.fstat(descriptor), source)
            digest = hashlib.sha256()
            with Unsynced(self._disk, staged) as copy:
                size = sum(copy.write(piece) for piece in _pieces(self._disk, descriptor, source, digest))
                after = SourceStat.of(os.fstat(descriptor))
                if after != before or size != before.size:
                    raise SourceChanged(f"{source} at rest", found="a change while it was read", todo="try again later")
                copy.start()
                final = self._layout.original(digest.hexdigest())
                kept = self._keep(copy, staged, final, before, {"name": name, "origin": origin})
            return replace(kept, source=before, source_path=os.path.abspath(source), hashed_ns=began)  # noqa: PTH100
        finally:
            os.close(descriptor)
            self._disk.unlink(staged)

    def _opened(self, source: Path) -> int:
        try:
            return self._disk.open_source(source)
        except FileNotFoundError as error:
            raise BadContent(f"a file at {source}", found="nothing", todo="check the path") from error

    def _keep(self, copy: Unsynced, staged: Path, final: Path, source: SourceStat, said: dict[str, str]) -> Original:
        """Give the copy its name and note its arrival, in the same directory and by the same syncs.

        The same name and origin again adds no arrival.
        """
        new: list[bool] = []

        def name() -> None:
            new.append(self._disk.link(staged, final))
            if not new[-1] and self._disk.size(final) != source.size:
                # What is there cannot be what its name says; ours was hashed a moment ago.
                self._disk.replace(staged, final)

        arrival = self._records.add(
            final.parent, {"original": final.name}, {**said, "size": str(source.size)}, stem=f"{final.name}.",
            once=True, companion=Companion(copy.sync, name),
        )  # fmt: skip
        return Original(final.name, source.size, final, new[0], arrival=arrival)

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
