"""When workers are started at all, and where they come from."""

from __future__ import annotations

import json
import os
import socket
import subprocess
import sys
import warnings
from contextlib import suppress
from pathlib import Path

import pytest

from thrumline.pipeline.api import Spread, ahead, run_study, studies, unchanged
from thrumline.pipeline.api.documents import write_document
from thrumline.pipeline.execution import spread as spreading
from thrumline.pipeline.testing import FleetSpec, demo_fleet, write_fleet


class NoCluster:
    """Stands where a cluster would come up; the run must not get here."""

    def __init__(self, *_):
        raise AssertionError("a cluster was started")


def short_fleet(folder, repeats):
    """Captures of one platform and two parts, ten seconds each."""
    spec = FleetSpec(
        platforms=demo_fleet().platforms[:1], parts=("original", "candidate-A"), repeats=repeats, duration_s=10.0
    )
    return write_fleet(folder, spec, 3)


@pytest.fixture
def no_cluster(monkeypatch):
    monkeypatch.setattr(spreading, "Cluster", NoCluster)


@pytest.mark.usefixtures("no_cluster")
def test_few_small_captures_start_no_worker(tmp_path):
    """A cluster would cost more seconds than four captures take."""
    study = short_fleet(tmp_path / "fleet", 2)
    run = run_study(study, archive_dir=tmp_path / "archive", out_dir=tmp_path / "out", spread=Spread(workers=2))
    assert run.n_new_captures == 4


@pytest.mark.usefixtures("no_cluster")
@pytest.mark.parametrize("asked", [{"inline_up_to": 3}, {"inline_bytes": 1000}])
def test_many_captures_or_large_ones_start_workers(tmp_path, asked):
    """More than so many, or files of more bytes than that together."""
    study = short_fleet(tmp_path / "fleet", 2)
    spread = Spread(workers=2, **asked)
    with pytest.raises(AssertionError, match="a cluster was started"):
        run_study(study, archive_dir=tmp_path / "archive", out_dir=tmp_path / "out", spread=spread)


def test_workers_are_expected_where_study_or_archive_are_new_and_only_there(tmp_path, monkeypatch):
    """Importing ahead costs two CPU seconds: not where the files beside the study were made from the same documents."""
    expected = []
    monkeypatch.setattr(studies, "expect_workers", lambda _, n_orders: expected.append(n_orders))
    study = short_fleet(tmp_path / "fleet", 2)

    def times_expected():
        expected.clear()
        studies.run_whole(
            study, archive_dir=tmp_path / "archive", out_dir=tmp_path / "out", spread=Spread(workers=1)
        )
        return expected

    assert times_expected() == [4]
    assert times_expected() == []
    study.write_text(study.read_text() + "\n[stage.spectrum]\nresolution_hz = 0.5\n")
    assert times_expected() == [4]


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="reads /proc")
def test_workers_let_go_beside_the_report_are_gone_when_the_run_returns(tmp_path):
    """None is left of them, of their reader children or of the stem these came from, nor a place in the archive."""
    study = short_fleet(tmp_path / "fleet", 2)
    spread = Spread(workers=2, inline_up_to=0)
    before = descendants(os.getpid())
    run = run_study(study, archive_dir=tmp_path / "archive", out_dir=tmp_path / "out", spread=spread)
    assert (run.n_new_captures, run.n_left_out) == (4, 0)
    left = {pid: command for pid, command in descendants(os.getpid()).items() if pid not in before}
    assert not [command for command in left.values() if "forkserver import main" not in command]
    assert not [pid for pid in left if parent_of(pid)[0] in left]
    assert list((tmp_path / "archive" / "staging").iterdir()) == []


def descendants(pid):
    """Commands of all processes below one, by number."""
    found = {}
    for entry in Path("/proc").iterdir():
        if entry.name.isdigit():
            try:
                found[int(entry.name)] = parent_of(int(entry.name))[0], (entry / "cmdline").read_bytes().decode()
            except (OSError, IndexError):
                continue
    below = {pid}
    for _ in range(4):
        below |= {number for number, (parent, _) in found.items() if parent in below}
    return {number: found[number][1] for number in below - {pid} if number in found}


def parent_of(pid):
    """The parent of a process and what that was started with."""
    parent = int(Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()[1])
    return parent, Path(f"/proc/{parent}/cmdline").read_bytes().replace(b"\0", b" ").decode()


