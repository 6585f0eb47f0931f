"""The table of outside checks names exactly the outside checks that are there, and enough of them."""

from __future__ import annotations

import ast
import re
from pathlib import Path

TESTS = Path(__file__).parents[1]
TABLE = (TESTS / "README.md").read_text()


def _is_external(node: ast.AST) -> bool:
    return "mark.external" in ast.unparse(node)


def external_tests():
    """``file::name`` of every test function marked external, by decorator, class or module."""
    found = set()
    for path in TESTS.rglob("test_*.py"):
        tree = ast.parse(path.read_text())
        marked = any(
            isinstance(node, ast.Assign) and "pytestmark" in ast.unparse(node.targets[0]) and _is_external(node.value)
            for node in tree.body
        )
        functions = [n for n in ast.walk(tree) if isinstance(n, ast.FunctionDef) and n.name.startswith("test_")]
        found |= {
            f"{path.relative_to(TESTS).as_posix()} {node.name.removeprefix('test_')}"
            for node in functions
            if (marked or any(map(_is_external, node.decorator_list)))
            and "pytest.mark.nightly" not in map(ast.unparse, node.decorator_list)
        }
    return found


def test_the_table_lists_every_outside_check_and_no_other():
    """Write it anew with `bash .ci/external-table` after adding or removing one."""
    listed = {
        f"{file} {name.strip().replace(' ', '_')}" for file, name in re.findall(r"^\| `([^`]+)` ([^|]+) \|", TABLE, re.M)
    }
    there = external_tests()
    assert listed - there == set(), "listed, but not there"
    assert there - listed == set(), "there, but not listed"


def test_there_are_enough_outside_checks_sources_and_libraries():
    """At least 120 checks, 20 named published sources, 6 general-purpose libraries."""
    checks, sources, libraries = map(
        int, re.search(r"(\d+) checks in \d+ tests, against (\d+) named sources and (\d+)", TABLE).groups()
    )
    assert checks >= 120
    assert sources >= 20
    assert libraries >= 6
