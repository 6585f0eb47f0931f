"""Verdicts: each rule by the case that would break it."""

import math

import numpy as np
import pytest
from scipy import stats

from thrumline.pipeline.study.pairing import _speeds

NEAR = (0.0, 0.01, -0.01)


def logs(mean, spread=NEAR):
    return [mean + s for s in spread]


def only(outcome):
    (verdict,) = outcome.verdicts
    return verdict


@pytest.mark.parametrize(
    ("change", "verdict"), [(0.0, "within_limit"), (0.30, "over_limit"), (0.13, "open"), (-0.5, "within_limit")]
)
def test_verdict_follows_the_whole_interval(fleet, change, verdict):
    found = only(fleet.part("original", NEAR).part("candidate-A", logs(change)).answer())
    assert found.verdict == verdict


def test_open_says_how_many_repeats_would_settle_it(fleet):
    """Simulated: with that number 80 % of studies at the present estimate settle, with one fewer not."""
    spread = (0.0, 0.03, -0.03)
    found = only(fleet.part("original", spread).part("candidate-A", logs(0.08, spread)).answer())
    assert found.verdict == "open"
    rng = np.random.default_rng(1)
    limit, n = math.log(1.15), found.repeats_needed
    shares = []
    for size in (n - 1, n):
        b, c = 0.03 * rng.standard_normal((4000, size)), 0.08 + 0.03 * rng.standard_normal((4000, size))
        high = stats.ttest_ind(c, b, axis=1, equal_var=False).confidence_interval(0.95).high
        shares.append(np.mean(high <= limit))
    assert shares[0] < 0.83
    assert shares[1] > 0.77


def test_above_twelve_repeats_an_open_question_cannot_be_settled(fleet):
    spread = (0.0, 0.05, -0.05)
    found = only(fleet.part("original", spread).part("candidate-A", logs(0.13, spread)).answer())
    assert found.verdict == "open"
    assert found.repeats_needed is None
    assert "cannot be settled by repeats" in found.extra["sentence"]


def test_settled_verdicts_need_no_repeats(fleet):
    found = only(fleet.part("original", NEAR).part("candidate-A", logs(0.4)).answer())
    assert found.repeats_needed is None


def test_more_repeats_are_needed_than_there_are(fleet):
    """An unlucky open case whose power says two suffice still needs one more than was measured."""
    found = only(fleet.part("original", (0.0, 0.0001)).part("candidate-A", (0.10, 0.16)).answer())
    assert found.verdict == "open"
    assert found.repeats_needed is None or found.repeats_needed > 2


def test_takes_only_has_a_percent_no_interval_and_is_indicative(fleet, codes):
    for take in range(20):
        fleet.take("original", 5.0 + 0.01 * take, take=str(take))
        fleet.take("candidate-A", 6.0 + 0.01 * take, take=str(take))
    found = only(fleet.answer())
    assert found.verdict == "indicative"
    assert codes(found) & {"takes_only", "single_repeat"} == {"takes_only"}
    assert found.percent_change == pytest.approx(20, abs=0.5)
    assert found.interval_low is None
    assert found.interval_high is None


def test_single_repeats_are_indicative(fleet, codes):
    found = only(fleet.take("original", 5.0).take("candidate-A", 6.0).answer())
    assert found.verdict == "indicative"
    assert "single_repeat" in codes(found)
    assert found.interval_low is None


def test_one_good_side_does_not_make_an_interval(fleet, codes):
    found = only(fleet.part("original", NEAR).take("candidate-A", 6.0).answer())
    assert (found.verdict, found.interval_low) == ("indicative", None)
    assert "single_repeat" in codes(found)


def test_part_and_session_mixed_up_is_indicative_with_its_interval(fleet, codes):
    fleet.part("original", NEAR, session="mon").part("candidate-A", logs(0.4), session="tue")
    found = only(fleet.answer())
    assert found.verdict == "indicative"
    assert "one_session" in codes(found)
    assert found.interval_low is not None


def test_one_shared_session_is_enough(fleet, codes):
    fleet.part("original", NEAR, session="mon").part("candidate-A", logs(0.4), session="mon")
    found = only(fleet.answer())
    assert found.verdict == "over_limit"
    assert "sessions not recorded" not in found.scope


def test_one_session_name_on_two_vehicles_is_two_sessions(fleet, codes):
    fleet.part("original", NEAR, session="1", vehicle="a").part("candidate-A", logs(0.4), session="1", vehicle="b")
    assert "one_session" in codes(only(fleet.answer()))


def test_parts_on_different_vehicles_are_mixed_up_with_them(fleet, codes):
    """No session is filled in, but none could hold both parts."""
    fleet.part("original", NEAR, vehicle="a").part("candidate-A", logs(0.4), vehicle="b")
    found = only(fleet.answer())
    assert found.verdict == "indicative"
    assert "one_session" in codes(found)


