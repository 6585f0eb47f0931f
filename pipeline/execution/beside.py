"""Work that a process of its own does meanwhile, forked from the one that workers come from."""

from __future__ import annotations

import signal
import sys
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from multiprocessing import get_context
from typing import ParamSpec

from .early_workers import workers_have_a_parent

P = ParamSpec("P")


def begun_beside(work: Callable[P, object], *args: P.args, **kwargs: P.kwargs) -> Callable[[], None]:
    """Let another process do some work; what is returned waits for its end, and has to be called.

    ``work`` is a function of a module, to do over what was done already. Where no process is at hand to be forked, or
    it did not come to its end, the work is done here, when it is waited for: what it raises, it raises then.
    """

    def here() -> None:
        work(*args, **kwargs)

    if not workers_have_a_parent():
        return here
    process = get_context("forkserver").Process(target=_quietly, args=(work, args, kwargs), daemon=True)
    # in a thread: what is handed over does not fit into a pipe, and whoever fills it waits for the other to be there
    beginning = ThreadPoolExecutor(1)
    begun = beginning.submit(process.start)
    beginning.shutdown(wait=False)

    def waited_for() -> None:
        try:
            begun.result()
            process.join()
            done = process.exitcode == 0
        except Exception:  # noqa: BLE001  no process can be had: a system's limits, a caller that may have none
            done = False
        if not done:
            here()

    return waited_for


def _quietly(work: Callable[..., object], args: tuple[object, ...], kwargs: dict[str, object]) -> None:
    """Whoever waits does the work over and tells what is wrong with it, and is the one to answer Ctrl-C."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    try:
        work(*args, **kwargs)
    except Exception:  # noqa: BLE001
        sys.exit(1)
