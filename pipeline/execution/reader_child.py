"""The parent's side of the reader child: one long-lived process reads every file, under limits.

A reader may crash, hang, eat memory or print without end; here that is one refused file with its code, and
a fresh child for the next one. Whether a file that killed the child is tried again is the caller's business.
"""

from __future__ import annotations

import contextlib
import json
import math
import mmap
import os
import select
import signal
import stat
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, Self

import numpy as np
import numpy.typing as npt

from ..contracts import CaptureHead, ChannelMapping, ReaderRefusal, ReasonCode, Sink
from .reader_process import SLOTS
from .reader_start import begun

_LONGEST_MESSAGE = 1 << 24
_START_S = 60.0


@dataclass(frozen=True, slots=True)
class ReaderLimits:
    """What a reader may take for one file.

    ``memory_bytes`` beyond what the interpreter and its libraries map (a 200 MB text file streams in about
    80 MB); ``seconds`` of waiting for the reader (time in the caller's sink does not count) and ``cpu_s`` of
    processor time; ``output_bytes`` of samples, against files that unfold a thousand times; ``write_bytes``
    of anything written or printed; ``open_files``; ``block_bytes`` of one slot of the shared memory.
    """

    memory_bytes: int = 2 << 30
    seconds: float = 120.0
    cpu_s: float = 120.0
    output_bytes: int = 64 << 30
    write_bytes: int = 1 << 20
    open_files: int = 64
    block_bytes: int = 8 << 20


class _Ended(Exception):
    """The child is gone."""


class _Overdue(Exception):
    """The child's time is over."""


class _SinkFailed(Exception):
    """The caller's sink raised."""

    def __init__(self, cause: Exception) -> None:
        super().__init__(str(cause))
        self.cause = cause


class _Link:
    """One running child: its process, its pipes and the shared memory."""

    def __init__(self, readers: Mapping[str, str], limits: ReaderLimits, stem: str | None) -> None:
        self._memory_bytes = limits.block_bytes * SLOTS
        self._buffer = bytearray()
        request_read, self._request_write = os.pipe()
        self._reply_read, reply_write = os.pipe()
        memory_fd = _memory_file(self._memory_bytes)
        self.printed = tempfile.TemporaryFile()  # noqa: SIM115 - closed with the link
        theirs = (request_read, reply_write, memory_fd)
        try:
            self.process = begun(stem, theirs, self.printed.fileno())
            self.memory = mmap.mmap(memory_fd, self._memory_bytes)
        finally:
            for descriptor in theirs:
                os.close(descriptor)
        self.greeted = False
        self.send(self._opening(readers, limits))

    def _opening(self, readers: Mapping[str, str], limits: ReaderLimits) -> dict[str, Any]:
        return {
            "readers": dict(readers), "limits": asdict(limits), "path": sys.path,
            "memory_bytes": self._memory_bytes,
        }  # fmt: skip

    def send(self, message: Mapping[str, Any]) -> None:
        """Write one JSON line; a child that is gone shows at the next receive."""
        data = json.dumps(message).encode() + b"\n"
        with contextlib.suppress(BrokenPipeError):
            while data:
                data = data[os.write(self._request_write, data) :]

    def receive(self, seconds: float) -> dict[str, Any]:
        """The next message, waiting at most so long. Raises _Ended, _Overdue."""
        deadline = time.monotonic() + seconds
        while (end := self._buffer.find(b"\n")) < 0:
            left = deadline - time.monotonic()
            ready = select.select([self._reply_read], [], [], left)[0] if left > 0 else []
            if not ready:
                raise _Overdue
            piece = os.read(self._reply_read, 1 << 16)
            if not piece or len(self._buffer) > _LONGEST_MESSAGE:
                raise _Ended
            self._buffer += piece
        line = bytes(self._buffer[:end])
        del self._buffer[: end + 1]
        message: dict[str, Any] = json.loads(line)
        return message

    def end(self) -> int:
        """Stop the child and everything it started, free what is shared; returns its exit status."""
        status = self.process.end()
        os.close(self._request_write)
        os.close(self._reply_read)
        with contextlib.suppress(BufferError):
            self.memory.close()
        self.printed.close()
        return status

    def last_words(self) -> str:
        """The last line the child printed: the error, where it could not even start."""
        self.status()
        self.printed.seek(0)
        lines = self.printed.read(1 << 16).decode("utf-8", "replace").strip().splitlines()
        return lines[-1][:200] if lines else ""

    def status(self, patience_s: float = 1.0) -> int | None:
        """Exit status if the child has ended by itself."""
        return self.process.status(patience_s)


