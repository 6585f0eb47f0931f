"""Intervals of time obey the algebra of sets."""

import itertools

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from thrumline.pipeline.kernels.stretches import at_least, common, merged, total, without

whole = st.integers(-5, 25)
intervals = st.lists(st.tuples(whole, whole).map(lambda pair: (float(min(pair)), float(max(pair)))), max_size=6)
MID = np.arange(-5, 25) + 0.5


def covered(pairs):
    """Which unit cells the union covers: sets on a grid are the oracle."""
    return np.array([any(a < x < b for a, b in pairs) for x in MID])


@given(intervals)
def test_merged_covers_the_same_and_is_disjoint_in_order(pairs):
    union = merged(pairs)
    assert (covered(union) == covered(pairs)).all()
    assert all(first[1] < second[0] for first, second in itertools.pairwise(union))


@given(intervals)
def test_what_is_left_and_what_is_cut_make_up_the_span(cuts):
    span = (0.0, 20.0)
    left = without(span, cuts)
    assert (covered(left) == (covered([span]) & ~covered(cuts))).all()
    assert total(left) + total(common([span], cuts)) == pytest.approx(20.0)


@given(intervals, intervals)
def test_common_is_what_both_cover(one, other):
    assert (covered(common(one, other)) == (covered(one) & covered(other))).all()


def test_a_stretch_of_exactly_the_least_length_counts_in_spite_of_rounding():
    kept, dropped = at_least([(0.1, 4.1), (5.0, 8.9)], 4.0)
    assert kept == [(0.1, 4.1)]
    assert dropped == [(5.0, 8.9)]
