"""Order amplitudes: energy without floor and neighbours, its uncertainty, against closed forms and simulation."""

import numpy as np
import pytest
from scipy.signal import lfilter
from scipy.special import gammainccinv, gammaincinv

from thrumline.pipeline.kernels import order_tracking as kernel
from thrumline.pipeline.kernels import stopped_orders
from thrumline.pipeline.kernels.amplitude_uncertainty import AmplitudeCovariance, amplitude_covariance, believed_excess
from thrumline.pipeline.kernels.neighbours import STICKS_OUT, Beat, Squares, _least_ratio, beats, line_alone
from thrumline.pipeline.kernels.pace import Pace

RATE, SECONDS = 32.0, 32.0
N = int(RATE * SECONDS)
T = np.arange(N) / RATE
PLAN = kernel.BandPlan(RATE, 0.8, 1.04, 6.0, 4.0)


def run(values, cycles=None):
    """A stopped run; the line it comes from turned 40 times a second with a little wander."""
    return stopped_orders.StoppedRun(np.atleast_2d(np.asarray(values, dtype=complex)), T, 40.0 * T if cycles is None else cycles)


def noise(rng, density, n_channel=1):
    """Baseband noise of a real floor of this one-sided density: |z|**2 has twice that per Hz."""
    return (rng.standard_normal((n_channel, N)) + 1j * rng.standard_normal((n_channel, N))) * np.sqrt(density * RATE)


def slow(rng, std, time_s):
    keep = np.exp(-1 / (RATE * time_s))
    drive = rng.standard_normal(N) * std * np.sqrt(1 - keep**2)
    drive[0] = std * rng.standard_normal()
    return lfilter([1.0], [1.0, -keep], drive)


def test_revolutions_are_the_integral_of_a_straight_speed():
    """Speed 10 + 2 t: 10 t + t**2 turns, held speed outside the track."""
    at = np.arange(0.0, 10.1, 0.5)
    t = np.array([-1.0, 0.0, 0.1, 3.3, 10.0, 12.0])
    expected = [-10.0, 0.0, 1.01, 33.0 + 10.89, 200.0, 200.0 + 60.0]
    assert np.allclose(stopped_orders.revolutions(t, at, 10.0 + 2.0 * at), expected, atol=1e-9)


def test_lost_points_of_the_track_are_bridged():
    speed = np.array([10.0, np.nan, np.nan, 13.0])
    turns = stopped_orders.revolutions(np.array([1.5]), np.arange(4.0), speed)
    assert turns[0] == pytest.approx(10.0 * 1.5 + 0.5 * 1.5**2)


def test_stopping_turns_an_order_to_a_constant():
    """A line at 4 x (10 + 0.1 t) Hz, zoomed about 41 Hz, stands still."""
    turns = 10.0 * T + 0.05 * T**2
    z = np.exp(2j * np.pi * (4.0 * turns - 41.0 * T))[None]
    assert np.max(np.abs(stopped_orders.stopped(z, T, 41.0, 4.0 * turns) - 1.0)) < 1e-9


def test_energy_of_a_steady_line_is_its_squared_amplitude():
    energy = kernel.order_energy([run([np.full(N, 3.0), np.full(N, 4.0j)])], PLAN)
    assert np.allclose(energy.square, [9.0, 16.0], rtol=1e-9)


def test_fast_phase_wander_inside_the_band_costs_nothing():
    """The same amplitude with a phase that wanders by radians within the band: energy does not care."""
    phase = 2 * np.pi * np.cumsum(slow(np.random.default_rng(1), 0.06, 3.0)) / RATE
    energy = kernel.order_energy([run(5.0 * np.exp(1j * phase))], PLAN)
    coherent = abs(np.mean(5.0 * np.exp(1j * phase))) ** 2
    assert energy.total[0] == pytest.approx(25.0, rel=0.01)
    assert coherent < 0.8 * 25.0


def test_jump_between_the_ends_is_put_back():
    """A phase drift of half a turn over the record leaks from a record taken as periodic; under 0.05 % stays out."""
    energy = kernel.order_energy([run(2.0 * np.exp(1j * np.pi * T / SECONDS))], PLAN)
    assert np.sqrt(energy.total[0]) == pytest.approx(2.0, rel=5e-4)


