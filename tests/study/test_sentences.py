"""The verdict in plain words: number, base, interval, limit, verdict, scope, in this order."""

import math
import re

import pytest

from thrumline.pipeline.study.sentences import digits_of_sentence, in_words, number_word, rounded

NEAR = (0.0, 0.03, -0.03)


def _fleet_like(fleet):
    return type(fleet)()


def sentence(fleet, **keys):
    return fleet.answer(**keys).sentences[0]


def test_the_whole_sentence_reads_as_it_should(fleet):
    fleet.part("original", NEAR, session="1").part("candidate-A", [0.09 + s for s in NEAR], session="1")
    assert re.fullmatch(
        r"candidate-A on Cormorant 4\.8, idle in drive, seat rail: 9 % more than the original \(95 %: \d+ to \d+\), "
        r"limit 15 % - open; (three|four|five|six|seven|eight) more repeats would settle it\. These specimens, this vehicle\.",
        sentence(fleet),
    )


def test_a_decrease_is_less_and_has_no_minus(fleet):
    text = sentence(fleet.part("original", NEAR).part("candidate-A", [math.log(0.8) + s for s in NEAR]))
    assert "20 % less than the original (95 %: -" in text
    assert "- within limit" in text


def test_no_change_is_a_figure_and_claims_no_sameness(fleet):
    """Only a study that states a band may call a part like the original."""
    text = sentence(fleet.part("original", NEAR).part("candidate-A", NEAR))
    assert "0 % more than the original (" in text
    assert "as much" not in text


@pytest.mark.parametrize(
    ("change", "spread", "limit"),
    [(9.0, 2.6, 15.0), (11.4, 1.5, 15.0), (2.1, 0.9, 15.0), (-2.2, 0.9, 15.0), (12.0, 1.21, 15.0), (18.0, 1.23, 15.0)],
)
def test_no_printed_bound_stands_on_the_other_side_of_the_limit_or_of_zero(fleet, change, spread, limit):
    """Read back from the sentence: each bound is on the side of zero and of the limit that it has in the files."""
    for shift in range(30):
        answer = _fleet_like(fleet).part("original", NEAR).part(
            "candidate-A", [math.log1p((change + 0.05 * shift) / 100) + spread * s / 3 for s in NEAR]
        ).answer(limit_percent=limit)  # fmt: skip
        (verdict,) = answer.verdicts
        low, high = (float(x) for x in re.search(r"\(95 %: (\S+) to (\S+)\)", answer.sentences[0]).groups())
        for shown, exact in ((low, verdict.interval_low), (high, verdict.interval_high)):
            for mark in (0.0, limit):
                assert (shown > mark) == (exact > mark), (answer.sentences[0], exact)


@pytest.mark.parametrize(
    ("low", "high", "digits"),
    [(3.0, 14.8, 1), (3.0, 14.98, 2), (0.3, 9.0, 1), (-0.3, 9.0, 1), (3.0, 14.2, 0), (15.3, 22.0, 1), (3.0, 14.9999, 2)],
)
def test_digits_are_added_until_a_bound_is_on_its_side_and_no_further(low, high, digits):
    """At most two digits beyond the leading one of the half width: nearer than that is no side at all."""
    assert digits_of_sentence(((low + high) / 2, low, high), (0.0, 15.0), 0) == digits


def test_a_baseline_by_another_name_is_called_by_it(fleet):
    fleet.part("series", NEAR).part("candidate-A", [0.3 + s for s in NEAR])
    assert "more than series (" in sentence(fleet, baseline="series")


def test_indicative_says_why_and_shows_no_interval(fleet):
    text = sentence(fleet.take("original", 5.0).take("candidate-A", 6.0))
    assert "20 % more than the original, limit 15 % - indicative, one repeat only (original and candidate-A)." in text
    assert "95 %" not in text


def test_takes_of_one_part_and_sessions_apart_are_both_said(fleet):
    fleet.part("original", NEAR, session="mon")
    fleet.take("candidate-A", 6.0, session="tue", take="1").take("candidate-A", 6.1, session="tue", take="2")
    assert "indicative, takes of one fitting only (candidate-A); no session holds both parts." in sentence(fleet)


def test_no_verdict_shows_no_percent(fleet):
    text = sentence(fleet.part("original", NEAR).part("candidate-A", NEAR, state="unfit"))
    assert "no verdict - candidate-A: 3 unfit or refused" in text
    assert "%" not in text


def test_codes_never_stand_on_pages(fleet):
    fleet.part("original", NEAR).part("candidate-A", [0.4 + s for s in NEAR]).take("candidate-B", 5.0)
    for comparison in fleet.answer().comparisons:
        assert "_" not in comparison.extra["sentence"]


def test_both_limits_are_named(fleet):
    text = sentence(fleet.part("original", NEAR).part("candidate-A", [0.4 + s for s in NEAR]), limit_mg=9)
    assert "limit 15 % and 9 mg - over limit" in text


@pytest.mark.parametrize(
    ("value", "spread", "text"),
    [(12.345, 6.0, "12"), (12.345, 1.0, "12.3"), (12.345, 0.1, "12.35"), (-0.4, 5.0, "0"), (12.5, None, "12")],
)
def test_figures_are_rounded_to_their_doubt(value, spread, text):
    assert rounded(value, spread) == text


def test_labels_become_words():
    assert in_words("idle-drive") == "idle in drive"
    assert in_words("within_limit") == "within limit"
    assert in_words("steering-wheel") == "steering wheel"


def test_numbers_become_words_up_to_twelve():
    assert [number_word(n) for n in (1, 12, 13)] == ["one", "twelve", "13"]


def over(fleet, changes, **keys):
    for number, change in enumerate(changes):
        fleet.part("original", NEAR, platform=f"P{number}")
        fleet.part("candidate-A", [change + s for s in NEAR], platform=f"P{number}")
    return fleet.answer(**keys).over_platforms[0].extra["sentence"]


def test_five_platforms_are_told_with_where_a_new_one_would_land(fleet):
    assert re.fullmatch(
        r"candidate-A over 5 platforms, idle in drive, seat rail: typically 12 % more than the original "
        r"\(95 %: \d+ to \d+\); a new platform would land between -?\d+ and \d+ %\.",
        over(fleet, [0.05, 0.15, 0.10, 0.08, 0.18]),
    )


def test_three_platforms_are_told_without_a_prediction(fleet):
    assert over(fleet, [0.05, 0.15, 0.10]).endswith("a prediction for a new platform needs five.")


def test_two_platforms_are_told_to_be_listed(fleet):
    assert over(fleet, [0.05, 0.15]).endswith("listed only, a mean needs three.")