def test_vehicles_that_carried_both_parts_leave_the_verdict(fleet):
    for vehicle in "ab":
        fleet.part("original", NEAR, vehicle=vehicle).part("candidate-A", logs(0.4), vehicle=vehicle)
    found = only(fleet.answer())
    assert found.verdict == "over_limit"
    assert (found.n_baseline, found.n_candidate) == (6, 6)
    assert "these two vehicles" in found.scope


@pytest.mark.parametrize("spread", [(0.0, 0.01, -0.01), (0.0, 0.06, -0.06)])
def test_more_vibration_never_softens_a_verdict(new_fleet, spread):
    """Scaling the candidate up leads from within over open to over, never back."""
    order = {"within_limit": 0, "open": 1, "over_limit": 2}
    found = []
    for change in np.linspace(-0.4, 0.8, 49):
        fleet = new_fleet().part("original", spread).part("candidate-A", [change + s for s in spread])
        found.append(order[only(fleet.answer()).verdict])
    assert found == sorted(found)
    assert set(found) == {0, 1, 2}


def test_empty_sessions_leave_the_verdict_and_say_so(fleet):
    found = only(fleet.part("original", NEAR, session="mon").part("candidate-A", logs(0.4)).answer())
    assert found.verdict == "over_limit"
    assert "sessions not recorded" in found.scope


@pytest.mark.parametrize(
    ("hz", "expected"),
    [(10.05, None), (10.2, "speed_differs"), (9.8, "speed_differs"), (10.4, "not_comparable"), (9.6, "not_comparable")],
)
def test_speed_differences_are_flagged_or_stop_the_comparison(fleet, codes, hz, expected):
    found = only(fleet.part("original", NEAR).part("candidate-A", logs(0.4), speed_hz=hz).answer())
    assert codes(found) & {"speed_differs", "not_comparable"} == ({expected} if expected else set())
    assert found.verdict == ("no_verdict" if expected == "not_comparable" else "over_limit")


def test_without_an_order_speed_is_not_judged(fleet, codes):
    fleet.part("original", NEAR, speed_hz=None).part("candidate-A", logs(0.4), speed_hz=None)
    assert not codes(only(fleet.answer())) & {"speed_differs", "not_comparable"}


@pytest.mark.parametrize(("kelvin", "flagged"), [(4.9, False), (5.1, True), (-5.1, True)])
def test_mount_temperature_is_flagged_beyond_five_kelvin(fleet, codes, kelvin, flagged):
    fleet.part("original", NEAR, mount_temp_c=60.0).part("candidate-A", logs(0.4), mount_temp_c=60.0 + kelvin)
    assert ("temperature_differs" in codes(only(fleet.answer()))) == flagged


@pytest.mark.parametrize(("degrees", "flagged"), [(1.9, False), (2.1, True)])
def test_tilt_is_flagged_beyond_two_degrees(fleet, codes, degrees, flagged):
    angle = math.radians(degrees)
    fleet.part("original", NEAR, static=[0.0, 0.0, 9.8])
    fleet.part("candidate-A", logs(0.4), static=[9.8 * math.sin(angle), 0.0, 9.8 * math.cos(angle)])
    assert ("tilt" in codes(only(fleet.answer()))) == flagged


def test_sensors_without_gravity_have_no_tilt(fleet, codes):
    fleet.part("original", NEAR, static=[0.0, 0.0, 0.1], coupling="ac")
    fleet.part("candidate-A", logs(0.4), static=[0.1, 0.0, 0.0], coupling="ac")
    assert "tilt" not in codes(only(fleet.answer()))


def test_three_specimens_of_each_part_speak_of_the_parts(fleet, codes):
    for part, mean in (("original", 0.0), ("candidate-A", 0.4)):
        for specimen, log in zip("abc", logs(mean), strict=True):
            fleet.take(part, 5 * math.exp(log), "1", specimen=specimen)
    found = only(fleet.answer())
    assert "these specimens" not in found.scope
    assert "one_specimen" not in codes(found)


def test_empty_specimens_count_as_one_each(fleet, codes):
    found = only(fleet.part("original", NEAR).part("candidate-A", logs(0.4)).answer())
    assert found.scope.startswith("these specimens, this vehicle")
    assert "one_specimen" in codes(found)


def test_rss_and_mean_in_contradiction_leave_it_open(fleet, codes):
    for repeat, log in enumerate(NEAR):
        fleet.take("original", 5 * math.exp(log), str(repeat), mean=2.5 * math.exp(log))
        fleet.take("candidate-A", 5 * math.exp(log + 0.02), str(repeat), mean=2.5 * math.exp(log + 0.3))
    found = only(fleet.answer())
    assert found.verdict == "open"
    assert "orientation" in codes(found)


