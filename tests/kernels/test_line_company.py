"""A second line, a logged speed beside the line, and levels at and away from it, on synthetic baseband."""

import numpy as np
import pytest

from thrumline.pipeline.kernels.line_confidence import findable_amplitude, offsets_with_confidence
from thrumline.pipeline.kernels.line_levels import line_square, output_times, total_square
from thrumline.pipeline.kernels.logged_speed import refined_offsets
from thrumline.pipeline.kernels.rival_line import rival_line
from thrumline.pipeline.kernels.speed_track import followed_line, phase_tracks
from thrumline.pipeline.kernels.zoom import zoom_plan
from thrumline.pipeline.kernels.zoomed_runs import ZoomedRuns

RATE = 32.0
N = int(36 * RATE)
T = np.arange(N) / RATE


def noise(seed, n=N, n_channel=3):
    rng = np.random.default_rng(seed)
    return (rng.standard_normal((n_channel, n)) + 1j * rng.standard_normal((n_channel, n))) * np.sqrt(RATE / 2)


def tone(offset, amplitude):
    return np.array([[1.0], [0.6], [0.8]]) * amplitude * np.exp(2j * np.pi * offset * T)


def both(z):
    line = followed_line((z,), RATE, 40.0, 5.0, 12.0)
    return line, rival_line(line)


def test_second_line_is_found_beside_the_first():
    line, rival = both(tone(1.0, 20.0) + tone(-2.5, 10.0) + noise(1))
    assert line.mean_offset_hz == pytest.approx(1.0, abs=0.02)
    assert rival.mean_offset_hz == pytest.approx(-2.5, abs=0.05)


def test_line_a_fifth_as_strong_is_no_rival():
    assert both(tone(1.0, 20.0) + tone(-2.5, 4.0) + noise(2))[1] is None


def test_lone_line_has_no_rival():
    """The line's own window and wander are no second line, in 20 records."""
    for seed in range(20):
        assert both(tone(0.3, 20.0) + noise([3, seed]))[1] is None


def test_logged_offset_is_corrected_by_the_line():
    """0.5 Hz off and drifting: the offsets come out on the line."""
    found, figures = refined_offsets((tone(1.0, 10.0) + noise(4),), RATE, [1.5 + 0.005 * T], 40.0, 1.0)
    assert np.abs(np.mean(found[0]) - 1.0) < 0.01
    assert np.std(found[0] - 1.0) < 0.05
    assert figures["cycle_std"] < 0.2


def test_logged_offset_without_a_line_is_left_alone():
    assert refined_offsets((noise(5),), RATE, [np.zeros(N)], 40.0, 1.0) is None


def test_confidence_is_high_on_the_line_and_low_where_it_is_gone():
    """A line for 18 of 36 seconds."""
    z = tone(0.5, 15.0) * (T < 18.0) + noise(6)
    line = followed_line((z,), RATE, 40.0, 5.0, 12.0)
    _, confidence = offsets_with_confidence((z,), RATE, line, phase_tracks((z,), RATE, line))[0]
    assert np.median(confidence[T < 15.0]) > 0.99
    gone = confidence[(T > 24.0) & (T < 33.0)]
    assert np.mean(gone) < 0.25
    assert np.mean(gone < 0.05) > 0.5


def test_findable_amplitude_scales_with_the_floor():
    one = followed_line((noise(7),), RATE, 40.0, 5.0, 12.0)
    ten = followed_line((10.0 * noise(7),), RATE, 40.0, 5.0, 12.0)
    assert np.allclose(findable_amplitude(ten, 40.0), 10.0 * findable_amplitude(one, 40.0), rtol=1e-9)


def test_level_of_a_line_is_its_mean_square():
    """Amplitudes 1, 0.6, 0.8: half the sum of their squares, at every instant."""
    square = line_square(tone(2.0, 3.0), RATE, np.full(N, 2.0))
    assert np.allclose(square, 0.5 * 9.0 * 2.0, rtol=1e-9)


def test_total_level_leaves_out_the_mean_and_sees_a_step():
    """Gravity and a sine that doubles half-way: 0.5 A**2 before, 2 A**2 after, whatever the mean."""
    rate, n = 800.0, 16000
    t = np.arange(n) / rate
    values = (9.81 + 0.1 * (1.0 + (t >= 10.0)) * np.sin(2 * np.pi * 40.0 * t))[None]
    plan = zoom_plan(rate, (40.0,), (6.0,))
    zoomed = ZoomedRuns(plan, 1)
    zoomed.push(0, 0, values)
    part = zoomed.rest()[0][1]
    grid = np.array([3.0, 9.0, 11.0, 17.0])
    assert np.allclose(total_square(plan, part, grid), [0.005, 0.005, 0.02, 0.02], rtol=0.02)
    assert output_times(plan, part)[0] == pytest.approx(plan.delay_s)
