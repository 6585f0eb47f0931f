"""Peaks and their prominence against another library, plateaus included."""

import numpy as np
import pytest
from scipy import signal

from thrumline.pipeline.kernels.prominence import prominence, standing_out, summits


@pytest.mark.external
@pytest.mark.parametrize("seed", range(20))
@pytest.mark.parametrize("steps", [0, 7, 60])
def test_peaks_and_prominences_are_those_of_scipy_signal(seed, steps):
    """Source: scipy.signal.find_peaks and peak_prominences, on noise and on noise rounded to steps."""
    values = np.random.default_rng(seed).standard_normal(500).cumsum()
    if steps:
        values = np.round(values * steps / np.ptp(values))
    peaks, _ = signal.find_peaks(values)
    np.testing.assert_array_equal(summits(values), peaks)
    wanted = signal.peak_prominences(values, peaks)[0]
    np.testing.assert_array_equal([prominence(values, int(peak)) for peak in peaks], wanted)
    least = np.full(values.size, 0.3 * np.ptp(values))
    np.testing.assert_array_equal(standing_out(values, peaks, least), signal.find_peaks(values, prominence=least[0])[0])


def test_a_flat_line_has_no_peak_and_ends_are_none():
    """Neither level values nor slopes hold a summit."""
    assert summits(np.ones(9)).size == 0
    assert summits(np.arange(9.0)).size == 0
    assert summits(np.array([3.0, 1.0, 1.0, 2.0])).size == 0
