"""Angle domain: equal angles, amplitudes of orders through a run-up, half orders, refusals."""

import numpy as np
import pytest

from thrumline.pipeline.kernels.angle_domain import even_angles, on_angle, order_spectrum, whole_cycles

RATE = 2000.0
T = np.arange(int(20 * RATE) + 1) / RATE
TURNS = 10.0 * T + T**2


def test_equal_angles_are_at_their_instants():
    """Turns 10 t + t**2: t = -5 + sqrt(25 + turns)."""
    instants, turns = even_angles(T, TURNS, 16)
    assert np.allclose(np.diff(turns), 1 / 16)
    assert np.allclose(instants, -5.0 + np.sqrt(25.0 + turns), atol=1e-9)


@pytest.mark.parametrize("order", [0.5, 1.5, 4.0, 6.0])
def test_order_reads_its_amplitude_through_a_run_up(order):
    values = 3.0 * np.sin(2 * np.pi * order * TURNS + 0.3)
    angles = whole_cycles(on_angle(values, T, TURNS, 32), 32)
    orders, amplitude = order_spectrum(angles, 32)
    assert amplitude[np.argmin(np.abs(orders - order))] == pytest.approx(3.0, rel=2e-3)


def test_several_channels_go_together():
    values = np.stack([np.cos(2 * np.pi * 2 * TURNS), 2 * np.cos(2 * np.pi * 3 * TURNS)])
    orders, amplitude = order_spectrum(whole_cycles(on_angle(values, T, TURNS, 16), 16), 16)
    assert amplitude.shape == (2, orders.size)
    assert amplitude[1, np.argmin(np.abs(orders - 3))] == pytest.approx(2.0, rel=2e-3)
    assert amplitude[1, np.argmin(np.abs(orders - 2))] < 1e-3


def test_orders_reach_half_the_samples_per_revolution_and_resolve_one_over_the_revolutions():
    orders, _ = order_spectrum(np.zeros(16 * 50), 16)
    assert orders[-1] == pytest.approx(8.0)
    assert orders[1] == pytest.approx(1 / 50)


def test_whole_cycles_leave_no_part_of_one():
    assert whole_cycles(np.zeros((2, 16 * 7 + 5)), 16).shape[-1] == 16 * 6


def test_shaft_that_turns_back_is_refused():
    with pytest.raises(ValueError, match="must rise"):
        even_angles(T[:50], -TURNS[:50], 16)
