"""Resampling: the block rule, constants, ends of runs, refusals. Accuracy is held in the external tests."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from thrumline.pipeline.kernels.resampling import RateConverter, conversion_plan
from thrumline.pipeline.kernels.uneven_resampling import GRID_TAPS, GridResampler, least_squares_weights


def converted(values, rates, cuts=(), first=0):
    converter = RateConverter(conversion_plan(*rates))
    converter.restart(first)
    parts = [converter.push(part) for part in np.split(values, sorted(cuts), axis=1)]
    return np.concatenate([*parts, converter.flush()], axis=1)


def gridded(values, times, rate, cuts=()):
    grid = GridResampler(rate)
    parts = [
        grid.push(v, t)
        for v, t in zip(np.split(values, sorted(cuts), axis=1), np.split(times, sorted(cuts)), strict=True)
    ]
    return np.concatenate([*[p for p in parts if p.size], grid.flush()], axis=1)


def stamped(n, jitter=0.3, rate=100.0, seed=4):
    rng = np.random.default_rng(seed)
    return rng.standard_normal((2, n)), 5.0 + (np.arange(n) + rng.uniform(-jitter, jitter, n)) / rate


@settings(deadline=None, max_examples=20)
@given(
    cuts=st.lists(st.integers(1, 799), max_size=8),
    rates=st.sampled_from([(100.0, 50.0), (100.0, 97.0), (100.0, 256.0), (100.003, 64.0)]),
)
def test_cutting_a_uniform_run_changes_nothing(cuts, rates):
    """The block rule for every kind of ratio, 1e-12."""
    values = np.random.default_rng(1).standard_normal((2, 800))
    whole = converted(values, rates)
    assert converted(values, rates, cuts) == pytest.approx(whole, abs=1e-12)


@settings(deadline=None, max_examples=15)
@given(cuts=st.lists(st.integers(1, 599), max_size=8), jitter=st.sampled_from([0.0, 0.3, 0.7]))
def test_cutting_a_stamped_run_changes_nothing(cuts, jitter):
    """The same grid, the same samples, 1e-12 of the largest; even for stamps that run backward."""
    values, times = stamped(600, jitter)
    whole = gridded(values, times, 100.0)
    found = gridded(values, times, 100.0, cuts)
    assert found.shape == whole.shape
    assert np.max(np.abs(found - whole)) <= 1e-12 * np.max(np.abs(whole))


def test_outputs_cover_the_run_from_first_to_last_sample():
    """Output m at m / rate: as many as lie at or before the last sample."""
    for rates, expected in (((100.0, 50.0), 400), ((100.0, 200.0), 1599), ((100.0, 30.0), 240)):
        assert converted(np.zeros((1, 800)), rates).shape == (1, expected)


def test_constant_stays_that_constant_to_the_last_sample():
    """Ends of the run included: weights there are scaled to what is present."""
    values = np.full((1, 500), 9.81)
    assert converted(values, (100.0, 83.0)) == pytest.approx(9.81, rel=1e-12)
    times = stamped(500)[1]
    assert gridded(values, times, 100.0) == pytest.approx(9.81, rel=1e-9)


def test_later_part_of_a_run_gives_the_runs_own_outputs():
    """A worker that starts at sample 300 makes the outputs of the whole, but for the reach at its start."""
    values = np.random.default_rng(2).standard_normal((1, 900))
    rates = (100.0, 64.0)
    whole, part = converted(values, rates), converted(values[:, 300:], rates, first=300)
    reach = int(conversion_plan(*rates).half_s * 64.0) + 2
    begin = whole.shape[1] - part.shape[1]
    assert begin == 192
    assert part[:, reach:] == pytest.approx(whole[:, begin + reach :], abs=1e-12)


def test_uniform_stamps_come_through_the_grid_unchanged():
    """Below 0.8 of the Nyquist frequency, ends included; what lies above 0.85 is noise to the interpolator."""
    t = np.arange(400) / 100.0
    values = np.array([np.sin(2 * np.pi * 7 * t), np.cos(2 * np.pi * 39 * t)])
    assert gridded(values, t, 100.0) == pytest.approx(values, abs=2e-5)


@pytest.mark.parametrize("jitter", [0.0, 0.3, 0.7])
def test_noise_is_not_magnified_at_the_ends(jitter):
    """White noise of rms 1, 20 runs: ends stay within eight, where exact extrapolation gave hundreds."""
    for seed in range(20):
        values, times = stamped(200, jitter, seed=seed)
        made = gridded(values, np.sort(times), 100.0)
        assert np.max(np.abs(made[:, :3])) < 8.0
        assert np.max(np.abs(made[:, -3:])) < 8.0
        assert np.max(np.abs(made)) < 25.0


def test_hole_of_three_steps_is_bridged():
    """7 Hz at 100 Hz, two samples missing without being called a gap: right to half a percent."""
    t = np.delete(np.arange(400) / 100.0, [200, 201])
    made = gridded(np.sin(2 * np.pi * 7 * t)[None], t, 100.0)
    assert made[0] == pytest.approx(np.sin(2 * np.pi * 7 * np.arange(400) / 100.0), abs=5e-3)


def test_equal_stamps_are_averaged():
    """Two samples at one instant count as their mean."""
    values, times = stamped(300, jitter=0.0)
    doubled = np.insert(values, 150, values[:, 150] + 1.0, axis=1)
    halved = values.copy()
    halved[:, 150] += 0.5
    made = gridded(doubled, np.insert(times, 150, times[150]), 100.0)
    assert made == pytest.approx(gridded(halved, times, 100.0), abs=1e-9)


def test_run_shorter_than_the_reach_is_still_resampled():
    t = stamped(25, jitter=0.3)[1]
    made = gridded(np.sin(2 * np.pi * 5 * t)[None], t, 100.0)
    u = t[0] + np.arange(made.shape[1]) / 100.0
    assert made.shape[1] >= 24
    assert made[0] == pytest.approx(np.sin(2 * np.pi * 5 * u), abs=0.02)


def test_weights_of_the_grid_sum_to_one_and_pick_the_sample_itself():
    times = np.arange(GRID_TAPS)[None] / 10.0
    weights = least_squares_weights(times, np.array([[3.2, 3.25]]), 8.5)
    assert weights.sum(axis=2) == pytest.approx(np.ones((1, 2)))
    assert int(np.argmax(weights[0, 0])) == 32
    assert np.max(np.abs(weights[0, 1])) < 0.7


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (lambda: conversion_plan(0.0, 10.0), "rate_in 0.0 Hz: wanted"),
        (lambda: conversion_plan(10.0, float("inf")), "rate_out inf Hz: wanted"),
        (lambda: GridResampler(float("nan")), "rate_hz nan: wanted"),
    ],
)
def test_rates_that_are_none_are_refused(make, message):
    with pytest.raises(ValueError, match=message):
        make()
