"""Every file operation the archive makes: one seam, so that a fault can be set at the n-th of them."""

from __future__ import annotations

import contextlib
import os
import shutil
import sys
import time
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor, wait
from contextlib import AbstractContextManager
from pathlib import Path
from types import TracebackType

from .errors import DiskFault, DiskFull, told

_READ_ONLY = 0o444
_SMALL = 65_536
_AT_ONCE = 8
_SLOW_S = 0.004
"""An fsync that takes as long as this is worth the handing over to threads, which costs 0.1 to 0.3 ms a group."""
_BINARY = getattr(os, "O_BINARY", 0)
_NO_FOLLOW = getattr(os, "O_NOFOLLOW", 0)
_CAN_SYNC_DIRECTORIES = sys.platform != "win32"
_CAN_START = sys.platform == "linux"

_ANSWERS = (FileNotFoundError, FileExistsError, NotADirectoryError)

Folders = list[tuple[str, list[str]]]
"""Directories of a tree, relative, each with the sorted names in it."""


class _Told(AbstractContextManager[None]):
    """Turns an OSError into a typed error; but what is missing, there already, or no directory is an answer."""

    __slots__ = ("disk", "operation", "path")

    def __init__(self, disk: Disk, operation: str, path: Path | str) -> None:
        self.disk, self.operation, self.path = disk, operation, path

    def __enter__(self) -> None:
        try:
            self.disk.point(self.operation, self.path)
        except OSError as error:
            raise told(error, f"{self.operation} {self.path}") from error

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if isinstance(error, OSError) and not isinstance(error, _ANSWERS):
            raise told(error, f"{self.operation} {self.path}") from error


class Unsynced(AbstractContextManager["Unsynced"]):
    """A new file whose bytes need not be on the device yet.

    Kept open until ``sync``, since an error of writing behind is told to the descriptors open at that time.
    """

    __slots__ = ("_descriptor", "_disk", "_path")

    def __init__(self, disk: Disk, path: Path) -> None:
        self._disk, self._path = disk, path
        self._descriptor = disk.create(path)

    def write(self, piece: bytes) -> int:
        """Append all of it."""
        with _Told(self._disk, "write", self._path):
            return self._disk.write_all(self._descriptor, piece)

    def start(self) -> None:
        """Let the bytes set out for the device: nothing is promised, but one journal commit then serves many files.

        Without it each fsync finds blocks to allocate of its own, and commits them by itself. Bytes that have arrived
        leave memory.
        """
        if _CAN_START:
            with contextlib.suppress(OSError):  # a hint; what matters is told by ``sync``
                os.posix_fadvise(self._descriptor, 0, 0, os.POSIX_FADV_DONTNEED)

    def sync(self) -> None:
        """Bring the bytes to the device."""
        with _Told(self._disk, "fsync", self._path):
            self._disk.fsync(self._descriptor)

    def sync_away(self) -> None:
        """Bring the bytes to the device, and give up the memory they take until then: nobody reads them soon.

        Thus the next file gets the same pages, where the system would go on to others; and what its user has in
        memory is not driven out of it by a night's files.
        """
        self.sync()
        self.start()

    def close(self) -> None:
        """Let go of the descriptor."""
        if self._descriptor >= 0:
            os.close(self._descriptor)
            self._descriptor = -1

    def __exit__(self, *_: object) -> None:
        self.close()


