"""Kaiser low-pass filters: against another library, and against what their design promises."""

import numpy as np
import pytest
from scipy import signal

from thrumline.pipeline.kernels.kaiser import kaiser_beta, kaiser_lowpass


@pytest.mark.external
@pytest.mark.parametrize("length", [12, 397, 1122])
@pytest.mark.parametrize("cutoff_hz", [3.0, 40.0, 399.0])
def test_taps_are_those_of_scipy_signal(length, cutoff_hz):
    """Source: scipy.signal.firwin and kaiser_beta (window method)."""
    wanted = signal.firwin(length, cutoff_hz, window=("kaiser", signal.kaiser_beta(90.0)), fs=800.0)
    np.testing.assert_allclose(kaiser_lowpass(length, cutoff_hz, 800.0, 90.0), wanted, rtol=0, atol=1e-14)


@pytest.mark.external
def test_shape_is_kaisers_own_formula():
    """Source: J. F. Kaiser 1974, beta = 0.1102 (A - 8.7) above 50 dB; 90 dB gives 8.95926."""
    assert kaiser_beta(90.0) == pytest.approx(8.95926, rel=1e-9)


def test_stop_band_is_as_deep_as_asked():
    """With Kaiser's length for the transition, everything beyond it is 90 dB down."""
    rate, cutoff, step, depth = 800.0, 20.0, 10.0, 90.0
    length = int(np.ceil((depth - 7.95) / (2.285 * 2 * np.pi * step / rate))) + 1
    response = np.abs(np.fft.rfft(kaiser_lowpass(length, cutoff, rate, depth), 1 << 16))
    frequency = np.fft.rfftfreq(1 << 16, 1 / rate)
    assert response[0] == pytest.approx(1.0, abs=1e-12)
    assert 20 * np.log10(response[frequency > cutoff + 0.5 * step].max()) < -89.0


def test_shallow_filters_are_refused_with_the_value():
    """Below 50 dB the formula would be wrong."""
    with pytest.raises(ValueError, match="50 dB, found 40"):
        kaiser_beta(40.0)
