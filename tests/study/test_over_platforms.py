"""Over platforms: listed to two, a mean from three, a prediction from five; whose scatter is borrowed."""

import math

import numpy as np
import pytest

NAMES = ("Wren 2.0", "Cormorant 4.8", "Heron 1.6", "Rook 3.0", "Siskin 2.5", "Dunlin 1.4", "Avocet 3.5")


def platforms(fleet, changes, spread=(0.0, 0.01, -0.01), candidate="candidate-A"):
    for name, change in zip(NAMES, changes, strict=False):
        if not any(c["platform"] == name and c["part"] == "original" for c in fleet.captures):
            fleet.part("original", spread, platform=name)
        fleet.part(candidate, [change + s for s in spread], platform=name)
    return fleet


def summary(outcome, **wanted):
    wanted = {"reading": "firing_order", "combination": "rss", "candidate": "candidate-A", **wanted}
    found = [o for o in outcome.over_platforms if all(getattr(o, k) == v for k, v in wanted.items())]
    return found[0] if found else None


def test_one_platform_has_no_summary(fleet):
    assert summary(platforms(fleet, [0.1]).answer()) is None


def test_two_platforms_are_only_listed(fleet):
    found = summary(platforms(fleet, [0.1, 0.2]).answer())
    assert found.n_platforms == 2
    assert [p["platform"] for p in found.extra["platforms"]] == list(NAMES[:2])
    assert (found.percent_change, found.interval_low, found.prediction_low, found.tau) == (None, None, None, None)


@pytest.mark.parametrize("k", [3, 4])
def test_three_and_four_platforms_get_a_mean_and_no_prediction(fleet, k):
    found = summary(platforms(fleet, [0.1, 0.2, 0.05, 0.12][:k]).answer())
    assert found.interval_low < found.percent_change < found.interval_high
    assert (found.prediction_low, found.prediction_high, found.tau, found.i2) == (None, None, None, None)


def test_five_platforms_get_heterogeneity_and_a_prediction(fleet):
    found = summary(platforms(fleet, [0.10, 0.20, 0.05, 0.12, 0.18]).answer())
    assert found.prediction_low < found.interval_low < found.interval_high < found.prediction_high
    assert found.tau > 0.0
    assert 0.0 < found.i2 <= 100.0


def test_equal_platforms_reduce_to_students_interval(fleet):
    """With one scatter everywhere the mean over platforms is the plain t interval of the log ratios (k - 1)."""
    from scipy import stats

    changes = [0.10, 0.20, 0.05, 0.12, 0.18]
    found = summary(platforms(fleet, changes).answer())
    low, high = stats.t.interval(0.95, 4, np.mean(changes), stats.sem(changes))
    assert found.percent_change == pytest.approx(100 * math.expm1(np.mean(changes)), rel=1e-6)
    assert found.interval_low == pytest.approx(100 * math.expm1(low), rel=1e-6)
    assert found.interval_high == pytest.approx(100 * math.expm1(high), rel=1e-6)


def test_prediction_is_students_too(fleet):
    """t with k - 2 = 3 degrees of freedom on sqrt(tau^2 + se^2); tau^2 = s^2 - v for equal platforms."""
    from scipy import stats

    changes, spread = [0.10, 0.20, 0.05, 0.12, 0.18], (0.0, 0.01, -0.01)
    found = summary(platforms(fleet, changes, spread).answer())
    v = 2 * np.var(spread, ddof=1) / 3
    tau2 = np.var(changes, ddof=1) - v
    half = stats.t.ppf(0.975, 3) * math.sqrt(tau2 + (tau2 + v) / 5)
    assert found.prediction_high == pytest.approx(100 * math.expm1(np.mean(changes) + half), rel=1e-4)
    assert found.tau == pytest.approx(math.sqrt(tau2), rel=1e-4)


def test_prior_degrees_of_freedom_are_printed(fleet):
    rng = np.random.default_rng(4)
    for name in NAMES:
        scatter = 0.03 * math.exp(rng.standard_normal())
        fleet.part("original", scatter * rng.standard_normal(3), platform=name)
        fleet.part("candidate-A", 0.1 + scatter * rng.standard_normal(3), platform=name)
    extra = summary(fleet.answer()).extra
    assert extra["prior_is_common"] or extra["prior_degrees_of_freedom"] > 0.0
    assert 0.003 < extra["prior_log_std"] < 0.3


