"""The command line as a newcomer meets it: help, wrong paths, wrong units, pipes, exit codes, one JSON document."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time

import pytest

from thrumline.pipeline.testing import FleetSpec, demo_fleet, write_fleet

COMMAND = [sys.executable, "-c", "from thrumline.pipeline.front.entry import main; main()"]


def thrumline(*words, cwd=None, **env):
    """Run the command in a process of its own, with no terminal."""
    return subprocess.run(
        [*COMMAND, *map(str, words)], capture_output=True, text=True, cwd=cwd, timeout=110, check=False,
        env={**os.environ, "COLUMNS": "80", **env}, stdin=subprocess.DEVNULL,
    )  # fmt: skip


@pytest.fixture(scope="module")
def fleet(tmp_path_factory):
    """A small fleet on disk and its study."""
    spec = FleetSpec(platforms=demo_fleet().platforms[:1], parts=("original", "candidate-A"), repeats=2, duration_s=32)
    return write_fleet(tmp_path_factory.mktemp("fleet"), spec, 5)


@pytest.fixture(scope="module")
def run(fleet):
    """The study run once, as JSON."""
    return thrumline("run", fleet, "--json", "--workers", "1", "--archive", fleet.parent / "archive")


def test_help_names_every_command_with_its_purpose():
    """A newcomer sees what there is and where to start."""
    done = thrumline("--help")
    assert done.returncode == 0
    for command in ("demo", "run", "check", "inspect", "plugins", "recipe", "explain", "cautions"):
        assert f"  {command} " in done.stdout
    assert "Start here" in done.stdout
    assert max(map(len, done.stdout.splitlines())) <= 80
    assert "..." not in done.stdout.partition("Commands:")[2], "a purpose is cut off"


@pytest.mark.parametrize("command", ["demo", "run", "check", "inspect", "plugins", "explain", "cautions"])
def test_every_command_shows_an_example(command):
    """Help teaches by example."""
    done = thrumline(command, "--help")
    assert done.returncode == 0
    assert f"Example: thrumline {command}" in done.stdout


def test_json_is_one_document_on_stdout_and_the_rest_on_stderr(run):
    """A program can read stdout as it is."""
    assert run.returncode == 0, run.stderr
    document = json.loads(run.stdout)
    assert document["schema"] == 1
    assert {c["state"] for c in document["captures"]} == {"fit"}
    assert "captures" in run.stderr


def test_a_run_without_a_terminal_prints_plain_lines(fleet, run):
    """No escape codes in a log file; verdict sentence first."""
    done = thrumline("run", fleet, "--workers", "1", "--archive", fleet.parent / "archive")
    assert done.returncode == 0
    assert "\x1b" not in done.stdout + done.stderr
    assert "candidate-A on" in done.stdout.splitlines()[0]


def test_a_wrong_study_path_says_where_it_looked_and_exits_3(tmp_path):
    """Nothing is run; the message names the path."""
    done = thrumline("run", tmp_path / "no-such.toml")
    assert done.returncode == 3
    assert "no-such.toml" in done.stderr
    assert "Traceback" not in done.stderr


def test_an_unknown_option_is_a_usage_error_and_exits_2(fleet):
    """Click names the option and exits 2."""
    assert thrumline("run", fleet, "--workerz", "3").returncode == 2


def test_inspect_of_a_missing_file_exits_4_with_the_code():
    """The reason code stands in the message."""
    done = thrumline("inspect", "not-there.csv")
    assert done.returncode == 4
    assert "missing_file" in done.stderr


def test_inspect_without_a_unit_says_what_to_give(tmp_path):
    """A unit is never guessed; the message says which are known."""
    rows = "\n".join(f"{i / 100:.2f},{0.01 * (i % 7)},0.02,1.0" for i in range(3000))
    (tmp_path / "bare.csv").write_text("time_s,x,y,z\n" + rows + "\n")
    done = thrumline("inspect", tmp_path / "bare.csv")
    assert done.returncode == 4
    assert "unknown_unit" in done.stderr
    assert "for a single file: --unit" in done.stderr
    told = thrumline("inspect", tmp_path / "bare.csv", "--unit", "g")
    assert told.returncode == 0
    assert "100 Hz" in told.stdout
    assert not set("{}'") & set(told.stdout), "what is told is told in words"


def test_inspect_with_a_unit_nobody_knows_is_refused_by_name(tmp_path):
    """The unit that was given stands in the message, and those that exist."""
    (tmp_path / "a.csv").write_text("time_s,x,y,z\n" + "\n".join(f"{i / 100:.2f},0,0,1" for i in range(3000)) + "\n")
    done = thrumline("inspect", tmp_path / "a.csv", "--unit", "furlong")
    assert done.returncode in {3, 4}
    assert "furlong" in done.stderr
    assert "m/s2" in done.stderr


def test_a_misspelt_command_is_answered_with_the_nearest():
    done = thrumline("insepct", "a.csv")
    assert done.returncode == 2
    assert "Did you mean 'inspect'?" in done.stderr


@pytest.mark.usefixtures("run")
def test_an_output_that_cannot_show_a_mark_shows_another_and_goes_on(fleet, tmp_path):
    """A log of plain ASCII: the verdict's shape in the table is replaced, nothing fails."""
    words = ("run", fleet, "--workers", "1", "--archive", fleet.parent / "archive", "--out", tmp_path)
    done = thrumline(*words, PYTHONIOENCODING="ascii")
    assert done.returncode == 0, done.stderr
    assert "files:" in done.stdout