def test_rss_within_and_mean_open_is_only_stated(fleet, codes):
    for repeat, log in enumerate(NEAR):
        fleet.take("original", 5 * math.exp(log), str(repeat), mean=2.5 * math.exp(log))
        fleet.take("candidate-A", 5 * math.exp(log + 0.02), str(repeat), mean=2.5 * math.exp(log + 0.14))
    found = only(fleet.answer())
    assert found.verdict == "within_limit"
    assert "orientation" not in codes(found)


def test_a_contradiction_does_not_undo_what_the_own_value_decided(fleet):
    """Over 4 mg is over whatever the axes say of the percent."""
    for repeat, log in enumerate(NEAR):
        fleet.take("original", 5 * math.exp(log), str(repeat), mean=2.5 * math.exp(log))
        fleet.take("candidate-A", 5 * math.exp(log + 0.02), str(repeat), mean=2.5 * math.exp(log + 0.3))
    assert only(fleet.answer(limit_mg=4.0)).verdict == "over_limit"


def test_milli_g_limits_are_about_the_studys_own_combination(fleet):
    """The mean over axes is smaller by construction; a limit for rss says nothing of it."""
    fleet.part("original", NEAR).part("candidate-A", logs(0.02))
    beside = {c.combination: c for c in fleet.answer(limit_mg=4.0).comparisons if c.reading == "firing_order"}
    assert "verdict_mg" in beside["rss"].extra
    assert "verdict_mg" not in beside["mean"].extra


def test_both_parts_wholly_negligible_are_within_whatever_the_percent(fleet):
    """+50 % of 0.2 mg cannot be felt."""
    fleet.part("original", NEAR, base=0.2).part("candidate-A", logs(0.4), base=0.2)
    assert only(fleet.answer()).verdict == "over_limit"
    assert only(fleet.answer(negligible_mg=0.4)).verdict == "within_limit"


def test_one_part_above_negligible_is_judged_by_percent(fleet):
    fleet.part("original", NEAR, base=0.3).part("candidate-A", logs(0.4), base=0.3)
    assert only(fleet.answer(negligible_mg=0.4)).verdict == "over_limit"


@pytest.mark.parametrize(("limit_mg", "verdict"), [(9.0, "within_limit"), (4.0, "over_limit"), (5.2, "open")])
def test_the_stricter_of_both_limits_holds(fleet, limit_mg, verdict):
    """The percent verdict is within; the candidate's own value decides."""
    fleet.part("original", NEAR).part("candidate-A", logs(0.02))
    assert only(fleet.answer(limit_mg=limit_mg)).verdict == verdict


def test_a_generous_milli_g_limit_does_not_soften_the_percent(fleet):
    fleet.part("original", NEAR).part("candidate-A", logs(0.4))
    assert only(fleet.answer(limit_mg=100.0)).verdict == "over_limit"


def test_equivalence_is_claimed_only_where_a_band_is_stated(fleet):
    fleet.part("original", NEAR).part("candidate-A", logs(0.01))
    assert "equivalent" not in only(fleet.answer()).extra
    stated = only(fleet.answer(equivalence_percent=10)).extra
    assert stated["equivalent"] is True
    assert stated["equivalence_band"] == pytest.approx([-10.0, 100 / 9])
    assert only(fleet.answer(equivalence_percent=1)).extra["equivalent"] is False


def test_looks_are_paid_for_and_stated(fleet):
    """Five looks at 95 %: each interval has 99 %."""
    fleet.part("original", NEAR).part("candidate-A", logs(0.1))
    once, five = only(fleet.answer()), only(fleet.answer(looks=5))
    interval = stats.ttest_ind(logs(0.1), NEAR, equal_var=False).confidence_interval(0.99)
    assert five.interval_high == pytest.approx(100 * math.expm1(interval.high), rel=1e-9)
    assert five.interval_high > once.interval_high
    assert five.confidence == 0.95
    assert "five looks" in five.scope


def test_an_order_that_is_largest_at_another_speed_is_no_other_speed():
    """A run-up's mean speed counts, from 1,200 rpm on average, though its largest order 2 stood at 2,500 rpm."""
    capture = {"capture_id": "c", "position": "seat rail"}
    readings = [
        {**capture, "reading": "order_peak", "order": 2.0, "frequency_hz": 2.0 * 2500.0 / 60.0},
        {**capture, "reading": "firing_order", "order": 2.0, "frequency_hz": 40.0},
    ]
    assert list(_speeds(readings).values()) == [20.0]
