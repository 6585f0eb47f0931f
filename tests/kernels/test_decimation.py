"""Every n-th sample: pass band, stop band, time, constants and cuts, against closed forms."""

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from thrumline.pipeline.kernels.decimation import PASS_BAND, Decimator, decimation_plan, step_factors

FACTORS = [2, 3, 4, 5, 7, 10, 12, 16, 18, 20, 32, 37]


def decimated(values, factor, cuts=(), rate=1000.0):
    """The whole run's outputs, pushed in pieces."""
    decimator = Decimator(decimation_plan(rate, factor))
    assert decimator.restart() == 0
    edges = sorted({0, values.shape[1], *(min(cut, values.shape[1]) for cut in cuts)})
    made = [decimator.push(values[:, a:b]) for a, b in itertools.pairwise(edges)]
    return np.concatenate([*made, decimator.flush()], axis=1)


@given(st.integers(2, 400))
def test_the_steps_multiply_to_the_factor_and_end_with_the_smallest(factor):
    steps = step_factors(factor)
    assert np.prod(steps) == factor
    assert list(steps) == sorted(steps, reverse=True)


@pytest.mark.parametrize("factor", FACTORS)
@pytest.mark.parametrize("share", [0.0, 0.1, 0.4, 0.7, PASS_BAND])
def test_a_sine_in_the_pass_band_comes_through_at_its_own_instants(factor, share):
    """Amplitude within 0.01 dB and no delay: each output is the sine at the input sample it stands for."""
    n, rate = 400 * factor, 1000.0
    hertz = share * 0.5 * rate / factor
    sine = np.cos(2 * np.pi * hertz * np.arange(n) / rate + 0.3)
    made = decimated(sine[None], factor)[0]
    assert len(made) == 400
    inner = slice(100, 300)
    np.testing.assert_allclose(made[inner], sine[::factor][inner], atol=10 ** (0.01 / 20) - 1)


@pytest.mark.parametrize("factor", FACTORS)
def test_what_would_fold_is_80_db_down(factor):
    """Sines from just above the new Nyquist frequency up to the old one: all of them would be taken for others."""
    n, rate = 400 * factor, 1000.0
    for hertz in np.linspace(0.5 * rate / factor * 1.001, 0.5 * rate, 60):
        made = decimated(np.sin(2 * np.pi * hertz * np.arange(n) / rate + 0.7)[None], factor)[0]
        assert np.abs(made[100:300]).max() < 1e-4, f"{hertz:.1f} Hz"


@pytest.mark.parametrize("factor", FACTORS)
@pytest.mark.parametrize("n", [1, 2, 5, 100, 1001])
def test_a_constant_stays_one_to_both_ends_and_outputs_lie_on_every_nth_sample(factor, n):
    made = decimated(np.full((2, n), 9.80665), factor)
    assert made.shape == (2, -(-n // factor))
    np.testing.assert_allclose(made, 9.80665, rtol=1e-12)


@settings(deadline=None, max_examples=40)
@given(st.sampled_from(FACTORS), st.lists(st.integers(1, 2999), max_size=12), st.sampled_from([np.int16, float]))
def test_cutting_changes_nothing(factor, cuts, dtype):
    values = (300 * np.random.default_rng(3).standard_normal((2, 3000))).astype(dtype)
    whole = decimated(values, factor)
    np.testing.assert_allclose(decimated(values, factor, cuts), whole, rtol=0, atol=1e-12 * np.abs(values).max())


@settings(deadline=None, max_examples=60)
@given(st.sampled_from(FACTORS), st.integers(0, 2500))
def test_a_later_part_gives_the_runs_outputs_beyond_its_margin(factor, first):
    values = np.random.default_rng(4).standard_normal((2, 9000))
    plan = decimation_plan(1000.0, factor)
    whole, decimator = decimated(values, factor), Decimator(plan)
    at = decimator.restart(first)
    made = np.concatenate([decimator.push(values[:, first:]), decimator.flush()], axis=1)
    assert made.shape[1] == whole.shape[1] - at
    good = -(-(first + plan.half) // factor)
    np.testing.assert_allclose(made[:, good - at :], whole[:, good:], rtol=0, atol=1e-12)


@pytest.mark.parametrize(("rate", "factor"), [(0.0, 2), (float("nan"), 2), (100.0, 1), (100.0, 0)])
def test_what_cannot_be_decimated_is_refused(rate, factor):
    with pytest.raises(ValueError, match="rate above 0"):
        decimation_plan(rate, factor)


@pytest.mark.external
@pytest.mark.parametrize("factor", [4, 10, 16])
def test_noise_agrees_with_another_librarys_polyphase_filter(factor):
    """In the pass band the same signal as scipy.signal.resample_poly with a filter of equal steepness makes."""
    from scipy import signal

    values = np.random.default_rng(6).standard_normal(1000 * factor)
    values = signal.sosfiltfilt(signal.butter(8, 0.4 / factor, output="sos"), values)
    taps = signal.firwin(2 * 40 * factor + 1, 0.9 / factor, window=("kaiser", 9.0))
    theirs = signal.resample_poly(values, 1, factor, window=taps)
    ours = decimated(values[None], factor)[0]
    scale = np.std(theirs)
    np.testing.assert_allclose(ours[100:900], theirs[100:900], rtol=0, atol=2e-3 * scale)
