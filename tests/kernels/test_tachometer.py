"""Tachometer pulses: speed and instants of a steady and of an accelerating shaft, refusals."""

import numpy as np
import pytest

from thrumline.pipeline.kernels.tachometer import pulse_instants, pulse_speed


def test_pulses_of_a_steady_shaft_give_its_speed_everywhere():
    times = np.arange(50) / (12.5 * 4)
    at, speed = pulse_speed(times, 4.0)
    assert np.array_equal(at, times)
    assert np.allclose(speed, 12.5, rtol=1e-12)


def test_pulses_of_a_constant_acceleration_are_exact():
    """Angle 10 t + t**2 revolutions: speed 10 + 2 t at every pulse, ends included."""
    turns = np.arange(60)
    times = -5.0 + np.sqrt(25.0 + turns)
    _, speed = pulse_speed(times)
    assert np.allclose(speed, 10.0 + 2.0 * times, rtol=1e-9)
    wanted = np.linspace(0.0, 59.0, 333)
    assert np.allclose(pulse_instants(times, wanted), -5.0 + np.sqrt(25.0 + wanted), atol=1e-12)


def test_too_few_or_falling_pulses_are_refused():
    with pytest.raises(ValueError, match="three or more pulses"):
        pulse_speed(np.array([0.0, 1.0]))
    with pytest.raises(ValueError, match="rising times"):
        pulse_instants(np.array([0.0, 1.0, 0.5]), np.array([0.5]))


def test_angles_outside_the_pulses_are_refused():
    with pytest.raises(ValueError, match="within the pulses"):
        pulse_instants(np.arange(4.0), np.array([3.2]))