def test_floor_is_that_put_in_and_removed():
    """100 records of noise alone: density within 1.5 %, squared amplitude zero within 3.5 standard errors."""
    found = [kernel.order_presence([run(noise(np.random.default_rng([2, k]), 0.5))], PLAN) for k in range(100)]
    squares = np.array([item.square[0] for item in found])
    assert np.mean([item.floor[0] for item in found]) == pytest.approx(0.5, rel=0.015)
    assert abs(squares.mean()) < 3.5 * squares.std() / np.sqrt(100)
    assert squares.std() == pytest.approx(found[0].noise_square_std()[0], rel=0.25)


def test_lines_beside_the_band_do_not_raise_the_floor():
    """60 records with two steady lines 16 and 12 times the floor's root density: within 4 % on the mean."""
    beside = 6.0 * np.exp(2j * np.pi * 3.0 * T) + 4.0 * np.exp(-2j * np.pi * 4.4 * T)
    found = [
        kernel.order_presence([run(noise(np.random.default_rng([3, k]), 0.5) + beside)], PLAN).floor[0]
        for k in range(60)
    ]
    assert np.mean(found) == pytest.approx(0.5, rel=0.04)


def test_wandering_line_beside_the_band_raises_the_floor_little():
    """A line that wanders by 0.5 Hz at 4.5 Hz away, ten times the floor there: a plain mean reads 60 % high."""
    found, plain = [], []
    for k in range(40):
        rng = np.random.default_rng([14, k])
        turns = np.cumsum(4.5 + slow(rng, 0.5, 1.0)) / RATE
        z = noise(rng, 0.5, 3) + 3.0 * np.exp(2j * np.pi * turns)
        found.append(kernel.order_presence([run(z)], PLAN).floor.mean())
        power = np.abs(np.fft.fft(z * np.hanning(N), axis=-1)) ** 2 / (np.sum(np.hanning(N) ** 2) * RATE)
        away = np.abs(np.fft.fftfreq(N, 1.0 / RATE))
        plain.append(0.5 * power[:, (away > PLAN.floor_from_hz) & (away <= PLAN.floor_to_hz)].mean())
    assert np.mean(plain) > 1.5 * 0.5
    assert np.mean(found) == pytest.approx(0.5, rel=0.06)


@pytest.mark.parametrize("ratio_db", [10.0, 20.0, 30.0])
def test_amplitude_in_noise_is_unbiased_and_its_uncertainty_right(ratio_db):
    """80 records: mean error within 3.5 standard errors, normalised error between 0.8 and 1.2."""
    amplitude, density = 10.0, 50.0 / 10 ** (ratio_db / 10)
    errors, normal = [], []
    for seed in range(80):
        rng = np.random.default_rng([4, seed])
        energy = kernel.order_energy([run(amplitude + noise(rng, density))], PLAN)
        found = np.sqrt(energy.square)
        std = amplitude_covariance(found, energy).std(np.ones(1))
        errors.append(found[0] - amplitude)
        normal.append(errors[-1] / std)
        assert std >= np.sqrt(density / SECONDS) * 0.8
    assert abs(np.mean(errors)) < 3.5 * np.std(errors) / np.sqrt(80)
    assert 0.8 < np.std(normal) < 1.2


def test_uncertainty_is_never_below_the_floor_alone():
    """sqrt(S/T), Cramer-Rao, holds whatever the scatter of one record happens to be."""
    for seed in range(50):
        energy = kernel.order_energy([run(10.0 + noise(np.random.default_rng([5, seed]), 0.05))], PLAN)
        std = amplitude_covariance(np.sqrt(energy.square), energy).std(np.ones(1))
        assert std >= np.sqrt(energy.floor[0] / energy.seconds)


def test_uncertainty_holds_the_scatter_of_a_modulated_line():
    """Modulation of 3 % that forgets itself in 0.4 s: stated within a factor 1.5, where sqrt(S/T) is far too small."""
    errors, stated, floor_only = [], [], []
    for seed in range(80):
        rng = np.random.default_rng([6, seed])
        energy = kernel.order_energy([run(10.0 * (1.0 + slow(rng, 0.03, 0.4)) + noise(rng, 0.002))], PLAN)
        errors.append(np.sqrt(energy.square[0]) - 10.0)
        stated.append(amplitude_covariance(np.sqrt(energy.square), energy).std(np.ones(1)))
        floor_only.append(np.sqrt(energy.floor[0] / energy.seconds))
    scatter = np.std(errors)
    assert scatter / 1.5 < np.sqrt(np.mean(np.square(stated))) < scatter * 1.5
    assert np.mean(floor_only) < scatter / 1.5


