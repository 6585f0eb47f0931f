"""A long capture is shared by all workers, however few captures the study has."""

from __future__ import annotations

import pytest

from thrumline.pipeline.api import Spread, run_study
from thrumline.pipeline.execution import spread as spreading
from thrumline.pipeline.execution import task
from thrumline.pipeline.testing import FleetSpec, demo_fleet, write_fleet


@pytest.fixture
def study(tmp_path):
    """Two captures of 12 s, of which only the limit, lowered by the tests, makes long ones."""
    spec = FleetSpec(
        platforms=demo_fleet().platforms[:1], parts=("original", "candidate-A"), repeats=1, faults=(),
        duration_s=12.0, rates_hz=(400.0,), taps=False,
    )  # fmt: skip
    made = write_fleet(tmp_path / "study", spec, 11)
    lines = [line for line in made.read_text(encoding="utf-8").splitlines() if "minimum_duration_s" not in line]
    made.write_text("minimum_duration_s = 3\n" + "\n".join(lines) + "\n", encoding="utf-8")
    return made


def readings(study, archive, workers):
    """Values of all readings by file, reading, position and combination."""
    run = run_study(study, archive_dir=archive, out_dir=archive.with_suffix(".out"), spread=Spread(workers=workers))
    assert [entry["state"] for entry in run.captures] == ["fit", "fit"]
    return {(r["file"], r["reading"], r["position"], r["combination"]): r["value"] for r in run.readings}


def test_a_few_long_captures_are_cut_into_parts_over_the_workers(study, tmp_path, monkeypatch):
    """So few captures stay in the calling process, but not long ones; and parts read what one pass reads."""
    alone = readings(study, tmp_path / "alone", 1)
    runners = []
    made = spreading._parts_runner
    monkeypatch.setattr(task, "LONG_VALUES", 1000)
    monkeypatch.setattr(spreading, "_parts_runner", lambda *asked, **how: runners.append(asked) or made(*asked, **how))
    parted = readings(study, tmp_path / "parted", 2)
    assert len(runners) == 2
    assert parted == pytest.approx(alone, rel=1e-9)


def test_one_worker_keeps_a_long_capture_to_itself(study, tmp_path, monkeypatch):
    """There is nobody to share it with: no cluster is started for it."""
    monkeypatch.setattr(task, "LONG_VALUES", 1000)
    monkeypatch.setattr(spreading, "Cluster", None)
    assert readings(study, tmp_path / "alone", 1)