def about_worker(dask_worker):  # the name is what the client goes by
    """Pid, parent and environment of the worker this runs in."""
    return os.getpid(), parent_of(os.getpid()), os.environ.get("MALLOC_TRIM_THRESHOLD_")


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="reads /proc")
def test_all_workers_are_forked_from_one_process_that_keeps_freed_memory():
    """Importing everything costs seconds of processor time: it is done once, and none of it in the workers."""
    cluster = spreading.Cluster(None, Spread(workers=2))
    with socket.socket() as taken, warnings.catch_warnings(record=True) as warned:
        with suppress(OSError):  # somebody else's then: it is taken all the same
            taken.bind(("127.0.0.1", 8787))
            taken.listen()
        searched = list(sys.path)
        client = cluster._connected()
    passing = iter(sys.path)
    assert next(passing) == searched[0]
    assert [str(warning.message) for warning in warned if "8787" in str(warning.message)] == []
    try:
        found = list(client.run(about_worker).values())
        heard = [address for pid in (os.getpid(), *descendants(os.getpid())) for address in listened_to(pid)]
    finally:
        client.close()
        cluster._cluster.close()
    # the end of a cluster, which may be beside the report, moves nothing under whoever goes through the path
    assert [*searched[:1], *passing] == sys.path == searched
    (one, (parent, command), trim), (other, (same, _), _) = found
    assert one != other
    assert parent == same != os.getpid()
    assert "forkserver" in command
    assert "execution.settled" in command
    assert int(trim) >= 1 << 28
    if sys.platform.startswith("linux"):
        # a scheduler runs any code it is sent: nobody on another machine may reach it
        assert len(heard) >= 3
        assert set(heard) == {"0100007F"}


def listened_to(pid):
    """Addresses, as the system writes them, at which a process waits for connections."""
    listening = {}
    for table in ("tcp", "tcp6"):
        for line in Path(f"/proc/net/{table}").read_text().splitlines()[1:]:
            fields = line.split()
            if fields[3] == "0A":
                listening[fields[9]] = fields[1].rpartition(":")[0]
    try:
        held = [str(link.readlink()) for link in Path(f"/proc/{pid}/fd").iterdir()]
    except OSError:
        return []
    return [listening[inode] for name in held if (inode := name[8:-1]) in listening and name.startswith("socket:[")]


def test_a_document_has_an_entry_a_line_and_null_for_what_is_no_number(tmp_path):
    """Thousands of readings are written by compiled code and still compared line by line."""
    entries = [{"a": 1.5, "b": [float("nan"), 2]}, {"a": float("inf")}]
    path = write_document(tmp_path / "readings.json", "readings", entries, more=[])
    text = path.read_text()
    assert json.loads(text) == {"schema": 1, "readings": [{"a": 1.5, "b": [None, 2]}, {"a": None}], "more": []}
    assert [line.rstrip(",") for line in text.splitlines()[1:3]] == ['{"a": 1.5, "b": [null, 2]}', '{"a": null}']
    assert [found.name for found in tmp_path.iterdir()] == ["readings.json"]


def table_of(folder, n_rows, **study):
    """A study whose table has so many lines."""
    lines = ["file,platform,part", *(f"{n}.csv,wren,original" for n in range(n_rows))]
    (folder / "captures.csv").write_text("\n".join(lines) + "\n")
    path = folder / "study.toml"
    path.write_text("\n".join(f'{key} = "{value}"' for key, value in {"captures": "captures.csv", **study}.items()))
    return path


@pytest.fixture
def started(monkeypatch):
    """How often the process that workers come from was asked for."""
    asked = []
    monkeypatch.setattr(ahead, "import_once", lambda: asked.append(True))
    return asked


def test_workers_are_asked_for_ahead_where_the_table_is_long(tmp_path, started):
    """Longer than what is done without workers, and by nobody else."""
    archive = tmp_path / "archive"
    long, words = table_of(tmp_path, 25), {"archive_dir": archive, "workers": 2}
    assert ahead.workers_ahead(long, **words)
    assert not ahead.workers_ahead(long, archive_dir=archive, workers=1)
    assert not ahead.workers_ahead(long, **words, scheduler="127.0.0.1:8786")
    assert not ahead.workers_ahead(table_of(tmp_path, 24), **words)
    assert started == [True]


def test_files_of_another_study_in_the_folder_are_no_reason_to_start_late(tmp_path, started):
    """They are its own if it was run last; a study that changed its recipe under a new name has all to do."""
    archive, out = tmp_path / "archive", tmp_path / "out"
    archive.mkdir()
    out.mkdir()
    first = table_of(tmp_path, 25)
    second = first.with_name("changed.toml")
    second.write_text(first.read_text() + "\n[stage.spectrum]\nresolution_hz = 0.5\n")
    note = {"documents": [str(first)], "made_with": unchanged.made_with([str(first)])}
    (out / unchanged.STAMP_FILE).write_text(json.dumps(note))
    assert not ahead.workers_ahead(first, archive_dir=archive, out_dir=out, workers=2)
    assert ahead.workers_ahead(second, archive_dir=archive, out_dir=out, workers=2)


@pytest.mark.parametrize("wrong", ["", "captures = 3", "captures = \"not-there.csv\"", "][", "title = \"no table\""])
def test_a_study_that_is_wrong_asks_for_no_worker(tmp_path, started, wrong):
    """Whoever reads it in earnest says what is wrong."""
    (tmp_path / "study.toml").write_text(wrong)
    assert not ahead.workers_ahead(tmp_path / "study.toml", archive_dir=tmp_path / "archive", workers=2)
    assert not started


def test_asking_ahead_loads_nothing_that_takes_time():
    """Else the process that workers come from would start as late as without it."""
    heavy = ("numpy", "pydantic", "pluggy", "sqlite3", "thrumline.pipeline.contracts", "thrumline.pipeline.host")
    script = f"import sys, thrumline.pipeline.api.ahead\nprint([name for name in {heavy} if name in sys.modules])"
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
