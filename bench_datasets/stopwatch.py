"""Wall time of whole processes and of functions, medians, and a plain table."""

from __future__ import annotations

import compileall
import contextlib
import ctypes
import os
import platform
import resource
import statistics
import subprocess
import sys
import time
from collections.abc import Callable, Sequence
from importlib.metadata import version
from importlib.util import find_spec
from pathlib import Path

PR_SET_CHILD_SUBREAPER = 36

MAY_END_WITH = (0, 4)
"""Exit codes of a run that was done: 4 says some captures were left out."""


class Cost(float):
    """Wall seconds of a process, with the CPU seconds of it and of all processes that came of it."""

    cpu: float = 0.0


def process_seconds(command: Sequence[str], cwd: Path | None = None) -> Cost:
    """Wall time of one process. Raises RuntimeError with its last words where it fails."""
    _adopt_orphans()
    before, begun = resource.getrusage(resource.RUSAGE_CHILDREN), time.perf_counter()
    done = subprocess.run(command, cwd=cwd, capture_output=True, text=True, check=False)
    cost = Cost(time.perf_counter() - begun)
    _wait_for_orphans()
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    cost.cpu = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    if done.returncode not in MAY_END_WITH:
        raise RuntimeError(f"{' '.join(command[:4])} ended with {done.returncode}: {done.stderr[-2000:]}")
    return cost


def _adopt_orphans() -> None:
    """Workers are children of a process that outlives their parent: become the one they fall to (Linux only)."""
    if sys.platform == "linux":
        ctypes.CDLL(None).prctl(PR_SET_CHILD_SUBREAPER, 1, 0, 0, 0)


def _wait_for_orphans(patience_s: float = 10.0) -> None:
    ends = time.monotonic() + patience_s
    with contextlib.suppress(ChildProcessError):
        while time.monotonic() < ends:
            if os.waitpid(-1, os.WNOHANG) == (0, 0):
                time.sleep(0.02)


def function_seconds(work: Callable[[], object], at_least_s: float = 0.2) -> float:
    """Seconds per call, over as many calls as fill ``at_least_s``."""
    work()
    calls, begun = 0, time.perf_counter()
    while (taken := time.perf_counter() - begun) < at_least_s:
        work()
        calls += 1
    return taken / calls


def median(values: Sequence[float]) -> float:
    """The median."""
    return statistics.median(values)


def thrumline(*words: str) -> list[str]:
    """The command line, run by this interpreter."""
    return [sys.executable, "-c", "from thrumline.pipeline.front.entry import main; main()", *words]


def compiled() -> None:
    """Compile the package, as an installer does.

    Where an environment keeps no byte code, every process of a run from a checkout would compile what it imports.
    """
    for room in ("pipeline", "plugins", "storage"):
        found = find_spec(f"thrumline.{room}")
        for place in (found.submodule_search_locations if found else None) or ():
            compileall.compile_dir(place, quiet=1)


def machine() -> str:
    """What the figures were taken on."""
    parts = [f"{os.cpu_count()} cores", f"Python {platform.python_version()}"]
    parts += [f"{name} {version(name)}" for name in ("numpy", "scipy", "pandas", "dask", "zarr")]
    return ", ".join(parts)


def table(rows: Sequence[Sequence[str]], titles: Sequence[str]) -> str:
    """A Markdown table."""
    lines = ["| " + " | ".join(titles) + " |", "|" + "---|" * len(titles)]
    lines += ["| " + " | ".join(row) + " |" for row in rows]
    return "\n".join(lines)
