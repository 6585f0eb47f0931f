"""How numbers are printed."""

from __future__ import annotations

import math

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from thrumline.pipeline.report.numbers import (
    count,
    decimals_for,
    fixed,
    listed,
    nice_step,
    percent_decimals,
    shortened,
    typeset,
)

percents = st.floats(-99, 400, allow_nan=False)
# a busy machine is no property of the code: same examples every time, however slowly
steady = settings(derandomize=True, deadline=None, max_examples=100, suppress_health_check=[HealthCheck.too_slow])


@pytest.mark.parametrize(
    ("value", "low", "high", "decimals"),
    [(12.34, 6.1, 18.7, 0), (12.34, 11.7, 13.1, 1), (12.34, 12.26, 12.41, 2), (12.3, None, None, 0)],
)
def test_percents_are_rounded_to_their_interval(value, low, high, decimals):
    assert percent_decimals(value, low, high) == decimals


def test_a_bound_just_over_the_limit_is_not_printed_as_the_limit():
    """15.3 would round to 15, which reads as within."""
    assert percent_decimals(9.0, 3.0, 15.3, [0.0, 15.0]) == 1


@steady
@given(percents, st.floats(0.01, 60), st.floats(0.01, 60), st.floats(0, 50))
def test_printed_bounds_stand_on_their_own_side_of_zero_and_limit(value, below, above, limit):
    low, high = value - below, value + above
    decimals = percent_decimals(value, low, high, [0.0, limit])
    leading = 10.0 ** math.floor(math.log10((high - low) / 2))
    for exact in (low, high):
        for rule in (0.0, limit):
            if abs(exact - rule) >= leading / 100 and abs(exact - rule) >= 1e-4:
                assert (round(exact, decimals) > rule) == (exact > rule)
    assert 10.0**-decimals >= 0.99e-2 * leading or decimals == 0


@steady
@given(st.floats(1e-6, 1e6), st.floats(1e-6, 1e6))
def test_at_most_one_digit_beyond_the_uncertainty_is_printed(value, uncertainty):
    """LOOK allows two; a reading is printed with one, so that ratios of shown values come out."""
    decimals = decimals_for(uncertainty, value, beyond=1)
    assert decimals == 0 or 10.0**-decimals >= uncertainty / 100 * (1 - 1e-9)


@pytest.mark.parametrize(("value", "text"), [(-0.04, "0.0"), (-1.26, "\u22121.3"), (2.0, "2.0")])
def test_minus_is_a_real_minus_and_zero_has_no_sign(value, text):
    assert fixed(value, 1) == text


def test_signs_are_shown_where_asked():
    assert (fixed(3.2, 0, signed=True), fixed(0.2, 0, signed=True)) == ("+3", "0")


@steady
@given(st.floats(1e-3, 1e5))
def test_steps_of_a_scale_are_one_two_or_five(span):
    step = nice_step(span)
    digits = f"{step:e}".split("e")[0].rstrip("0").rstrip(".")
    assert digits in {"1", "2", "5"}
    assert 1 <= span / step <= 5.01


def test_long_lists_say_how_many_they_leave_out():
    assert listed(["a", "b", "c", "d", "e", "f"], 3) == "a, b, c and 3 more"
    assert listed(["a", "b"]) == "a and b"
    assert listed([]) == ""
    assert count(1, "capture") == "1 capture"


def test_a_sentence_keeps_numbers_and_units_together():
    told = typeset("part-2 on Dunlin 2.0: 3 % less than original (95 %: -12 to -1), limit 15 % - within limit")
    assert told == (
        "part-2 on Dunlin 2.0: 3\u202f% less than original (95\u202f%: \u221212 to \u22121), limit 15\u202f% - within limit"
    )


def test_shortened_names_keep_their_length():
    assert shortened("x" * 60, 20) == "x" * 19 + "…"
    assert shortened("short", 20) == "short"