def test_moderation_pulls_a_lucky_platform_towards_the_fleet_and_leaves_its_own_interval(fleet):
    """Two almost identical repeats on one platform must not dominate the mean over platforms."""
    platforms(fleet, [0.10, 0.12, 0.08, 0.11], (0.0, 0.03, -0.03))
    alone = [c for c in fleet.answer().verdicts if c.platform == NAMES[0]]
    lucky = (0.0, 1e-6, -1e-6)
    fleet.part("original", lucky, platform="Avocet 3.5").part("candidate-A", [0.3 + s for s in lucky], platform="Avocet 3.5")
    outcome = fleet.answer()
    found = summary(outcome)
    weights = {p["platform"]: 1 / p["variance_moderated"] for p in found.extra["platforms"]}
    # by its own variance alone it would weigh half a billion times as much
    assert weights["Avocet 3.5"] < 50 * weights[NAMES[0]]
    still = [c for c in outcome.verdicts if c.platform == NAMES[0]]
    assert still[0].interval_high == alone[0].interval_high
    own = next(c for c in outcome.verdicts if c.platform == "Avocet 3.5")
    assert own.interval_high - own.interval_low < 0.01


def test_platforms_without_an_interval_are_named_and_left_out(fleet):
    platforms(fleet, [0.1, 0.2, 0.05])
    fleet.take("original", 5.0, platform="Rook 3.0").take("candidate-A", 6.0, platform="Rook 3.0")
    found = summary(fleet.answer())
    assert found.n_platforms == 3
    assert found.extra["left_out"] == ["Rook 3.0"]


def test_platforms_that_are_not_comparable_are_left_out(fleet):
    platforms(fleet, [0.1, 0.2, 0.05])
    fleet.part("original", (0, 0.01), platform="Rook 3.0").part("candidate-A", (0.9, 0.91), platform="Rook 3.0", speed_hz=11)
    found = summary(fleet.answer())
    assert found.extra["left_out"] == ["Rook 3.0"]


def test_candidates_and_combinations_have_summaries_of_their_own(fleet):
    platforms(fleet, [0.1, 0.2, 0.05])
    platforms(fleet, [0.3, 0.4, 0.25], candidate="candidate-B")
    outcome = fleet.answer()
    assert summary(outcome, candidate="candidate-B").percent_change > 30
    assert {o.combination for o in outcome.over_platforms} == {"rss", "mean"}
    assert {o.reading for o in outcome.over_platforms} == {"firing_order", "highest_bin"}


def test_identical_repeats_everywhere_do_not_upset_the_mean(fleet):
    found = summary(platforms(fleet, [0.1, 0.2, 0.05], (0.0, 0.0)).answer())
    assert found.percent_change == pytest.approx(100 * math.expm1(0.35 / 3), rel=1e-3)


def test_looks_widen_the_mean_as_well(fleet):
    platforms(fleet, [0.1, 0.2, 0.05])
    assert summary(fleet.answer(looks=4)).interval_high > summary(fleet.answer()).interval_high


@pytest.mark.nightly
def test_the_mean_over_six_platforms_is_covered_through_the_whole_study(new_fleet):
    """300 simulated fleets, three fittings a part, scatter by platform; 95 +- 3.5 %."""
    rng = np.random.default_rng(8)
    hits = 0
    for _ in range(300):
        fleet = new_fleet()
        for name in NAMES[:6]:
            scatter = 0.03 * math.exp(0.4 * rng.standard_normal())
            fleet.part("original", scatter * rng.standard_normal(3), platform=name)
            fleet.part("candidate-A", 0.1 + 0.06 * rng.standard_normal() + scatter * rng.standard_normal(3), platform=name)
        found = summary(fleet.answer())
        hits += found.interval_low <= 100 * math.expm1(0.1) <= found.interval_high
    assert hits / 300 == pytest.approx(0.95, abs=0.035)
