"""The plugin author's guide shows code that is run, and misses no hook, stage kind or suite."""

import re
import tomllib
from pathlib import Path

import pytest

from thrumline.pipeline import testing
from thrumline.pipeline.contracts import hookspecs
from thrumline.pipeline.host.discovery import KINDS

ROOT = Path(__file__).parents[2]
GUIDE = (ROOT / "plugins" / "README.md").read_text(encoding="utf-8")
EXECUTED = [
    (ROOT / path).read_text(encoding="utf-8")
    for path in ("tests/host/outside_plugin/good/rig_crest.py", "tests/testing_kit/test_outside_plugins.py")
]
BLOCKS = re.findall(r"```python\n(.*?)```", GUIDE, re.DOTALL)


@pytest.mark.parametrize("block", BLOCKS, ids=lambda block: block.strip().splitlines()[0][:40])
def test_sample_is_part_of_a_file_the_tests_run(block):
    assert any(block.rstrip("\n") in text for text in EXECUTED), block


def test_every_hook_has_its_heading():
    hooks = [name for name in vars(hookspecs) if name.startswith("register_")]
    assert {f"### `{name}()`" for name in hooks} <= set(GUIDE.splitlines())
    assert {hook for hook, _ in KINDS.values()} == set(hooks)


def test_every_suite_is_listed_and_exported():
    suites = {name for name in testing.__all__ if name.endswith("Suite")}
    assert suites == set(re.findall(r"\| `(\w+Suite)` \|", GUIDE))


def test_entry_point_sample_is_the_one_installed():
    sample = tomllib.loads(re.search(r"```toml\n(.*?)```", GUIDE, re.DOTALL).group(1))
    folder = ROOT / "tests" / "host" / "outside_plugin" / "good" / "rig_crest-1.2.dist-info"
    installed = (folder / "entry_points.txt").read_text(encoding="utf-8")
    for name, module in sample["project"]["entry-points"]["thrumline.plugins"].items():
        assert f"{name} = {module}" in installed
