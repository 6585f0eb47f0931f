"""A run that finds nothing new leaves its files alone, and any change that could matter makes them anew."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
import time

import pytest

from thrumline.pipeline.api import Spread, run_study, unchanged, unchanged_run
from thrumline.pipeline.api.unchanged import STAMP_FILE
from thrumline.pipeline.testing import FleetSpec, demo_fleet, write_fleet
from thrumline.storage import Archive
from thrumline.storage.at_rest import at_rest
from thrumline.storage.originals import RACY_NS

HERE = Spread(workers=1)


@pytest.fixture(scope="module")
def first(tmp_path_factory):
    """One platform, two parts, two repeats of half a second, run once: what counts here is what is noticed."""
    folder = tmp_path_factory.mktemp("unchanged")
    spec = FleetSpec(
        platforms=demo_fleet().platforms[:1], parts=("original", "candidate-A"), repeats=2, duration_s=4.0, faults=(),
        taps=False,
    )  # fmt: skip
    study = write_fleet(folder / "fleet", spec, 7)
    until_trusted(study)
    return study, folder, run_study(study, archive_dir=folder / "archive", out_dir=folder / "out", spread=HERE)


@pytest.fixture
def again(first, tmp_path):
    """The same folders, copied, with times kept; returns study, out and a function that runs it once more."""
    study, folder, _run = first
    shutil.copytree(folder / "out", tmp_path / "out")
    kept = json.loads((tmp_path / "out" / STAMP_FILE).read_text())
    # a copy has other inodes: what is under test here are the other causes
    kept["files"] = {name: unchanged.seen_now(str(tmp_path / "out" / name)) for name in kept["files"]}
    (tmp_path / "out" / STAMP_FILE).write_text(json.dumps(kept))

    def once_more(study=study, archive=folder / "archive"):
        return run_study(study, archive_dir=archive, out_dir=tmp_path / "out", spread=HERE)

    once_more()
    return study, tmp_path / "out", once_more


@pytest.fixture
def own(first, tmp_path):
    """Everything copied, the note made to fit the copy, at rest: free to be harmed. Study, archive, out."""
    study, folder, _run = first
    shutil.copytree(folder, tmp_path / "own")
    study, archive, out = tmp_path / "own" / "fleet" / study.name, tmp_path / "own" / "archive", tmp_path / "own" / "out"
    Archive.open(archive, role="coordinator").close()
    kept = json.loads((out / STAMP_FILE).read_text())
    documents = [str(study), str(study.parent / "captures.csv")]
    kept.update(
        state=at_rest(archive).state, documents=documents, made_with=unchanged.made_with(documents),
        sources={place: unchanged.seen_now(place) for place in (str(path) for path in captures_of(study))},
        files={name: unchanged.seen_now(str(out / name)) for name in kept["files"]},
    )  # fmt: skip
    (out / STAMP_FILE).write_text(json.dumps(kept))
    assert unchanged_run(study, archive_dir=archive, out_dir=out) is not None
    return study, archive, out


def until_trusted(study):
    """Wait until the captures are so old that a hash of them is believed: two seconds, more than a run may take."""
    newest = max(path.stat().st_ctime for path in captures_of(study))
    time.sleep(max(0.0, newest + RACY_NS / 1e9 + 0.1 - time.time()))


def captures_of(study):
    return sorted(path for path in study.parent.glob("captures/**/*") if path.is_file())


def times(out):
    return {path.name: path.stat().st_mtime_ns for path in out.iterdir() if path.name != STAMP_FILE}


def test_nothing_new_leaves_every_file_as_it_was_and_answers_the_same(first, again):
    """The answer comes from the files, equal to the run that made them."""
    _, out, once_more = again
    before = times(out)
    run, made = once_more(), first[2]
    assert times(out) == before
    assert list(run.captures) == list(made.captures)
    assert list(run.comparisons) == list(made.comparisons)
    assert list(run.readings) == list(made.readings)
    assert list(run.over_platforms) == list(made.over_platforms)
    assert (list(run.sentences), list(run.notes)) == (list(made.sentences), list(made.notes))
    assert [path.name for path in run.files] == [path.name for path in made.files]
    assert run.n_left_out == made.n_left_out
    assert len(run.table("readings")) == len(made.readings)


def test_a_file_that_was_edited_or_removed_is_made_anew(again):
    """Whoever wrote into the report or deleted a table gets the right one back."""
    _, out, once_more = again
    page, table = out / "report.html", out / "comparisons.json"
    right = table.read_text()
    page.write_text("<p>somebody's own words</p>")
    table.unlink()
    once_more()
    assert "somebody" not in page.read_text()
    assert table.read_text() == right


def test_an_edited_label_reaches_the_files_though_no_result_changes(again, tmp_path):
    """A note in the table changes no reading and no identity, but what the files say."""
    study, out, once_more = again
    copy = tmp_path / "fleet"
    shutil.copytree(study.parent, copy)
    table = copy / "captures.csv"
    head, *rows = table.read_text(encoding="utf-8").splitlines()
    table.write_text("\n".join([f"{head},note", *(f"{row},warmer than before" for row in rows)]) + "\n")
    run = once_more(copy / study.name)
    assert run.n_new_results == 0
    assert "warmer than before" in (out / "captures.json").read_text()


def test_an_edited_question_reaches_the_files(again, tmp_path):
    """Another limit needs no new reading but other verdicts."""
    study, out, once_more = again
    shutil.copytree(study.parent, tmp_path / "fleet")
    other = tmp_path / "fleet" / study.name
    text = other.read_text(encoding="utf-8")
    other.write_text(text.replace("limit_percent = ", "limit_percent = 9"), encoding="utf-8")
    before = (out / "report.html").read_bytes()
    once_more(other)
    assert (out / "report.html").read_bytes() != before


@pytest.mark.parametrize("what", ["package_files", "installed"])
def test_a_change_of_program_or_libraries_makes_everything_anew(what, again, monkeypatch):
    """The stamp covers what the files are made with, not only what they are made from."""
    _, out, once_more = again
    before, known = times(out), getattr(unchanged, what)
    monkeypatch.setattr(unchanged, what, lambda: [*known(), "one.py:1:1;"])
    once_more()
    after = times(out)
    assert all(after[name] > before[name] for name in before)


def test_another_archive_makes_everything_anew(again, tmp_path):
    """The report names the archive it rests on."""
    _, out, once_more = again
    before = times(out)
    once_more(archive=tmp_path / "another-archive")
    after = times(out)
    assert all(after[name] > before[name] for name in before)


def test_every_file_of_the_package_is_in_the_stamp():
    """Also those that are no Python: templates, styles, recipes; and every plugin's distribution."""
    seen = " ".join(unchanged.package_files())
    for name in ("verdicts.py", "report.html.j2", "idle.toml", "zarr_read.py", "track_speed.py", "spectra.py"):
        assert name in seen
    told = " ".join(unchanged.installed()).lower()
    for name in ("/numpy-", "/scipy-", "/thrumline-"):
        assert name in told


