"""Resampling against closed forms, published bounds, scipy and astropy."""

import numpy as np
import pytest
from scipy import signal

from thrumline.pipeline.kernels.resampling import RateConverter, conversion_plan, conversion_response
from thrumline.pipeline.kernels.uneven_resampling import GridResampler

pytestmark = pytest.mark.external

TARGET = "own target, no source: 0.01 dB to 0.8 of the lower Nyquist frequency, -80 dB beyond it"
KAISER = "J. F. Kaiser, System Analysis by Digital Computer, 1966, ch. 7"
REMAINDER = "interpolation remainder h**2 max|f''| / 8 (any textbook of numerical analysis)"
RATES = [(1024.0, 1000.0), (1000.0, 500.0), (500.0, 512.0), (333.0, 1000.0), (104.26, 100.0), (3200.0, 400.0)]


def converted(values, rate_in, rate_out):
    converter = RateConverter(conversion_plan(rate_in, rate_out))
    return np.concatenate([converter.push(values), converter.flush()], axis=1)


def inner(values, rate_in, rate_out):
    edge = int(conversion_plan(rate_in, rate_out).taps * rate_out / rate_in) + 2
    return values[..., edge:-edge]


@pytest.mark.parametrize(("rate_in", "rate_out"), RATES)
@pytest.mark.parametrize("share", [0.05, 0.4, 0.8])
def test_pass_band_is_flat_within_a_hundredth_decibel(rate_in, rate_out, share, published):
    """A sine comes out as the same sine: amplitude by least squares, and no more than 80 dB of anything else."""
    f = share * 0.5 * min(rate_in, rate_out)
    t = np.arange(int(30 * rate_in)) / rate_in
    made = converted(np.sin(2 * np.pi * f * t + 0.4)[None], rate_in, rate_out)[0]
    u = np.arange(made.size) / rate_out
    expected = np.sin(2 * np.pi * f * u + 0.4)
    a, b = inner(made, rate_in, rate_out), inner(expected, rate_in, rate_out)
    gain = float(a @ b / (b @ b))
    published(f"gain dB at {share} Nyquist", 20 * np.log10(gain), 0.0, TARGET, abs=0.01)
    assert 20 * np.log10(np.std(a - gain * b) * np.sqrt(2)) < -80


@pytest.mark.parametrize(("rate_in", "rate_out"), [(1000.0, 500.0), (3200.0, 400.0), (1024.0, 600.0)])
@pytest.mark.parametrize("share", [1.0, 1.1, 1.55])
def test_what_would_fold_is_80_decibels_down(rate_in, rate_out, share):
    """Own target, no source: a sine above the new Nyquist frequency leaves nothing behind."""
    f = share * 0.5 * rate_out
    assert f < 0.5 * rate_in
    t = np.arange(int(30 * rate_in)) / rate_in
    made = converted(np.sin(2 * np.pi * f * t + 0.4)[None], rate_in, rate_out)
    assert 20 * np.log10(np.abs(inner(made, rate_in, rate_out)).max()) < -80


def test_impulse_response_is_kaisers(published):
    """The same samples as scipy's windowed-sinc design with this beta and cut-off, unit gain."""
    plan = conversion_plan(1000.0, 500.0)
    half = int(np.floor(plan.half_s * 1000.0))
    found = conversion_response(plan, np.arange(-half, half + 1) / 1000.0)
    # firwin's window ends on its first and last tap, ours ends at half_s
    lag = np.arange(-half, half + 1) / 1000.0
    window = np.i0(plan.beta * np.sqrt(1 - (lag / plan.half_s) ** 2)) / np.i0(plan.beta)
    theirs = signal.firwin(2 * half + 1, plan.cut_hz, window="boxcar", fs=1000.0, scale=False) * window
    published("impulse response", found, theirs, "scipy.signal.firwin and numpy.i0", abs=1e-9)
    published("beta at 90 dB", plan.beta, 0.1102 * (90 - 8.7), KAISER, rel=1e-12)


