"""Archive, quarantine and new-study on the command line: what a person looks after between studies."""

from __future__ import annotations

import json

import pytest
from click.testing import CliRunner

from thrumline.pipeline.execution.surveyed import Survey
from thrumline.pipeline.front.entry import cli
from thrumline.pipeline.testing import FleetSpec, PlantedFault, demo_fleet, write_fleet


def thrumline(*words):
    """Run a command in this process."""
    return CliRunner().invoke(cli, [str(word) for word in words], standalone_mode=False)


@pytest.fixture(scope="module")
def place(tmp_path_factory):
    """An archive over a small fleet with one refused file."""
    folder = tmp_path_factory.mktemp("place")
    name = demo_fleet().platforms[0].name
    spec = FleetSpec(
        platforms=demo_fleet().platforms[:1], parts=("original", "candidate-A"), repeats=2, duration_s=32,
        faults=(PlantedFault("not_numeric", name, "candidate-A", 1),),
    )  # fmt: skip
    study = write_fleet(folder / "fleet", spec, 11)
    done = thrumline("run", study, "--archive", folder / "archive", "--out", folder / "out", "--workers", "1")
    assert done.return_value == 4, done.output
    return folder


def test_ls_lists_every_capture_with_what_is_said_about_it(place):
    """Four captures of the fleet, none of the refused file."""
    done = thrumline("archive", "ls", "--archive", place / "archive", "--json")
    captures = json.loads(done.output)["captures"]
    assert len(captures) == 4
    assert {c["part"] for c in captures} == {"original", "candidate-A"}


def test_show_goes_from_a_figure_back_to_original_bytes_and_versions(place):
    """A reading's result id leads to settings, stage versions, libraries, capture, original and arrivals."""
    reading = json.loads((place / "out" / "readings.json").read_text())["readings"][0]
    shown = json.loads(thrumline("archive", "show", reading["result_id"], "--archive", place / "archive").output)
    stages = {stage["stage"]: stage for stage in shown["content"]["recipe"]}
    assert stages["spectrum"]["settings"]["resolution_hz"] == 0.25
    assert stages["track"]["facts"]["rpm"] is not None
    assert "numpy" in shown["run"]["libraries"]
    assert shown["original"]["arrivals"]
    assert shown["capture"]["reader"] == "text"
    assert shown["facts"][-1]["file"] == reading["file"]


def test_show_of_an_unknown_id_says_so(place):
    """No capture begins so: what was asked stands in the message."""
    done = thrumline("archive", "show", "zzzz", "--archive", place / "archive")
    assert "zzzz" in str(done.exception)


@pytest.mark.parametrize("depth", [[], ["--data"], ["--deep"], ["--data", "--subset", "1/2"]])
def test_verify_is_clean_at_every_depth(place, depth):
    """Nothing was touched: exit 0, and what was looked at is counted."""
    done = thrumline("archive", "verify", *depth, "--archive", place / "archive", "--json")
    assert done.return_value == 0, done.output
    assert json.loads(done.output)["counts"]["captures"] == 4


