"""Comparisons: percent, interval, repeats, what is compared with what."""

import json
import math

import numpy as np
import pytest
from scipy import stats

from thrumline.pipeline.contracts import StudyError
from thrumline.pipeline.study import Study, explore

NEAR = (0.0, 0.01, -0.01)


def logs(mean, spread=NEAR):
    return [mean + s for s in spread]


def only(outcome):
    (verdict,) = outcome.verdicts
    return verdict


# --- the number and its interval ---


def test_percent_is_of_the_baseline_and_shown_values_have_that_ratio(fleet):
    found = only(fleet.part("original", logs(0.0)).part("candidate-A", logs(-0.1335314)).answer())
    assert found.percent_change == pytest.approx(-12.5, abs=1e-4)
    assert 100 * (found.candidate_value / found.baseline_value - 1) == pytest.approx(found.percent_change, abs=1e-9)


def test_interval_is_welch_on_logarithms(fleet):
    """Against scipy.stats.ttest_ind on the logarithms of the repeats."""
    b, c = [0.0, 0.03, -0.02], [0.10, 0.16, 0.11, 0.05]
    found = only(fleet.part("original", b).part("candidate-A", c).answer())
    interval = stats.ttest_ind(c, b, equal_var=False).confidence_interval(0.95)
    assert found.interval_low == pytest.approx(100 * math.expm1(interval.low), rel=1e-9)
    assert found.interval_high == pytest.approx(100 * math.expm1(interval.high), rel=1e-9)
    assert (found.n_baseline, found.n_candidate) == (3, 4)


def test_takes_are_averaged_inside_their_repeat_and_never_counted(fleet):
    """Ten takes of each fitting change neither the count nor, when equal, the interval."""
    plain = only(type(fleet)().part("original", NEAR).part("candidate-A", logs(0.1)).answer())
    for part, mean in (("original", 0.0), ("candidate-A", 0.1)):
        for repeat, log in enumerate(logs(mean)):
            for take in range(10):
                fleet.take(part, 5 * math.exp(log), str(repeat), take=str(take))
    found = only(fleet.answer())
    assert (found.n_baseline, found.n_candidate) == (3, 3)
    assert found.interval_high == pytest.approx(plain.interval_high, abs=1e-9)
    assert found.extra["n_captures_baseline"] == 30


def test_placements_weigh_alike_however_many_takes_they_hold(fleet):
    """Placement 1 with three takes at 4 mg, placement 2 with one at 9 mg: the repeat reads 6 mg."""
    for value, placement in ((4.0, "1"), (4.0, "1"), (4.0, "1"), (9.0, "2")):
        fleet.take("original", value, "1", placement=placement)
    fleet.take("candidate-A", 6.0, "1")
    assert only(fleet.answer()).baseline_value == pytest.approx(6.0, abs=1e-12)


def test_a_fitting_cannot_span_two_specimens_or_vehicles(fleet):
    """Repeat 1 of specimen a and repeat 1 of specimen b are two fittings."""
    for specimen in "ab":
        fleet.take("original", 5.0, "1", specimen=specimen).take("candidate-A", 5.5, "1", specimen=specimen)
    assert only(fleet.answer()).n_baseline == 2


def test_a_repeat_in_two_sessions_counts_once_and_is_remarked(fleet):
    for session in ("mon", "tue"):
        fleet.take("original", 5.0, "1", session=session).take("candidate-A", 5.5, "1", session=session)
    outcome = fleet.answer()
    assert only(outcome).n_baseline == 1
    assert any("stands in several sessions" in note for note in outcome.notes)


def test_order_of_captures_and_readings_does_not_matter(fleet):
    usual = only(fleet.part("original", logs(0.0, (0.0, 0.02, -0.01))).part("candidate-A", logs(0.1)).answer())
    rng = np.random.default_rng(0)
    for _ in range(20):
        rng.shuffle(fleet.captures)
        rng.shuffle(fleet.readings)
        found = only(fleet.answer())
        assert (found.percent_change, found.interval_low) == pytest.approx((usual.percent_change, usual.interval_low))


