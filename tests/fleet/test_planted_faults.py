"""Faults planted in a fleet end in their state and code, whatever dialect the file is written in."""

import json
from collections import defaultdict

import numpy as np
import pytest

from thrumline.pipeline.api import Spread, run_study
from thrumline.pipeline.testing import FAULTS, FleetSpec, PlantedFault, write_fleet
from thrumline.pipeline.testing.fleet import DIALECTS
from thrumline.pipeline.testing.platforms import DEMO_PLATFORMS

PARTS = ("original", "candidate-A")
FLEET = FleetSpec(
    parts=PARTS, repeats=1,
    faults=tuple(
        PlantedFault(kind, platform.name, PARTS[place % 2], 1)
        for platform in DEMO_PLATFORMS
        for place, kind in enumerate(FAULTS)
    ),
)  # fmt: skip

STARTS = {platform.name: dialect.start_s for platform, dialect in zip(DEMO_PLATFORMS, DIALECTS, strict=True)}
"""Stamps of the third dialect start before zero."""


@pytest.fixture(scope="module")
def done(tmp_path_factory):
    folder = tmp_path_factory.mktemp("faults")
    study = write_fleet(folder, FLEET, seed=21)
    run = run_study(study, archive_dir=folder / "archive", out_dir=folder / "out", spread=Spread(workers=1))
    return run, json.loads((folder / "truth.json").read_text())


def expected_and_found(done):
    run, truth = done
    found = {entry["file"]: entry for entry in run.captures}
    return [(item, found[item["file"]]) for item in truth["captures"]]


@pytest.mark.parametrize("kind", list(FAULTS))
def test_fault_ends_in_its_state_and_code(done, kind):
    """In all three dialects: state and code are the planted ones."""
    pairs = [(item, entry) for item, entry in expected_and_found(done) if item["fault"] == kind]
    assert len(pairs) == len(DEMO_PLATFORMS)
    for item, entry in pairs:
        codes = [reason["code"] for reason in entry["reasons"]]
        assert (entry["state"], item["code"] in codes) == (item["state"], True), (item["file"], entry["reasons"])


def test_captures_without_a_fault_are_fit_and_unremarked(done):
    for item, entry in expected_and_found(done):
        if item["fault"] is None:
            assert entry["state"] == "fit", entry["reasons"]
            assert entry["reasons"] == [], item["file"]


def test_refused_captures_have_no_identity_and_no_readings(done):
    run, _ = done
    for item, entry in expected_and_found(done):
        if item["state"] == "refused":
            assert entry["capture_id"] is None
        if item["state"] != "fit":
            assert not [r for r in run.readings if r["file"] == item["file"] and r["value"] is not None]


def test_slam_is_cut_out_and_does_not_move_the_reading(done):
    """The slammed take and the good take beside it give the amplitude that was put into each."""
    run, truth = done
    values = {
        r["file"]: r["value"] for r in run.readings if (r["reading"], r["combination"]) == ("firing_order", "rss")
    }
    slammed = [item for item in truth["captures"] if item["fault"] == "slam"]
    for item in slammed:
        assert values[item["file"]] == pytest.approx(item["rss_mg"], rel=0.02)
        entry = next(e for e in run.captures if e["file"] == item["file"])
        slammed_at = 0.55 * 42.0 + 0.4 + STARTS[item["platform"]]
        assert not any(start <= slammed_at <= stop for start, stop in entry["stretches"])


def test_percent_change_is_that_of_the_amplitudes_put_in(done):
    """Against the fittings actually simulated (takes averaged inside their repeat), within 1 %."""
    run, truth = done
    amplitudes = defaultdict(lambda: defaultdict(list))
    for item in truth["captures"]:
        if item["state"] == "fit":
            amplitudes[item["platform"], item["part"]][item["repeat"]].append(item["rss_mg"])
    level = {
        key: float(np.mean([np.log(np.mean(takes)) for takes in repeats.values()]))
        for key, repeats in amplitudes.items()
    }
    carrying = [c for c in run.comparisons if c["carries_verdict"]]
    assert len(carrying) == len(DEMO_PLATFORMS)
    for comparison in carrying:
        at = comparison["platform"]
        true = 100.0 * np.expm1(level[at, "candidate-A"] - level[at, "original"])
        assert comparison["percent_change"] == pytest.approx(true, abs=1.0)