def test_modulation_common_to_all_axes_does_not_average_out():
    """Two axes modulated together: their mean is as uncertain as each; floors alone would average."""
    rng = np.random.default_rng(7)
    common = 1.0 + slow(rng, 0.05, 0.4)
    energy = kernel.order_energy([run(np.stack([10.0 * common, 10.0 * common]) + noise(rng, 1e-4, 2))], PLAN)
    covariance = amplitude_covariance(np.sqrt(energy.square), energy)
    mean = covariance.std(np.array([0.5, 0.5]))
    assert mean == pytest.approx(covariance.std(np.array([1.0, 0.0])), rel=0.02)


def test_independent_floors_average_out():
    covariance = AmplitudeCovariance(np.array([1.0, 1.0]), np.eye(2), 12)
    assert covariance.std(np.array([0.5, 0.5])) == pytest.approx(np.sqrt(0.5))


def test_excess_of_chance_size_is_half_believed_and_a_large_one_wholly():
    assert believed_excess(1.25, 1.0, 16) == pytest.approx(0.125)
    assert believed_excess(100.0, 1.0, 16) == pytest.approx(99.0, rel=1e-4)
    assert believed_excess(0.7, 1.0, 16) == 0.0


@pytest.mark.parametrize("share", [0.2, 0.5, 0.8])
def test_neighbour_in_the_band_is_taken_out_by_its_beat(share):
    """Line 10 and neighbour 0.45 Hz away: the line alone within 0.5 %, where the band holds far more."""
    energy = kernel.order_energy([run(10.0 + 10.0 * share * np.exp(2j * np.pi * 0.45 * T))], PLAN)
    assert np.sqrt(energy.square[0]) == pytest.approx(10.0, rel=5e-3)
    assert np.sqrt(energy.total[0]) == pytest.approx(10.0 * np.sqrt(1.0 + share**2), rel=5e-3)
    away, found_share, clock = energy.neighbours()[0]
    assert (abs(away), found_share) == (pytest.approx(0.45, abs=0.01), pytest.approx(share, rel=0.02))
    assert clock == "angle"


def wandering_cycles(rng, std_hz=0.5):
    return 40.0 * T + np.cumsum(slow(rng, std_hz, 3.0)) / RATE


def test_fixed_frequency_beside_a_wandering_line_is_known_by_its_clock():
    """A 40.6 Hz hum beside a line that wanders about 40 Hz: smeared on the angle, sharp in time."""
    rng = np.random.default_rng(9)
    cycles = wandering_cycles(rng, 0.25)
    hum = 3.0 * np.exp(2j * np.pi * (40.6 * T - cycles))
    energy = kernel.order_energy([run(10.0 + hum + noise(rng, 1e-3), cycles)], PLAN)
    _, share, clock = max(energy.neighbours(), key=lambda item: item[1])
    assert clock == "time"
    assert share == pytest.approx(0.3, rel=0.1)
    assert np.sqrt(energy.square[0]) == pytest.approx(10.0, rel=0.01)


def test_accessory_beside_a_wandering_line_is_known_by_its_clock():
    """A ratio of 1.012 to the line: sharp on the crank angle however the speed wanders."""
    rng = np.random.default_rng(10)
    cycles = wandering_cycles(rng, 0.6)
    energy = kernel.order_energy([run(10.0 + 3.0 * np.exp(2j * np.pi * 0.012 * cycles) + noise(rng, 1e-3), cycles)], PLAN)
    assert [item[2] for item in energy.neighbours()] == ["angle"]
    assert np.sqrt(energy.square[0]) == pytest.approx(10.0, rel=5e-3)


def test_no_neighbour_is_seen_in_noise_or_in_modulation():
    """40 records each of a line in noise and a modulated line: at most one false beat."""
    false = 0
    for seed in range(40):
        rng = np.random.default_rng([11, seed])
        for gain in (1.0, 1.0 + slow(rng, 0.03, 0.4)):
            false += bool(kernel.order_energy([run(10.0 * gain + noise(rng, 0.05))], PLAN).beats)
    assert false <= 1


