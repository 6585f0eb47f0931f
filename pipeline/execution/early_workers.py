"""The process that workers are forked from, started before anything that takes time is loaded.

Only what the standard library holds is imported here: while this process goes on to load arrays, plugins and tables
itself, that one loads the same beside it.
"""

from __future__ import annotations

import os
import signal
from multiprocessing import get_all_start_methods, get_context
from threading import Event

from .own_memory import MEMORY_ENVIRONMENT

WORKER_ENVIRONMENT = {
    **MEMORY_ENVIRONMENT, "MALLOC_ARENA_MAX": 1, "OPENBLAS_NUM_THREADS": 1, "OMP_NUM_THREADS": 1, "MKL_NUM_THREADS": 1,
}  # fmt: skip
"""What a worker of ours starts with: it keeps freed memory, one lot for both its threads, and captures keep the cores
busy, not threads."""

START_METHOD = "forkserver" if "forkserver" in get_all_start_methods() else "spawn"

INLINE_UP_TO = 24
"""So few small captures are done before workers have earned back what they cost to start."""

PLUGINS = "thrumline.plugins"

_begun = Event()


def workers_have_a_parent() -> bool:
    """Whether ``import_once`` has started the process that others can be forked from."""
    return _begun.is_set()


def import_once() -> None:
    """Have one process import everything (``settled``) and fork the workers from it. Asked again, nothing changes."""
    if START_METHOD != "forkserver":
        return
    from multiprocessing import resource_tracker
    from multiprocessing.forkserver import ensure_running

    get_context(START_METHOD).set_forkserver_preload([f"{__package__}.settled"])
    os.environ.update({name: str(value) for name, value in WORKER_ENVIRONMENT.items()})
    # Ctrl-C goes to the whole group: who only imports would answer it with a traceback. The tracker is started
    # first, since starting it lets the signal through again
    resource_tracker.ensure_running()
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        ensure_running()
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)
    _begun.set()