class Disk:
    """The local file system. Tests hand in a subclass whose ``point`` kills, fails or counts.

    A method returns only when what it promises is done; ``write_new`` promises bytes on the device, the
    name of the new file is promised only by ``fsync_dir`` of its directory.
    """

    _threads: ThreadPoolExecutor | None = None
    _threads_of = 0

    def __getstate__(self) -> dict[str, object]:
        return {name: value for name, value in self.__dict__.items() if name not in {"_threads", "_threads_of"}}

    def together(self, jobs: Sequence[Callable[[], object]]) -> None:
        """Do all of these, in no order; an error is raised once none of them is under way.

        For fsyncs that must all be done before the next step but not one after another. Where the first is quick
        the others follow in turn, which costs less than to hand them over; on a slow device they wait side by
        side, since a journal serves those that wait at the same time with one commit.
        """
        began = time.perf_counter()
        for n, job in enumerate(jobs, 1):
            job()
            if n == 1 < len(jobs) - 1 and time.perf_counter() - began > _SLOW_S:
                self._side_by_side(jobs[1:])
                return

    def _side_by_side(self, jobs: Sequence[Callable[[], object]]) -> None:
        if self._threads is None or self._threads_of != os.getpid():  # threads do not follow into a forked child
            self._threads, self._threads_of = ThreadPoolExecutor(_AT_ONCE, "fsync"), os.getpid()
        done = [self._threads.submit(job) for job in jobs]
        wait(done)
        for future in done:
            future.result()

    def rest(self) -> None:
        """Let the threads go; they come back when they are needed."""
        if self._threads is not None and self._threads_of == os.getpid():
            self._threads.shutdown()
        self._threads = None

    def point(self, operation: str, path: Path | str) -> None:
        """Called before every operation."""

    def mkdir(self, path: Path) -> bool:
        """Make a directory; False where it was there already."""
        with _Told(self, "mkdir", path):
            try:
                path.mkdir()
            except FileExistsError:
                return False
        return True

    def write_new(self, path: Path, data: bytes | Iterable[bytes]) -> int:
        """Write a file that does not exist yet and fsync it; read-only from then on. Returns its size."""
        with Unsynced(self, path) as file:
            size = sum(file.write(piece) for piece in ((data,) if isinstance(data, bytes) else data))
            file.sync()
        return size

    def write_all(self, descriptor: int, piece: bytes) -> int:
        """Write all of it, however short the single writes are."""
        view = memoryview(piece)
        done = 0
        while done < len(view):
            done += os.write(descriptor, view[done:])
        return done

    def create(self, path: Path) -> int:
        """Descriptor of a new file; read-only for everybody who opens it later."""
        with _Told(self, "create", path):
            return os.open(path, os.O_CREAT | os.O_EXCL | os.O_WRONLY | _BINARY, _READ_ONLY)

    def fsync(self, descriptor: int) -> None:
        """Bring a file's bytes to the device."""
        os.fsync(descriptor)

    def fsync_dir(self, path: Path) -> None:
        """Bring a directory's names to the device."""
        if not _CAN_SYNC_DIRECTORIES:
            return
        with _Told(self, "fsync_dir", path):
            descriptor = os.open(path, os.O_RDONLY)
            try:
                self.fsync(descriptor)
            finally:
                os.close(descriptor)

    def rename(self, source: Path, target: Path) -> bool:
        """Rename a directory; False where a non-empty one is there already (somebody was first)."""
        with _Told(self, "rename", target):
            try:
                source.rename(target)
            except OSError:
                # ENOTEMPTY or EEXIST by file system; on a network file system the answer may have been lost
                # after the deed, so the source decides.
                if target.exists() and source.exists():
                    return False
                if source.exists() or not target.exists():
                    raise
        return True

    def replace(self, source: Path, target: Path) -> None:
        """Rename a file over whatever has that name."""
        with _Told(self, "replace", target):
            source.replace(target)

    def link(self, source: Path, target: Path) -> bool:
        """Give a finished file its final name, create-once; False where that name is taken."""
        with _Told(self, "link", target):
            try:
                target.hardlink_to(source)
            except FileExistsError:
                return source.samefile(target)
        return True

    def set_time(self, path: Path, seconds: int) -> None:
        """Give a directory a time of change of our choosing."""
        with _Told(self, "set_time", path):
            os.utime(path, (seconds, seconds))

    def unlink(self, path: Path) -> None:
        """Remove a file that may be gone already."""
        with _Told(self, "unlink", path):
            path.unlink(missing_ok=True)

    def rmtree(self, path: Path) -> None:
        """Remove a private directory, as far as that is possible."""
        with contextlib.suppress(DiskFull, DiskFault), _Told(self, "rmtree", path):
            shutil.rmtree(path, ignore_errors=True)

    def read(self, path: Path | str) -> bytes:
        """The whole file."""
        with _Told(self, "read", path):
            descriptor = os.open(path, os.O_RDONLY | _BINARY)
            try:
                data = os.read(descriptor, _SMALL)
                if len(data) < _SMALL:  # a regular file gives all it has, so a short answer is its end
                    return data
                size = max(os.fstat(descriptor).st_size, _SMALL)
                # from its start once more: joining pieces costs a large file more than reading them
                os.lseek(descriptor, 0, os.SEEK_SET)
                pieces = []
                while piece := os.read(descriptor, size + 1):
                    pieces.append(piece)
                return pieces[0] if len(pieces) == 1 else b"".join(pieces)
            finally:
                os.close(descriptor)

    def size(self, path: Path) -> int | None:
        """Size of a regular file in bytes; None where there is none (links are not followed)."""
        with _Told(self, "stat", path):
            try:
                status = path.lstat()
            except (FileNotFoundError, NotADirectoryError):
                return None
        return status.st_size if status.st_mode & 0o170000 == 0o100000 else None

    def names(self, path: Path | str) -> list[str]:
        """Sorted names in a directory; empty where there is none."""
        with _Told(self, "list", path):
            try:
                return sorted(os.listdir(path))  # noqa: PTH208
            except (FileNotFoundError, NotADirectoryError):
                return []

    def sizes(self, path: Path | str) -> dict[str, int]:
        """Size of every file below a directory, by its relative name; what is no regular file has size -1."""
        with _Told(self, "walk", path):
            found: dict[str, int] = {}
            _sizes(os.fspath(path), "", found)
            return found

    def holds(self, path: str, folders: Folders, sizes: Mapping[str, int]) -> bool:
        """Whether exactly these directories and files lie there, each file with its size; False in any doubt.

        ``folders`` is what ``folders_of`` makes of the names. Half as dear as ``sizes``, which tells what differs.
        """
        try:
            self.point("walk", path)
            for folder, names in folders:
                place = f"{path}{folder}"
                if sorted(os.listdir(place)) != names or not _is_folder(place):  # noqa: PTH208
                    return False
            return all(_size_of(f"{path}/{name}") == size for name, size in sizes.items())
        except OSError:
            return False

    def open_source(self, path: Path) -> int:
        """Descriptor of a file to be taken in; a symbolic link is not followed."""
        with _Told(self, "open", path):
            return os.open(path, os.O_RDONLY | _BINARY | _NO_FOLLOW)

    def read_piece(self, descriptor: int, size: int, path: Path) -> bytes:
        """The next bytes of an open file; empty at its end."""
        with _Told(self, "read", path):
            return os.read(descriptor, size)

    def pieces(self, path: Path, size: int) -> Iterator[bytes]:
        """The bytes of a file, a piece at a time."""
        descriptor = self.open_source(path)
        try:
            while piece := self.read_piece(descriptor, size, path):
                yield piece
        finally:
            os.close(descriptor)

    def free_bytes(self, path: Path) -> int:
        """Room left for this user."""
        with _Told(self, "free", path):
            return shutil.disk_usage(path).free


