"""Whole studies through archive, reader child and work list: only what is missing runs, faults stay in their row."""

from __future__ import annotations

import json
import os
import signal
import threading
import time
from pathlib import Path

import pytest

from thrumline.pipeline.api import Spread, run_study
from thrumline.pipeline.testing import FleetSpec, PlantedFault, demo_fleet, write_fleet

HERE = Spread(workers=1)


def small_fleet(folder, **changed):
    """One platform, two parts, two repeats of 32 s: the least that gives an interval."""
    spec = demo_fleet()
    platform = spec.platforms[0]
    values = {
        "platforms": (platform,), "parts": ("original", "candidate-A"), "repeats": 2, "duration_s": 32.0, "faults": (),
        "changes": None, **changed,
    }  # fmt: skip
    known = {name: value for name, value in values.items() if name in FleetSpec.__dataclass_fields__}
    return write_fleet(folder, FleetSpec(**{k: v for k, v in known.items() if v is not None}), 7)


@pytest.fixture(scope="module")
def fleet(tmp_path_factory):
    return small_fleet(tmp_path_factory.mktemp("fleet"))


def run_in(fleet, folder, **more):
    return run_study(fleet, archive_dir=folder / "archive", out_dir=folder / "out", spread=HERE, **more)


def test_a_second_run_takes_nothing_in_and_computes_nothing(fleet, tmp_path):
    """Same bytes, same recipe, same facts: the same answer without new work."""
    first = run_in(fleet, tmp_path)
    second = run_in(fleet, tmp_path)
    assert (first.n_new_captures, first.n_new_results) == (4, 4)
    assert (second.n_new_captures, second.n_new_results) == (0, 0)
    assert second.comparisons == first.comparisons
    assert second.readings == first.readings


def test_a_changed_recipe_is_run_from_the_archive_without_the_files(fleet, tmp_path):
    """The samples come from the archive: the originals' folder may be gone, the table's paths still name them."""
    study = small_fleet(tmp_path / "fleet")
    run_in(study, tmp_path)
    time.sleep(2.1)  # files younger than this when hashed are hashed again: their time stamp cannot be trusted
    run_in(study, tmp_path)
    study.write_text(study.read_text() + "\n[stage.spectrum]\nresolution_hz = 0.5\n")
    again = run_in(study, tmp_path)
    assert (again.n_new_captures, again.n_new_results) == (0, 4)


def test_editing_rpm_makes_new_results_and_editing_a_note_makes_none(tmp_path):
    """Facts that stages use are part of the result; labels are not."""
    study = small_fleet(tmp_path / "fleet")
    run_in(study, tmp_path)
    table = study.parent / "captures.csv"
    lines = table.read_text().splitlines()
    head = lines[0].split(",")
    rpm = head.index("rpm")
    rows = [line.split(",") for line in lines[1:]]
    noted = [",".join([*head, "note"]), *(",".join([*row, "warm"]) for row in rows)]
    table.write_text("\n".join(noted) + "\n")
    assert run_in(study, tmp_path).n_new_results == 0
    rows[0][rpm] = str(float(rows[0][rpm]) + 5)
    table.write_text("\n".join([lines[0], *(",".join(row) for row in rows)]) + "\n")
    assert run_in(study, tmp_path).n_new_results == 1


def test_workers_and_this_process_give_the_same_numbers(fleet, tmp_path):
    """Two worker processes or none: equal readings and equal identities."""
    alone = run_in(fleet, tmp_path / "alone")
    spread = run_study(
        fleet, archive_dir=tmp_path / "spread" / "archive", out_dir=tmp_path / "spread" / "out",
        spread=Spread(workers=2, inline_up_to=0),
    )  # fmt: skip
    assert spread.readings == alone.readings
    assert spread.comparisons == alone.comparisons


@pytest.mark.parametrize(
    ("kind", "state", "code"),
    [
        ("clipped", "unfit", "clipped"),
        ("gaps", "unfit", "gaps"),
        ("short", "unfit", "short"),
        ("hunting", "unfit", "hunting"),
        ("empty", "refused", "empty"),
        ("not_numeric", "refused", "not_numeric"),
        ("slam", "fit", "transient"),
    ],
)
def test_a_planted_fault_gets_its_state_and_its_code(tmp_path, kind, state, code):
    """One capture of the fleet is spoilt; it alone says so, and the others stay fit."""
    platform = demo_fleet().platforms[0]
    study = small_fleet(
        tmp_path / "fleet", duration_s=42.0, faults=(PlantedFault(kind, platform.name, "candidate-A", 2),)
    )
    run = run_in(study, tmp_path)
    spoilt = [c for c in run.captures if c["reasons"] or c["state"] != "fit"]
    assert [c["state"] for c in spoilt] == [state], [(c["file"], c["reasons"]) for c in spoilt]
    assert code in [reason["code"] for reason in spoilt[0]["reasons"]]
    assert (spoilt[0]["part"], spoilt[0]["repeat"]) == ("candidate-A", "2")
    assert (spoilt[0]["capture_id"] is None) == (state == "refused")