def test_two_neighbours_and_their_own_beat():
    """Neighbours at +0.3 and -0.5 Hz beat with each other at 0.8 Hz: that one is not counted as a third."""
    z = 10.0 + 3.0 * np.exp(2j * np.pi * 0.3 * T) + 2.5 * np.exp(-2j * np.pi * 0.5 * T + 1j)
    energy = kernel.order_energy([run(z + noise(np.random.default_rng(13), 1e-3))], PLAN)
    assert sorted(round(abs(item[0]), 2) for item in energy.neighbours()) == [0.3, 0.5]
    assert np.sqrt(energy.square[0]) == pytest.approx(10.0, rel=0.01)


def test_line_alone_is_the_upper_root():
    """A = 4, a = 3: total 25, beat 24, and back."""
    alone = line_alone(np.array([25.0]), [Beat("angle", 0.4, np.array([24.0**2]), np.zeros(1))])
    assert alone.square[0] == pytest.approx(16.0)
    assert alone.by_total[0] == pytest.approx(16.0 / (16.0 - 9.0))


def test_runs_of_one_capture_count_by_their_length():
    """Amplitude 1 for 24 s and 2 for 8 s: mean square 1.75."""
    long = stopped_orders.StoppedRun(np.full((1, 768), 1.0 + 0j), T[:768], 40.0 * T[:768])
    short = stopped_orders.StoppedRun(np.full((1, 256), 2.0 + 0j), 50.0 + T[:256], 40.0 * T[:256])
    assert kernel.order_energy([long, short], PLAN).square[0] == pytest.approx(1.75, rel=1e-6)


def test_scaling_the_signal_scales_the_reading():
    rng = np.random.default_rng(12)
    z = 10.0 + noise(rng, 0.05, 2)
    one, other = (kernel.order_energy([run(k * z)], PLAN) for k in (1.0, 1e-4))
    assert np.allclose(other.square, 1e-8 * one.square, rtol=1e-9)
    assert np.allclose(other.floor, 1e-8 * one.floor, rtol=1e-9)


def test_beats_need_eight_cells_to_look_in():
    """A record of two seconds has no room for a beat: none is claimed."""
    short = Squares(np.ones((1, 64)), Pace(T[:64], 40.0 * T[:64]))
    assert beats([short], 0.8)[0] == []


def test_weak_order_over_time_keeps_its_mean_square():
    """Amplitude 1 in a floor as strong as itself in the band: mean of a |a| within 5 %; set to nothing, over 10 % high."""
    density, signed, held = 1.0 / (4.0 * PLAN.half_band_hz), [], []
    for k in range(200):
        z = 1.0 + noise(np.random.default_rng([15, k]), density, 2)
        _, track = kernel.amplitude_over_time(run(z), np.full(2, density), PLAN, 0.5)
        signed.append(np.mean(track * np.abs(track)))
        held.append(np.mean(np.maximum(track, 0.0) ** 2))
    assert np.mean(signed) == pytest.approx(1.0, rel=0.05)
    assert np.mean(held) > 1.1


def test_neighbours_at_one_and_two_steps_make_the_line_less_sure():
    """Beats 0.8 and 0.4 at 0.75 and 1.5 Hz: their own beat, 0.16 in amplitude, falls on the first; apart it does not."""
    def beat(away, amplitude):
        return Beat("angle", away, np.array([amplitude**2]), np.array([1e-8]))

    total = np.array([1.0])
    together, apart = (line_alone(total, [beat(0.75, 0.8), beat(away, 0.4)]) for away in (1.5, 2.2))
    assert together.square[0] == pytest.approx(apart.square[0])
    by_beat = 0.5 * 0.8 / np.sqrt(1.0 - 0.64 - 0.16)
    added = by_beat**2 * 0.16**2 / 2.0
    assert together.beat_variance[0] - apart.beat_variance[0] > 0.99 * added
    assert apart.beat_variance[0] < 0.1 * added


def test_channels_that_scatter_independently_show_a_beat_soonest():
    """What passes over a beat unless all channels were independent never passes over one of fewer parts."""
    n_parts = np.arange(1.0, 13.0, 0.05)
    at_least = gammainccinv(n_parts, np.exp(-STICKS_OUT)) / gammaincinv(n_parts, 0.5)
    assert np.all(np.diff(at_least) < 0.0)
    for n in (1, 3, 12):
        assert _least_ratio(n) == pytest.approx(gammainccinv(n, np.exp(-STICKS_OUT)) / gammaincinv(n, 0.5), rel=2e-6)
