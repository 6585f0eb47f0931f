"""Loads the shared faults under a name of their own and hands them to the tests."""

from __future__ import annotations

import importlib.util
import os
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType

import pytest


def _loaded() -> ModuleType:
    name = "thrumline_archive_faults"
    if name not in sys.modules:
        spec = importlib.util.spec_from_file_location(name, Path(__file__).with_name("faults.py"))
        assert spec is not None
        assert spec.loader is not None
        module = importlib.util.module_from_spec(spec)
        sys.modules[name] = module
        spec.loader.exec_module(module)
    return sys.modules[name]


@pytest.fixture
def quick_path(tmp_path: Path) -> Iterator[Path]:
    """A directory in memory where the system has one: loops over many faults need no real device."""
    memory = Path("/dev/shm")
    if not os.access(memory, os.W_OK):
        yield tmp_path
        return
    with tempfile.TemporaryDirectory(dir=memory, ignore_cleanup_errors=True) as name:
        yield Path(name)


@pytest.fixture(scope="session")
def faults() -> ModuleType:
    """The module ``faults.py``."""
    return _loaded()
