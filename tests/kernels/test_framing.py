"""Frames depend on the run alone, never on where its samples were cut."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from thrumline.pipeline.kernels.framing import Framer, frame_count


def frames_of(values, length, hop, cuts=(), first=0):
    """All frames and their numbers, pushed in pieces."""
    framer = Framer(length, hop)
    found, at = {}, first
    for part in np.split(values, sorted(c for c in cuts if 0 < c < values.shape[1]), axis=1):
        for number, frames in framer.push(part, at):
            for k in range(frames.shape[1]):
                found.setdefault(number + k, []).append(frames[:, k].copy())
        at += part.shape[1]
    assert all(len(copies) == 1 for copies in found.values())
    return {number: copies[0] for number, copies in found.items()}


@settings(deadline=None, max_examples=60)
@given(
    n=st.integers(0, 200), length=st.integers(1, 40), share=st.floats(0.0, 1.0),
    cuts=st.lists(st.integers(1, 199), max_size=12),
)  # fmt: skip
def test_cutting_anywhere_gives_the_same_frames(n, length, share, cuts):
    """The block rule, exactly, for any length, hop and cuts."""
    hop = max(round(share * length), 1)
    values = np.arange(2.0 * n).reshape(2, n)
    found = frames_of(values, length, hop, cuts)
    assert sorted(found) == list(range(frame_count(n, length, hop)))
    assert all(np.array_equal(f, values[:, k * hop : k * hop + length]) for k, f in found.items())


@settings(deadline=None, max_examples=40)
@given(
    n=st.integers(1, 200), length=st.integers(1, 30), first=st.integers(0, 100), share=st.floats(0.0, 1.0),
    cuts=st.lists(st.integers(1, 199), max_size=12),
)  # fmt: skip
def test_later_part_of_a_run_makes_the_runs_own_frames(n, length, first, share, cuts):
    """A worker that starts anywhere makes frames that begin at multiples of the hop only, all it has samples for."""
    hop = max(round(share * length), 1)
    values = np.arange(float(first), first + n)[None]
    found = frames_of(values, length, hop, cuts, first)
    starts = range(-(-first // hop) * hop, first + n - length + 1, hop)
    assert sorted(found) == [start // hop for start in starts]
    assert all(frame[0, 0] == number * hop and frame.shape == (1, length) for number, frame in found.items())


def test_parts_that_overlap_by_length_less_hop_make_every_frame_once():
    values = np.arange(300.0)[None]
    whole = frames_of(values, 32, 8)
    cut = 17 * 8
    parts = [frames_of(values[:, : cut + 32 - 8], 32, 8), frames_of(values[:, cut:], 32, 8, first=cut)]
    assert set(parts[0]) | set(parts[1]) == set(whole)
    assert not set(parts[0]) & set(parts[1])


def test_frames_follow_pushes_of_one_sample():
    values = np.arange(50.0)[None]
    assert len(frames_of(values, 8, 3, range(1, 50))) == frame_count(50, 8, 3)


def test_changing_a_block_after_the_push_changes_no_later_frame():
    """What is carried is a copy."""
    framer, block = Framer(4, 4), np.arange(6.0)[None]
    framer.push(block, 0)
    block[:] = -1.0
    ((number, frames),) = framer.push(np.arange(6.0, 8.0)[None], 6)
    assert number == 1
    assert frames[0, 0].tolist() == [4.0, 5.0, 6.0, 7.0]


def test_block_out_of_turn_is_refused():
    framer = Framer(4, 2)
    framer.push(np.zeros((1, 5)), 0)
    with pytest.raises(ValueError, match="block starts at sample 7, expected 5"):
        framer.push(np.zeros((1, 5)), 7)
    framer.restart()
    framer.push(np.zeros((1, 5)), 7)


@pytest.mark.parametrize(("length", "hop"), [(4, 0), (4, 5), (0, 1)])
def test_hop_beyond_the_frame_is_refused(length, hop):
    with pytest.raises(ValueError, match="wanted 1 <= hop <= length"):
        Framer(length, hop)
