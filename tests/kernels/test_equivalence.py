"""Equivalence: claimed exactly when the whole interval lies inside the band."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from thrumline.pipeline.kernels import effects, equivalence


@given(st.floats(-0.3, 0.3), st.floats(1e-4, 0.2), st.floats(2.0, 30.0))
def test_equivalent_exactly_when_the_90_percent_interval_is_inside(estimate, std_error, dof):
    """Two one-sided tests at 5 % and the 90 % interval must always say the same."""
    effect = effects.t_interval(estimate, std_error, dof, 0.95)
    found = equivalence.two_one_sided_tests(effect, (-0.1, 0.1))
    inside = found.low > -0.1 and found.high < 0.1
    rejected = max(found.p_lower, found.p_upper) < 0.05
    assert found.equivalent == inside
    assert inside == rejected or min(abs(found.p_lower - 0.05), abs(found.p_upper - 0.05)) < 1e-9


def test_not_significantly_different_is_not_equivalent():
    """Two wildly scattered repeats a side: no difference shown, and no sameness either."""
    baseline, candidate = [3.0, 6.0], [3.5, 6.5]
    effect = effects.log_ratio(baseline, candidate)
    assert effect.low < 0.0 < effect.high
    assert not equivalence.ratio_equivalence(baseline, candidate, 10.0).equivalent


def test_significantly_different_may_still_be_equivalent():
    """A sure 2 % is a difference, and inside a band of 10 %."""
    baseline = np.exp([0.0, 0.001, -0.001, 0.0005])
    candidate = 1.02 * baseline
    assert effects.log_ratio(baseline, candidate).low > 0.0
    assert equivalence.ratio_equivalence(baseline, candidate, 10.0).equivalent


def test_band_is_symmetric_in_the_logarithm():
    """10 percent is 0.90 ... 1/0.90 = 1.1111 as ratios."""
    low, high = equivalence.log_band(10.0)
    assert low == -high
    assert np.exp(low) == pytest.approx(0.9, abs=1e-14)
    assert np.exp(high) == pytest.approx(1.0 / 0.9, abs=1e-14)


@given(st.floats(0.8, 1.25))
def test_exchanging_the_parts_does_not_change_the_answer(ratio):
    a = np.array([4.0, 4.1, 3.95])
    b = a * ratio
    assert (
        equivalence.ratio_equivalence(a, b, 12.0).equivalent == equivalence.ratio_equivalence(b, a, 12.0).equivalent
    )


def test_identical_repeats_are_equivalent_inside_and_not_on_the_bound():
    point = effects.Effect(0.1, 0.0, 4.0, 0.1, 0.1)
    assert equivalence.two_one_sided_tests(point, (-0.2, 0.2)).equivalent
    assert not equivalence.two_one_sided_tests(point, (-0.2, 0.1)).equivalent


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: equivalence.log_band(0.0), "between 0 and 100"),
        (lambda: equivalence.log_band(100.0), "between 0 and 100"),
        (lambda: equivalence.two_one_sided_tests(effects.Effect(0, 1, 4, 0, 0), (0.1, -0.1)), "below the upper"),
        (
            lambda: equivalence.paired_equivalence(
                effects.Summary(1, 1, 5), effects.Summary(1, 1, 6), 0.5, (-1, 1)
            ),
            "equal sizes",
        ),
    ],
)
def test_impossible_bounds_are_refused(call, words):
    with pytest.raises(ValueError, match=words):
        call()
