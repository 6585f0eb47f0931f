"""Orders against published relations and bounds, and against general libraries."""

import numpy as np
import pytest
from scipy import signal, stats

from thrumline.pipeline.contracts import Context, SignalSpec
from thrumline.pipeline.kernels import order_tracking, stopped_orders
from thrumline.pipeline.kernels.amplitude_uncertainty import amplitude_covariance
from thrumline.pipeline.kernels.angle_domain import on_angle, order_spectrum, whole_cycles
from thrumline.pipeline.kernels.tachometer import pulse_instants, pulse_speed, recorded_pulses
from thrumline.pipeline.kernels.zoom import baseband, zoom_plan
from thrumline.plugins.track_speed import TrackSettings, TrackSpeed

pytestmark = pytest.mark.external

FIRING = "firing frequency = rpm/60 x cylinders x 2/strokes, closed form (common practice, no source)"
FYFE_MUNCK = "Fyfe and Munck, Mech. Syst. Signal Process. 11(2), 187-205, 1997 (relation from memory, case worked out)"
RIFE_BOORSTYN = "Rife and Boorstyn, IEEE Trans. Inf. Theory IT-20(5), 591-598, 1974 (real-tone form, from memory)"


@pytest.mark.parametrize(
    ("cylinders", "strokes", "rpm", "hertz", "order"),
    [
        (8, 4, 600.0, 40.0, 4.0), (4, 4, 750.0, 25.0, 2.0), (6, 4, 700.0, 35.0, 3.0), (3, 4, 900.0, 22.5, 1.5),
        (5, 4, 720.0, 30.0, 2.5), (2, 2, 1200.0, 40.0, 2.0),
    ],
)  # fmt: skip
def test_firing_frequency(published, cylinders, strokes, rpm, hertz, order):
    """The zoom opens where the firing line of this engine is."""
    from thrumline.pipeline.contracts import ChannelSpec

    specs = tuple(ChannelSpec(a, "acceleration", "m s-2", "seat rail", a) for a in "xyz")
    sig = SignalSpec(specs, uniform=True, rate_hz=800.0, duration_s=40.0)
    facts = {"cylinders": cylinders, "strokes": strokes, "rpm": rpm, "firing_order": None}
    accumulator = TrackSpeed(TrackSettings()).open(sig, Context(sig, facts=facts), {})
    published("firing order", accumulator.plan.order, order, FIRING, abs=1e-9)
    published("firing frequency, Hz", accumulator.plan.zoom.centers_hz[0], hertz, FIRING, abs=1e-9)


def test_pulse_times_of_constant_acceleration(published):
    """600 rpm, +2 rev/s**2, pulses at 0, 0.099019513593, 0.196152422707 s."""
    times = np.array([0.0, 0.099019513593, 0.196152422707])
    instants = pulse_instants(times, np.array([0.5, 1.5]))
    published("time at half a revolution, s", instants[0], 0.049752469181, FYFE_MUNCK, abs=1e-9)
    published("time at one and a half, s", instants[1], 0.147815070494, FYFE_MUNCK, abs=1e-9)


def test_pulse_speed_of_constant_acceleration(published):
    times = np.array([0.0, 0.099019513593, 0.196152422707])
    _, speed = pulse_speed(times)
    published("b1, rad/s", 2 * np.pi * speed[0], 62.83185307, FYFE_MUNCK, abs=1e-6)
    slope = 2 * np.pi * (speed[1] - speed[0]) / times[1] / 2
    published("b2, rad/s**2", slope, 6.28318531, FYFE_MUNCK, abs=1e-5)


def run_up():
    """600 to 3,000 rpm in 20 s: 5 at order 4 and 2 at order 0.5, sampled at 2 kHz."""
    t = np.arange((20 * 2000) + 1) / 2000.0
    turns = (600 * t + 60 * t**2) / 60
    values = 5 * np.sin(2 * np.pi * 4 * turns + 0.4) + 2 * np.sin(2 * np.pi * 0.5 * turns)
    return t, turns, values


def test_run_up_in_the_angle_domain(published):
    t, turns, values = run_up()
    orders, amplitude = order_spectrum(whole_cycles(on_angle(values, t, turns, 64), 64), 64)
    closed = "run-up 600 to 3,000 rpm in 20 s, closed form"
    published("revolutions", turns[-1], 600.0, closed, abs=1e-9)
    published("order 4", amplitude[np.argmin(np.abs(orders - 4.0))], 5.0, closed, rel=2e-3)
    published("order 0.5", amplitude[np.argmin(np.abs(orders - 0.5))], 2.0, closed, rel=2e-3)


