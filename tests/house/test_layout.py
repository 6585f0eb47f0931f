"""The code base keeps its own rules: rooms, packages, names, relative imports, wheel contents."""

from __future__ import annotations

import ast
import re
import tomllib
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
PACKAGES = ("pipeline", "plugins", "storage")
SOURCES = sorted(path for name in PACKAGES for path in (ROOT / name).rglob("*.py"))
BANNED = {"utils", "helpers", "common", "misc", "core", "base", "manager"}
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text())


def test_every_folder_with_code_is_in_the_package_list():
    """A folder left out of the list would be missing from the wheel without a word."""
    folders = {path.parent.relative_to(ROOT).as_posix().replace("/", ".") for path in SOURCES}
    listed = {name.removeprefix("thrumline.") for name in PROJECT["tool"]["setuptools"]["packages"]}
    assert folders == listed


def test_data_files_are_package_data():
    """Recipes, templates and assets travel in the wheel: each one matches a pattern of its package."""
    patterns = PROJECT["tool"]["setuptools"]["package-data"]
    missing = []
    for name in PACKAGES:
        for path in (ROOT / name).rglob("*"):
            if not path.is_file() or path.suffix in {".py", ".pyc", ".md"}:
                continue
            held = any(
                path in (ROOT / package.removeprefix("thrumline.").replace(".", "/")).glob(pattern)
                for package, globs in patterns.items()
                for pattern in globs
            )
            missing += [] if held else [path.relative_to(ROOT).as_posix()]
    assert missing == []


@pytest.mark.parametrize("path", SOURCES, ids=lambda p: p.relative_to(ROOT).as_posix())
def test_file_says_what_is_inside_and_stays_readable(path):
    """No name that says nothing, no file past 500 lines, a docstring on every module."""
    text = path.read_text()
    assert path.stem not in BANNED
    assert text.count("\n") <= 500
    assert ast.get_docstring(ast.parse(text)), "a module says in one sentence what it holds"


@pytest.mark.parametrize("path", SOURCES, ids=lambda p: p.relative_to(ROOT).as_posix())
def test_imports_inside_the_package_are_relative(path):
    """Bare or absolute names of our own packages break editors and shadow an integrator's folders."""
    for node in ast.walk(ast.parse(path.read_text())):
        names = []
        if isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom) and node.level == 0:
            names = [node.module or ""]
        for name in names:
            assert name.split(".")[0] not in {*PACKAGES, "thrumline"}, f"line {node.lineno}: {name}"


def test_nothing_carries_a_path_of_one_machine():
    """Paths of a developer's machine have no place in the project."""
    found = []
    for path in ROOT.rglob("*"):
        if ".git" in path.parts or ".venv" in path.parts or path.suffix not in {".py", ".md", ".toml", ".html", ".sh"}:
            continue
        if re.search(r"(?<![\w.])/(work|farm|root)/", path.read_text(errors="replace")):
            found.append(path.relative_to(ROOT).as_posix())
    assert found == ["tests/house/test_layout.py"] or found == []


def test_plugins_import_contracts_and_kernels_only():
    """A built-in plugin lives by the same rule as a stranger's."""
    for path in (ROOT / "plugins").glob("*.py"):
        for node in ast.walk(ast.parse(path.read_text())):
            if isinstance(node, ast.ImportFrom) and node.level >= 2:
                assert re.match(r"pipeline\.(contracts|kernels)", node.module or ""), f"{path.name}: {node.module}"
