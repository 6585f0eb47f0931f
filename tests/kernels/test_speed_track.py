"""Speed from the line: path, phase, what noise looks like, stated uncertainty."""

import numpy as np
import pytest
from scipy.signal import lfilter

from thrumline.pipeline.kernels import speed_track as kernel
from thrumline.pipeline.kernels.line_confidence import cycle_std

RATE = 32.0


def noise(rng, n, n_channel=3, density=1.0):
    """Complex white noise whose squared modulus has this density per Hz."""
    return (rng.standard_normal((n_channel, n)) + 1j * rng.standard_normal((n_channel, n))) * np.sqrt(density * RATE / 2)


def wander(rng, n, std_hz, time_s=3.0):
    keep = np.exp(-1 / (RATE * time_s))
    drive = rng.standard_normal(n) * std_hz * np.sqrt(1 - keep**2)
    drive[0] = std_hz * rng.standard_normal()
    return lfilter([1.0], [1.0, -keep], drive)


def line(offset_hz, amplitudes):
    cycles = np.cumsum(offset_hz) / RATE
    return np.array(amplitudes)[:, None] * np.exp(2j * np.pi * cycles)


def followed(z, line_hz=40.0):
    return kernel.followed_line((z,), RATE, line_hz, 5.0, 12.0)


def test_frame_suits_the_wander_it_is_made_for():
    """sqrt(q T) = 1 / (2 T) with q = 2 (wander f)**2 / time."""
    T = kernel.frame_seconds(40.0, 0.004, 3.0)
    assert np.sqrt(2 * 0.16**2 / 3.0 * T) == pytest.approx(1 / (2 * T), rel=1e-12)


@pytest.mark.parametrize("std_hz", [0.05, 0.16, 0.6])
def test_path_stays_on_a_wandering_line(std_hz):
    """20 dB in 1 Hz: within a tenth of a cell's width rms, whatever the wander."""
    rng = np.random.default_rng(5)
    n = int(40 * RATE)
    offset = wander(rng, n, std_hz) + 1.3
    found = followed(line(offset, [10.0, 6.0, 8.0]) + noise(rng, n))
    path = found.paths[0]
    true = np.interp(path.time_s, np.arange(n) / RATE, offset)
    assert np.std(path.offset_hz - true) < 0.25 / found.frame_s
    assert abs(np.mean(path.offset_hz - true)) < 0.01


def test_faster_wander_gets_shorter_frames():
    rng = np.random.default_rng(6)
    n = int(40 * RATE)
    frames = [
        followed(line(wander(rng, n, std), [30.0, 30.0, 30.0]) + noise(rng, n)).frame_s for std in (0.02, 0.16, 1.5)
    ]
    assert frames[0] > frames[1] > frames[2]


def test_line_to_floor_ratio_is_the_one_put_in():
    """Steady line of 26 dB over the floor in 1 Hz, all channels: within 0.5 dB."""
    rng = np.random.default_rng(7)
    n = int(60 * RATE)
    z = line(np.full(n, 0.37), [11.5, 11.5, 11.5]) + noise(rng, n)
    assert 10 * np.log10(followed(z).line_to_floor) == pytest.approx(10 * np.log10(3 * 11.5**2), abs=0.5)


@pytest.mark.parametrize("n_channel", [1, 3, 6])
def test_noise_alone_stays_below_what_a_line_needs(n_channel):
    """60 records of noise: not one passes, and the stated mean of noise paths is not far above theirs."""
    rng = np.random.default_rng(8)
    found = [followed(noise(rng, int(30 * RATE), n_channel)) for _ in range(60)]
    excess = np.array([item.mean_excess for item in found])
    needed = np.array([item.noise_excess + 8 * np.sqrt(n_channel / item.n_frames) for item in found])
    assert np.all(excess < needed)
    assert np.mean(excess) > 0.6 * np.mean([item.noise_excess for item in found])


