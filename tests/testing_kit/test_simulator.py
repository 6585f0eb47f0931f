"""The simulator puts in what its truth says: processes, lines, disturbances, converter."""

import numpy as np
import pytest
from scipy import signal

from thrumline.pipeline.contracts.units import MILLI_G, STANDARD_GRAVITY
from thrumline.pipeline.testing import (
    IdleSpec,
    LoadState,
    Slam,
    idle_capture,
    steady_sine,
    two_sines,
    white_noise,
)
from thrumline.pipeline.testing.components import noise_of_density, sensor_turn, wandering

CLEAN = IdleSpec(floor_mg_rthz=0.0, gravity=False, am=0.0)


def lock_in(values, angle):
    """Least-squares peak amplitude per channel of one line whose angle is known exactly."""
    basis = np.stack([np.sin(angle), np.cos(angle)], axis=1)
    weights, *_ = np.linalg.lstsq(basis, values.T, rcond=None)
    return np.hypot(*weights)


def true_angle(capture, ratio):
    steps = (capture.speed_hz[1:] + capture.speed_hz[:-1]) * np.pi / capture.rate_hz
    return ratio * np.concatenate([[0.0], np.cumsum(steps)])


def test_amplitude_on_the_true_angle_is_the_stated_one():
    """Demodulating with the true angle gives back the stated amplitude to rounding."""
    capture = idle_capture(CLEAN, seed=3)
    found = lock_in(capture.acceleration, true_angle(capture, 2.0)) / MILLI_G
    np.testing.assert_allclose(found, CLEAN.amplitude_mg, rtol=1e-10)


def test_every_line_is_there_with_its_own_amplitude():
    """A joint fit of all lines on their true angles leaves nothing over."""
    spec = IdleSpec(
        floor_mg_rthz=0.0, gravity=False, am=0.0, orders=((1.0, 2.0), (4.0, (1.0, 2.0, 0.5))),
        accessories=((1.41, 0.7),), fixed=((50.0, 0.4),),
    )  # fmt: skip
    capture = idle_capture(spec, seed=5)
    angles = [true_angle(capture, line.ratio) for line in capture.lines[:-1]]
    angles.append(2 * np.pi * 50.0 * capture.time_s)
    basis = np.concatenate([[np.sin(a), np.cos(a)] for a in angles])
    weights, *_ = np.linalg.lstsq(basis.T, capture.acceleration.T, rcond=None)
    found = np.hypot(weights[::2], weights[1::2]) / MILLI_G
    wanted = np.array([line.amplitude for line in capture.lines]) / MILLI_G
    np.testing.assert_allclose(found, wanted, rtol=1e-9)
    assert wanted[2].tolist() == pytest.approx([1.0, 2.0, 0.5])
    assert wanted[1].max() == pytest.approx(2.0)


def test_mean_amplitude_over_an_interval_counts_modulation():
    """Demodulating one second's worth agrees with the mean of the gain over that second."""
    spec = IdleSpec(floor_mg_rthz=0.0, gravity=False, am=0.03, wander=0.0, rpm=600.0, rate_hz=1000.0)
    capture = idle_capture(spec, seed=8)
    piece = capture.within(10.0, 40.0)
    angle = true_angle(capture, 2.0)[piece]
    phase = np.exp(-1j * (angle[None, :] + np.angle(capture.lines[0].phasor)[:, None]))
    found = np.abs(2.0 * np.mean(capture.acceleration[:, piece] * phase, axis=1))
    np.testing.assert_allclose(found, capture.mean_amplitude(None, 10.0, 40.0), rtol=2e-4)


def test_same_seed_same_samples_other_seed_other_samples():
    spec = IdleSpec(taps_s=(2.0,), slam=Slam(20.0))
    first, again, other = (idle_capture(spec, seed) for seed in (1, 1, 2))
    assert np.array_equal(first.acceleration, again.acceleration)
    assert not np.array_equal(first.acceleration, other.acceleration)


def test_wandering_has_the_stated_spread_and_memory():
    """Autocorrelation of an Ornstein-Uhlenbeck process: std**2 * exp(-lag / tau)."""
    rng = np.random.default_rng(4)
    x = wandering(4_000_000, 100.0, 0.004, 3.0, rng)
    assert x.std() == pytest.approx(0.004, rel=0.03)
    for lag_s in (1.0, 3.0, 6.0):
        lag = round(lag_s * 100.0)
        found = np.mean(x[:-lag] * x[lag:]) / 0.004**2
        assert found == pytest.approx(np.exp(-lag_s / 3.0), abs=0.03)


