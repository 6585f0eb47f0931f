"""Levels in decibels are compared as differences: interval, verdict, repeats needed and sentences, never a percent."""

import math

import numpy as np
import pytest
from scipy import stats

from thrumline.pipeline.contracts import StudyError
from thrumline.pipeline.study import Study, load_study
from thrumline.pipeline.study.comparing import explore

ORIGINAL, CANDIDATE = [64.4, 64.9, 64.6], [66.5, 67.1, 66.9]


def heard(fleet, part, levels, *, absent=None, **labels):
    """One capture a level: accelerations and, at the same position, an LAeq."""
    for number, level in enumerate(levels, start=1):
        fleet.take(part, 5.0 + 0.1 * number, repeat=str(number), **labels)
        base = fleet.readings[-1]
        fleet.readings.append(
            {
                **base, "reading": "laeq", "combination": "energy", "value": None if absent else level, "unit": "dB",
                "detector": "A, equivalent", "kind": "level", "order": None, "frequency_hz": None, "absent": absent,
            }
        )  # fmt: skip
    return fleet


@pytest.fixture
def loud(fleet):
    heard(fleet, "original", ORIGINAL)
    return heard(fleet, "candidate-A", CANDIDATE)


def of(outcome, reading="laeq"):
    return next(c for c in outcome.comparisons if c.reading == reading)


@pytest.mark.external
def test_a_change_in_level_is_the_difference_of_mean_levels_with_welchs_interval(loud):
    """scipy.stats.ttest_ind (equal_var=False) on the levels themselves."""
    found = of(loud.answer(reading="laeq", limit_db=3.0))
    other = stats.ttest_ind(CANDIDATE, ORIGINAL, equal_var=False).confidence_interval(0.95)
    assert found.extra["change_db"] == pytest.approx(np.mean(CANDIDATE) - np.mean(ORIGINAL), abs=1e-9)
    assert (found.extra["change_db_low"], found.extra["change_db_high"]) == pytest.approx((other.low, other.high), abs=1e-9)
    assert (found.baseline_value, found.candidate_value) == pytest.approx((np.mean(ORIGINAL), np.mean(CANDIDATE)))
    assert found.extra["repeats_baseline"] == pytest.approx(ORIGINAL)


def test_a_level_has_no_percent(loud):
    """Neither the change nor its interval, nor the cross-check on ratios of means."""
    found = of(loud.answer(reading="laeq", limit_db=3.0))
    assert (found.percent_change, found.interval_low, found.interval_high) == (None, None, None)
    assert not {"fieller_low", "equivalent"} & set(found.extra)


@pytest.mark.parametrize(("limit", "verdict"), [(3.5, "within_limit"), (1.0, "over_limit"), (2.2, "open")])
def test_the_verdict_holds_the_interval_against_limit_db(loud, limit, verdict):
    """+2.2 dB (1.6 to 2.8): wholly below 3.5, wholly above 1, across 2.2."""
    found = of(loud.answer(reading="laeq", limit_db=limit))
    assert (found.verdict, found.carries_verdict) == (verdict, True)


def test_levels_stand_beside_the_reading_the_study_rests_on_and_carry_nothing(loud):
    """The study asks for the firing order; the levels are told, without a verdict where no limit_db is set."""
    outcome = loud.answer()
    assert [c.reading for c in outcome.verdicts] == ["firing_order"]
    found = of(outcome)
    assert (found.verdict, found.carries_verdict) == ("no_verdict", False)
    assert found.extra["change_db"] == pytest.approx(2.2)
    assert "limit_db" in found.reasons[0].detail
    assert of(loud.answer(limit_db=3.5)).verdict == "within_limit"


def test_accelerations_alone_are_compared_as_if_levels_did_not_exist(fleet):
    """No entry more, and none of the keys of a level."""
    for part in ("original", "candidate-A"):
        fleet.part(part, [0.0, 0.01, 0.02])
    outcome = fleet.answer()
    assert {c.reading for c in outcome.comparisons} == {"firing_order", "highest_bin"}
    assert not any("change_db" in c.extra for c in outcome.comparisons)


def test_the_sentence_says_louder_by_how_many_decibels(loud):
    sentence = of(loud.answer(reading="laeq", limit_db=3.5)).extra["sentence"]
    assert "2.2 dB louder than the original (95 %: 1.6 to 2.8), limit 3.5 dB - within limit" in sentence
    assert "% more" not in sentence


def test_a_background_is_ten_decibels_away_or_the_level_is_at_floor(fleet, codes):
    """Three times in amplitude is 9.54 dB: 64.6 dB over an engine-off level of 60 is at the floor, over 50 it is not."""
    for background, at_floor in ((60.0, True), (50.0, False)):
        some = type(fleet)()
        heard(some, "original", ORIGINAL)
        heard(some, "candidate-A", CANDIDATE)
        heard(some, "original", [background], condition="engine-off")
        found = of(some.answer(reading="laeq", limit_db=3.0))
        assert ("at_floor" in codes(found)) == at_floor
        if not at_floor:
            assert found.extra["background"] == pytest.approx(background)


