"""The fleet's files agree with its truth, and its truth has the statistics it states."""

import csv
import json
import tomllib

import numpy as np
import pytest

from thrumline.pipeline.contracts.reasons import ReasonCode
from thrumline.pipeline.testing import (
    FAULTS,
    FleetSpec,
    PlantedFault,
    as_written,
    demo_fleet,
    fleet_captures,
    invented_platforms,
    true_changes,
    write_fleet,
)

SMALL = FleetSpec(duration_s=3.0, repeats=2, taps=False)


@pytest.fixture(scope="module")
def small(tmp_path_factory):
    directory = tmp_path_factory.mktemp("fleet")
    return write_fleet(directory, SMALL, seed=5).parent


def table(directory):
    with (directory / "captures.csv").open(newline="") as file:
        return list(csv.DictReader(file))


def test_every_row_has_its_file_and_its_truth(small):
    rows = table(small)
    truth = json.loads((small / "truth.json").read_text())["captures"]
    assert [row["file"] for row in rows] == [item["file"] for item in truth]
    assert len(rows) == 3 * 3 * 2
    assert all((small / row["file"]).stat().st_size > 50_000 for row in rows)


def test_study_asks_about_the_table_and_the_first_part(small):
    study = tomllib.loads((small / "study.toml").read_text())
    assert study["captures"] == "captures.csv"
    assert study["baseline"] == "original"
    assert study["minimum_duration_s"] == pytest.approx(2.1)


def test_files_hold_the_simulated_samples(small):
    """One file of each dialect, read by numpy, gives back what the simulator made."""
    seen = {}
    for item in fleet_captures(SMALL, seed=5):
        if item.row["platform"] in seen:
            continue
        seen[item.row["platform"]] = True
        text = (small / item.file).read_text().replace(item.dialect.decimal, ".")
        rows = [line for line in text.splitlines() if line[0].isdigit() or line[0] == "-"]
        numbers = np.array([[float(c) for c in row.split(item.dialect.delimiter)] for row in rows]).T
        wanted = as_written(item.simulated(), item.dialect)
        np.testing.assert_allclose(numbers[1:] * item.dialect.known.to_si, wanted, rtol=1e-12)
    assert len(seen) == 3


def test_same_seed_writes_the_same_bytes(tmp_path):
    one = FleetSpec(platforms=SMALL.platforms[:1], duration_s=1.0, repeats=1)
    first, again = write_fleet(tmp_path / "a", one, 3).parent, write_fleet(tmp_path / "b", one, 3).parent
    names = sorted(path.relative_to(first) for path in first.rglob("*") if path.is_file())
    assert len(names) == 6
    assert all((first / name).read_bytes() == (again / name).read_bytes() for name in names)


def test_refitting_scatters_by_the_stated_share():
    """Log-normal 3 % from repeat to repeat; takes of one repeat share their fitting."""
    spec = FleetSpec(platforms=invented_platforms(40, 1), repeats=10, takes=2, retake=0.0, replace_sensor=0.0)
    logs = np.log([item.factor for item in fleet_captures(spec, 1)]).reshape(-1, 2)
    np.testing.assert_allclose(logs[:, 0], logs[:, 1], rtol=1e-12)
    assert logs[:, 0].std() == pytest.approx(0.03, rel=0.06)
    assert logs[:, 0].mean() == pytest.approx(0.0, abs=0.003)


def test_amplitudes_are_baseline_times_change_times_fitting():
    spec = demo_fleet()
    changes = true_changes(spec, 0)
    for item in fleet_captures(spec, 0):
        platform = next(p for p in spec.platforms if p.name == item.row["platform"])
        ratio = 1.0 + changes[(platform.name, item.row["part"])] / 100.0
        wanted = np.array(platform.amplitude_mg) * ratio * item.factor
        np.testing.assert_allclose(item.spec.amplitude_mg, wanted, rtol=1e-12)


