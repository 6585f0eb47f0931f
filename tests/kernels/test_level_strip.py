"""Cells and bands of the level strip: closed forms, and cuts that change nothing."""

import itertools

import numpy as np
import pytest

from thrumline.pipeline.kernels.level_strip import (
    LevelStrip,
    band_densities,
    band_plan,
    cell_samples,
    pooled_mean_std,
    thinned_level,
)


def test_cells_are_short_until_a_record_is_too_long_for_them():
    assert cell_samples(800.0, 60.0, 0.125, 32_000) == 100
    assert cell_samples(800.0, None, 0.125, 32_000) == 100
    assert cell_samples(800.0, 40_000.0, 0.125, 32_000) == 1000
    assert cell_samples(10.0, 60.0, 0.125, 32_000) == 4


@pytest.mark.parametrize(("hop", "rate"), [(4, 32.0), (12, 100.0), (50, 400.0), (100, 800.0), (3200, 25_600.0)])
def test_bands_cover_everything_above_zero_once(hop, rate):
    plan = band_plan(hop, rate)
    assert plan.low_hz[0] == pytest.approx(0.25 * rate / hop)
    np.testing.assert_allclose(plan.low_hz[1:], plan.high_hz[:-1])
    assert plan.high_hz[-1] == pytest.approx(rate / 2, abs=0.5 * rate / hop)
    assert len(plan.firsts) < 110


@pytest.mark.parametrize("hertz", [20.0, 47.3, 120.0, 300.0, 371.0])
def test_the_bands_of_a_sine_add_up_to_half_its_squared_peak(hertz):
    plan = band_plan(100, 800.0)
    frame = 0.3 * np.sin(2 * np.pi * hertz * np.arange(200) / 800.0 + 0.4) + 9.8
    density = band_densities(frame[None], plan)[0]
    assert float(density @ (plan.high_hz - plan.low_hz)) == pytest.approx(0.045, rel=0.02)


def test_single_precision_costs_a_floor_nothing_beside_a_line_100_db_above_it():
    """Bands of gravity, a line of 1 and noise of 1e-5, against the same in double precision."""
    plan, rng = band_plan(800, 6400.0), np.random.default_rng(8)
    frames = 9.8 + np.sin(2 * np.pi * 23.3 * np.arange(1600) / 6400) + 1e-5 * rng.standard_normal((40, 1600))
    window = 0.5 - 0.5 * np.cos(2 * np.pi * np.arange(1600) / 1600)
    power = np.abs(np.fft.rfft((frames - frames.mean(axis=1, keepdims=True)) * window)) ** 2
    edges = [*plan.firsts, 801]
    wanted = [power[:, a:b].mean(axis=1) * 2 / (6400.0 * np.sum(window**2)) for a, b in itertools.pairwise(edges)]
    found = band_densities(frames, plan)
    np.testing.assert_allclose(np.median(found, axis=0), np.median(wanted, axis=1), rtol=0.01)


def test_joining_is_refused_where_a_cell_is_open():
    plan = band_plan(10, 100.0)
    one, other = LevelStrip(1, plan), LevelStrip(1, plan)
    one.push(np.zeros((1, 15)), np.arange(15) / 100)
    with pytest.raises(ValueError, match="multiple of 10 samples"):
        one.merge(other, joined=True)


def test_a_short_remainder_counts_in_the_statistics():
    plan = band_plan(10, 100.0)
    values = np.random.default_rng(1).standard_normal((2, 47)) + 5.0
    strip = LevelStrip(2, plan)
    strip.push(values, np.arange(47) / 100)
    cells = strip.cells()
    assert cells.n.tolist() == [10, 10, 10, 10, 7]
    mean, std = pooled_mean_std(cells)
    np.testing.assert_allclose(mean, values.mean(axis=1), rtol=1e-12)
    np.testing.assert_allclose(std, values.std(axis=1), rtol=1e-12)


@pytest.mark.parametrize("cuts", [[], [3], [10], [4, 17, 31]])
def test_on_a_uniform_clock_the_first_instant_says_what_all_of_them_would(cuts):
    plan, stamps = band_plan(10, 100.0), 3.7 + np.arange(47) / 100
    wanted, found = LevelStrip(1, plan), LevelStrip(1, plan)
    wanted.push(np.zeros((1, 47)), stamps)
    for piece in np.split(np.arange(47), cuts):
        found.push(np.zeros((1, len(piece))), float(stamps[piece[0]]))
    for name in ("time_s", "first_s", "last_s"):
        np.testing.assert_allclose(getattr(found.cells(), name), getattr(wanted.cells(), name), rtol=1e-14)


def test_without_samples_there_are_no_cells():
    cells = LevelStrip(2, band_plan(10, 100.0)).cells()
    assert cells.level.shape == (2, 0)
    assert pooled_mean_std(cells)[0].tolist() == [0.0, 0.0]


def test_thinning_keeps_the_mean_power():
    level = np.abs(np.random.default_rng(2).standard_normal((3, 1200)))
    times, thin = thinned_level(np.arange(1200.0), level, 600)
    assert len(times) == 600
    assert np.mean(thin**2) == pytest.approx(np.sum(np.mean(level**2, axis=1)))
    assert times[0] == pytest.approx(0.5)
