"""The test sheet: order, room to write, cautions, and nothing that a vehicle's dead zone would break."""

from __future__ import annotations

import pytest

from thrumline.pipeline.contracts.cautions import CAUTIONS
from thrumline.pipeline.report import ReportError, SheetRequest, render_test_sheet, write_test_sheet
from thrumline.pipeline.study.planning import PlatformPlan, run_order

from .reading_pages import Page

MORE = {"original": 2, "candidate-A": 2, "candidate-B": 1}
PLAN = PlatformPlan(
    "Dunlin 2.0", run_order("original", MORE), MORE, ("candidate-A, idle in drive: open; five repeats would settle it",),
    ("candidate-B, idle in drive: cannot be settled by repeats",), looks=2,
)  # fmt: skip


def sheet(**more):
    return SheetRequest(
        title="Autumn fleet", plans=[PLAN], baseline="original", positions=["seat-rail"],
        conditions=["idle-drive", "idle-neutral"], **more,
    )  # fmt: skip


def test_runs_stand_in_the_order_of_the_plan():
    words = Page(render_test_sheet(sheet())).words
    table = words[words.index("Runs in this order"):]
    at = 0
    for run in PLAN.runs:
        at = table.index(f"{run.number} {run.part}", at)
    assert PLAN.runs[0].part == PLAN.runs[-1].part == "original"


def test_every_condition_gets_a_box_at_every_fitting():
    html = render_test_sheet(sheet())
    assert html.count('class="box"') == 2 * len(PLAN.runs)
    assert "idle in neutral, seat rail" in Page(html).words


@pytest.mark.parametrize(("least", "told"), [(30.0, "Record 50 s"), (10.0, "Record 30 s"), (43.0, "Record 60 s")])
def test_the_recording_is_long_enough_after_the_marker_is_cut(least, told):
    """A marker in the first 15 s takes up to 17 s away."""
    assert told in Page(render_test_sheet(sheet(minimum_duration_s=least))).words
    assert sheet(minimum_duration_s=least).recording_s - 17 >= least


def test_all_cautions_and_refitting_notes_are_on_the_sheet():
    words = Page(render_test_sheet(sheet())).words
    for caution in CAUTIONS:
        assert all(sentence in words for sentence in caution.sentences)
    assert "let the idle adaptation relearn" in words
    assert "Tighten mounts at ride height" in words


def test_the_sheet_says_what_it_cannot_settle_and_that_looking_again_costs():
    words = Page(render_test_sheet(sheet())).words
    assert "cannot be settled by repeats" in words
    assert "looks = 2" in words


def test_names_are_escaped_and_nothing_is_fetched():
    plan = PlatformPlan("<script>x</script>", PLAN.runs, MORE, ("<b>why</b>",))
    html = render_test_sheet(SheetRequest(title="<i>", plans=[plan], baseline="a&b"))
    assert "<script" not in html
    assert "&lt;b&gt;why" in html
    assert not [value for _, name, value in Page(html).attributes if name in {"src", "href"} and not value.startswith("#")]


def test_a_plan_without_runs_is_refused_in_words(tmp_path):
    empty = PlatformPlan("Dunlin 2.0", (), {}, ())
    with pytest.raises(ReportError, match=r"at least one run.*no platform with an open question"):
        write_test_sheet(tmp_path / "sheet.html", SheetRequest("x", [empty], "original"))


def test_the_sheet_is_one_file(tmp_path):
    path = write_test_sheet(tmp_path / "new" / "sheet.html", sheet(command="thrumline plan study.toml"))
    assert "thrumline plan study.toml" in Page(path.read_text(encoding="utf-8")).words


def test_a_place_that_cannot_be_written_is_named(tmp_path):
    (tmp_path / "taken").write_text("a file")
    with pytest.raises(ReportError, match=r"taken.*choose another path"):
        write_test_sheet(tmp_path / "taken" / "sheet.html", sheet())
