"""Bursts and lulls in band densities whose statistics are known."""

import numpy as np
import pytest

from thrumline.pipeline.kernels.level_strip import usual_densities
from thrumline.pipeline.kernels.transients import BurstRule, burst_frames, burst_scores, line_bands, lull_frames

WIDTHS = np.full(40, 4.0)
RULE = BurstRule(least_rms=0.0)


def noise(n_frame=300, n_channel=3, n_band=40, seed=1):
    """Densities of Gaussian noise: exponentially distributed."""
    return np.random.default_rng(seed).exponential(1e-4, (n_channel, n_frame, n_band))


def scored(bands, rule=RULE, floor=1e-30):
    usual, scatter = usual_densities(bands)
    return burst_scores(bands, usual, np.full(len(bands), floor), WIDTHS, line_bands(scatter), rule)


def test_noise_alone_has_no_bursts_and_no_lulls_in_an_hour():
    for seed in range(100):
        scores = scored(noise(seed=seed))
        assert burst_frames(scores, RULE) == []
        assert lull_frames(scores, RULE) == []


@pytest.mark.parametrize("factor", [4.0, 100.0])
def test_a_rise_in_all_bands_is_a_burst_of_its_own_length(factor):
    bands = noise()
    bands[:, 100:108] *= factor
    ((first, last),) = burst_frames(scored(bands), RULE)
    assert 97 <= first <= 100
    assert 107 <= last <= 110


def test_a_rise_in_a_few_bands_is_a_burst():
    bands = noise()
    bands[:, 150:154, 12:18] *= 30.0
    assert len(burst_frames(scored(bands), RULE)) == 1


def test_a_steady_line_changes_nothing_however_strong():
    """A burst beside a line a million times the floor is scored as without it."""
    bands, with_line = noise(), noise()
    with_line[:, :, 10:13] = 100.0 * (1 + 0.03 * np.random.default_rng(2).standard_normal((3, 300, 1)))
    for these in (bands, with_line):
        these[:, 100:106, 20:] *= 8.0
    rule = BurstRule(least_rms=0.0, least_share=0.0)
    assert burst_frames(scored(with_line, rule), rule) == burst_frames(scored(bands, rule), rule)


def test_bands_with_a_line_are_kept_apart():
    bands = noise()
    bands[:, :, 10:12] = 1.0 + 0.05 * np.random.default_rng(3).standard_normal((3, 300, 2))
    scores = scored(bands)
    assert scores.is_line.sum() == 2
    assert scores.scatter_db[scores.is_line].max() < 0.5


def test_a_swaying_line_is_no_burst_until_it_doubles():
    bands = noise()
    sway = 10.0 ** (0.1 * 4.0 * np.sin(np.arange(300) / 30.0))
    bands[:, :, 10:12] = (1e3 * sway)[None, :, None]
    assert burst_frames(scored(bands), RULE) == []


def test_what_is_not_worth_a_cut_is_left():
    bands = noise()
    bands[:, 100:108] *= 10.0
    excess_rms = scored(bands).excess_rms.max()
    assert burst_frames(scored(bands), BurstRule(least_rms=1.01 * excess_rms)) == []
    assert burst_frames(scored(bands), BurstRule(least_rms=0.9 * excess_rms)) != []


def test_excess_of_a_burst_is_the_root_of_its_added_power():
    """Densities of 1e-4 over 160 Hz and three channels, raised a hundredfold: sqrt(99 * 1e-4 * 160 * 3)."""
    bands = noise()
    bands[:, 100:108] *= 100.0
    assert np.median(scored(bands).excess_rms[100:108]) == pytest.approx(np.sqrt(99e-4 * 160 * 3), rel=0.1)


def test_a_channel_that_never_moves_has_no_events_even_when_one_code_flips():
    """The converter's own noise density is the least that is believed."""
    bands = np.zeros((3, 300, 40))
    bands[0, 77] = 1e-9
    assert burst_frames(scored(bands, floor=1e-8), RULE) == []


def test_a_machine_that_falls_silent_for_a_second_is_a_lull():
    bands = noise()
    bands[:, 200:220] *= 1e-3
    ((first, last),) = lull_frames(scored(bands), RULE)
    assert (first, last) == (pytest.approx(200, abs=1), pytest.approx(219, abs=1))
    bands = noise()
    bands[:, 200:204] *= 1e-3
    assert lull_frames(scored(bands), RULE) == []


def test_a_single_frame_is_its_own_usual_level():
    assert burst_frames(scored(noise()[:, :1]), RULE) == []


@pytest.mark.parametrize("n_frame", [300, 301])
def test_a_row_is_counted_from_its_median_and_in_its_own_scatter(n_frame):
    """Half of the frames stand above the median, half of them within one and a half scatters over 1.4826."""
    scores = scored(noise(n_frame))
    np.testing.assert_allclose(np.median(scores.rise_db, axis=1), 0.0, atol=1e-12)
    np.testing.assert_allclose(np.median(np.abs(scores.rise_db), axis=1) * 1.4826, scores.scatter_db, rtol=1e-12)


def test_the_score_of_all_bands_is_the_mean_of_their_logarithms():
    bands = noise()
    scores, usual = scored(bands), np.median(bands, axis=1)[:, None]
    ratio = 10.0 * np.log10(bands / usual).mean(axis=(0, 2))
    every = scores.rise_db[len(scores.is_line) // 2 - 1]
    np.testing.assert_allclose(every - every[0], ratio - ratio[0], atol=0.02)


def test_single_frames_between_fallen_ones_do_not_end_a_lull():
    bands = noise()
    bands[:, 200:209:2] *= 1e-3
    assert lull_frames(scored(bands), RULE) == [(200, 208)]
