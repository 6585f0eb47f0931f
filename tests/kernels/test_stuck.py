"""Rows of equal values: counted through every cut, and told apart from a coarse converter."""

import numpy as np
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
