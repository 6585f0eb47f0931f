"""Two load states are levels that last, not drifts, wanders or hunting."""

import numpy as np
import pytest

from thrumline.pipeline.kernels.states import StateRule, best_split, two_states

TIME = np.arange(0.5, 120.0, 1.0)


def noisy(level, seed=1, scatter=0.02):
    return level * np.exp(scatter * np.random.default_rng(seed).standard_normal(len(TIME)))


def test_two_levels_are_found_with_their_pieces():
    level = np.where((TIME > 40) & (TIME < 75), 6.0, 4.0)
    states = two_states(TIME, noisy(level), StateRule())
    assert states.low_level == pytest.approx(4.0, rel=0.01)
    assert states.high_level == pytest.approx(6.0, rel=0.01)
    assert states.high == [(pytest.approx(40.0), pytest.approx(75.0))]
    assert len(states.low) == 2
    assert states.longest()[0] is states.low


@pytest.mark.parametrize("spread", [0.1, 0.3, 1.0])
def test_a_straight_drift_is_one_state_with_its_closed_form_distance(spread):
    """Halves of a uniform distribution: means half the range apart, scatter range / sqrt(48) within: sqrt(12)."""
    log_level = np.linspace(0, spread, 10_000)
    assert best_split(log_level)[1] == pytest.approx(np.sqrt(12), rel=1e-3)
    assert two_states(TIME, np.exp(np.linspace(0, spread, len(TIME))), StateRule()) is None


def test_gaussian_scatter_splits_at_its_mean_with_its_closed_form_distance():
    """Halves of a normal distribution: 2 * sqrt(2/pi) apart, scatter sqrt(1 - 2/pi) within."""
    threshold, distance = best_split(np.random.default_rng(2).standard_normal(200_000))
    assert threshold == pytest.approx(0.0, abs=0.02)
    assert distance == pytest.approx(2 * np.sqrt(2 / np.pi) / np.sqrt(1 - 2 / np.pi), rel=0.01)


@pytest.mark.parametrize("period", [4.0, 15.0, 30.0, 60.0, 240.0])
def test_a_hunting_idle_has_no_two_states(period):
    assert two_states(TIME, 700 * (1 + 0.05 * np.sin(2 * np.pi * TIME / period)), StateRule(least_step=0.01)) is None


def test_switching_to_and_fro_every_few_seconds_is_no_state():
    level = np.where((TIME // 4) % 2 == 0, 4.0, 6.0)
    assert two_states(TIME, noisy(level), StateRule()) is None


def test_a_slow_change_over_half_a_minute_is_a_drift():
    level = 4.0 * np.exp(0.4 / (1 + np.exp(-(TIME - 60) / 8)))
    assert two_states(TIME, noisy(level, scatter=0.005), StateRule()) is None


def test_a_step_too_small_to_matter_is_left():
    level = np.where(TIME > 50, 4.3, 4.0)
    assert two_states(TIME, noisy(level, scatter=0.005), StateRule()) is None


def test_wander_of_an_idle_is_one_state_in_two_hundred_tries():
    """Ornstein-Uhlenbeck, 1.5 %, 3 s, seen in 1 s means over 45 s, against a step of 1 %."""
    rng = np.random.default_rng(3)
    keep = np.exp(-1 / 3.0)
    for _ in range(200):
        x = np.zeros(60)
        for i in range(1, 60):
            x[i] = keep * x[i - 1] + 0.015 * np.sqrt(1 - keep**2) * rng.standard_normal()
        assert two_states(TIME[:45], np.exp(x[15:]), StateRule(least_step=0.01)) is None


def test_unknown_values_are_left_out_and_too_few_give_nothing():
    level = np.full(len(TIME), np.nan)
    assert two_states(TIME, level, StateRule()) is None
    level[:60], level[60:] = 1.0, 2.0
    level[::7] = np.nan
    assert two_states(TIME, level, StateRule()).high_level == pytest.approx(2.0)
