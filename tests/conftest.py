"""What every test may use, and the table of outside checks in tests/README.md.

``bash .ci/external-table`` runs all outside checks and writes the table anew: quantity, source,
tolerance, what was found. A house test holds the table to the tests that are there.
"""

from __future__ import annotations

import importlib.util
import json
import os
from pathlib import Path

for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    # as the command line does: threads inside a product of small matrices only spin on a busy machine
    os.environ.setdefault(name, "1")

TABLE = Path(__file__).parent / "README.md"


def pytest_addoption(parser):
    parser.addoption(
        "--external-table", action="store_true", help="write the table of outside checks into tests/README.md"
    )


def pytest_assertion_pass(item, lineno, orig, expl):
    """Keep what an outside check compared: its last passing assertion that holds a tolerance."""
    if item.get_closest_marker("external") and "±" in expl:
        item.user_properties.append(("asserted", expl.replace("\n", " ")[:200]))


def pytest_sessionfinish(session, exitstatus):
    if session.config.getoption("--external-table") and exitstatus == 0:
        spec = importlib.util.spec_from_file_location("external_table", TABLE.with_name("external_table.py"))
        module = importlib.util.module_from_spec(spec)
        spec.loader.exec_module(module)
        written = module.written
        written(TABLE, [(item, _records_of(item)) for item in session.items])


def _records_of(item):
    return [json.loads(value) if name == "published" else value for name, value in item.user_properties]
