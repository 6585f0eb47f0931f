"""The stem: a process that has imported what reading takes, and forks a reader child for whoever asks.

Started anew, each reader child imports for half a second of processor time; one that is forked is there in ten
milliseconds. The stem itself is forked from the process workers come from, has a single thread, reads no file to the
end and runs no stranger's code: what a reader does still befalls a child of its own. It looks after the children too:
one that ends takes all it started along, and so does the end of whoever asked for it.
"""

from __future__ import annotations

import contextlib
import fcntl
import gc
import io
import os
import selectors
import signal
import socket
import sys
import tempfile
import traceback
from collections.abc import Mapping
from dataclasses import dataclass
from multiprocessing import get_context
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any, NoReturn

from .early_workers import START_METHOD, import_once
from .reader_process import NamedFile, confidences, load_readers, serve

N_DESCRIPTORS = 4
"""What a request brings along: requests, replies, the shared memory, a file for what the child prints."""

_ASK_S = 5.0

CAN_FORK = START_METHOD == "forkserver" and hasattr(os, "pidfd_open")
"""Whether there can be a stem: elsewhere reader children are started anew."""


class Stem:
    """A running stem and the folder of its socket.

    Parameters
    ----------
    readers
        Reader names and where their classes are; the stem loads those of ours.
    example
        A file that will be read: what its format takes is imported ahead.

    Raises
    ------
    OSError
        There can be none here.
    """

    def __init__(self, readers: Mapping[str, str], example: Path) -> None:
        import_once()
        # nobody else may ask this user's process for another one: the folder is the user's alone
        self._folder = tempfile.TemporaryDirectory(prefix="thrumline-", ignore_cleanup_errors=True)
        self.address = f"{self._folder.name}/stem"
        context = get_context("forkserver")
        until, self._alive = context.Pipe(duplex=False)
        with socket.socket(socket.AF_UNIX) as listener, until:
            listener.bind(self.address)
            listener.listen(128)
            self._process = context.Process(
                target=tend, args=(listener, until, _ours(readers), str(example)), daemon=True
            )
            self._process.start()

    @property
    def pid(self) -> int | None:
        """Its process id."""
        return self._process.pid

    def close(self) -> None:
        """End the stem and all its children."""
        self._alive.close()
        self._process.join(_ASK_S)
        if self._process.is_alive():
            self._process.kill()
        self._folder.cleanup()


def _ours(readers: Mapping[str, str]) -> dict[str, str]:
    own = __name__.partition(".")[0]
    return {name: path for name, path in readers.items() if path.partition(".")[0] == own}