class _Tally:
    """Forwards blocks into the caller's sink and counts them, to hold against what the reader states."""

    def __init__(self, sink: Sink, memory: mmap.mmap, limits: ReaderLimits) -> None:
        self._sink, self._memory, self._limits = sink, memory, limits
        self._index = -1
        self.bytes = 0
        self.samples: dict[tuple[int, str], tuple[int, int, str]] = {}
        self.stamps: dict[tuple[int, str], int] = {}

    @property
    def untouched(self) -> bool:
        """Whether nothing of this file has reached the sink."""
        return self._index < 0

    def forward(self, message: Mapping[str, Any]) -> bool:
        """Pass one message on to the sink; True when it freed a slot of the shared memory."""
        if message["op"] == "begin":
            self._index = int(message["index"])
            self._handed(self._sink.begin, self._index)
            return False
        block = self._block(message)
        key = (self._index, str(message["group"]))
        if message["op"] == "stamps":
            self.stamps[key] = self.stamps.get(key, 0) + block.shape[-1]
            self._handed(self._sink.stamps, key[1], block)
        else:
            n_channel, n, _ = self.samples.get(key, (block.shape[0], 0, ""))
            self.samples[key] = (n_channel, n + block.shape[-1], block.dtype.str)
            self._handed(self._sink.samples, key[1], block)
        return True

    def _block(self, message: Mapping[str, Any]) -> npt.NDArray[np.generic]:
        shape, dtype = tuple(message["shape"]), np.dtype(message["dtype"])
        offset = message["slot"] * self._limits.block_bytes
        block = np.frombuffer(self._memory, dtype, math.prod(shape), offset).reshape(shape).copy()
        self.bytes += block.nbytes
        if self.bytes > self._limits.output_bytes:
            raise _Ended
        return block

    @staticmethod
    def _handed(receiver: Callable[..., None], *arguments: object) -> None:
        try:
            receiver(*arguments)
        except Exception as error:
            raise _SinkFailed(error) from error

    def contradiction(self, heads: list[CaptureHead]) -> str:
        """What the heads say against what was handed over; empty when they agree."""
        stated = {(head.index, group.name): group for head in heads for group in head.groups}
        for key, group in stated.items():
            got = self.samples.get(key, (len(group.channels), 0, ""))
            if got[:2] != (len(group.channels), group.n_samples):
                stated_n = f"{group.n_samples} samples of {len(group.channels)} channels stated"
                return f"{stated_n}, {got[1]} of {got[0]} given"
            if got[2] and np.dtype(got[2]) != np.dtype(group.dtype):
                return f"numbers of type {group.dtype} stated, {np.dtype(got[2])} given"
            if self.stamps.get(key, 0) != (0 if group.clock.uniform else group.n_samples):
                return f"{group.n_samples} samples, but {self.stamps.get(key, 0)} time stamps"
        strays = set(self.samples) - set(stated)
        return f"samples of a group that no head names: {sorted(strays)}" if strays else ""


