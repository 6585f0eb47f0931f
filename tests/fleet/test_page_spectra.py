"""Spectra are thinned for the page without losing a line: each group of bins keeps its greatest."""

import numpy as np
import pytest

from thrumline.pipeline.api.curves import PAGE_POINTS, _peaks_kept


@pytest.mark.parametrize("n_bins", [2, 3, PAGE_POINTS, PAGE_POINTS + 1, PAGE_POINTS + 2, 3201, 9000])
def test_greatest_bin_of_every_group_is_kept(n_bins):
    """Against groups made one by one: equal shares of bins 1 to 250 Hz, the first groups one longer."""
    frequency = np.arange(n_bins) * 0.03
    amplitude = np.random.default_rng(n_bins).random(n_bins)
    below = np.arange(1, int(np.sum(frequency <= 250.0)))
    wanted = [g[np.argmax(amplitude[g])] for g in np.array_split(below, min(PAGE_POINTS, len(below))) if len(g)]
    assert _peaks_kept(amplitude, frequency).tolist() == wanted


def test_spectrum_without_bins_keeps_none():
    assert _peaks_kept(np.zeros(1), np.zeros(1)).tolist() == []