def tend(listener: socket.socket, until: Connection, readers: Mapping[str, str], example: str) -> None:
    """Fork children until the other end of ``until`` is closed, by hand or by the end of the process that has it."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    with contextlib.suppress(Exception):
        _import_ahead(readers, example)
    # what is there now stays for good: a child's collector need not touch, and so copy, its pages
    gc.freeze()
    _Nursery(listener, until).run()
    # whoever began this may have been killed, and left it to us
    socket_place = Path(listener.getsockname())
    with contextlib.suppress(OSError):
        socket_place.unlink()
        socket_place.parent.rmdir()


def _import_ahead(readers: Mapping[str, str], example: str) -> None:
    """Import what reading the example takes; that of other formats comes with the first file of theirs."""
    loaded, _ = load_readers(readers)
    surest, confidence = confidences(loaded, NamedFile(Path(example), Path(example).name))[0]
    if confidence > 0.0:
        loaded[surest].warm()


@dataclass(slots=True)
class _Child:
    pid: int
    ended: int
    """Descriptor that is readable once the process has ended."""
    line: socket.socket
    """To whoever asked for it."""


class _Nursery:
    """Takes requests, and watches over the children that came of them."""

    def __init__(self, listener: socket.socket, until: Connection) -> None:
        self._listener, self._until = listener, until
        self._children: dict[int, _Child] = {}
        self._selector = selectors.DefaultSelector()
        for source in (listener, until):
            self._selector.register(source, selectors.EVENT_READ)

    def run(self) -> None:
        """Until nobody is left who could ask."""
        while True:
            for key, _ in self._selector.select():
                if key.fileobj is self._until:
                    for child in self._children.values():
                        kill_group(child.pid)
                    return
                if key.fileobj is self._listener:
                    self._accept()
                elif isinstance(child := key.data, _Child):
                    # a line speaks up only by closing: whoever asked is done with the child, or gone
                    self._end(child) if key.fileobj is child.line else self._bury(child)

    def _accept(self) -> None:
        line, _ = self._listener.accept()
        line.settimeout(_ASK_S)
        descriptors: list[int] = []
        try:
            _, descriptors, _, _ = socket.recv_fds(line, 1, N_DESCRIPTORS)
            if len(descriptors) == N_DESCRIPTORS:
                self._fork(line, descriptors)
        except OSError:
            line.close()
        finally:
            for descriptor in descriptors:
                os.close(descriptor)

    def _fork(self, line: socket.socket, descriptors: list[int]) -> None:
        pid = os.fork()
        if pid == 0:
            _become_reader(descriptors)
        child = _Child(pid, os.pidfd_open(pid), line)
        self._children[pid] = child
        for source in (child.ended, line):
            self._selector.register(source, selectors.EVENT_READ, child)
        _tell(line, pid)

    def _end(self, child: _Child) -> None:
        self._selector.unregister(child.line)
        kill_group(child.pid)

    def _bury(self, child: _Child) -> None:
        """Take leave of a process that has ended; until it is waited for, its number is nobody else's."""
        kill_group(child.pid)
        _, status = os.waitpid(child.pid, 0)
        _tell(child.line, os.waitstatus_to_exitcode(status))
        for source in (child.ended, child.line):
            with contextlib.suppress(KeyError):
                self._selector.unregister(source)
        os.close(child.ended)
        child.line.close()
        del self._children[child.pid]


def kill_group(pid: int) -> None:
    """Kill a reader child and everything it started."""
    for kill in (os.killpg, os.kill):
        # the group is not there before the child has made itself one
        with contextlib.suppress(ProcessLookupError, PermissionError):
            kill(pid, signal.SIGKILL)


def _tell(line: socket.socket, number: int) -> None:
    with contextlib.suppress(OSError):
        line.sendall(f"{number}\n".encode())


def _become_reader(descriptors: list[int]) -> NoReturn:
    """In the forked process: a session of its own, nothing open but what was handed over, then serve."""
    status = 1
    try:
        os.setsid()
        signal.signal(signal.SIGINT, signal.default_int_handler)
        _keep_only(descriptors)
        for name, number in (("stdout", 1), ("stderr", 2)):
            setattr(sys, name, _unbuffered(number))
        with contextlib.suppress(BrokenPipeError, KeyboardInterrupt):
            serve(3, 4, 5)
        status = 0
    except SystemExit as leaving:
        status = leaving.code if isinstance(leaving.code, int) else int(leaving.code is not None)
    except BaseException:  # noqa: BLE001  the last words of a process that ends here
        traceback.print_exc()
    finally:
        # without the farewells of the process it was forked from
        os._exit(status)


def _keep_only(descriptors: list[int]) -> None:
    """Requests, replies and memory as 3, 4, 5, the file for prints as 1 and 2, nothing to read as 0."""
    nothing = os.open(os.devnull, os.O_RDONLY)
    *handed, printed = descriptors
    # first out of the way of the numbers they are to have
    wanted = [nothing, printed, printed, *handed]
    apart = [fcntl.fcntl(found, fcntl.F_DUPFD_CLOEXEC, len(wanted)) for found in wanted]
    for number, found in enumerate(apart):
        os.dup2(found, number, inheritable=number < 3)
    os.closerange(len(wanted), os.sysconf("SC_OPEN_MAX"))


def _unbuffered(number: int) -> io.TextIOWrapper:
    raw: Any = io.FileIO(number, "w", closefd=False)
    return io.TextIOWrapper(raw, write_through=True)