def test_one_channel_with_a_high_floor_does_not_hide_the_line():
    """Every channel is judged over its own floor: a deaf and noisy axis changes the path by little."""
    rng = np.random.default_rng(9)
    n = int(40 * RATE)
    offset = wander(rng, n, 0.1)
    clean = line(offset, [10.0, 0.0]) + noise(rng, n, 2)
    clean[1] *= 30.0
    path = followed(clean).paths[0]
    assert np.std(path.offset_hz - np.interp(path.time_s, np.arange(n) / RATE, offset)) < 0.1


def test_bang_does_not_throw_the_path_off():
    """A second of noise 30 dB up: the path before and after it stays, and bridges it."""
    rng = np.random.default_rng(10)
    n = int(40 * RATE)
    offset = np.full(n, -2.0)
    z = line(offset, [8.0, 8.0, 8.0]) + noise(rng, n)
    bang = slice(int(20 * RATE), int(21 * RATE))
    z[:, bang] += noise(rng, int(RATE), 3, 1000.0)
    path = followed(z).paths[0]
    calm = np.abs(path.time_s - 20.5) > 2.5
    assert np.max(np.abs(path.offset_hz[calm] + 2.0)) < 0.25
    assert np.max(np.abs(path.offset_hz + 2.0)) < 1.0


def tracked(z, line_hz=40.0):
    found = followed(z, line_hz)
    return found, kernel.phase_tracks((z,), RATE, found)[0]


def test_phase_follows_a_wandering_line_to_a_tenth_of_a_cycle():
    rng = np.random.default_rng(11)
    n = int(40 * RATE)
    offset = wander(rng, n, 0.16)
    _, track = tracked(line(offset, [20.0, 5.0, 10.0]) + noise(rng, n))
    apart = track.cycles - np.cumsum(offset) / RATE
    assert track.locked
    assert np.std(apart) < 0.1


def test_channels_of_opposite_phase_add_up():
    """The joined channel knows the line's shape: it gains the power of all axes, whatever their phases."""
    rng = np.random.default_rng(12)
    n = int(40 * RATE)
    z = line(np.zeros(n), np.array([5.0, -5.0, 5.0j])) + noise(rng, n)
    weights = kernel.joined_channel((z,), np.ones(3))
    assert abs(np.mean(weights @ z)) == pytest.approx(5.0 * np.sqrt(3), rel=0.03)


def test_noise_is_never_called_locked():
    rng = np.random.default_rng(13)
    n = int(40 * RATE)
    assert not tracked(noise(rng, n))[1].locked


@pytest.mark.parametrize(("amplitude", "std_hz"), [(4.0, 0.05), (10.0, 0.16), (30.0, 0.4)])
def test_stated_uncertainty_of_the_count_covers_its_scatter(amplitude, std_hz):
    """40 records: cycles counted between the ends scatter by no more than stated, and not ten times less."""
    n, errors, stated = int(30 * RATE), [], []
    for seed in range(40):
        rng = np.random.default_rng([14, seed])
        offset = wander(rng, n, std_hz)
        found, track = tracked(line(offset, [amplitude] * 3) + noise(rng, n))
        errors.append((track.cycles[-1] - track.cycles[0]) - np.sum(offset[1:]) / RATE)
        stated.append(cycle_std(found, 0.0, track.n_fades))
    # a wrong path or a slip of a whole cycle is no scatter of the phase: the count of such is tested elsewhere
    scatter = np.median(np.abs(errors)) / 0.6745
    assert 0.1 * np.median(stated) < scatter < 1.1 * np.median(stated)


def test_path_cycles_are_the_integral_of_the_path():
    """A parabola of cycles from a straight path, speed held beyond its ends."""
    t = np.arange(0.5, 9.6, 0.25)
    path = kernel.LinePath(t, 0.2 * t, np.ones(t.size))
    at = np.arange(320) / RATE
    cycles = kernel.path_cycles(path, 320, RATE)
    inside = (at >= 0.5) & (at <= t[-1])
    expected = 0.1 * (at**2 - 0.25)
    assert np.max(np.abs(cycles[inside] - expected[inside])) < 1e-9
    assert cycles[0] == pytest.approx(-0.5 * 0.1)