def test_a_copy_of_the_earlier_capture_is_told_as_one(fleet):
    """Beside the vehicle the wrong file is soon picked."""
    capture = sorted((fleet.parent / "captures").rglob("*.csv"))[0]
    words = ("check", capture, "--rpm", "700", "--cylinders", "8", "--minimum", "20", "--against", capture)
    assert "these are the same samples" in thrumline(*words).stdout


def test_ctrl_c_while_workers_import_leaves_no_traceback():
    """It goes to the whole group; the process that the workers are to come from has nothing to answer."""
    script = (
        "from thrumline.pipeline.execution.spread import Spread, expect_workers\n"
        "import time\n"
        "expect_workers(Spread(workers=2), 100)\n"
        "print('importing', flush=True)\n"
        "try:\n    time.sleep(20)\nexcept KeyboardInterrupt:\n    print('stopped')\n"
    )
    running = subprocess.Popen(
        [sys.executable, "-c", script], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        start_new_session=True, preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL),  # noqa: PLW1509
    )  # fmt: skip
    assert running.stdout.readline() == "importing\n"
    time.sleep(0.3)
    os.killpg(running.pid, signal.SIGINT)
    said, err = running.communicate(timeout=60)
    assert said == "stopped\n"
    assert "Traceback" not in err


def test_captures_left_out_make_exit_code_4(fleet, tmp_path):
    """Done, but not with all: a script can tell."""
    table = (fleet.parent / "captures.csv").read_text().splitlines()
    bad = table[1].split(",")
    bad[0] = "captures/not-there.csv"
    (fleet.parent / "other.csv").write_text("\n".join([*table, ",".join(bad)]) + "\n")
    study = fleet.with_name("other.toml")
    study.write_text(fleet.read_text().replace("captures.csv", "other.csv"))
    done = thrumline("run", study, "--workers", "1", "--archive", fleet.parent / "archive", "--out", tmp_path)
    assert done.returncode == 4
    assert "missing file" in done.stdout


def test_check_says_fit_with_speed_and_reading(fleet):
    """Beside the vehicle: a line each, exit code 0."""
    capture = sorted((fleet.parent / "captures").rglob("*.csv"))[0]
    done = thrumline("check", capture, "--rpm", "700", "--cylinders", "8", "--minimum", "20", "--json")
    assert done.returncode in {0, 4}, done.stderr
    document = json.loads(done.stdout)
    assert document["state"] == "fit", document["fitness"]["reasons"]


def test_interrupt_keeps_what_is_done_and_exits_130(tmp_path):
    """Ctrl-C in mid-run: 130, and the next run goes on from there."""
    spec = FleetSpec(platforms=demo_fleet().platforms[:1], parts=("original", "candidate-A"), repeats=12, duration_s=32)
    study = write_fleet(tmp_path, spec, 6)
    words = [*COMMAND, "run", str(study), "--workers", "1", "--archive", str(tmp_path / "archive")]
    # a shell's background jobs ignore the interrupt, and so would what they start: the child begins afresh
    running = subprocess.Popen(
        words, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL),  # noqa: PLW1509
    )  # fmt: skip
    results = tmp_path / "archive" / "results"
    deadline = time.monotonic() + 60
    while time.monotonic() < deadline and sum(1 for _ in results.rglob("MANIFEST.json")) < 2:
        time.sleep(0.02)
    running.send_signal(signal.SIGINT)
    _, err = running.communicate(timeout=60)
    assert running.returncode == 130, err
    assert "goes on from there" in err
    kept = sum(1 for _ in results.rglob("MANIFEST.json"))
    assert 2 <= kept < 24
    assert thrumline("run", study, "--workers", "1", "--archive", tmp_path / "archive").returncode == 0
    assert sum(1 for _ in results.rglob("MANIFEST.json")) == 24


def test_explain_knows_every_code_and_the_nearest_to_a_misspelt_one():
    """Codes are explained; a typing error is mended in one try."""
    assert "clipped" in thrumline("explain").stdout
    assert "range" in thrumline("explain", "clipped").stdout
    done = thrumline("explain", "cliped")
    assert done.returncode == 3
    assert "did you mean clipped" in done.stderr


def test_cautions_defer_to_local_codes():
    """The page of cautions is there and says where its word ends."""
    text = thrumline("cautions").stdout
    assert "carbon monoxide" in text
    assert "local codes" in text


def test_recipe_show_prints_toml_that_can_be_saved():
    """What is shown reads back as a recipe."""
    import tomllib

    document = tomllib.loads(thrumline("recipe", "show", "idle").stdout)
    assert document["name"] == "idle"
