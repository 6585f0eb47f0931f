"""Low-pass filters under a Kaiser window, without the import of a whole signal library (0.3 s in every worker)."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import numpy.typing as npt
from scipy import special

FloatArray = npt.NDArray[np.float64]


def kaiser_beta(stop_db: float) -> float:
    """Shape of the window for a ripple and rejection of ``stop_db`` > 50 dB.

    Raises
    ------
    ValueError
        Below 50 dB, where the formula is another one.

    References
    ----------
    J. F. Kaiser, "Nonrecursive digital filter design using the I0-sinh window function", 1974.
    """
    if stop_db <= 50.0:
        msg = f"kaiser: this form of the shape holds above 50 dB, found {stop_db!r} dB"
        raise ValueError(msg)
    return 0.1102 * (stop_db - 8.7)


def kaiser_lowpass(length: int, cutoff_hz: npt.ArrayLike, rate_hz: float, stop_db: float) -> FloatArray:
    """Taps [shape=(length,)] of a low-pass filter, half gain at the cut-off, gain exactly 1 at 0 Hz.

    The ideal impulse response under a Kaiser window (the window method). Of several cut-offs the filters stand in
    rows [shape of ``cutoff_hz`` and (length,)].
    """
    width = np.asarray(cutoff_hz, dtype=np.float64)[..., None] * (2.0 / rate_hz)
    # window and response are even about the middle: one half is worked out
    place, taper = _half_taper(length, stop_db)
    right = width * np.sinc(width * place) * taper
    taps = np.concatenate([right[..., ::-1][..., : length // 2], right], axis=-1)
    return np.asarray(taps / taps.sum(axis=-1, keepdims=True))


@lru_cache(maxsize=4)
def _half_taper(length: int, stop_db: float) -> tuple[FloatArray, FloatArray]:
    """Places from the middle on, and the window there [shape=(length - length // 2,) each]."""
    place = np.asarray((np.arange(length) - 0.5 * (length - 1))[length // 2 :], dtype=np.float64)
    beta = kaiser_beta(stop_db)
    inside = np.clip(1.0 - (place / max(0.5 * (length - 1), 0.5)) ** 2, 0.0, None)
    # np.kaiser sums the same series in Python, at ten times the cost
    taper = np.asarray(special.i0(beta * np.sqrt(inside)) / special.i0(beta), dtype=np.float64)
    place.flags.writeable = taper.flags.writeable = False
    return place, taper