class ReaderChild:
    """Reads files in a child process; keeps the child for the next file, replaces it after a fault.

    Parameters
    ----------
    readers
        Reader names and where their classes are: ``{"text": "package.module:Class"}``.
    limits
        What one file may cost.
    stem
        Socket of the stem to have children forked from; without one they are started.
    """

    def __init__(
        self, readers: Mapping[str, str], limits: ReaderLimits | None = None, *, stem: str | None = None
    ) -> None:
        self._readers = dict(readers)
        self._limits = limits or ReaderLimits()
        self.stem = stem
        self._link: _Link | None = None
        self._lock = threading.Lock()

    def start(self) -> None:
        """Start the child without waiting for it, so that its imports run beside other work."""
        with self._lock:
            self._started()

    def read(self, path: Path, name: str, reader: str, mapping: ChannelMapping, sink: Sink) -> list[CaptureHead]:
        """Read one file in the child; its samples arrive in ``sink`` here, its heads are returned.

        Raises
        ------
        ReaderRefusal
            The reader's own refusal, or ``reader_fault``, ``timeout``, ``limit_exceeded``, ``worker_killed``,
            ``missing_file``, ``unreadable`` for what went wrong around it. Only what ``sink`` itself raises
            passes through unchanged.
        """
        self._known(reader)
        request = {"op": "read", "reader": reader, "mapping": mapping.as_json()}
        with self._lock:
            try:
                answer, tally = self._answer(path, name, request, sink)
            except _SinkFailed as failed:
                raise failed.cause from None
        assert tally is not None
        heads = [CaptureHead.from_json(head) for head in answer["heads"]]
        if wrong := tally.contradiction(heads):
            raise ReaderRefusal(ReasonCode.READER_FAULT, f"the reader {reader!r} contradicts itself", found=wrong)
        return heads

    def sniff(self, path: Path, name: str) -> list[tuple[str, float]]:
        """Each reader's confidence that the file is its format, best first. Raises ReaderRefusal."""
        with self._lock:
            answer, _ = self._answer(path, name, {"op": "sniff"}, None)
        return [(str(reader), float(confidence)) for reader, confidence in answer["confidences"]]

    def describe(self, path: Path, name: str, reader: str, mapping: ChannelMapping) -> dict[str, Any]:
        """What the reader tells about the file beside its heads. Raises ReaderRefusal."""
        self._known(reader)
        request = {"op": "describe", "reader": reader, "mapping": mapping.as_json()}
        with self._lock:
            answer, _ = self._answer(path, name, request, None)
        description: dict[str, Any] = answer["description"]
        return description

    def close(self) -> None:
        """End the child; a later call starts a new one."""
        with self._lock:
            self._drop()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    @property
    def pid(self) -> int | None:
        """Process id of the running child, None when there is none."""
        return self._link.process.pid if self._link else None

    def _known(self, reader: str) -> None:
        if reader not in self._readers:
            raise ReaderRefusal(
                ReasonCode.UNREADABLE, f"no reader is called {reader!r}", allowed=", ".join(sorted(self._readers))
            )

    def _started(self) -> _Link:
        if self._link is not None and self._link.status(0.0) is not None:
            self._drop()
        if self._link is None:
            self._link = _Link(self._readers, self._limits, self.stem)
        return self._link

    def _drop(self) -> int | None:
        link, self._link = self._link, None
        return link.end() if link else None

    def _answer(
        self, path: Path, name: str, request: dict[str, Any], sink: Sink | None
    ) -> tuple[dict[str, Any], _Tally | None]:
        """Ask the child; one that was killed between two files, unseen as yet, is replaced and asked again."""
        link = self._started()
        served_before = link.greeted
        tally = None if sink is None else _Tally(sink, link.memory, self._limits)
        try:
            return self._ask(link, path, name, request, tally), tally
        except ReaderRefusal as refusal:
            untouched = tally is None or tally.untouched
            if not (served_before and untouched and refusal.code is ReasonCode.WORKER_KILLED):
                raise
        link = self._started()
        tally = None if sink is None else _Tally(sink, link.memory, self._limits)
        return self._ask(link, path, name, request, tally), tally

    def _ask(
        self, link: _Link, path: Path, name: str, request: dict[str, Any], tally: _Tally | None = None
    ) -> dict[str, Any]:
        _must_be_regular(path, name)
        healthy = False
        try:
            _greet(link)
            link.send({**request, "path": str(path), "name": name})
            answer = self._listen(link, tally)
            healthy = answer["op"] != "fault"
        except _Overdue:
            raise self._overdue(name) from None
        except (_Ended, ValueError, KeyError, TypeError) as error:
            raise _broken_off(link, name, error) from None
        finally:
            if not healthy:
                self._drop()
        return _accepted(answer, name)

    def _listen(self, link: _Link, tally: _Tally | None) -> dict[str, Any]:
        left = self._limits.seconds
        while True:
            before = time.monotonic()
            message = link.receive(left)
            left -= time.monotonic() - before
            if message["op"] in ("done", "refused", "fault"):
                return message
            if tally is None:
                raise _Ended
            if tally.forward(message):
                link.send({"op": "taken"})

    def _overdue(self, name: str) -> ReaderRefusal:
        return ReaderRefusal(
            ReasonCode.TIMEOUT, f"{name}: reading was stopped",
            found=f"no end after {self._limits.seconds:g} s", todo="split the file, or raise the time limit",
        )  # fmt: skip


