"""Averages that count, confidence bands and the least uncertainty of a line, against published numbers."""

import numpy as np
import pytest
from scipy import stats

from thrumline.pipeline.kernels.line_fit import measured_line
from thrumline.pipeline.kernels.lines import LineSpectrum, noise_floor
from thrumline.pipeline.kernels.spectra import (
    SpectralSum,
    SpectrumPlan,
    chi_square_band,
    coherent_averages,
    effective_averages,
)

pytestmark = pytest.mark.external

WELCH = "P. D. Welch, IEEE Trans. Audio Electroacoust. AU-15(2), 70-73, 1967"
BENDAT = "J. S. Bendat, A. G. Piersol, Random Data, 4th ed., 2010, ch. 8 (recollected)"
RIFE = "D. C. Rife, R. R. Boorstyn, IEEE Trans. Inf. Theory IT-20(5), 591-598, 1974; S. M. Kay, 1993, ex. 3.14"
TRIANGLE = tuple([0.5] + [4 / np.pi**2 / k**2 if k % 2 else 0.0 for k in range(1, 200)])


def plan(length, hop, window="hann"):
    return SpectrumPlan(1000.0, length, hop, window=window)


@pytest.mark.parametrize(
    ("window", "hop", "factor", "tolerance"),
    [("hann", 2048, 19 / 18, 1e-5), ("hann", 1024, 1.9246397, 1e-6), (TRIANGLE, 2048, 9 / 8, 1e-4)],
)
def test_variance_factor_of_many_segments(window, hop, factor, tolerance, published):
    """Hann 19/18 at half overlap and 1.9246 at three quarters, triangle 9/8."""
    count = 10_000_000
    found = count / effective_averages(plan(4096, hop, window), (count,))
    published("variance factor", found, factor, WELCH, rel=tolerance)


@pytest.mark.parametrize("case", range(5))
def test_worked_cases_of_hann(case, reference, published):
    """Segments, averages, random error and 95 % factors of five records."""
    row = reference["welch"][case]
    length = row["L"]
    hop = round(length * (1 - row["overlap"]))
    samples = round(row["T_s"] * row["fs_Hz"])
    count = (samples - length) // hop + 1
    published("segments", count, row["K"], WELCH, abs=0)
    found = effective_averages(plan(length, hop), (count,))
    published("averages that count", found, row["n_eff"], WELCH, rel=1e-4)
    published("random error", 1 / np.sqrt(found), row["random_error"], BENDAT, rel=1e-4)
    published("95 % factors", chi_square_band(found), row["ci95_mult"], BENDAT, rel=2e-4)


def test_band_of_sixteen_separate_averages(published):
    """32 degrees of freedom: 32 / 49.480 and 32 / 18.291."""
    found = chi_square_band(effective_averages(plan(1024, 1024), (16,)))
    published("95 % factors", found, (0.6467, 1.7495), BENDAT, abs=1e-4)
    published("95 % factors", found, (32 / 49.480, 32 / 18.291), BENDAT, abs=1e-4)


def test_band_covers_what_it_claims():
    """Simulated noise (scipy.stats as the judge): 95 % bands hold the true density in 93 to 97 % of 3,000 bins."""
    rng = np.random.default_rng(21)
    sums = SpectralSum(SpectrumPlan(1.0, 64, 32), 100)
    sums.push(rng.standard_normal((100, 640)))
    result = sums.result()
    density = result.scaled("density").values[:, 2:-2]
    low, high = result.confidence_band()
    held = np.mean((low * density < 2.0) & (density * high > 2.0))
    assert 0.93 < held < 0.97
    assert stats.chi2.cdf(2 * result.n_effective / low, 2 * result.n_effective) == pytest.approx(0.975)


def test_scatter_of_averages_is_as_published(published):
    """Standard deviation of 400 averaged spectra of noise, Hann at half overlap, over their mean."""
    rng = np.random.default_rng(22)
    sums = SpectralSum(SpectrumPlan(1.0, 128, 64), 400)
    sums.push(rng.standard_normal((400, 128 * 8)))
    auto = sums.result().auto[:, 3:-3]
    found = np.mean(np.std(auto, axis=0) / np.mean(auto, axis=0))
    published("random error", found, 1 / np.sqrt(sums.result().n_effective), WELCH, rel=0.03)


def test_least_uncertainty_of_a_line(reference, published):
    """Cramer-Rao: 5 milli-g in 20 milli-g rms, 1000 Hz, 30 s: 0.1633 milli-g, and sqrt(S / T) is the same."""
    case = reference["crlb_example"]
    density = 2 * case["sigma"] ** 2 / case["fs"]
    published("least sd of amplitude", np.sqrt(density / 30.0), case["sd_A"], RIFE, rel=1e-9)


def line_readings(n_records, segment, fs=1000.0, sigma=20.0, amplitude=5.0):
    """Many records of 30 s as axes of one position: the line they share, fitted to each of them."""
    rng = np.random.default_rng(23)
    t = np.arange(30_000) / fs
    values = amplitude * np.sin(2 * np.pi * 40.0 * t + rng.uniform(0, 2 * np.pi, (n_records, 1)))
    values += sigma * rng.standard_normal(values.shape)
    plan = SpectrumPlan(fs, segment, max(segment // 2, 1))
    sums = SpectralSum(plan, n_records)
    sums.push(values)
    result = sums.result()
    spectrum = LineSpectrum(
        result.auto, result.scatter, fs / segment, plan.enbw_hz, result.n_segments, result.n_effective,
        result.n_coherent, sums.samples_used / fs,
    )  # fmt: skip
    return measured_line(spectrum, noise_floor(result.auto, result.n_effective), round(40.0 * segment / fs))


def test_uncertainty_of_one_hann_transform_is_as_predicted(reference, published):
    """sigma sqrt(2 x 1.5 / N) = 0.2 milli-g, and what 200 simulated records scatter."""
    line = line_readings(200, 30_000)
    expected = reference["crlb_example"]["sd_A_hann_fft"]
    published("stated sd", np.median(line.amplitude_std), expected, RIFE, rel=0.1)
    published("scatter", np.std(line.amplitude), expected, RIFE, rel=0.15)


def test_stated_uncertainty_is_never_below_the_bound(reference):
    """Segments of 4 s and of 1 s: every one of 60 stated uncertainties reaches the bound (D. C. Rife, 1974)."""
    for segment in (4000, 1000):
        line = line_readings(30, segment)
        # the floor is itself an estimate, some 3 % uncertain here
        assert np.all(line.amplitude_std > 0.91 * reference["crlb_example"]["sd_A"])
        # thirty records share the frequency: the bound falls with their root
        assert line.frequency_std_hz > reference["crlb_example"]["sd_f_Hz"] / np.sqrt(30)


def test_half_overlapped_hann_segments_reach_the_bound(published):
    """Each segment stands for three quarters of itself: 1.5 S / (K T_s) x 4/3 = S / T for many segments."""
    count = 1_000_000
    found = coherent_averages(plan(4096, 2048), (count,)) / count
    published("share of a segment", found, 0.75, "closed form: 1 / (1 + 2 x 1/6)", rel=1e-5)
