"""Copies are found by their fingerprints, other captures are not."""

import numpy as np

from thrumline.pipeline.study.same_samples import same_samples


def printed(levels, n=20000):
    return f"{n};" + ",".join(str(int(level)) for level in levels)


def test_a_copy_within_the_tolerance_is_found_across_every_cell_border():
    """The same levels shifted by up to ten steps land in other cells of the search, and are found all the same."""
    rng = np.random.default_rng(3)
    for _ in range(300):
        levels = rng.integers(-500, 500, 24)
        copy = levels + rng.integers(-10, 11, 24)
        assert same_samples({"a": printed(levels), "b": printed(copy)}) == [["a", "b"]]


def test_one_frame_beyond_the_tolerance_or_another_length_is_another_capture():
    levels = np.arange(24)
    away = levels.copy()
    away[17] += 11
    assert same_samples({"a": printed(levels), "b": printed(away), "c": printed(levels, n=20001)}) == []


def test_captures_that_differ_by_one_percent_in_each_frame_are_never_mixed_up():
    """Three thousand of one length, each frame scattering by 1 %: the least any real capture scatters in 0.1 s."""
    rng = np.random.default_rng(4)
    assert same_samples({n: printed(rng.normal(0, 100, 24)) for n in range(3000)}) == []


def test_empty_fingerprints_and_those_of_another_form_match_nothing():
    assert same_samples({"a": "", "b": "", "c": "0f3a", "d": "0f3a"}) == []


def test_three_copies_are_one_group_in_the_order_given():
    levels = printed(range(24))
    assert same_samples({"c": levels, "a": levels, "b": levels}) == [["c", "a", "b"]]