def test_a_killed_reader_child_costs_a_rerun_of_its_file_only(tmp_path, monkeypatch):
    """The child is killed while it reads: the row says so, a rerun heals it, the others are untouched."""
    study = small_fleet(tmp_path / "fleet")
    killed = threading.Event()

    def killer():
        while not killed.is_set():
            for pid in _reader_children():
                os.kill(pid, signal.SIGKILL)
                killed.set()
                return
            time.sleep(0.002)

    thread = threading.Thread(target=killer)
    thread.start()
    first = run_in(study, tmp_path)
    killed.set()
    thread.join()
    lost = [c for c in first.captures if c["state"] == "refused"]
    assert len(lost) <= 1
    assert {r["code"] for c in lost for r in c["reasons"]} <= {"worker_killed", "reader_fault"}
    second = run_in(study, tmp_path)
    assert {c["state"] for c in second.captures} == {"fit"}


def _reader_children():
    """Processes of ours that run the reader child."""
    found = []
    for entry in Path("/proc").iterdir() if Path("/proc").is_dir() else ():
        try:
            words = (entry / "cmdline").read_bytes().split(b"\0")
            parent = int((entry / "stat").read_text().rsplit(")", 1)[1].split()[1])
        except (OSError, ValueError, IndexError):
            continue
        if parent == os.getpid() and any(b"reader_process" in word for word in words):
            found.append(int(entry.name))
    return found


def test_two_rows_that_are_one_capture_are_both_refused_naming_each_other(tmp_path):
    """The same bytes twice would count one recording twice."""
    study = small_fleet(tmp_path / "fleet")
    table = study.parent / "captures.csv"
    lines = table.read_text().splitlines()
    first, second = lines[1].split(","), lines[2].split(",")
    (study.parent / second[0]).write_bytes((study.parent / first[0]).read_bytes())
    run = run_in(study, tmp_path)
    twice = [c for c in run.captures if c["state"] == "refused"]
    assert [c["row"] for c in twice] == [2, 3]
    assert all(c["reasons"][0]["code"] == "duplicate" for c in twice)
    assert "row 3" in twice[0]["reasons"][0]["detail"]
    assert "row 2" in twice[1]["reasons"][0]["detail"]


def test_files_for_machines_have_their_keys_and_no_nan(fleet, tmp_path):
    """Schema 1: one entry a row in table order; an absent reading has no value and a reason."""
    run_in(fleet, tmp_path)

    def strict(name):
        return json.loads((tmp_path / "out" / name).read_text(), parse_constant=pytest.fail)

    captures, readings, comparisons = (
        strict(f"{name}.json") for name in ("captures", "readings", "comparisons")
    )  # fmt: skip
    assert captures["schema"] == readings["schema"] == comparisons["schema"] == 1
    wanted = {
        "file", "capture_id", "platform", "part", "position", "condition", "repeat", "placement", "take", "session",
        "specimen", "vehicle", "recorded_at", "state", "reasons", "sample_rate_hz", "duration_s", "stretches",
        "usable_s", "tags",
    }  # fmt: skip
    assert wanted <= set(captures["captures"][0])
    wanted = {
        "capture_id", "result_id", "file", "platform", "part", "position", "reference_position", "condition", "repeat",
        "reading", "kind", "order", "frequency_hz", "line_name", "value", "unit", "detector", "combination",
        "std_uncertainty", "absent", "tags",
    }  # fmt: skip
    assert wanted <= set(readings["readings"][0])
    for reading in readings["readings"]:
        assert (reading["value"] is None) == (reading["absent"] is not None)
        assert reading["reading"]
        assert reading["combination"]
    wanted = {
        "platform", "position", "condition", "baseline", "candidate", "reading", "combination", "unit", "detector",
        "n_baseline", "n_candidate", "baseline_value", "candidate_value", "frequency_hz_baseline",
        "frequency_hz_candidate", "percent_change", "interval_low", "interval_high", "confidence", "verdict", "scope",
        "reasons", "repeats_needed", "carries_verdict",
    }  # fmt: skip
    assert wanted <= set(comparisons["comparisons"][0])
    assert "over_platforms" in comparisons
