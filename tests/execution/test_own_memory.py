"""Freed memory stays with a process of ours, and only with one of ours."""

from __future__ import annotations

import os
import subprocess
import sys

import pytest

from thrumline.pipeline.execution.own_memory import MEMORY_ENVIRONMENT, keep_freed_memory
from thrumline.pipeline.front.entry import OWN_PROCESS

FAULTS = """
import resource
from thrumline.pipeline.execution.own_memory import keep_freed_memory
told = keep_freed_memory()
b"x" * (40 << 20)
before = resource.getrusage(resource.RUSAGE_SELF).ru_minflt
for _ in range(10):
    bytes(b"x") * (40 << 20)
print(told, resource.getrusage(resource.RUSAGE_SELF).ru_minflt - before)
"""
"""Ten times 40 MB one after the other: 10,240 pages each where every one is fresh."""


def _asked(environment: dict[str, str]) -> tuple[str, int]:
    bare = {name: value for name, value in os.environ.items() if name not in MEMORY_ENVIRONMENT}
    # set as the process starts the library would read them itself: given late, as by the command line
    late = f"import os; os.environ.update({environment!r})\n{FAULTS}"
    done = subprocess.run([sys.executable, "-c", late], env=bare, capture_output=True, text=True, check=True)
    told, faults = done.stdout.split()
    return told, int(faults)


def test_our_own_process_reuses_its_pages() -> None:
    """Told by the variables, ten of 40 MB take hardly a fresh page; without them some 100,000."""
    told, faults = _asked({name: str(value) for name, value in MEMORY_ENVIRONMENT.items()})
    if told == "False":
        pytest.skip("the C library here has no such parameters")
    untold, fresh = _asked({})
    assert (told, untold) == ("True", "False")
    assert faults < 15_000 < 60_000 < fresh


def test_a_strangers_process_is_left_alone(monkeypatch: pytest.MonkeyPatch) -> None:
    """Without the variables, as inside somebody else's program, nothing is changed."""
    for name in MEMORY_ENVIRONMENT:
        monkeypatch.delenv(name, raising=False)
    assert keep_freed_memory() is False


def test_the_command_line_says_the_same_as_the_workers() -> None:
    """Both lists of variables hold the same thresholds: the door may not import what workers do."""
    assert {name: OWN_PROCESS[name] for name in MEMORY_ENVIRONMENT} == MEMORY_ENVIRONMENT
