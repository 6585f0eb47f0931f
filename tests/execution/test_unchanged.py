"""A run that finds nothing new leaves its files alone, and any change that could matter makes them anew."""

from __future__ import annotations

import shutil

import pytest

from thrumline.pipeline.api import Spread, run_study, unchanged
from thrumline.pipeline.api.unchanged import STAMP_FILE
from thrumline.pipeline.testing import FleetSpec, demo_fleet, write_fleet

HERE = Spread(workers=1)


@pytest.fixture(scope="module")
def first(tmp_path_factory):
    """One platform, two parts, two repeats, run once."""
    folder = tmp_path_factory.mktemp("unchanged")
    spec = FleetSpec(
        platforms=demo_fleet().platforms[:1], parts=("original", "candidate-A"), repeats=2, duration_s=32.0, faults=()
    )
    study = write_fleet(folder / "fleet", spec, 7)
    return study, folder, run_study(study, archive_dir=folder / "archive", out_dir=folder / "out", spread=HERE)


@pytest.fixture
def again(first, tmp_path):
    """The same folders, copied, with times kept; returns study, out and a function that runs it once more."""
    study, folder, _run = first
    shutil.copytree(folder / "out", tmp_path / "out")
    kept = unchanged.json.loads((tmp_path / "out" / STAMP_FILE).read_text())
    # a copy has other inodes: what is under test here are the other causes
    kept["files"] = {name: unchanged._written(tmp_path / "out" / name) for name in kept["files"]}
    (tmp_path / "out" / STAMP_FILE).write_text(unchanged.json.dumps(kept))

    def once_more(study=study, archive=folder / "archive"):
        return run_study(study, archive_dir=archive, out_dir=tmp_path / "out", spread=HERE)

    return study, tmp_path / "out", once_more


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


@pytest.mark.parametrize("what", ["a source file", "a library", "an archive"])
def test_a_change_of_program_libraries_or_archive_makes_everything_anew(what, again, monkeypatch, tmp_path):
    """The stamp covers what the files are made with, not only what they are made from."""
    _, out, once_more = again
    before, archive = times(out), {}
    if what == "a source file":
        known = unchanged._sources
        monkeypatch.setattr(unchanged, "_sources", lambda host: [*known(host), "one.py:1:1;"])
    elif what == "a library":
        monkeypatch.setattr(unchanged, "version", lambda name: f"{name} 99")
    else:
        archive = {"archive": tmp_path / "another-archive"}
    once_more(**archive)
    after = times(out)
    assert all(after[name] > before[name] for name in before)


def test_every_source_file_of_the_package_is_in_the_stamp():
    """Also those that are no Python: templates, styles, recipes."""
    from thrumline.pipeline.host import Host

    seen = " ".join(unchanged._sources(Host.discover()))
    for name in ("verdicts.py", "report.html.j2", "idle.toml", "zarr_read.py", "track_speed.py", "spectra.py"):
        assert name in seen