def test_a_run_with_nothing_new_loads_neither_arrays_nor_plugins_nor_tables(own):
    """What makes it quick; a module that creeps in again costs every such run its loading."""
    study, archive, out = own
    until_trusted(study)
    code = (
        "import sys; from thrumline.pipeline.front.entry import cli;"
        f"cli(['run', {str(study)!r}, '--archive', {str(archive)!r}, '--out', {str(out)!r}], standalone_mode=False);"
        "heavy = {'numpy', 'scipy', 'pydantic', 'pluggy', 'sqlite3', 'pandas', 'xarray', 'distributed', 'jinja2'};"
        "print('loaded:', sorted(heavy & set(sys.modules)))"
    )
    # the first makes the note as this way of starting Python sees what is installed
    command = [sys.executable, "-c", code]
    said = [subprocess.run(command, capture_output=True, text=True, cwd=out, check=False) for _ in range(2)]
    assert said[1].stdout.splitlines()[-1] == "loaded: []", said[1].stderr
    assert said[1].stdout.splitlines()[-2].startswith("nothing new: 4 captures")
    first, again = ([line for line in done.stdout.splitlines() if not line.startswith(("nothing new", "loaded"))]
                    for done in said)  # fmt: skip
    assert again == first


def capture_of(study):
    return captures_of(study)[0]


def other_bytes(path):
    """One byte changed, size and time of change as they were: only the inode's own time tells."""
    status, data = path.stat(), bytearray(path.read_bytes())
    data[-2] ^= 1
    path.write_bytes(data)
    os.utime(path, ns=(status.st_atime_ns, status.st_mtime_ns))


def other_file(path):
    """Another file under the same name, as a copying program leaves it."""
    copy = path.with_name("copy")
    shutil.copy2(path, copy)
    copy.replace(path)


def a_result(archive):
    return next((archive / "results").glob("*/*/MANIFEST.json"))


def write(archive, what):
    with Archive.open(archive, role="worker") as worker:
        what(worker, worker.ids("captures")[0])