def _greet(link: _Link) -> None:
    """Wait until the child has loaded its readers. Raises ReaderRefusal ``reader_fault`` when it never does."""
    if link.greeted:
        return
    try:
        link.receive(_START_S)
    except (_Ended, _Overdue, ValueError):
        raise ReaderRefusal(
            ReasonCode.READER_FAULT, "the reader process did not start",
            found=link.last_words() or f"no answer within {_START_S:g} s", todo="see `thrumline plugins`",
        ) from None  # fmt: skip
    link.greeted = True


def _accepted(answer: dict[str, Any], name: str) -> dict[str, Any]:
    if answer["op"] == "refused":
        parts = {part: answer[part] for part in ("found", "allowed", "todo")}
        raise ReaderRefusal(ReasonCode(answer["code"]), answer["asked"], **parts)
    if answer["op"] == "fault":
        raise ReaderRefusal(ReasonCode(answer["code"]), f"{name}: the reader failed", found=answer["detail"])
    return answer


def _must_be_regular(path: Path, name: str) -> None:
    try:
        kind = path.stat().st_mode
    except FileNotFoundError:
        raise ReaderRefusal(ReasonCode.MISSING_FILE, f"{name}: there is no such file") from None
    except OSError as error:
        raise ReaderRefusal(
            ReasonCode.UNREADABLE, f"{name}: the file cannot be opened", found=str(error.strerror)
        ) from None
    if not stat.S_ISREG(kind):
        raise ReaderRefusal(ReasonCode.UNREADABLE, f"{name}: only plain files are read", found="no plain file")


def _broken_off(link: _Link, name: str, error: Exception) -> ReaderRefusal:
    status = link.status()
    if status is None:
        detail = f"the child sent what cannot be understood ({type(error).__name__})"
        return ReaderRefusal(ReasonCode.READER_FAULT, f"{name}: the reader broke off", found=detail)
    code, words = _death(status)
    return ReaderRefusal(code, f"{name}: the reader broke off", found=words)


def _memory_file(n_bytes: int) -> int:
    """A descriptor of memory both sides map; an unlinked file where the system knows no better."""
    if hasattr(os, "memfd_create"):
        descriptor = os.memfd_create("samples", 0)
    else:
        descriptor, path = tempfile.mkstemp()
        os.unlink(path)  # noqa: PTH108 - only the descriptor stays
    os.ftruncate(descriptor, n_bytes)
    return descriptor


def _death(status: int) -> tuple[ReasonCode, str]:
    if status == -signal.SIGXCPU:
        return ReasonCode.TIMEOUT, "its processor time was used up"
    if status == -signal.SIGKILL:
        return ReasonCode.WORKER_KILLED, "the reader process was killed from outside"
    if status < 0:
        return ReasonCode.READER_FAULT, f"the reader process crashed ({signal.Signals(-status).name})"
    return ReasonCode.READER_FAULT, f"the reader process left with status {status}"