def test_stated_changes_are_taken_and_others_drawn_around_their_mean():
    spec = FleetSpec(
        platforms=invented_platforms(400, 2), mean_change_percent={"candidate-A": 10.0}, platform_spread=0.04,
        changes={("Cormorant 4.8", "candidate-A"): 50.0},
    )  # fmt: skip
    changes = true_changes(spec, 2)
    assert changes[("Cormorant 4.8", "candidate-A")] == 50.0
    assert changes[("Dunlin 2.0", "original")] == 0.0
    drawn = [np.log1p(v / 100) for (name, part), v in changes.items() if part == "candidate-A" and "Corm" not in name]
    assert np.mean(drawn) == pytest.approx(np.log(1.10), abs=0.008)
    assert np.std(drawn) == pytest.approx(0.04, rel=0.12)


def test_alternating_sessions_hold_all_parts_and_apart_ones_only_one():
    for sessions, n_parts in (("alternate", 3), ("apart", 1)):
        by_session = {}
        for item in fleet_captures(FleetSpec(sessions=sessions), 0):
            by_session.setdefault(item.row["session"], set()).add(item.row["part"])
        assert {len(parts) for parts in by_session.values()} == {n_parts}


def test_demo_is_three_by_three_by_three_and_one_faulty():
    items = list(fleet_captures(demo_fleet(), 0))
    assert len(items) == 28
    assert [item.fault for item in items if item.fault] == ["gaps"]
    assert len({item.row["recorded_at"] for item in items}) == 28


def test_placements_and_takes_are_told_apart_from_repeats():
    items = list(fleet_captures(FleetSpec(placements=2, takes=3), 0))
    keys = [(i.row["platform"], i.row["part"], i.row["repeat"], i.row["placement"], i.row["take"]) for i in items]
    assert len(set(keys)) == len(keys) == 3 * 3 * 3 * 2 * 3


@pytest.mark.parametrize("kind", list(FAULTS))
def test_fault_is_in_the_file_and_only_there(kind, tmp_path):
    """The faulty take shows its fault; the good take beside it is untouched."""
    one = FleetSpec(
        platforms=SMALL.platforms[:1], parts=("original",), repeats=1,
        faults=(PlantedFault(kind, "Cormorant 4.8", "original", 1),),
    )  # fmt: skip
    directory = write_fleet(tmp_path, one, 1).parent
    faulty, good = json.loads((directory / "truth.json").read_text())["captures"]
    assert (faulty["fault"], good["fault"]) == (kind, None)
    assert ReasonCode(faulty["code"])
    lines = (directory / faulty["file"]).read_text().splitlines()
    n_good = len((directory / good["file"]).read_text().splitlines()) - 1
    n_lost = {"gaps": 5 * 2 * 800, "short": round(0.55 * n_good), "empty": n_good}.get(kind, 0)
    assert len(lines) - 1 == n_good - n_lost
    assert any("overload" in line for line in lines) == (kind == "not_numeric")


def test_clipped_fault_rests_at_the_extreme():
    spec = FleetSpec(faults=(PlantedFault("clipped", "Cormorant 4.8", "original", 1),))
    faulty = next(item for item in fleet_captures(spec, 0) if item.fault)
    z = faulty.simulated().acceleration[2]
    at_top = z == z.max()
    runs = np.diff(np.flatnonzero(np.diff(np.concatenate([[0], at_top.astype(int), [0]]))))[::2]
    assert runs.max() >= 3
    assert runs[runs >= 3].sum() > 0.001 * len(z)


def test_taken_instead_leaves_the_good_take_out():
    spec = FleetSpec(faults=(PlantedFault("short", "Dunlin 2.0", "original", 2, taken_instead=True),))
    items = list(fleet_captures(spec, 0))
    assert len(items) == 27
    assert sum(item.fault is not None for item in items) == 1


def test_platforms_are_as_many_and_as_different_as_asked():
    names = [platform.name for platform in invented_platforms(120, 9)]
    assert len(set(names)) == 120
    assert invented_platforms(120, 9) == invented_platforms(120, 9)


def test_channels_beyond_three_are_mapped_to_positions(tmp_path):
    spec = FleetSpec(platforms=SMALL.platforms[:1], parts=("original",), repeats=1, duration_s=1.0, n_channel=6)
    row = table(write_fleet(tmp_path, spec, 0).parent)[0]
    assert row["axes"].split()[0] == "seat-rail.x=+c1"
    assert row["axes"].split()[5] == "seat-rail-2.z=+c6"