def test_a_level_of_zero_or_less_is_a_level(fleet):
    """0 dB is 20 micropascal, not nothing."""
    heard(fleet, "original", [-1.0, 0.0, 1.0])
    heard(fleet, "candidate-A", [0.0, 1.0, 2.0])
    assert of(fleet.answer(reading="laeq", limit_db=3.0)).extra["change_db"] == pytest.approx(1.0)


def test_over_platforms_the_typical_change_and_a_new_platform_are_told_in_decibels(fleet):
    """Five platforms, each 2 dB louder but for +-0.4: the mean is their mean, the prediction reaches beyond it."""
    changes = [1.6, 1.8, 2.0, 2.2, 2.4]
    for number, change in enumerate(changes):
        platform = f"platform {number}"
        heard(fleet, "original", [60.0, 60.2, 59.8], platform=platform)
        heard(fleet, "candidate-A", [60.0 + change, 60.2 + change, 59.8 + change], platform=platform)
    over = next(o for o in fleet.answer(reading="laeq", limit_db=3.0).over_platforms if o.reading == "laeq")
    assert over.extra["change_db"] == pytest.approx(2.0, abs=1e-6)
    assert over.extra["prediction_db_low"] < over.extra["change_db_low"] < 2.0
    assert over.percent_change is None
    assert "typically 2.0 dB louder than the original" in over.extra["sentence"]
    assert over.extra["sentence"].endswith(" dB.")


def test_candidates_are_held_against_each_other_in_the_studys_own_level(loud):
    """Among candidates too the level's own combination is asked, and no verdict given."""
    heard(loud, "candidate-B", [65.0, 65.2, 65.1])
    pair = [c for c in loud.answer(reading="laeq", limit_db=3.0).comparisons if c.baseline == "candidate-A"]
    assert [(c.reading, c.combination, c.verdict) for c in pair] == [("laeq", "energy", "no_verdict")]


def test_exploring_a_level_carries_no_verdict(loud):
    study = Study(title="t", captures="c.csv", baseline="original", limit_percent=15.0)
    (found,) = explore(study, loud.readings, loud.captures, reading="laeq", combination="energy")
    assert (found.verdict, found.carries_verdict) == ("no_verdict", False)
    assert found.extra["change_db"] == pytest.approx(2.2)


def test_absent_levels_leave_no_verdict_and_their_reason(fleet, codes):
    heard(fleet, "original", ORIGINAL)
    heard(fleet, "candidate-A", CANDIDATE, absent={"code": "clipped", "detail": "held at the extreme"})
    found = of(fleet.answer(reading="laeq", limit_db=3.0))
    assert found.verdict == "no_verdict"
    assert {"no_capture", "clipped"} <= codes(found)
    assert found.extra["change_db"] is None


def test_the_repeats_needed_are_those_of_the_same_scatter_in_logarithms(fleet):
    """A level's comparison and that of the amplitudes it stands for ask for as many repeats."""
    twin = type(fleet)()
    heard(fleet, "original", [60.0, 61.5, 60.4])
    heard(fleet, "candidate-A", [61.0, 62.4, 61.5])
    for part, levels in (("original", [60.0, 61.5, 60.4]), ("candidate-A", [61.0, 62.4, 61.5])):
        twin.part(part, [math.log(10) / 20 * level for level in levels])
    level = of(fleet.answer(reading="laeq", limit_db=2.0))
    amplitude = of(twin.answer(limit_percent=100 * (10 ** (2 / 20) - 1)), "firing_order")
    assert level.repeats_needed == amplitude.repeats_needed
    assert level.verdict == amplitude.verdict == "open"


def written(tmp_path, **keys):
    lines = [f"{key} = {value!r}".replace("'", '"') for key, value in keys.items()]
    path = tmp_path / "study.toml"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def test_a_study_of_levels_needs_no_limit_in_percent(tmp_path):
    study = load_study(written(tmp_path, title="t", captures="c.csv", baseline="original", reading="laeq", limit_db=3.0))
    assert (study.limit_percent, study.limit_db) == (None, 3.0)


def test_a_study_without_any_limit_is_told_what_it_lacks(tmp_path):
    with pytest.raises(StudyError, match=r"lacks 'limit_percent'"):
        load_study(written(tmp_path, title="t", captures="c.csv", baseline="original"))
    with pytest.raises(StudyError, match=r"lacks 'title', 'limit_percent'"):
        load_study(written(tmp_path, captures="c.csv", baseline="original"))


def test_a_study_made_in_python_needs_a_limit_too():
    with pytest.raises(ValueError, match="limit_percent"):
        Study(title="t", captures="c.csv", baseline="original")