def folders_of(files: Iterable[str]) -> Folders:
    """Directories of a tree that holds these files: '' or '/' and the relative name, and the sorted names in each.

    >>> folders_of(["a.zarr/zarr.json", "MANIFEST.json"])
    [('', ['MANIFEST.json', 'a.zarr']), ('/a.zarr', ['zarr.json'])]
    """
    found: dict[str, set[str]] = {"": set()}
    for file in files:
        above = ""
        for name in file.split("/"):
            found.setdefault(above, set()).add(name)
            above = f"{above}/{name}"
    return [(folder, sorted(names)) for folder, names in sorted(found.items())]


def _is_folder(path: str) -> bool:
    """Whether it is a directory by itself; a link to one is none."""
    return os.lstat(path).st_mode & 0o170000 == 0o040000


def _size_of(path: str) -> int:
    """Size of a regular file, -1 of anything else."""
    status = os.lstat(path)
    return status.st_size if status.st_mode & 0o170000 == 0o100000 else -1


def _sizes(path: str, start: str, found: dict[str, int]) -> None:
    with os.scandir(path) as entries:
        for entry in entries:
            if entry.is_dir(follow_symlinks=False):
                _sizes(entry.path, f"{start}{entry.name}/", found)
            else:
                regular = entry.is_file(follow_symlinks=False)
                found[start + entry.name] = entry.stat(follow_symlinks=False).st_size if regular else -1
