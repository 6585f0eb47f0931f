"""The plugin author's guide misses no hook and no suite (its code is run by tests/host/test_author_guide.py)."""

import re
from pathlib import Path

from thrumline.pipeline import testing
from thrumline.pipeline.contracts import hookspecs
from thrumline.pipeline.host.discovery import KINDS

GUIDE = (Path(__file__).parents[2] / "plugins" / "README.md").read_text(encoding="utf-8")


def test_every_hook_has_its_heading():
    """A hook without a heading does not exist for authors."""
    hooks = [name for name in vars(hookspecs) if name.startswith("register_")]
    assert {f"### `{name}()`" for name in hooks} <= set(GUIDE.splitlines())
    assert {hook for hook, _ in KINDS.values()} == set(hooks)


def test_every_suite_is_listed_and_exported():
    """What ships is named, and what is named ships."""
    suites = {name for name in testing.__all__ if name.endswith("Suite")}
    assert suites == set(re.findall(r"\| `(\w+Suite)` \|", GUIDE))
