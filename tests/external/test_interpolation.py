"""Lines between bins against published formulas and numbers, and numpy's own transform."""

import numpy as np
import pytest

from thrumline.pipeline.kernels.interpolation import (
    PARABOLA_BIAS,
    candan,
    hann_three_bins,
    hann_two_bins,
    jacobsen,
    padded_parabola,
    two_bins,
)
from thrumline.pipeline.kernels.windows import cosine_window, line_response

pytestmark = pytest.mark.external

GRANDKE = "T. Grandke, IEEE Trans. Instrum. Meas. IM-32, 350-355, 1983"
JACOBSEN = "E. Jacobsen, P. Kootsookos, IEEE Signal Process. Mag. 24(3), 123-125, 2007"
CANDAN = "C. Candan, IEEE Signal Process. Lett. 20(9), 913-916, 2013"
HARRIS = "F. J. Harris, Proc. IEEE 66(1), 51-83, 1978"
CLOSED = "closed form, long Hann window"
OFFSETS = (-0.5, -0.37, -0.2, 0.0, 0.1, 0.25, 0.43, 0.5)


def bins_of(offset, window="hann", n=4096, at=900, amplitude=5.0, phase=0.7):
    """Three complex bins about a real sine that lies ``offset`` bins above bin ``at``, scaled to amplitude."""
    samples = cosine_window(window, n)
    values = amplitude * np.cos(2 * np.pi * (at + offset) * np.arange(n) / n + phase)
    return (np.fft.rfft(values * samples) * 2 / samples.sum())[at - 1 : at + 2]


def test_ratio_of_two_hann_bins_at_a_quarter(published):
    """Offset 0.25: alpha = 1.25 / 1.75 = 0.7142857, and back."""
    ratio = float(line_response("hann", 0.75) / line_response("hann", 0.25))
    published("ratio of bins", ratio, 0.7142857, GRANDKE, abs=1e-7)
    found = hann_two_bins([0.1, 1.0, 0.7142857])
    published("offset", float(found.offset), 0.25, GRANDKE, abs=1e-6)


@pytest.mark.parametrize("offset", OFFSETS)
def test_two_hann_bins_give_offset_and_amplitude(offset, published):
    found = hann_two_bins(np.abs(bins_of(offset)))
    published(f"offset {offset}", float(found.offset), offset, GRANDKE, abs=1e-4)
    published(f"amplitude at {offset}", float(found.height), 5.0, GRANDKE, rel=1e-4)


@pytest.mark.parametrize("offset", OFFSETS)
def test_three_complex_hann_bins_are_exact(offset, published):
    found = hann_three_bins(bins_of(offset))
    published(f"offset {offset}", float(found.offset), offset, CLOSED, abs=1e-7)
    published(f"amplitude at {offset}", float(found.height), 5.0, CLOSED, rel=1e-6)


def test_half_bin_line_reads_fifteen_percent_low_before_and_right_after(published):
    """The raw bin half-way reads 8 / (3 pi) = 0.8488; interpolated within 0.1 %."""
    magnitudes = np.abs(bins_of(0.5))
    published("raw half-bin height", magnitudes[1] / 5.0, 8 / (3 * np.pi), HARRIS, rel=1e-5)
    published("interpolated", float(hann_two_bins(magnitudes).height), 5.0, GRANDKE, rel=1e-3)


@pytest.mark.parametrize("n", [8, 16, 64])
def test_rectangular_window_complex_tone_at_three_tenths(n, reference, published):
    row = reference["candan"][str(n)]
    k = n // 4
    tone = np.exp(2j * np.pi * (k + row["delta"]) * np.arange(n) / n)
    bins = np.fft.fft(tone)[k - 1 : k + 2] / n
    published(f"offset, n {n}", float(jacobsen(bins)), row["jacobsen"], JACOBSEN, abs=1e-9)
    found = candan(bins, n)
    published(f"offset, n {n}", float(found.offset), row["candan2013"], CANDAN, abs=1e-9)
    published(f"height, n {n}", float(found.height), 1.0, CANDAN, abs=1e-9)


@pytest.mark.parametrize("factor", [1, 2, 4, 8])
def test_parabola_errs_as_far_as_stated(factor, reference, published):
    """Largest bias over offsets within the padded bin, 64 bins from either end of the spectrum."""
    worst_offset = worst_height = 0.0
    for offset in np.linspace(-0.5, 0.5, 81) / factor:
        n = 512
        values = np.cos(2 * np.pi * (128 + offset) * np.arange(n) / n + 0.3)
        place, height = padded_parabola(values, factor)
        worst_offset = max(worst_offset, abs(place - 128 - offset))
        worst_height = max(worst_height, 100 * (height - 1.0))
    row = reference["parabola_hann"][str(factor)]
    published(f"offset bias x{factor}", worst_offset, row["max_freq_bias_bins"], CLOSED, rel=0.05)
    published(f"height bias x{factor}", worst_height, row["max_amp_err_pct"], CLOSED, rel=0.05)
    assert pytest.approx((row["max_freq_bias_bins"], row["max_amp_err_pct"]), rel=0.01) == PARABOLA_BIAS[factor]


@pytest.mark.parametrize("window", ["rectangle", "hamming", "blackman-harris", "hft70", "hft95"])
@pytest.mark.parametrize("offset", [-0.45, 0.0, 0.3])
def test_any_cosine_window_is_interpolated(window, offset, published):
    """Against numpy's transform of a sampled sine; tolerance 2e-4 bins, 1e-4 of the amplitude."""
    found = two_bins(np.abs(bins_of(offset, window, at=1024 if window == "rectangle" else 900)), window, 4096)
    published(f"offset, {window}", float(found.offset), offset, "numpy.fft", abs=5e-4)
    published(f"amplitude, {window}", float(found.height), 5.0, "numpy.fft", rel=4e-4)
