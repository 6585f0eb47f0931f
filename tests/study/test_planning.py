"""Planning: order of fittings, how many, and what no fitting will settle."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from thrumline.pipeline.study import Study, fresh_plan, plan_next, run_order

STUDY = {"title": "t", "captures": "c.csv", "baseline": "original", "limit_percent": 15.0}


def plan(fleet, **keys):
    found = plan_next(Study(**{**STUDY, **keys}), fleet.answer(**keys))
    return found[0] if found else None


def parts(runs):
    return [run.part for run in runs]


WANTED = st.dictionaries(st.sampled_from(["original", "a", "b", "c"]), st.integers(0, 6))


@given(WANTED)
def test_a_plan_alternates_and_ends_with_the_baseline_refitted(wanted):
    runs = run_order("original", wanted)
    if not any(n > 0 for part, n in wanted.items() if part != "original") and wanted.get("original", 0) < 2:
        assert runs == ()
        return
    order = parts(runs)
    assert order[0] == order[-1] == "original"
    assert "refitted" in runs[-1].note
    assert all(order.count(part) >= n for part, n in wanted.items())
    assert [run.number for run in runs] == list(range(1, len(runs) + 1))


@given(st.integers(1, 6))
def test_one_candidate_and_baseline_take_turns(n):
    order = parts(run_order("original", {"candidate-A": n, "original": n}))
    assert order == ["original", "candidate-A"] * n + ["original"]


def test_a_straight_drift_cancels_between_candidates_over_two_rounds():
    """Mean place in the order is the same for both candidates: a steady drift falls on both alike."""
    order = parts(run_order("original", {"a": 2, "b": 2}))
    place = {part: sum(i for i, p in enumerate(order) if p == part) / order.count(part) for part in ("a", "b")}
    assert place["a"] == place["b"]


def test_an_open_question_asks_for_the_missing_repeats_only(fleet):
    spread = (0.0, 0.03, -0.03)
    fleet.part("original", spread).part("candidate-A", [0.08 + s for s in spread])
    outcome = fleet.answer()
    needed = outcome.verdicts[0].repeats_needed
    found = plan(fleet)
    assert found.more == {"original": needed - 3, "candidate-A": needed - 3}
    assert parts(found.runs).count("candidate-A") == needed - 3


def test_measuring_again_counts_as_another_look(fleet):
    spread = (0.0, 0.03, -0.03)
    fleet.part("original", spread).part("candidate-A", [0.08 + s for s in spread])
    assert plan(fleet).looks == 2


def test_single_repeats_are_brought_to_three(fleet):
    found = plan(fleet.take("original", 5.0).take("candidate-A", 5.5))
    assert found.more == {"original": 2, "candidate-A": 2}


def test_a_settled_platform_needs_no_plan(fleet):
    assert plan(fleet.part("original", (0.0, 0.01, -0.01)).part("candidate-A", (0.4, 0.41, 0.39))) is None


def test_part_and_session_mixed_up_asks_for_both_parts_in_one_session(fleet):
    fleet.part("original", (0.0, 0.01, -0.01), session="mon").part("candidate-A", (0.4, 0.41, 0.39), session="tue")
    found = plan(fleet)
    assert min(found.more.values()) >= 2
    assert "one session" in found.why[0]


def test_a_question_too_near_to_the_limit_is_said_to_be_so(fleet):
    spread = (0.0, 0.05, -0.05)
    fleet.part("original", spread).part("candidate-A", [math.log(1.149) + s for s in spread])
    found = plan(fleet)
    assert found.runs == ()
    assert "cannot be settled by repeats" in found.not_settled[0]


def test_a_reading_at_the_floor_asks_for_no_fittings(fleet):
    fleet.part("original", (0.0, 0.01)).part("candidate-A", (0.1, 0.11)).take("original", 4.0, condition="engine-off")
    found = plan(fleet)
    assert found.runs == ()
    assert "floor" in found.not_settled[0]


def test_one_fitting_serves_all_conditions_of_a_platform(fleet):
    for condition in ("idle-drive", "idle-neutral"):
        fleet.take("original", 5.0, condition=condition).take("candidate-A", 5.5, condition=condition)
    assert plan(fleet).more == {"original": 2, "candidate-A": 2}


def test_a_fresh_plan_says_what_change_it_would_show():
    """Three repeats at 3 % scatter: two-sample t, 80 % power, d = 3.07 standard deviations, so about 9 to 10 %."""
    found = fresh_plan(Study(**STUDY), "Wren 2.0", ["candidate-A", "candidate-B"])
    assert parts(found.runs).count("candidate-B") == 3
    assert "10 %" in found.why[0] or "9 %" in found.why[0]


@pytest.mark.external
def test_the_change_a_fresh_plan_shows_agrees_with_statsmodels():
    """statsmodels TTestIndPower.solve_power for three values a group as the second reference."""
    tests = pytest.importorskip("statsmodels.stats.power")
    effect = tests.TTestIndPower().solve_power(nobs1=3, alpha=0.05, power=0.8)
    percent = 100 * math.expm1(effect * math.log(1.03))
    assert f"change of {percent:.0f} %" in fresh_plan(Study(**STUDY), "Wren 2.0", ["candidate-A"]).why[0]
