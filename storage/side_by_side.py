"""The same work in several processes: forked where that is safe, one after another where it is not."""

from __future__ import annotations

import os
import pickle
import threading
from collections.abc import Callable
from typing import TypeVar

T = TypeVar("T")


def processes_here() -> int:
    """How many processes may share a piece of work: the cores, where this process may be forked, else one.

    A fork copies one thread only; whatever lock another one holds stays locked in the copy.
    """
    forked = hasattr(os, "fork") and threading.active_count() == 1
    return max(1, len(os.sched_getaffinity(0))) if forked and hasattr(os, "sched_getaffinity") else 1


def side_by_side(n: int, work: Callable[[int], T]) -> list[T]:
    """``work(0)`` to ``work(n - 1)``, all but the first in a process of its own; their answers in order.

    ``work`` may read the disk and nothing else: no database, no thread, no open file of this process. What a process
    does not bring to an end (it was killed, or it raised) is done again here, where its error can be seen.
    """
    started = [_started(work, i) for i in range(1, n)]
    answers = [work(0)]
    for i, (pid, pipe) in enumerate(started, 1):
        with os.fdopen(pipe, "rb") as answer:
            data = answer.read()
        _, status = os.waitpid(pid, 0)
        answers.append(pickle.loads(data) if status == 0 else work(i))  # noqa: S301  written by our own copy
    return answers


def _started(work: Callable[[int], object], i: int) -> tuple[int, int]:
    answer, pipe = os.pipe()
    pid = os.fork()
    if pid:
        os.close(pipe)
        return pid, answer
    failed = 1
    try:
        os.close(answer)
        with os.fdopen(pipe, "wb") as out:
            pickle.dump(work(i), out, protocol=pickle.HIGHEST_PROTOCOL)
        failed = 0
    finally:
        os._exit(failed)  # whatever this process was about to do is the parent's business