def test_wandering_starts_stationary():
    """The first sample spreads as the process does: there is no run-in."""
    starts = [wandering(2, 100.0, 1.0, 3.0, np.random.default_rng(seed))[0] for seed in range(4000)]
    assert np.std(starts) == pytest.approx(1.0, rel=0.05)


def test_floor_density_is_the_stated_one():
    """White floor of 0.12 mg/sqrt(Hz) read by another library's spectrum estimate."""
    capture = idle_capture(IdleSpec(amplitude_mg=(0.0, 0.0, 0.0), rate_hz=1000.0, duration_s=60.0), seed=2)
    frequency, density = signal.welch(capture.acceleration, 1000.0, nperseg=1000)
    inside = (frequency > 5) & (frequency < 480)
    found = np.sqrt(density[:, inside].mean(axis=-1)) / MILLI_G
    np.testing.assert_allclose(found, 0.12, rtol=0.02)


def test_coloured_floor_rises_below_its_corner():
    """Density sqrt(1 + corner / f): twice the power at the corner, flat well above it."""
    rng = np.random.default_rng(6)
    noise = noise_of_density(600_000, 1000.0, np.array([1.0]), rng, corner_hz=20.0)
    frequency, density = signal.welch(noise[0], 1000.0, nperseg=2000)
    at_corner = density[(frequency > 18) & (frequency < 22)].mean()
    above = density[(frequency > 350) & (frequency < 450)].mean()
    assert at_corner == pytest.approx(2.0, rel=0.06)
    assert above == pytest.approx(1.05, rel=0.03)


def test_gravity_points_up_and_turns_with_the_sensor():
    spec = IdleSpec(amplitude_mg=(0.0, 0.0, 0.0), floor_mg_rthz=0.0)
    level = idle_capture(spec, 0).acceleration.mean(axis=1)
    np.testing.assert_allclose(level, [0.0, 0.0, STANDARD_GRAVITY], atol=1e-12)
    tilted = idle_capture(IdleSpec(amplitude_mg=(0.0,) * 3, floor_mg_rthz=0.0, tilt_deg=(5.0, 0.0)), 0)
    found = tilted.acceleration.mean(axis=1)
    angle = np.degrees(np.arccos(found @ level / np.linalg.norm(found) / np.linalg.norm(level)))
    assert angle == pytest.approx(5.0, abs=1e-9)


def test_tilt_changes_the_mean_of_axes_and_not_the_rss():
    """Vertical motion under 5 degrees of tilt: the mean of axes rises by cos + sin - 1 = 8.3 %."""
    straight = idle_capture(IdleSpec(amplitude_mg=(0.0, 0.0, 9.0)), 1).mean_amplitude()
    tilted = idle_capture(IdleSpec(amplitude_mg=(0.0, 0.0, 9.0), tilt_deg=(5.0, 0.0)), 1).mean_amplitude()
    assert np.linalg.norm(tilted) == pytest.approx(np.linalg.norm(straight), rel=1e-12)
    rise = tilted.mean() / straight.mean() - 1.0
    assert rise == pytest.approx(np.cos(np.radians(5)) + np.sin(np.radians(5)) - 1.0, rel=1e-9)
    assert 100 * rise == pytest.approx(8.3, abs=0.05)


def test_turn_is_a_rotation():
    turn = sensor_turn(12.0, -7.0)
    np.testing.assert_allclose(turn @ turn.T, np.eye(3), atol=1e-12)
    assert np.linalg.det(turn) == pytest.approx(1.0)


def test_converter_rounds_to_its_step_and_holds_at_full_scale():
    spec = IdleSpec(step=0.05, full_scale=9.85)
    samples = idle_capture(spec, 4).acceleration
    assert np.max(samples) <= 9.85 + 1e-12
    np.testing.assert_allclose(samples / 0.05, np.round(samples / 0.05), atol=1e-9)
    assert np.mean(samples[2] > 9.84) > 0.05


