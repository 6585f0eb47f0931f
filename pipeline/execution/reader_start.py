"""How a reader child comes to be: started anew, or forked from a stem; either way a process to wait for and to end."""

from __future__ import annotations

import contextlib
import os
import signal
import socket
import subprocess
import sys
from collections.abc import Sequence
from typing import Protocol

from .own_memory import MEMORY_ENVIRONMENT

_PROCESS = "thrumline.pipeline.execution.reader_process"
_ENVIRONMENT = {
    **{name: str(value) for name, value in MEMORY_ENVIRONMENT.items()},
    "OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1", "PYTHONUNBUFFERED": "1",
}  # fmt: skip
_FORK_S = 30.0


class Begun(Protocol):
    """A process that has begun."""

    @property
    def pid(self) -> int:
        """Its number."""

    def status(self, patience_s: float) -> int | None:
        """Exit status (the negative of a signal that ended it), None while it runs; waits at most so long."""

    def end(self) -> int:
        """Kill it and everything it started; the exit status."""


def begun(stem: str | None, descriptors: Sequence[int], printed: int) -> Begun:
    """A reader child with these ends of its pipes and memory, printing into ``printed``.

    Forked where there is a stem that answers, else started.
    """
    if stem is not None:
        with contextlib.suppress(OSError, ValueError):
            return Forked(stem, descriptors, printed)
    return Started(descriptors, printed)


class Started:
    """A child started from nothing."""

    def __init__(self, descriptors: Sequence[int], printed: int) -> None:
        self._process = subprocess.Popen(
            [sys.executable, "-P", "-m", _PROCESS, *map(str, descriptors)],
            stdin=subprocess.DEVNULL, stdout=printed, stderr=printed,
            pass_fds=descriptors, start_new_session=True, env={**os.environ, **_ENVIRONMENT},
        )  # fmt: skip
        self.pid = self._process.pid

    def status(self, patience_s: float) -> int | None:
        """Exit status, None while it runs."""
        if patience_s <= 0.0:
            return self._process.poll()
        try:
            return self._process.wait(patience_s)
        except subprocess.TimeoutExpired:
            return None

    def end(self) -> int:
        """Kill it and everything it started."""
        with contextlib.suppress(ProcessLookupError, PermissionError):
            os.killpg(self.pid, signal.SIGKILL)
        return self._process.wait()


class Forked:
    """A child forked by a stem, which waits for it and tells its number and, at last, its exit status.

    Raises
    ------
    OSError
        There is no stem, or it does not answer.
    """

    def __init__(self, stem: str, descriptors: Sequence[int], printed: int) -> None:
        self._heard = bytearray()
        self._status: int | None = None
        self._line = socket.socket(socket.AF_UNIX)
        try:
            self._line.settimeout(_FORK_S)
            self._line.connect(stem)
            socket.send_fds(self._line, [b"?"], [*descriptors, printed])
            self.pid = self._number()
        except (OSError, ValueError):
            self._line.close()
            raise

    def status(self, patience_s: float) -> int | None:
        """Exit status, None while it runs."""
        if self._status is None:
            self._line.settimeout(max(patience_s, 0.0))
            with contextlib.suppress(TimeoutError, BlockingIOError):
                self._status = self._number_or_killed()
                self._line.close()
        return self._status

    def end(self) -> int:
        """Have it and everything it started killed."""
        if self._status is None:
            with contextlib.suppress(OSError):
                self._line.shutdown(socket.SHUT_WR)
        status = self.status(_FORK_S)
        return self._killed() if status is None else status

    def _number_or_killed(self) -> int:
        try:
            return self._number()
        except (ConnectionError, ValueError):
            # the stem itself is gone: nobody tells any more, and nobody else ends the child
            return self._killed()

    def _killed(self) -> int:
        for kill in (os.killpg, os.kill):
            with contextlib.suppress(ProcessLookupError, PermissionError):
                kill(self.pid, signal.SIGKILL)
        return -signal.SIGKILL

    def _number(self) -> int:
        """The next number the stem tells. Raises OSError when it closes instead."""
        while (end := self._heard.find(b"\n")) < 0:
            piece = self._line.recv(64)
            if not piece:
                raise ConnectionAbortedError("the stem closed the line")
            self._heard += piece
        number = int(self._heard[:end])
        del self._heard[: end + 1]
        return number
