"""How well a weak line's mean frequency is known, against simulated lines and a chain summed path by path."""

import itertools

import numpy as np
import pytest
from scipy.special import gammaln, ive

from thrumline.pipeline.kernels.cheapest_path import STEEPEST_BINS
from thrumline.pipeline.kernels.path_posterior import STEP_BINS, TOLD_ONCE, mean_offset
from thrumline.pipeline.kernels.speed_track import Spectrogram, followed_line, spectrogram

RATE, N = 32.0, 36 * 32
T = np.arange(N) / RATE


def noisy_line(seed, ratio, wander_hz):
    """A line of this power over the floor's in 1 Hz, all of it in one channel of three, about 0.7 Hz."""
    rng = np.random.default_rng([seed, 5])
    keep = np.exp(-1.0 / (3.0 * RATE))
    drive = wander_hz * np.sqrt(1.0 - keep**2) * rng.standard_normal(N)
    offset = np.empty(N)
    offset[0] = wander_hz * rng.standard_normal()
    for k in range(1, N):
        offset[k] = keep * offset[k - 1] + drive[k]
    noise = (rng.standard_normal((3, N)) + 1j * rng.standard_normal((3, N))) * np.sqrt(RATE / 2.0)
    z = noise.copy()
    z[0] += np.sqrt(ratio) * np.exp(2j * np.pi * np.cumsum(0.7 + offset) / RATE)
    return z, 0.7 + offset


@pytest.mark.parametrize("ratio", [4.0, 8.0])
def test_mean_offset_is_off_by_as_much_as_it_says(ratio):
    """30 lines 6 and 9 dB over the floor: normalised errors spread by 0.7 to 1.4, none beyond four."""
    normal = []
    for seed in range(30):
        z, truth = noisy_line(seed, ratio, 0.25)
        line = followed_line((z,), RATE, 60.0, 5.0, 8.0)
        cells = spectrogram(z, RATE, line.frame_s, 5.0, line.floor)
        found = mean_offset(cells, line.mean_excess - 3)
        here = np.interp(cells.time_s, T, truth).mean()
        normal.append((found.offset_hz - here) / np.sqrt(found.variance))
    assert 0.7 < np.std(normal) < 1.4
    assert np.max(np.abs(normal)) < 4.0


def test_mean_and_variance_are_those_of_all_paths_summed_one_by_one():
    """Four frames of five bins: 625 paths, each weighed by itself."""
    rng = np.random.default_rng(8)
    power = rng.gamma(2.0, 1.0, (4, 5))
    power[:, 2] += 5.0
    offset = np.array([-1.0, -0.5, 0.0, 0.5, 1.0])
    found = mean_offset(Spectrogram(power, offset, np.arange(4.0), 2), 4.0)

    def weights(line):
        x = 2.0 * np.sqrt(line * power)
        score = TOLD_ONCE * (np.log(ive(1, x)) + x - line + gammaln(2) - np.log(0.5 * x))
        bins = np.arange(-STEEPEST_BINS, STEEPEST_BINS + 1)
        step = np.exp(-0.5 * (bins / STEP_BINS) ** 2) / np.exp(-0.5 * (bins / STEP_BINS) ** 2).sum()
        paths = list(itertools.product(range(5), repeat=4))
        chance = [
            np.exp(sum(score[t, p[t]] for t in range(4)))
            * np.prod([step[p[t + 1] - p[t] + STEEPEST_BINS] for t in range(3)])
            for p in paths
        ]
        return np.array(paths), np.array(chance) / np.sum(chance)

    paths, chance = weights(4.0)
    line = max(0.3, np.mean(np.sum(chance[:, None] * power[np.arange(4), paths], axis=0)) - 2)
    paths, chance = weights(line)
    mean = offset[paths].mean(axis=1)
    expected = np.sum(chance * mean)
    assert found.offset_hz == pytest.approx(expected, abs=1e-6)
    spread = np.sum(chance * (mean - expected) ** 2)
    assert found.variance == pytest.approx(spread + 0.25 / 12.0 / (4 * TOLD_ONCE), rel=1e-4)


def test_steady_strong_line_is_known_to_a_part_of_a_bin():
    """Power 40 a cell at one bin for 100 frames: variance that of a grid's step alone, under (0.01 Hz)**2."""
    power = np.full((100, 41), 3.0)
    power[:, 20] = 43.0
    found = mean_offset(Spectrogram(power, 0.1 * (np.arange(41) - 20), 0.25 * np.arange(100), 3), 40.0)
    assert found.offset_hz == pytest.approx(0.0, abs=1e-6)
    assert found.variance < 1e-4