def test_unfit_captures_take_no_part(fleet):
    fleet.part("original", NEAR).part("candidate-A", logs(0.1)).take("candidate-A", 50.0, "4", state="unfit")
    assert only(fleet.answer()).n_candidate == 3


def test_fieller_is_beside_the_interval_as_a_cross_check(fleet):
    found = only(fleet.part("original", NEAR).part("candidate-A", logs(0.1)).answer())
    assert found.extra["fieller_low"] == pytest.approx(found.interval_low, abs=0.3)
    assert found.extra["fieller_high"] == pytest.approx(found.interval_high, abs=0.3)


def test_every_entry_can_be_written_as_json_without_nan(fleet):
    fleet.part("original", NEAR).part("candidate-A", logs(0.1)).take("candidate-B", 5.0)
    text = json.dumps(fleet.answer(limit_mg=9, negligible_mg=0.5, equivalence_percent=10).as_json(), allow_nan=False)
    fixed = {
        "platform", "position", "condition", "baseline", "candidate", "reading", "combination", "unit", "detector",
        "n_baseline", "n_candidate", "baseline_value", "candidate_value", "frequency_hz_baseline",
        "frequency_hz_candidate", "percent_change", "interval_low", "interval_high", "confidence", "verdict",
        "scope", "reasons", "repeats_needed", "carries_verdict",
    }  # fmt: skip
    assert all(fixed <= set(entry) for entry in json.loads(text)["comparisons"])


# --- nothing to say ---


def test_readings_under_three_times_the_background_have_no_percent(fleet, codes):
    fleet.part("original", NEAR).part("candidate-A", logs(0.4))
    fleet.take("original", 1.8, condition="engine-off", speed_hz=None)
    found = only(fleet.answer())
    assert found.verdict == "no_verdict"
    assert "at_floor" in codes(found)
    assert found.percent_change is None
    assert found.interval_low is None


def test_a_background_of_less_than_a_third_leaves_the_verdict(fleet):
    fleet.part("original", NEAR).part("candidate-A", logs(0.4))
    fleet.take("original", 1.6, condition="Engine off", speed_hz=None)
    outcome = fleet.answer()
    assert only(outcome).verdict == "over_limit"
    assert all(c.condition == "idle-drive" for c in outcome.comparisons)


def test_a_background_counts_only_where_it_was_taken(fleet):
    fleet.part("original", NEAR).part("candidate-A", logs(0.4))
    fleet.take("original", 4.0, condition="engine-off", position="steering-wheel")
    assert only(fleet.answer()).verdict == "over_limit"


def test_lines_sunk_in_the_floor_are_not_left_out_of_the_mean(fleet, codes):
    """Two fittings of three have no line: the third alone would read high."""
    sunk = {"code": "no_line", "detail": "line power over floor power is 3 dB"}
    fleet.part("original", NEAR).take("candidate-A", 5.0, "1")
    fleet.take("candidate-A", None, "2", absent=sunk).take("candidate-A", None, "3", absent=sunk)
    found = only(fleet.answer())
    assert found.verdict == "no_verdict"
    assert codes(found) & {"no_line", "at_floor"}
    assert found.percent_change is None


def test_only_unfit_captures_give_no_verdict(fleet, codes):
    fleet.part("original", NEAR).part("candidate-A", NEAR, state="unfit")
    found = only(fleet.answer())
    assert (found.verdict, found.percent_change) == ("no_verdict", None)
    assert "no_capture" in codes(found)
    assert "3 unfit or refused" in found.extra["sentence"]


def test_an_absent_reading_hands_its_code_on(fleet, codes):
    why = {"code": "no_speed", "detail": "neither cylinders nor rpm nor a track"}
    for part in ("original", "candidate-A"):
        fleet.take(part, None, absent=why)
    found = only(fleet.answer())
    assert found.verdict == "no_verdict"
    assert {"no_capture", "no_speed"} <= codes(found)