HARM = {
    "a capture's bytes": lambda study, archive, out: other_bytes(capture_of(study)),
    "a capture replaced": lambda study, archive, out: other_file(capture_of(study)),
    "a capture missing": lambda study, archive, out: capture_of(study).unlink(),
    "a capture longer": lambda study, archive, out: capture_of(study).open("ab").write(b"\n"),
    "the table": lambda study, archive, out: other_bytes(study.parent / "captures.csv"),
    "the question": lambda study, archive, out: other_bytes(study),
    "a fact": lambda study, archive, out: write(archive, lambda a, c: a.put_fact(c, {"platform": "another"})),
    "a decision": lambda study, archive, out: write(archive, lambda a, c: a.put_decision("stretches", c, {"from": 3})),
    "a release": lambda study, archive, out: write(
        archive, lambda a, c: a.put_decision("quarantine", "0" * 64, {"action": "retry", "through": 1})
    ),
    "a result removed": lambda study, archive, out: shutil.rmtree(a_result(archive).parent),
    "a result without its manifest": lambda study, archive, out: a_result(archive).unlink(),
    "the report lost": lambda study, archive, out: (out / "report.html").unlink(),
    "the report edited": lambda study, archive, out: other_bytes(out / "report.html"),
    "a table of readings lost": lambda study, archive, out: (out / "readings.json").unlink(),
    "the note damaged": lambda study, archive, out: (out / STAMP_FILE).write_text("{}"),
    "the archive gone": lambda study, archive, out: archive.rename(archive.with_name("elsewhere")),
}


@pytest.mark.parametrize("what", HARM)
def test_whatever_changed_is_noticed(own, what):
    """Nothing that has a say in the files goes unseen by the short way."""
    study, archive, out = own
    HARM[what](study, archive, out)
    assert unchanged_run(study, archive_dir=archive, out_dir=out) is None


@pytest.mark.parametrize("what", ["a capture's bytes", "a capture missing", "a result removed"])
def test_what_was_noticed_reaches_the_answer(own, what):
    """A changed file is another capture, a missing one is refused, a lost result is made again."""
    study, archive, out = own
    HARM[what](study, archive, out)
    run = run_study(study, archive_dir=archive, out_dir=out, spread=HERE)
    refused = [entry for entry in run.captures if entry["state"] == "refused"]
    assert (run.n_new_captures, run.n_new_results, len(refused)) == {
        "a capture's bytes": (1, 1, 0), "a capture missing": (0, 0, 1), "a result removed": (0, 1, 0),
    }[what]  # fmt: skip


def test_a_fact_that_somebody_else_changed_is_said_again(own):
    """The table has the last word about its captures, as in a whole run."""
    study, archive, out = own
    HARM["a fact"](study, archive, out)
    run_study(study, archive_dir=archive, out_dir=out, spread=HERE)
    with Archive.open(archive, role="reader") as reader:
        assert all(reader.newest_fact(identity)["platform"] != "another" for identity in reader.ids("captures"))


def test_work_of_others_in_the_archive_costs_one_whole_run_and_leaves_the_files(own, monkeypatch):
    """Another study's results say nothing about this one's."""
    study, archive, out = own
    monkeypatch.setattr("thrumline.storage.originals.RACY_NS", 0)
    (out / STAMP_FILE).unlink()
    run_study(study, archive_dir=archive, out_dir=out, spread=HERE)
    before = times(out)
    HARM["a release"](study, archive, out)
    assert run_study(study, archive_dir=archive, out_dir=out, spread=HERE).unchanged
    assert times(out) == before
    assert unchanged_run(study, archive_dir=archive, out_dir=out) is not None


def test_an_edited_recipe_file_is_noticed(own, monkeypatch):
    """A recipe of one's own lies beside the study."""
    from thrumline.pipeline.api import recipe_text

    study, archive, out = own
    monkeypatch.setattr("thrumline.storage.originals.RACY_NS", 0)  # else the captures are too young to be trusted
    (study.parent / "mine.toml").write_text(recipe_text("idle"), encoding="utf-8")
    study.write_text('recipe = "mine.toml"\n' + study.read_text(encoding="utf-8"), encoding="utf-8")
    run_study(study, archive_dir=archive, out_dir=out, spread=HERE)
    assert unchanged_run(study, archive_dir=archive, out_dir=out) is not None
    with (study.parent / "mine.toml").open("a") as recipe:
        recipe.write("# a remark\n")
    assert unchanged_run(study, archive_dir=archive, out_dir=out) is None
