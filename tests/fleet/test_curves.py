"""Curves for the page: read once, ahead or when asked, and the same either way."""

import numpy as np
import pytest

from thrumline.pipeline.api import Spread, run_study
from thrumline.pipeline.api.curves import Curves
from thrumline.pipeline.testing import FleetSpec, demo_fleet, write_fleet
from thrumline.storage import Archive


@pytest.fixture(scope="module")
def run(tmp_path_factory):
    folder = tmp_path_factory.mktemp("curves")
    spec = FleetSpec(platforms=demo_fleet().platforms[:1], parts=("original",), repeats=1, duration_s=10.0)
    study = write_fleet(folder / "fleet", spec, 3)
    made = run_study(study, archive_dir=folder / "archive", out_dir=folder / "out", spread=Spread(workers=1))
    return folder / "archive", made.captures[0]


def test_a_result_read_ahead_is_not_opened_again(run, monkeypatch):
    archive_dir, capture = run
    opened = []
    with Archive.open(archive_dir, role="reader") as archive:
        read = Archive.tree
        monkeypatch.setattr(Archive, "tree", lambda *asked: opened.append(asked[2]) or read(*asked))
        ahead, asked = Curves(archive), Curves(archive)
        ahead.read_ahead(capture["result_id"])
        for curves in (ahead, asked):
            found = curves.spectrum(capture["result_id"], capture["position"])
            levels = curves.levels(capture["result_id"])
        assert opened == [capture["result_id"]] * 2
        np.testing.assert_array_equal(
            ahead.spectrum(capture["result_id"], capture["position"])["amplitude"], found["amplitude"]
        )
    assert found["lines"]
    assert len(levels["time_s"]) == len(levels["level_mg"]) > 1


def test_a_position_or_result_without_curves_has_none(run):
    archive_dir, capture = run
    with Archive.open(archive_dir, role="reader") as archive:
        curves = Curves(archive)
        assert curves.spectrum(capture["result_id"], "nowhere") is None
        assert curves.order_spectrum(capture["result_id"], capture["position"]) is None
        assert curves.levels("0" * 32) == {}