def test_taps_and_slam_stand_where_they_were_put():
    spec = IdleSpec(taps_s=(3.0,), slam=Slam(at_s=20.0, level_mg=60.0, duration_s=0.8), am=0.0)
    quiet = idle_capture(IdleSpec(am=0.0), 6)
    extra = (idle_capture(spec, 6).acceleration - quiet.acceleration)[2] / MILLI_G
    assert np.max(np.abs(extra[quiet.within(20.0, 20.8)])) == pytest.approx(60.0, rel=1e-6)
    assert np.max(np.abs(extra[quiet.within(3.0, 3.2)])) > 80.0
    assert np.max(np.abs(extra[quiet.within(5.0, 19.9)])) < 1e-6
    assert np.max(np.abs(extra[quiet.within(21.0, None)])) < 1e-6


def test_load_state_scales_amplitude_and_speed_from_its_start():
    states = (LoadState(start_s=20.0, amplitude=1.4, speed=0.97),)
    capture = idle_capture(IdleSpec(am=0.0, wander=0.0, load_states=states), 2)
    before, after = capture.mean_amplitude(None, 0.0, 20.0), capture.mean_amplitude(None, 21.0, 42.0)
    np.testing.assert_allclose(after / before, 1.4, rtol=1e-12)
    assert capture.mean_speed_hz(21.0) / capture.mean_speed_hz(0.0, 20.0) == pytest.approx(0.97)


def test_hunting_spreads_speed_as_a_sine_does():
    """A slow sine of relative peak p has standard deviation p / sqrt(2)."""
    capture = idle_capture(IdleSpec(hunt=(0.045, 7.0), wander=0.0), 2)
    relative = capture.speed_hz / capture.speed_hz.mean() - 1.0
    assert relative.std() == pytest.approx(0.045 / np.sqrt(2), rel=0.02)


def test_run_up_goes_straight_from_start_to_end():
    capture = idle_capture(IdleSpec(rpm=700.0, run_to_rpm=2800.0, wander=0.0), 2)
    assert capture.speed_at(21.0) * 60 == pytest.approx(1750.0, abs=0.1)
    assert capture.speed_hz[-1] * 60 == pytest.approx(2800.0, rel=1e-4)


@pytest.mark.parametrize(
    ("cylinders", "strokes", "stated", "order"),
    [(8, 4, None, 4.0), (4, 4, None, 2.0), (3, 4, None, 1.5), (2, 2, None, 2.0), (4, 4, 0.5, 0.5)],
)
def test_firing_order_follows_cylinders_and_strokes(cylinders, strokes, stated, order):
    assert IdleSpec(cylinders=cylinders, strokes=strokes, firing_order=stated).order == order


def test_lost_samples_leave_the_other_stamps_alone():
    whole = idle_capture(IdleSpec(), 9)
    holed = whole.without([(10.0, 12.0), (30.0, 32.0)])
    assert len(whole.time_s) - len(holed.time_s) == 2 * 2 * 800
    keep = np.isin(whole.time_s, holed.time_s)
    assert np.array_equal(whole.acceleration[:, keep], holed.acceleration)
    assert not np.any((holed.time_s >= 10.0) & (holed.time_s < 12.0))


def test_closed_forms_are_what_they_say():
    one = steady_sine(50.0, 2.0, rate_hz=1000.0, duration_s=2.0, phase_rad=0.3)
    np.testing.assert_allclose(one.acceleration[0], 2.0 * np.sin(100 * np.pi * one.time_s + 0.3), atol=1e-12)
    both = two_sines((20.0, 1.0), (21.0, 0.5), duration_s=2.0)
    wanted = np.sin(40 * np.pi * both.time_s) + 0.5 * np.sin(42 * np.pi * both.time_s)
    np.testing.assert_allclose(both.acceleration[0], wanted, atol=1e-12)
    noise = white_noise([0.01, 0.02], seed=1, rate_hz=1000.0, duration_s=200.0)
    np.testing.assert_allclose(noise.acceleration.std(axis=1), np.array([0.01, 0.02]) * np.sqrt(500.0), rtol=0.01)


def test_unknown_line_is_refused():
    with pytest.raises(KeyError):
        idle_capture(IdleSpec(), 0).line(7.0)


def test_more_channels_than_three_turn_in_threes():
    spec = IdleSpec(amplitude_mg=(1.0, 2.0, 3.0) * 2, floor_mg_rthz=0.0, tilt_deg=(0.0, 90.0))
    capture = idle_capture(spec, 0)
    assert capture.acceleration.shape[0] == 6
    np.testing.assert_allclose(np.abs(capture.acceleration.mean(axis=1))[[0, 3]], STANDARD_GRAVITY, rtol=1e-3)
