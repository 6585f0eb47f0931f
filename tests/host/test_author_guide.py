"""The plugin author's guide is executed code: its modules are installed, found, tested and run."""

from __future__ import annotations

import importlib
import re
import subprocess
import sys
from pathlib import Path

import pytest

from thrumline.pipeline.contracts import hookspecs
from thrumline.pipeline.host import Host

GUIDE = (Path(__file__).parents[2] / "plugins" / "README.md").read_text()
BLOCKS = dict(re.findall(r"```python\n# (\w+\.py)\n(.*?)```", GUIDE, re.DOTALL))


@pytest.fixture
def installed(tmp_path, monkeypatch):
    """The guide's modules, installed as an outside distribution."""
    for name, text in BLOCKS.items():
        (tmp_path / name).write_text(text)
    info = tmp_path / "guide_example-1.0.dist-info"
    info.mkdir()
    (info / "METADATA").write_text("Metadata-Version: 2.1\nName: guide-example\nVersion: 1.0\n")
    points = re.search(r'\[project\.entry-points\."thrumline\.plugins"\]\n(.*?)```', GUIDE, re.DOTALL)[1]
    (info / "entry_points.txt").write_text("[thrumline.plugins]\n" + points.replace('"', ""))
    monkeypatch.syspath_prepend(tmp_path)
    importlib.invalidate_caches()
    yield tmp_path
    for name in BLOCKS:
        sys.modules.pop(name.removesuffix(".py"), None)


def test_the_guide_names_every_hook():
    """A hook without a word in the guide does not exist for authors."""
    hooks = [name for name in vars(hookspecs) if name.startswith("register_")]
    assert len(hooks) == 4
    assert all(f"`{hook}()`" in GUIDE for hook in hooks)


def test_the_guides_plugins_are_found_and_nothing_is_set_aside(installed):
    """Reader, stage and metric of the guide are usable as printed."""
    host = Host.discover()
    assert host.set_aside == ()
    assert "sled" in host.readers
    assert {"moments", "kurtosis"} <= set(host.stages)


def test_the_guides_reader_passes_the_suite_it_recommends(installed):
    """The printed test file passes under pytest as printed."""
    done = subprocess.run(
        [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", "test_sled.py"],
        cwd=installed, capture_output=True, text=True, timeout=100, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout[-2000:]


def test_the_guides_stages_run_in_a_recipe(installed):
    """Kurtosis of a sine is 1.5 and of noise 3, through the chain runner."""
    import numpy as np

    from thrumline.pipeline.contracts import CaptureHead, ChannelHead, Clock, GroupHead
    from thrumline.pipeline.execution.chain import run_chain
    from thrumline.pipeline.execution.samples import CaptureSamples, HeldArray
    from thrumline.pipeline.recipe import Recipe, bind

    t = np.arange(40_000) / 400.0
    values = np.stack([np.sin(2 * np.pi * 7 * t), np.random.default_rng(1).standard_normal(t.size)])
    channels = tuple(ChannelHead(axis, "acceleration", "m/s2", "m s-2", 1.0, axis=axis) for axis in "xy")
    head = CaptureHead(0, "t", (GroupHead("g", channels, Clock(True, 0.0, 400.0), t.size, "float64"),))
    samples = CaptureSamples(head, {"g_counts": HeldArray(values)}, ["acceleration"])
    recipe = bind(Recipe(name="k", title="k", stages=("moments", "kurtosis")), {}, Host.discover().stages)
    found = {r.combination: r.value for r in run_chain(recipe, samples, {}).readings}
    assert found["mean"] == pytest.approx((1.5 + 3.0) / 2, abs=0.05)
    assert found["rss"] == pytest.approx(3.0, abs=0.1)
