"""Interpolation: arrays of lines, symmetry, noise near the middle, refusals. Values are held in the external tests."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from thrumline.pipeline.kernels.interpolation import candan, hann_two_bins, log_parabola, padded_parabola, two_bins
from thrumline.pipeline.kernels.windows import line_response


def bins_of(offset, window="hann", height=2.0):
    return height * np.abs(line_response(window, np.array([-1.0, 0.0, 1.0]) - offset))


@settings(deadline=None, max_examples=40)
@given(offset=st.floats(-0.5, 0.5), height=st.floats(1e-6, 1e6))
def test_two_bins_undo_the_windows_shape(offset, height):
    """Any offset and size; Hann's closed form and the general solution agree."""
    for line in (hann_two_bins(bins_of(offset, height=height)), two_bins(bins_of(offset, height=height), "hann")):
        assert float(line.offset) == pytest.approx(offset, abs=1e-9)
        assert float(line.height) == pytest.approx(height, rel=1e-9)


@pytest.mark.parametrize("window", ["rectangle", "hamming", "blackman", "blackman-harris", "hft70", "hft116d", (1.0, 0.8)])
def test_general_solution_undoes_any_window(window):
    offsets = np.linspace(-0.49, 0.49, 41)
    stack = np.stack([bins_of(x, window) for x in offsets])
    line = two_bins(stack, window)
    assert line.offset == pytest.approx(offsets, abs=1e-8)
    assert line.height == pytest.approx(np.full(41, 2.0), rel=1e-8)


def test_arrays_of_lines_are_solved_at_once():
    stack = np.stack([[bins_of(0.1), bins_of(-0.3)], [bins_of(0.5), bins_of(0.0)]])
    assert hann_two_bins(stack).offset == pytest.approx(np.array([[0.1, -0.3], [0.5, 0.0]]), abs=1e-12)


def test_neighbour_lower_than_any_lines_gives_an_offset_beyond_the_middle():
    """Noise: the higher neighbour at 0.45 of the middle means a little past it, not an error."""
    line = two_bins([0.40, 1.0, 0.45], "hann")
    assert -0.25 < float(line.offset) < 0.0
    assert float(two_bins([0.0, 1.0, 1e-9], "rectangle").offset) == pytest.approx(0.0, abs=1e-8)


def test_parabola_is_exact_for_a_gaussian_peak():
    """log of exp(-(x - 0.2)**2) is a parabola."""
    line = log_parabola(np.exp(-((np.array([-1.0, 0.0, 1.0]) - 0.2) ** 2)))
    assert float(line.offset) == pytest.approx(0.2)
    assert float(line.height) == pytest.approx(1.0)


def test_parabola_without_padding_reads_up_to_four_percent_high():
    values = np.cos(2 * np.pi * 100.5 * np.arange(1024) / 1024)
    assert padded_parabola(values, 1)[1] == pytest.approx(1.038, abs=2e-3)
    assert padded_parabola(values, 8)[1] == pytest.approx(1.0, abs=1e-4)


def test_candan_is_exact_down_to_eight_samples():
    for offset in (-0.45, 0.2, 0.45):
        tone = np.exp(2j * np.pi * (2 + offset) * np.arange(8) / 8)
        line = candan(np.fft.fft(tone)[1:4] / 8, 8)
        assert float(line.offset) == pytest.approx(offset, abs=1e-12)
        assert float(line.height) == pytest.approx(1.0, rel=1e-12)


def test_misuse_is_refused():
    with pytest.raises(ValueError, match="wanted three in the last axis"):
        hann_two_bins([1.0, 2.0])
    with pytest.raises(ValueError, match="zero padding by 0"):
        padded_parabola(np.ones(64), 0)
    with pytest.raises(ValueError, match="not monotone"):
        two_bins([0.5, 1.0, 0.5], (1.0, -0.9))