def test_a_missing_baseline_here_is_no_verdict_here(fleet, codes):
    fleet.part("original", NEAR).part("candidate-A", logs(0.1)).part("candidate-A", NEAR, platform="Wren 2.0")
    here = [c for c in fleet.answer().verdicts if c.platform == "Wren 2.0"]
    assert [c.verdict for c in here] == ["no_verdict"]


def test_a_baseline_nobody_measured_is_refused_with_the_nearest_name(fleet):
    fleet.part("original", NEAR)
    with pytest.raises(StudyError, match="did you mean 'original'"):
        fleet.answer(baseline="orignal")


# --- which comparisons are made ---


def test_the_study_rests_on_its_own_reading_and_combination(fleet):
    fleet.part("original", NEAR).part("candidate-A", logs(0.1)).part("candidate-B", logs(0.2))
    outcome = fleet.answer()
    assert [(c.candidate, c.reading, c.combination) for c in outcome.verdicts] == [
        ("candidate-A", "firing_order", "rss"), ("candidate-B", "firing_order", "rss"),
    ]  # fmt: skip
    beside = {(c.reading, c.combination) for c in outcome.comparisons if not c.carries_verdict}
    assert beside >= {("firing_order", "mean"), ("highest_bin", "rss"), ("highest_bin", "mean")}


def test_a_study_of_the_mean_rests_on_the_mean(fleet):
    fleet.part("original", NEAR).part("candidate-A", logs(0.1))
    assert only(fleet.answer(combination="mean")).combination == "mean"


def test_candidates_are_compared_with_each_other_without_a_verdict(fleet, codes):
    fleet.part("original", NEAR).part("candidate-A", logs(0.1)).part("candidate-B", logs(0.2))
    (found,) = [c for c in fleet.answer().comparisons if c.baseline == "candidate-A"]
    assert found.candidate == "candidate-B"
    assert found.percent_change == pytest.approx(100 * math.expm1(0.1), abs=1e-9)
    assert (found.verdict, found.carries_verdict) == ("no_verdict", False)
    assert "exploratory" in codes(found)


def test_what_the_study_does_not_ask_is_exploratory_and_has_no_verdict(fleet, codes):
    fleet.part("original", NEAR).part("candidate-A", logs(0.4))
    study = Study(title="t", captures="c.csv", baseline="original", limit_percent=15)
    (found,) = explore(study, fleet.readings, fleet.captures, reading="highest_bin", combination="mean")
    assert (found.verdict, found.carries_verdict) == ("no_verdict", False)
    assert "exploratory" in codes(found)
    assert found.percent_change == pytest.approx(100 * math.expm1(0.4))
    assert found.interval_low is not None


def test_positions_conditions_and_platforms_are_kept_apart(fleet):
    for position in ("seat-rail", "steering-wheel"):
        for condition in ("idle-drive", "idle-neutral"):
            where = {"position": position, "condition": condition}
            fleet.part("original", NEAR, **where).part("candidate-A", logs(0.1), **where)
    outcome = fleet.answer()
    assert len({(c.position, c.condition) for c in outcome.verdicts}) == len(outcome.verdicts) == 4


@pytest.mark.nightly
def test_true_change_on_the_limit_is_called_over_or_within_in_one_study_of_twenty(new_fleet):
    """1,500 studies of three fittings, truth exactly at the limit: wrong on either side 2.5 % each (scatter 0.6 %)."""
    rng = np.random.default_rng(3)
    wrong = 0
    for _ in range(1500):
        fleet = new_fleet().part("original", 0.03 * rng.standard_normal(3))
        fleet.part("candidate-A", math.log(1.15) + 0.03 * rng.standard_normal(3))
        wrong += only(fleet.answer()).verdict != "open"
    assert wrong / 1500 == pytest.approx(0.05, abs=0.02)
