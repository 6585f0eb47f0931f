"""Every built-in reader and stage stands under its conformance suite: none is left to good faith."""

import importlib.util
from pathlib import Path

import pytest

from thrumline.pipeline.host import Host
from thrumline.pipeline.recipe import load_recipe, shipped_recipes
from thrumline.pipeline.testing import ReaderSuite
from thrumline.pipeline.testing.stage_suite import StageSuite

HERE = Path(__file__).parent
SHIPPED = {name for recipe in shipped_recipes() for name in load_recipe(recipe).stages}
"""test_conformance_idle and test_conformance_recipes run the suites of each stage of each shipped recipe."""


@pytest.fixture(scope="module")
def tried():
    """Names of the readers and stages that some suite in this folder is made for."""
    names = set()
    for path in sorted(HERE.glob("test_*.py")):
        if "Suite)" not in path.read_text(encoding="utf-8") or path.samefile(__file__):
            continue
        spec = importlib.util.spec_from_file_location(f"looked_at_{path.stem}", path)
        module = importlib.util.module_from_spec(spec)
        spec.loader.exec_module(module)
        for kind in vars(module).values():
            if isinstance(kind, type) and issubclass(kind, ReaderSuite | StageSuite) and kind.__module__ == module.__name__:
                names.add((kind().reader() if issubclass(kind, ReaderSuite) else kind().stage()).name)
    return names


def test_every_built_in_reader_is_under_the_reader_suite(tried):
    assert set(Host.discover().readers) - tried == set()


def test_every_built_in_stage_is_under_the_suite_of_its_kind(tried):
    assert set(Host.discover().stages) - tried - SHIPPED == set()