def test_run_up_is_smeared_in_a_plain_spectrum(published):
    """scipy.signal.periodogram of the same signal: both orders below half their amplitude."""
    _, _, values = run_up()
    frequency, power = signal.periodogram(values, 2000.0, "hann", scaling="spectrum")
    amplitude = np.sqrt(2 * power)
    assert amplitude[frequency > 30].max() < 0.5 * 5.0
    assert amplitude[frequency < 30].max() < 0.5 * 2.0


def test_amplitude_scatter_meets_the_bound(published):
    """A = 5, sigma = 20, fs = 1000 Hz, 30 s: no unbiased reading scatters less than 0.163299; ours does within 20 %."""
    rate, n, sigma = 1000.0, 30_000, 20.0
    plan = zoom_plan(rate, (40.0,), (4.0,))
    errors, stated = [], []
    for seed in range(60):
        rng = np.random.default_rng([41, seed])
        x = 5.0 * np.cos(2 * np.pi * 40.0 * np.arange(n) / rate + 1.0) + sigma * rng.standard_normal(n)
        z = baseband(plan, x[None])[0]
        at = plan.delay_s + np.arange(z.shape[-1]) * plan.hop / rate
        run = stopped_orders.StoppedRun(z, at, 40.0 * at)
        band = order_tracking.BandPlan(plan.out_rate_hz, 0.2, 0.3, 3.9, 3.0)
        energy = order_tracking.order_presence([run], band)
        errors.append(np.sqrt(max(energy.square[0], 0.0)) - 5.0)
        stated.append(amplitude_covariance(np.sqrt(np.maximum(energy.square, 0.1)), energy).std(np.ones(1)))
    bound = sigma * np.sqrt(2.0 / n)
    published("bound of the amplitude", bound, 0.163299, RIFE_BOORSTYN, abs=1e-6)
    published("scatter of the reading", np.std(errors), bound, RIFE_BOORSTYN, rel=0.25)
    published("stated uncertainty", np.mean(stated), bound, RIFE_BOORSTYN, rel=0.1)
    assert min(stated) > 0.9 * bound


def test_floor_density_agrees_with_a_general_library(published):
    """One-sided density beside the line, against scipy.signal.welch of the same noise."""
    rng = np.random.default_rng(42)
    x = rng.standard_normal(60_000)
    plan = zoom_plan(800.0, (60.0,), (10.0,))
    z = baseband(plan, x[None])[0]
    at = plan.delay_s + np.arange(z.shape[-1]) * plan.hop / 800.0
    band = order_tracking.BandPlan(plan.out_rate_hz, 0.5, 0.7, 9.5, 5.0)
    floor = order_tracking.order_presence([stopped_orders.StoppedRun(z, at, 60.0 * at)], band).floor[0]
    frequency, density = signal.welch(x, 800.0, nperseg=2000)
    beside = (np.abs(frequency - 60.0) > 0.7) & (np.abs(frequency - 60.0) < 9.5)
    published("floor density", floor, density[beside].mean(), "scipy.signal.welch", rel=0.06)


def test_revolutions_agree_with_a_general_library(published):
    """scipy.integrate.cumulative_trapezoid of the same speed."""
    from scipy.integrate import cumulative_trapezoid

    at = np.arange(0.0, 20.0, 0.25)
    speed = 11.0 + np.sin(at)
    turns = stopped_orders.revolutions(at, at, speed)
    published("revolutions", turns, cumulative_trapezoid(speed, at, initial=0.0), "scipy.integrate", abs=1e-9)


@pytest.mark.parametrize("per_second", [20.3, 61.7, 133.4])
def test_speed_from_a_recorded_tachometer(published, per_second):
    """A pulse of a quarter of its period at 1 kHz, edges between samples; the mean speed by two general routines."""
    t = np.arange(30_000) / 1000.0
    values = np.where(np.mod(per_second * t + 0.4, 1.0) < 0.25, 5.0, 0.0)
    found = recorded_pulses(t, values)
    _, speed = pulse_speed(found.times_s, 1.0, found.placement_std_s)
    peaks, _ = signal.find_peaks(values, plateau_size=1)
    counted = 1000.0 / stats.linregress(np.arange(peaks.size), peaks).slope
    fitted = 1.0 / stats.linregress(np.arange(found.times_s.size), found.times_s).slope
    published("mean speed, 1/s", speed.mean(), counted, "scipy.signal.find_peaks with scipy.stats.linregress", rel=1e-3)
    published("mean speed, 1/s", speed.mean(), fitted, "scipy.stats.linregress over the pulses", rel=5e-4)
