"""Amplitude against speed: bins, maps and binned tracks against closed forms."""

import numpy as np
import pytest

from thrumline.pipeline.kernels.speed_map import SpeedBins, SpeedMapSum, binned_track, speed_bins

RATE = 1000.0


def frames_of(signal, length, hop):
    view = np.lib.stride_tricks.sliding_window_view(signal, length, axis=-1)[..., ::hop, :]
    return view, (np.arange(view.shape[-2]) * hop + 0.5 * (length - 1)) / RATE


def test_bins_hold_every_speed_and_stand_on_multiples_of_their_width():
    speeds = np.array([11.3, np.nan, 48.9, 27.0])
    bins = speed_bins(speeds, 50.0 / 60.0, 200)
    assert np.all(bins.index_of(speeds)[[0, 2, 3]] >= 0)
    assert bins.index_of(speeds)[1] == -1
    steps = bins.middles_hz / (50.0 / 60.0)
    np.testing.assert_allclose(steps, np.rint(steps), atol=1e-9)
    assert np.all(np.abs(bins.middles_hz[bins.index_of(speeds)[[0, 2, 3]]] - speeds[[0, 2, 3]]) <= 25.0 / 60.0 + 1e-9)


@pytest.mark.parametrize("most", [2, 7, 50, 200])
def test_there_are_never_more_bins_than_allowed(most):
    assert speed_bins(np.array([5.0, 100.0]), 0.1, most).n <= most + 1


def test_speeds_outside_the_bins_are_in_none():
    assert list(SpeedBins(10.0, 1.0, 3).index_of(np.array([9.4, 9.6, 12.4, 12.6, np.nan]))) == [-1, 0, 2, -1, -1]


def test_no_known_speed_is_refused():
    with pytest.raises(ValueError, match="no speed is known"):
        speed_bins(np.array([np.nan]), 1.0, 10)


@pytest.mark.external
def test_a_steady_sine_reads_its_peak_in_its_own_cell():
    """Source: F. J. Harris, Proc. IEEE 66(1), 1978: coherent gain of the Hann window 0.5; 3.7 reads 3.7, 1e-9."""
    t = np.arange(8000) / RATE
    frames, _ = frames_of(3.7 * np.sin(2 * np.pi * 60.0 * t)[None] + 9.8, 500, 250)
    sums = SpeedMapSum(1, SpeedBins(15.0, 1.0, 2), 500, RATE, 251)
    sums.add(frames, np.full(frames.shape[1], 15.0))
    found = sums.amplitude()
    assert found[0, 0, 30] == pytest.approx(3.7, rel=1e-9)
    assert sums.frequency[30] == 60.0
    assert np.all(np.isnan(found[0, 1]))


def test_an_order_stands_on_a_slanted_line_and_a_hum_on_a_straight_one():
    """Order 2 of 10 to 40 rev/s over 60 s: in every bin the largest cell is at twice the speed; 50 Hz is in all."""
    t = np.arange(int(60 * RATE)) / RATE
    speed = 10.0 + 0.5 * t
    turns = 10.0 * t + 0.25 * t**2
    frames, at = frames_of((2.0 * np.sin(4 * np.pi * turns) + 0.5 * np.sin(2 * np.pi * 50.0 * t))[None], 1000, 500)
    bins = speed_bins(speed, 1.0, 200)
    sums = SpeedMapSum(1, bins, 1000, RATE, 200)
    sums.add(frames, np.interp(at, t, speed))
    found = sums.amplitude()[0]
    for number, middle in enumerate(bins.middles_hz[1:-1], 1):
        assert abs(sums.frequency[np.argmax(found[number])] - 2.0 * middle) <= 2.0
        # bins within 1.5 Hz of the crossing hold both
        if abs(2.0 * middle - 50.0) > 8.0:
            assert found[number, 50] == pytest.approx(0.5, rel=0.05)


def test_gathering_in_parts_is_gathering_at_once():
    rng = np.random.default_rng(4)
    frames, speeds = rng.standard_normal((2, 300, 64)), rng.uniform(9.0, 16.0, 300)
    bins = SpeedBins(10.0, 1.0, 5)
    whole, one, other = (SpeedMapSum(2, bins, 64, RATE, 30) for _ in range(3))
    whole.add(frames, speeds)
    one.add(frames[:, :77], speeds[:77])
    other.add(frames[:, 77:], speeds[77:])
    one.merge(other)
    np.testing.assert_allclose(one.amplitude(), whole.amplitude(), rtol=1e-12)
    np.testing.assert_array_equal(one.count, whole.count)
    assert whole.count.sum() == np.sum((speeds >= 9.5) & (speeds < 14.5))


def test_binned_track_is_the_mean_square_of_its_steps():
    speed = np.array([10.1, 9.9, 12.0, 30.0])
    amplitude = np.array([[3.0, 4.0, 5.0, 9.0], [0.0, 0.0, 2.0, 9.0]])
    found = binned_track(speed, amplitude, SpeedBins(10.0, 1.0, 5))
    np.testing.assert_array_equal(found.index, [0, 2])
    np.testing.assert_array_equal(found.count, [2, 1])
    np.testing.assert_allclose(found.square, [[12.5, 25.0], [0.0, 4.0]])
    # standard error of 9 and 16: standard deviation 7 / sqrt(2), over sqrt(2)
    np.testing.assert_allclose(found.scatter, [[3.5, 0.0], [0.0, 0.0]])
    assert binned_track(np.array([99.0]), np.ones((2, 1)), SpeedBins(10.0, 1.0, 5)).square.shape == (2, 0)
