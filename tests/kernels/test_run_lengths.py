"""Runs of a condition in a stream: counted right, and the same however the stream is cut."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from thrumline.pipeline.kernels.run_lengths import RunTally, any_longer, run_starts, run_tally


def counted_by_hand(mask, minimum):
    """(samples in runs of at least minimum, longest run), by the dullest loop there is."""
    total = longest = length = 0
    for value in [*mask, False]:
        if value:
            length += 1
            continue
        total += length if length >= minimum else 0
        longest = max(longest, length)
        length = 0
    return total, longest


@given(st.lists(st.booleans(), max_size=60), st.integers(1, 4))
def test_a_tally_counts_what_a_plain_loop_counts(mask, minimum):
    tally = run_tally(np.array(mask, dtype=bool), minimum)
    assert (tally.total, tally.greatest) == counted_by_hand(mask, minimum)


@given(st.lists(st.booleans(), max_size=60), st.lists(st.integers(0, 60), max_size=5), st.integers(1, 4))
def test_cutting_a_stream_anywhere_changes_nothing(mask, cuts, minimum):
    whole = run_tally(np.array(mask, dtype=bool), minimum)
    joined = RunTally(minimum)
    for piece in np.split(np.array(mask, dtype=bool), sorted(cuts)):
        joined = joined.then(run_tally(piece, minimum))
    assert joined == whole


@given(st.lists(st.lists(st.booleans(), min_size=1, max_size=9), min_size=1, max_size=6), st.integers(1, 4))
def test_a_gap_ends_every_run_that_touches_it(pieces, minimum):
    joined = RunTally(minimum)
    for piece in pieces:
        joined = joined.then(run_tally(np.array(piece, dtype=bool), minimum), joined=False)
    counted = [counted_by_hand(piece, minimum) for piece in pieces]
    assert joined.total == sum(total for total, _ in counted)
    assert joined.greatest == max(longest for _, longest in counted)


def test_run_starts_tells_where_and_how_long():
    lengths, starts = run_starts(np.array([True, True, False, True]))
    assert lengths.tolist() == [2, 1]
    assert starts.tolist() == [0, 3]


@pytest.mark.parametrize("minimum", [1, 3])
def test_an_empty_stretch_is_neutral_on_both_sides(minimum):
    some, none = run_tally(np.array([True, True, True]), minimum), RunTally(minimum)
    assert some.then(none) == some
    assert none.then(some) == some


@given(st.lists(st.booleans(), max_size=60), st.integers(0, 12))
def test_a_longer_run_is_seen_without_counting_runs(mask, length):
    flags = np.array(mask, dtype=bool)
    assert any_longer(flags, length) == (run_tally(flags, 1).greatest > length)