def test_damage_is_named_and_repaired_from_the_original(place, tmp_path):
    """A flipped byte in a capture: verify exits 6 and names it; repair makes it anew; verify is clean again."""
    import shutil

    root = tmp_path / "archive"
    shutil.copytree(place / "archive", root)
    chunk = max((p for p in (root / "captures").rglob("*") if p.name.startswith("c.")), key=lambda p: p.stat().st_size)
    chunk.chmod(0o644)
    data = bytearray(chunk.read_bytes())
    data[len(data) // 2] ^= 1
    chunk.write_bytes(bytes(data))
    found = thrumline("archive", "verify", "--data", "--archive", root)
    assert found.return_value == 6
    assert "damage: captures/" in found.output
    mended = thrumline("archive", "repair", "--archive", root)
    assert "1 made anew, 0 lost" in mended.output, mended.output
    assert thrumline("archive", "verify", "--deep", "--archive", root).return_value == 0


def test_a_damaged_result_is_made_anew_by_its_remembered_study(place, tmp_path, monkeypatch):
    """Results are derived again from capture, study and row, resting on nothing that a cache says."""
    import shutil

    monkeypatch.setattr(Survey, "recalled", lambda _: pytest.fail("a repair asked the cache"))

    root = tmp_path / "archive"
    shutil.copytree(place / "archive", root)
    manifest = next(iter((root / "results").rglob("MANIFEST.json")))
    manifest.chmod(0o644)
    manifest.write_bytes(manifest.read_bytes().replace(b"0", b"1", 1))
    assert thrumline("archive", "verify", "--archive", root).return_value == 6
    mended = thrumline("archive", "repair", "--archive", root)
    assert "1 made anew, 0 lost" in mended.output, mended.output
    assert thrumline("archive", "verify", "--data", "--archive", root).return_value == 0


def test_a_study_exported_and_run_elsewhere_gives_the_same_comparisons(place, tmp_path):
    """Originals, table and study file are enough."""
    title = demo_fleet().title
    done = thrumline("archive", "export", "--study", title, "--to", tmp_path / "there", "--archive", place / "archive")
    assert done.return_value == 0, done.exception
    thrumline("run", tmp_path / "there" / "study.toml", "--archive", tmp_path / "a", "--out", tmp_path / "o",
              "--workers", "1")  # fmt: skip
    assert (tmp_path / "o" / "comparisons.json").read_text() == (place / "out" / "comparisons.json").read_text()


@pytest.mark.parametrize("form", ["netcdf", "csv"])
def test_a_capture_exported_for_other_tools_holds_its_samples(place, tmp_path, form):
    """netCDF by xarray, CSV by pandas: the same values as the archive gives."""
    import numpy as np
    import pandas as pd
    import xarray as xr

    from thrumline.pipeline.api import open_capture

    identity = json.loads(thrumline("archive", "ls", "--archive", place / "archive", "--json").output)["captures"][0]
    capture = open_capture(place / "archive", identity["capture_id"])
    thrumline("archive", "export", "--capture", identity["capture_id"], "--format", form, "--to", tmp_path / "c",
              "--archive", place / "archive")  # fmt: skip
    if form == "netcdf":
        back = xr.open_dataset(tmp_path / "c.nc", engine="scipy")
        np.testing.assert_array_equal(back["acceleration"].to_numpy(), capture["acceleration"].to_numpy())
    else:
        table = pd.read_csv(tmp_path / "c.csv")
        np.testing.assert_allclose(table.to_numpy()[:, 1:].T, capture["acceleration"].to_numpy())


def test_gc_lists_only_results_that_no_study_asks_for(place):
    """Everything here is wanted by the remembered study."""
    done = thrumline("archive", "gc", "--older-than", "0", "--archive", place / "archive")
    assert done.output.startswith("0 superseded"), done.output
    assert "first passes" not in done.output


def test_gc_drops_first_passes_kept_for_changed_recipes(place, tmp_path):
    """They are a cache: told in bytes, and the next changed recipe makes them again."""
    import shutil

    root = tmp_path / "archive"
    shutil.copytree(place / "archive", root)
    cache = root / "catalog" / "cache"
    n_bytes = sum(path.stat().st_size for path in cache.rglob("*") if path.is_file())
    assert n_bytes > 4_000
    kept = thrumline("archive", "gc", "--older-than", "1", "--drop", "--archive", root)
    assert "first passes" not in kept.output
    done = thrumline("archive", "gc", "--older-than", "0", "--drop", "--archive", root)
    assert f"{n_bytes / 1e6:.1f} MB of kept first passes dropped" in done.output
    assert [path for path in cache.rglob("*") if path.is_file()] == []
    assert thrumline("archive", "verify", "--data", "--archive", root).return_value == 0


def test_quarantine_shows_the_reason_and_lets_go_when_told(place, tmp_path):
    """Bytes and reason are kept until a person decides."""
    import shutil

    root = tmp_path / "archive"
    shutil.copytree(place / "archive", root)
    held = json.loads(thrumline("quarantine", "list", "--archive", root, "--json").output)["quarantined"]
    assert [entry["reason"]["code"] for entry in held] == ["not_numeric"]
    shown = json.loads(thrumline("quarantine", "show", held[0]["sha256"][:10], "--archive", root).output)
    assert shown["bytes"]
    assert thrumline("quarantine", "release", held[0]["sha256"][:10], "--archive", root).return_value == 0
    assert json.loads(thrumline("quarantine", "list", "--archive", root, "--json").output)["quarantined"] == []


def test_new_study_fills_in_what_names_tell_and_marks_the_rest(tmp_path):
    """Parts and repeats from the names; limit and what no name tells are marked, and the run refuses the marks."""
    rows = "time_s,x_g,y_g,z_g\n" + "\n".join(f"{i / 100:.2f},0.01,0.02,1.0" for i in range(600)) + "\n"
    for part in ("original", "candidate-A"):
        for repeat in (1, 2):
            (tmp_path / f"dunlin_{part}_r{repeat}.csv").write_text(rows)
    (tmp_path / "wheatear_original_r1.csv").write_text(rows)
    done = thrumline("new-study", tmp_path)
    assert done.return_value == 0, done.exception
    table = (tmp_path / "captures.csv").read_text()
    assert "dunlin_candidate-A_r2.csv,dunlin,candidate-A,FILL-IN,FILL-IN,2" in table
    assert 'baseline = "original"' in (tmp_path / "study.toml").read_text()
    assert "limit_percent" in done.output
    refused = thrumline("run", tmp_path / "study.toml", "--archive", tmp_path / "a")
    assert "FILL-IN" in str(refused.exception)
    (tmp_path / "study.toml").write_text((tmp_path / "study.toml").read_text().replace('"FILL-IN"', "15"))
    refused = thrumline("run", tmp_path / "study.toml", "--archive", tmp_path / "a")
    assert "column 'condition' of row 2, 3" in str(refused.exception)


def test_new_study_never_overwrites_a_table(tmp_path):
    """What a person filled in is not lost."""
    (tmp_path / "captures.csv").write_text("mine")
    (tmp_path / "x.csv").write_text("1,2,3\n")
    done = thrumline("new-study", tmp_path)
    assert "is there already" in str(done.exception)
    assert (tmp_path / "captures.csv").read_text() == "mine"


def test_plan_before_a_run_is_a_first_test_that_ends_with_the_baseline(place, tmp_path):
    """Parts alternate and the baseline is refitted at the end; the sheet carries the cautions."""
    done = thrumline("plan", place / "fleet" / "study.toml", "--results", tmp_path, "--sheet", tmp_path / "s.html")
    assert done.return_value == 0, done.exception
    runs = [line.split(". ")[1].split()[0] for line in done.output.splitlines() if ". " in line and line[:5].strip()]
    assert runs[0] == runs[-1] == "original"
    assert "candidate-A" in runs
    sheet = (tmp_path / "s.html").read_text()
    assert "carbon monoxide" in sheet


def test_plan_after_a_run_speaks_of_what_is_open(place, tmp_path):
    """With the results of the run the plan is for its open question, or says that there is none."""
    done = thrumline("plan", place / "fleet" / "study.toml", "--results", place / "out", "--sheet", tmp_path / "s.html")
    assert done.return_value == 0, done.exception
    assert "open;" in done.output or "every question is answered" in done.output or "not settled" in done.output