def test_measured_stop_band_of_the_design(published):
    """scipy.signal.freqz of the taps: below -80 dB from the new Nyquist frequency on, within 0.01 dB below 0.8."""
    plan = conversion_plan(1000.0, 500.0)
    taps = conversion_response(plan, np.arange(-plan.taps // 2, plan.taps // 2 + 1) / 1000.0)
    f, response = signal.freqz(taps, worN=8192, fs=1000.0)
    level = 20 * np.log10(np.maximum(np.abs(response), 1e-12))
    assert level[f >= 250.0].max() < -80
    published("pass band dB", np.abs(level[f <= 200.0]).max(), 0.0, "scipy.signal.freqz", abs=0.01)


def test_agrees_with_scipy_polyphase_on_a_sine(published):
    """1024 to 1000 Hz, 40 Hz: scipy's default filter errs by up to 0.15 %, ours may differ by that much."""
    t = np.arange(10_240) / 1024.0
    values = np.sin(2 * np.pi * 40 * t)
    theirs = signal.resample_poly(values, 125, 128)
    ours = converted(values[None], 1024.0, 1000.0)[0]
    published("samples", ours[200:9800], theirs[200:9800], "scipy.signal.resample_poly", abs=1.6e-3)


def test_agrees_with_fourier_resampling_of_a_periodic_record(published):
    """scipy.signal.resample is exact for whole periods; the middle of ours must be the same."""
    t = np.arange(4096) / 1024.0
    values = sum(np.sin(2 * np.pi * f * t + f) for f in (10.0, 40.0, 111.0, 200.0))
    theirs = signal.resample(values, 2400)
    ours = converted(values[None], 1024.0, 600.0)[0]
    published("samples", ours[200:2200], theirs[200:2200], "scipy.signal.resample", abs=3e-4)


@pytest.mark.parametrize("row", range(5))
def test_linear_interpolation_costs_what_is_published_and_ours_does_not(row, reference, published):
    """Error at mid-sample 1 - cos(pi f / fs): linear interpolation has it, band-limited does not."""
    names = list(reference["linear_interpolation"][row])
    case = reference["linear_interpolation"][row]
    share = case["f_over_fs"]
    n = np.arange(4000)
    values = np.cos(2 * np.pi * share * (n - 0.5))
    linear = 1.0 - np.max(np.interp(n[:-1] + 0.5, n, values))
    assert "mid_point_err" in names
    published(f"linear, f/fs {share}", linear, case["mid_point_err"], REMAINDER, abs=2e-3 * case["mid_point_err"] + 1e-6)
    ours = converted(values[None], 1000.0, 2000.0)[0]
    published(f"ours, f/fs {share}", np.abs(ours[401:3801:2]).max(), 1.0, TARGET, abs=1.2e-3)


@pytest.mark.parametrize("jitter", [0.0, 0.1, 0.3])
@pytest.mark.parametrize("share", [0.1, 0.5, 0.8])
def test_stamped_sine_comes_out_as_the_same_sine(jitter, share, published):
    """Stamps off the grid by up to 0.3 steps; -80 dB of error up to 0.8 of the Nyquist frequency."""
    rng = np.random.default_rng(6)
    t = (np.arange(3000) + rng.uniform(-jitter, jitter, 3000)) / 333.0
    f = share * 333.0 / 2
    grid = GridResampler(333.0)
    values = np.sin(2 * np.pi * f * t + 0.3)[None]
    made = np.concatenate([grid.push(values, t), grid.flush()], axis=1)[0]
    u = t[0] + np.arange(made.size) / 333.0
    published("samples", made[70:-70], np.sin(2 * np.pi * f * u[70:-70] + 0.3), TARGET, abs=1e-4)


def test_jitter_left_uncorrected_would_cost_what_is_published(published):
    """Noise over signal 2 pi f sigma: 40 Hz, 0.1 ms rms, 2.51 %; on the grid it is gone."""
    rng = np.random.default_rng(7)
    t = np.arange(20_000) / 1000.0 + rng.standard_normal(20_000) * 1e-4
    values = np.sin(2 * np.pi * 40 * t)
    ideal = np.sin(2 * np.pi * 40 * np.arange(20_000) / 1000.0)
    published("noise over signal", np.std(values - ideal) / np.std(ideal), 0.0251327, "2 pi f sigma", rel=0.02)
    grid = GridResampler(1000.0)
    made = np.concatenate([grid.push(values[None], t), grid.flush()], axis=1)[0]
    u = t[0] + np.arange(made.size) / 1000.0
    left = np.std(made[100:-100] - np.sin(2 * np.pi * 40 * u[100:-100])) / np.std(ideal)
    assert left < 1e-4


def test_amplitude_after_resampling_is_that_of_astropys_fit(published):
    """astropy's least-squares periodogram of the uneven samples, 40 Hz and amplitude 5, as the second opinion."""
    timeseries = pytest.importorskip("astropy.timeseries")
    rng = np.random.default_rng(8)
    t = (np.arange(9000) + rng.uniform(-0.35, 0.35, 9000)) / 300.0
    values = 5 * np.sin(2 * np.pi * 40 * t) + 2 * np.sin(2 * np.pi * 63.7 * t + 1)
    fit = timeseries.LombScargle(t, values, nterms=1).model_parameters(40.0)
    theirs = np.hypot(fit[1], fit[2])
    grid = GridResampler(300.0)
    made = np.concatenate([grid.push(values[None], t), grid.flush()], axis=1)[0]
    u = t[0] + np.arange(made.size) / 300.0
    ours = np.abs(2 * np.mean(made[:8700] * np.exp(-2j * np.pi * 40 * u[:8700])))
    published("amplitude", ours, theirs, "astropy.timeseries.LombScargle", rel=2e-3)
    published("amplitude", ours, 5.0, "closed form", rel=2e-3)
