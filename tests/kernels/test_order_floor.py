"""Floor beside a band, on cells whose floor is known."""

import numpy as np
import pytest

from thrumline.pipeline.kernels.order_floor import clipped_mean_floor, floor_beside


def cells(seed, n=600, n_channel=3):
    return np.random.default_rng([seed, 3]).exponential(1.0, (n_channel, n))


OFFSET = np.linspace(-10.0, 10.0, 600)


def test_floor_of_plain_noise_is_its_mean():
    """200 draws: within half a percent on the mean, all of the surroundings used nearly always."""
    found = [floor_beside(cells(k), OFFSET) for k in range(200)]
    assert np.mean([item.density for item in found]) == pytest.approx(1.0, abs=0.005)
    assert np.mean([item.share for item in found]) > 0.99


def test_broad_hump_is_left_out():
    """A third of the surroundings is twice as high: read with it, the floor is a quarter high; without, under 5 %."""
    raised = 1.0 + (np.abs(OFFSET - 6.0) < 3.4)
    found = [floor_beside(cells(k) * raised, OFFSET) for k in range(100)]
    assert np.mean([clipped_mean_floor(cells(k) * raised).mean() for k in range(100)]) > 1.25
    assert np.mean([item.density.mean() for item in found]) == pytest.approx(1.0, abs=0.05)
    assert np.mean([item.share for item in found]) == pytest.approx(0.66, abs=0.06)


def test_sloping_floor_keeps_its_mean():
    """A floor that rises by a third from one end to the other reads its mean within 2 %."""
    slope = 1.0 + OFFSET / 60.0
    found = [floor_beside(cells(k) * slope, OFFSET).density.mean() for k in range(100)]
    assert np.mean(found) == pytest.approx(1.0, abs=0.02)


def test_no_signal_has_no_floor():
    assert np.all(floor_beside(np.zeros((2, 400)), np.linspace(-5.0, 5.0, 400)).density == 0.0)
