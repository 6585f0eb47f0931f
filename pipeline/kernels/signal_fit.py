"""A sine of known frequency fitted by least squares: amplitude and its standard uncertainty."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]


def tone_amplitude(values: FloatArray, fs: float, frequency_hz: float, search: float = 0.01) -> tuple[float, float]:
    """Peak amplitude of a tone near a stated frequency in ``values`` [shape=(n,)], and its uncertainty.

    The highest bin within ``search`` (relative) is refined by maximising the fit; offset and slope are fitted with
    it. The uncertainty is that of the fit's residual, s sqrt(2/n) (Kay 1993, example 3.14).

    Raises
    ------
    ValueError
        If the frequency lies outside 0 to half the rate, or fewer than three periods were recorded.

    >>> t = np.arange(5000) / 1000
    >>> round(tone_amplitude(3 * np.sin(2 * np.pi * 40.02 * t + 1), 1000.0, 40.0)[0], 6)
    3.0
    """
    n = values.size
    if not 0.0 < frequency_hz < fs / 2:
        raise ValueError(f"a frequency between 0 and {fs / 2:g} Hz is wanted, found {frequency_hz:g}")
    if n * frequency_hz / fs < 3.0:
        raise ValueError(f"three periods are wanted, found {n * frequency_hz / fs:.2g}")
    width = max(search * frequency_hz, 1.0 / (n / fs))
    # the fit has one minimum only within a bin of the tone: a calibrator's 1 kHz may be many bins off
    bins = np.fft.rfftfreq(n, 1.0 / fs)
    near = np.flatnonzero(np.abs(bins - frequency_hz) <= width)
    found = near[np.argmax(np.abs(np.fft.rfft(values - values.mean())[near]))]
    low, high = bins[found] - fs / n, bins[found] + fs / n
    for _ in range(40):
        grid = np.linspace(low, high, 7)
        best = int(np.argmin([_fit(values, fs, f)[1] for f in grid]))
        low, high = grid[max(best - 1, 0)], grid[min(best + 1, 6)]
        if (high - low) * n / fs < 1e-5:  # of a bin: what is left costs the amplitude nothing
            break
    amplitude, residual = _fit(values, fs, 0.5 * (low + high))
    return amplitude, float(np.sqrt(residual / max(n - 5, 1) * 2.0 / n))


def _fit(values: FloatArray, fs: float, frequency_hz: float) -> tuple[float, float]:
    """Amplitude and residual sum of squares of sine, cosine, offset and slope."""
    t = (np.arange(values.size) - 0.5 * values.size) / fs
    angle = 2.0 * np.pi * frequency_hz * t
    design = np.stack([np.cos(angle), np.sin(angle), np.ones_like(t), t], axis=1)
    normal = design.T @ design
    solved = np.linalg.solve(normal, design.T @ values)
    residual = values - design @ solved
    return float(np.hypot(solved[0], solved[1])), float(residual @ residual)
