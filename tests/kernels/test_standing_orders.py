"""Orders that stand out of an order spectrum: found between cells, none made up."""

import numpy as np
import pytest

from thrumline.pipeline.kernels.angle_domain import order_spectrum
from thrumline.pipeline.kernels.standing_orders import standing_orders

PER_REVOLUTION, REVOLUTIONS = 64, 32
ANGLES = np.arange(REVOLUTIONS * PER_REVOLUTION) / PER_REVOLUTION


def averaged(lines, noise=0.0, n_frames=20, seed=1):
    """Root mean square of the frames' spectra, each with phases and noise of its own."""
    rng = np.random.default_rng(seed)
    power = 0.0
    for _ in range(n_frames):
        frame = noise * rng.standard_normal(ANGLES.size)
        for order, peak in lines:
            frame = frame + peak * np.cos(2 * np.pi * (order * ANGLES + rng.random()))
        orders, amplitude = order_spectrum(frame, PER_REVOLUTION)
        power = power + amplitude**2 / n_frames
    return orders, np.sqrt(power)


@pytest.mark.parametrize("order", [0.5, 2.0, 2.0 + 0.5 / 32, 2.69, 11.3])
def test_an_order_is_told_by_its_place_and_height_between_cells(order):
    """The highest cell alone would be 15 % low half way between two."""
    found, height = standing_orders(*averaged([(order, 3.0)], noise=0.01))
    assert found == pytest.approx([order], abs=2e-3)
    assert height == pytest.approx([3.0], rel=5e-3)


def test_orders_are_told_highest_first():
    found, height = standing_orders(*averaged([(0.5, 1.0), (2.0, 4.0), (2.69, 2.0)], noise=0.01))
    assert found == pytest.approx([2.0, 2.69, 0.5], abs=2e-3)
    assert height == pytest.approx([4.0, 2.0, 1.0], rel=0.01)


def test_lines_two_cells_apart_are_two():
    found, _ = standing_orders(*averaged([(2.0, 1.0), (2.0 + 2 / 32, 1.0)], noise=0.1, n_frames=200))
    assert sorted(found) == pytest.approx([2.0, 2.0 + 2 / 32], abs=0.01)


@pytest.mark.parametrize("n_frames", [1, 10])
def test_noise_alone_shows_no_order(n_frames):
    """25 times the median power comes by chance once in 30 million cells of a single frame; a hundred have 100,000."""
    shown = sum(standing_orders(*averaged([], 1.0, n_frames, seed))[0].size > 0 for seed in range(100))
    assert shown == 0


def test_cells_that_no_frame_reached_are_passed_over():
    orders, amplitude = averaged([(2.0, 1.0), (20.0, 5.0)], noise=0.01)
    amplitude[orders > 6] = np.nan
    assert standing_orders(orders, amplitude)[0] == pytest.approx([2.0], abs=1e-3)
    assert standing_orders(orders, np.full(orders.size, np.nan))[0].size == 0


def test_drift_of_a_run_is_no_order():
    orders, amplitude = averaged([(2.0, 1.0), (0.1, 5.0)], noise=0.01)
    assert standing_orders(orders, amplitude)[0] == pytest.approx([2.0], abs=1e-3)


def test_silence_has_no_orders():
    orders, _ = averaged([(1.0, 1.0)], n_frames=1)
    assert standing_orders(orders, np.zeros(orders.size))[0].size == 0
