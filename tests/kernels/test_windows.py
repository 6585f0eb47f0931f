"""Windows: what is derived from coefficients, and what is refused."""

import numpy as np
import pytest

from thrumline.pipeline.kernels.windows import (
    COEFFICIENTS,
    coherent_gain,
    cosine_coefficients,
    cosine_window,
    enbw_bins,
    hann_within,
    line_response,
    overlap_correlation,
    scalloping_db,
)


@pytest.mark.parametrize("name", COEFFICIENTS)
def test_line_response_is_what_a_transform_shows(name):
    """The signed response against numpy's transform of a complex tone, window of 512 samples, any offset."""
    n, k = 512, 100
    samples = cosine_window(name, n)
    for offset in (0.0, 0.3, -0.5, 1.7, 4.2):
        tone = np.exp(2j * np.pi * (k - offset) * (np.arange(n) - n / 2) / n)
        seen = np.fft.fft(tone * samples)[k] / samples.sum() * np.exp(1j * np.pi * k)
        assert np.sign(seen.real) * abs(seen) == pytest.approx(line_response(name, offset, n), abs=1e-12)


def test_response_of_long_windows_is_the_limit():
    far = line_response("hann", [0.25, 1.5, 3.5], 1 << 20)
    assert far == pytest.approx(line_response("hann", [0.25, 1.5, 3.5]), abs=1e-9)


def test_hann_response_is_its_closed_form():
    """sinc(x) / (1 - x**2)."""
    x = np.array([0.0, 0.2, 0.5, 0.9, 2.5])
    assert line_response("hann", x) == pytest.approx(np.sinc(x) / (1 - x**2), abs=1e-12)


def test_constant_fills_exactly_the_windows_own_bins():
    """A periodic window of k terms has k bins of a constant and nothing beyond."""
    for name, terms in COEFFICIENTS.items():
        spectrum = np.abs(np.fft.rfft(cosine_window(name, 256))) / 256
        assert spectrum[: len(terms)].min() > 1e-4
        assert spectrum[len(terms) :].max() < 1e-15


def test_half_overlapped_hann_weighs_time_evenly():
    samples = cosine_window("hann", 64)
    assert samples[:32] + samples[32:] == pytest.approx(np.ones(32), abs=1e-15)


def test_windows_that_do_not_overlap_are_not_correlated():
    assert overlap_correlation(cosine_window("hann", 64), 64) == 0.0
    assert overlap_correlation(cosine_window("hann", 64), 0) == pytest.approx(1.0)


def test_user_coefficients_scale_out():
    """Gain follows the coefficients, bandwidth and scalloping do not."""
    single, double = cosine_window((0.5, 0.5), 128), cosine_window((1.0, 1.0), 128)
    assert coherent_gain(double) == pytest.approx(2 * coherent_gain(single))
    assert enbw_bins(double) == pytest.approx(enbw_bins(single))
    assert scalloping_db((1.0, 1.0)) == pytest.approx(scalloping_db("hann"))


def test_samples_cannot_be_changed():
    """Gains are derived from them."""
    with pytest.raises(ValueError, match="read-only"):
        cosine_window("hann", 8)[0] = 1.0


@pytest.mark.parametrize(
    ("window", "message"),
    [
        ("boxy", r"unknown window 'boxy'; allowed: .*hann"),
        ((), "wanted finite numbers"),
        ((0.0, 1.0), "a_0 above 0"),
        ((1.0, float("nan")), "wanted finite numbers"),
    ],
)
def test_unknown_windows_are_refused(window, message):
    with pytest.raises(ValueError, match=message):
        cosine_coefficients(window)


def test_window_shorter_than_its_terms_is_refused():
    with pytest.raises(ValueError, match="needs at least 9 samples, found 8"):
        cosine_window("sft5f", 8)


def test_response_of_long_windows_is_the_sum_of_its_terms_sincs_also_a_hair_off_a_bin():
    """Distances of 1e-9 of a bin and whole bins are where one sine for all terms could lose digits."""
    bins = np.append(np.arange(-6.0, 7.0), 1e-313)
    offset = np.concatenate([bins, bins + 1e-9, bins - 1e-9, np.linspace(-6.3, 6.4, 1001)])
    for name in ("rectangle", "hann", "blackman-harris", "hft116d"):
        terms = cosine_coefficients(name)
        by_terms = np.sinc(offset) * terms[0]
        for k, term in enumerate(terms[1:], start=1):
            by_terms += 0.5 * term * (np.sinc(offset - k) + np.sinc(offset + k))
        np.testing.assert_allclose(line_response(name, offset), by_terms / terms[0], rtol=1e-12, atol=2e-15)


def test_hann_between_its_zeros_is_numpys_without_them_and_cannot_be_changed():
    np.testing.assert_array_equal(hann_within(9), np.hanning(11)[1:-1])
    with pytest.raises(ValueError, match="read-only"):
        hann_within(9)[0] = 1.0
