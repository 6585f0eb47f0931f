"""The reader child itself: reads files a parent names, hands samples over through shared memory.

Run as ``python -m thrumline.pipeline.execution.reader_process REQUEST_FD REPLY_FD MEMORY_FD``. Control goes as
JSON lines over two pipes; blocks of samples go through two slots of one shared mapping, so that the child
fills one while the parent empties the other. Nothing a reader does in here can hurt the parent: it may
crash, spin, allocate, write or print, and the worst outcome is one refused file.
"""

from __future__ import annotations

import contextlib
import errno
import importlib
import json
import mmap
import os
import resource
import select
import sys
import threading
import time
import traceback
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any

import numpy as np
import numpy.typing as npt

from ..contracts import ChannelMapping, Reader, ReaderRefusal, ReasonCode

HEAD_BYTES = 65536
"""What a reader may look at when it is asked how sure it is."""

SLOTS = 2


@dataclass(frozen=True, slots=True)
class NamedFile:
    """A source: where the bytes are, and the name they came with."""

    path: Path
    name: str


class OutputLimitError(Exception):
    """A file unfolds into more samples than allowed."""


class SharedSink:
    """Hands blocks to the parent through the shared slots; waits when both are full."""

    def __init__(self, memory: mmap.mmap, requests: IO[bytes], replies: IO[bytes], output_bytes: int) -> None:
        self._memory = memory
        self._slot_bytes = len(memory) // SLOTS
        self._requests, self._replies = requests, replies
        self._left = output_bytes
        self._sent = 0
        self._waiting = 0

    def begin(self, index: int) -> None:
        """Start the capture with this index."""
        send(self._replies, {"op": "begin", "index": int(index)})

    def samples(self, group: str, counts: npt.NDArray[np.generic]) -> None:
        """Pass a block of samples [shape=(n_channel, n)], cut where it exceeds a slot."""
        self._pass("samples", group, np.asarray(counts))

    def stamps(self, group: str, ticks: npt.NDArray[np.generic]) -> None:
        """Pass time stamps [shape=(n,)], cut where they exceed a slot."""
        self._pass("stamps", group, np.asarray(ticks))

    def drain(self) -> None:
        """Wait until the parent has taken everything."""
        while self._waiting:
            self._take_acknowledgement()

    def _pass(self, op: str, group: str, array: npt.NDArray[np.generic]) -> None:
        self._left -= array.nbytes
        if self._left < 0:
            raise OutputLimitError
        column_bytes = max(array.itemsize * (array.shape[0] if array.ndim > 1 else 1), 1)
        step = max(self._slot_bytes // column_bytes, 1)
        for start in range(0, array.shape[-1], step):
            self._pass_piece(op, group, np.ascontiguousarray(array[..., start : start + step]))

    def _pass_piece(self, op: str, group: str, piece: npt.NDArray[np.generic]) -> None:
        while self._waiting >= SLOTS:
            self._take_acknowledgement()
        slot = self._sent % SLOTS
        target = np.frombuffer(self._memory, piece.dtype, piece.size, slot * self._slot_bytes)
        target[:] = piece.ravel()
        message = {"op": op, "group": group, "dtype": piece.dtype.str, "shape": piece.shape, "slot": slot}
        send(self._replies, message)
        self._sent += 1
        self._waiting += 1

    def _take_acknowledgement(self) -> None:
        if not self._requests.readline():
            raise SystemExit
        self._waiting -= 1


def send(stream: IO[bytes], message: dict[str, Any]) -> None:
    """Write one JSON line at once."""
    stream.write(json.dumps(message, allow_nan=False).encode() + b"\n")
    stream.flush()


def load_readers(paths: Mapping[str, str]) -> tuple[dict[str, Reader], dict[str, str]]:
    """Readers by name, and the reason for each that could not be loaded."""
    readers: dict[str, Reader] = {}
    failed: dict[str, str] = {}
    for name, path in paths.items():
        module, _, attribute = path.partition(":")
        try:
            reader = getattr(importlib.import_module(module), attribute)()
        except Exception as error:  # noqa: BLE001 - a stranger's import may raise anything
            failed[name] = fault_text(error)
        else:
            readers[name] = reader
    return readers, failed


def confidences(readers: Mapping[str, Reader], source: NamedFile) -> list[tuple[str, float]]:
    """How sure each reader is of a file by its head, the surest first. Raises OSError."""
    with source.path.open("rb") as stream:
        head = stream.read(HEAD_BYTES)
    found = [(name, _confidence(reader, head, source.name)) for name, reader in readers.items()]
    return sorted(found, key=lambda pair: (-pair[1], pair[0]))


def _confidence(reader: Reader, head: bytes, name: str) -> float:
    try:
        return min(max(float(reader.sniff(head, name)), 0.0), 1.0)
    except Exception:  # noqa: BLE001 - a reader that cannot even look is not sure at all
        return 0.0


def limit_process(memory_bytes: int, write_bytes: int, open_files: int) -> None:
    """Limits that hold for the whole life of the child, set after the imports so that these do not count."""
    limit_memory(memory_bytes)
    for which, value in (
        (resource.RLIMIT_FSIZE, write_bytes),
        (resource.RLIMIT_NOFILE, open_files),
        (resource.RLIMIT_CORE, 0),
    ):
        lower_limit(which, value)


def limit_memory(further_bytes: int) -> None:
    """Allow this much address space beyond what is mapped now."""
    lower_limit(resource.RLIMIT_AS, mapped_bytes() + further_bytes)


def mapped_bytes() -> int:
    """Address space in use now; 0 where the system does not tell (then the limit counts the libraries too)."""
    try:
        return int(Path("/proc/self/statm").read_text().split()[0]) * resource.getpagesize()
    except OSError:
        return 0


def lower_limit(which: int, value: int) -> None:
    """Set the soft limit, never above what the process was given."""
    _, hard = resource.getrlimit(which)
    wanted = value if hard == resource.RLIM_INFINITY else min(value, hard)
    resource.setrlimit(which, (wanted, hard))


def limit_cpu(seconds: float) -> None:
    """Allow this many further seconds of processor time; beyond it the system ends the child."""
    used = time.process_time()
    lower_limit(resource.RLIMIT_CPU, int(used + seconds) + 1)


def fault_text(error: BaseException) -> str:
    """Type, message and place of an unexpected error; file names without their folders."""
    frames = traceback.extract_tb(error.__traceback__)
    place = f" in {Path(frames[-1].filename).name} line {frames[-1].lineno}" if frames else ""
    return f"{type(error).__name__}: {str(error)[:300]}{place}"


def code_of(error: BaseException) -> ReasonCode:
    """The reason code an unexpected error of a reader stands for."""
    if isinstance(error, MemoryError | OutputLimitError | RecursionError):
        return ReasonCode.LIMIT_EXCEEDED
    if isinstance(error, FileNotFoundError):
        return ReasonCode.MISSING_FILE
    if isinstance(error, OSError) and error.errno in (errno.EFBIG, errno.EMFILE, errno.ENOMEM):
        return ReasonCode.LIMIT_EXCEEDED
    if isinstance(error, PermissionError | IsADirectoryError):
        return ReasonCode.UNREADABLE
    return ReasonCode.READER_FAULT


class Service:
    """Answers the parent's requests one after the other."""

    def __init__(self, start: dict[str, Any], memory: mmap.mmap, requests: IO[bytes], replies: IO[bytes]) -> None:
        self._memory, self._requests, self._replies = memory, requests, replies
        self._limits = start["limits"]
        self._readers, self._failed = load_readers(start["readers"])
        self._warm: set[str] = set()

    def answer(self, request: dict[str, Any]) -> dict[str, Any]:
        """The closing message of one request; every failure of a reader becomes one."""
        limit_cpu(self._limits["cpu_s"])
        try:
            return self._dispatch(request)
        except ReaderRefusal as refusal:
            parts = {name: str(getattr(refusal, name)) for name in ("asked", "found", "allowed", "todo")}
            return {"op": "refused", "code": str(refusal.code), **parts}
        except Exception as error:  # noqa: BLE001 - whatever a reader raises is its fault, not ours
            return {"op": "fault", "code": str(code_of(error)), "detail": fault_text(error)}

    def _dispatch(self, request: dict[str, Any]) -> dict[str, Any]:
        source = NamedFile(Path(request["path"]), request["name"])
        if request["op"] == "sniff":
            return {"op": "done", "confidences": confidences(self._readers, source)}
        reader = self._reader(request["reader"])
        mapping = ChannelMapping.from_json(request["mapping"])
        if request["op"] == "describe":
            return {"op": "done", "description": reader.describe(source, mapping)}
        sink = SharedSink(self._memory, self._requests, self._replies, self._limits["output_bytes"])
        heads: list[dict[str, Any]] = []
        try:
            heads = [head.as_json() for head in reader.read(source, mapping, sink)]
        finally:
            sink.drain()
        return {"op": "done", "heads": heads}

    def _reader(self, name: str) -> Reader:
        if name in self._readers and name not in self._warm:
            self._warm_up(name)
        if name in self._failed:
            raise ReaderRefusal(
                ReasonCode.READER_FAULT, f"the reader {name!r} could not be loaded", found=self._failed[name]
            )
        return self._readers[name]

    def _warm_up(self, name: str) -> None:
        """Import what this reader takes, with its first file: most runs are of one format. Libraries do not count."""
        self._warm.add(name)
        try:
            self._readers[name].warm()
        except Exception as error:  # noqa: BLE001 - a stranger's import may raise anything
            self._failed[name] = fault_text(error)
        limit_memory(self._limits["memory_bytes"])


def leave_with(requests: int) -> None:
    """End this process when nobody holds the other end of its requests any more, also in the middle of a file."""

    def watch() -> None:
        ended = select.poll()
        ended.register(requests, 0)
        while not ended.poll():
            pass
        os._exit(1)

    threading.Thread(target=watch, daemon=True).start()


def serve(request_fd: int, reply_fd: int, memory_fd: int) -> None:
    """Greet, then answer until the parent closes the pipe."""
    with open(request_fd, "rb") as requests, open(reply_fd, "wb") as replies:
        start = json.loads(requests.readline())
        sys.path[:] = start["path"]
        leave_with(request_fd)
        memory = mmap.mmap(memory_fd, start["memory_bytes"])
        service = Service(start, memory, requests, replies)
        limits = start["limits"]
        limit_process(limits["memory_bytes"], limits["write_bytes"], limits["open_files"])
        send(replies, {"op": "hello"})
        for line in requests:
            answer = service.answer(json.loads(line))
            try:
                send(replies, answer)
            except (TypeError, ValueError) as error:  # a head or description that is no plain JSON
                send(replies, {"op": "fault", "code": "reader_fault", "detail": fault_text(error)})


if __name__ == "__main__":
    with contextlib.suppress(BrokenPipeError, KeyboardInterrupt):
        serve(*(int(argument) for argument in sys.argv[1:4]))
