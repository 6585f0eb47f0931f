"""Rows of equal values: counted through every cut, and told apart from a coarse converter."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from thrumline.pipeline.kernels.stuck import EqualRuns, equal_runs, hangs


@given(st.lists(st.integers(0, 2), min_size=1, max_size=60), st.lists(st.integers(0, 60), max_size=5))
def test_cutting_changes_nothing(values, cuts):
    data = np.array(values, dtype=float)
    joined = EqualRuns()
    for piece in np.split(data, sorted(cuts)):
        joined = joined.then(equal_runs(piece))
    assert joined == equal_runs(data)


def test_the_step_is_the_least_difference_of_neighbours():
    assert equal_runs(np.array([0.0, 3.0, 3.0, 5.0, 1.0])).step == 2.0


def test_over_a_gap_nothing_is_compared():
    one = equal_runs(np.array([4.0, 4.0]))
    assert one.then(one).longest == 4
    assert one.then(one, joined=False).longest == 2


def test_a_channel_that_never_moves_has_no_step():
    assert equal_runs(np.full(10, 3.0)).step == float("inf")
    assert equal_runs(np.full(10, 3.0)).longest == 10


def test_a_lively_channel_that_stands_still_hangs():
    assert hangs(1.5, lively_level=0.05, step=0.0096, least_s=1.0)
    assert not hangs(0.5, lively_level=0.05, step=0.0096, least_s=1.0)


def test_a_quiet_channel_may_rest_on_one_code():
    assert not hangs(30.0, lively_level=0.004, step=0.0096, least_s=1.0)


@given(
    st.lists(st.sampled_from([-32768, -32767, -3, 0, 1, 32767]), min_size=1, max_size=40),
    st.lists(st.integers(0, 40), max_size=4),
)
def test_counts_say_what_their_values_say_wherever_they_are_cut(values, cuts):
    """Sixteen bits do not wrap around, and skipping what cannot lower the step loses nothing."""
    counts, joined = np.array(values, dtype=np.int16), EqualRuns()
    for piece in np.split(counts, sorted(cuts)):
        joined = joined.then(equal_runs(piece, joined.step, joined.pairs.longest))
    assert joined == equal_runs(counts.astype(float))


def test_counts_whose_low_bits_are_never_used_are_not_searched_again():
    """Differences are multiples of the lowest bit that changes: 24 bits stored in 32 can do no better than 256."""
    counts = 256 * np.array([5, 9, 9, -3, 6], dtype=np.int32)
    assert equal_runs(counts).step == 4 * 256
    assert equal_runs(counts, 256.0).step == np.inf


@pytest.mark.parametrize("kind", ["i1", "u1", "i2", "u2", "i4", "u4"])
def test_the_step_is_right_in_every_width_at_both_ends_of_its_range(kind):
    """Neighbours from one end to the other, where a difference would wrap, and one step of 5 between them."""
    ends = np.iinfo(kind)
    counts = np.array([ends.min, ends.max, ends.max - 5, ends.min, ends.min], dtype=kind)
    assert equal_runs(counts).step == 5.0
    assert equal_runs(counts[:2]).step == float(ends.max) - float(ends.min)
    assert equal_runs(np.array([7, 7, 9, 2], dtype=kind)).step == 2.0
