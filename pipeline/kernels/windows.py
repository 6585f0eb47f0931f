"""Cosine-sum windows and the figures that calibrate a spectrum taken through them.

All windows are periodic (DFT-even): ``w[n] = sum_k (-1)^k a_k cos(2 pi k n / N)``. A constant then occupies
exactly the first ``len(a)`` bins of a spectrum, and 50 % overlapped Hann segments weigh time evenly.

References
----------
F. J. Harris, Proc. IEEE 66(1), 51-83, 1978 (figures of merit). G. Heinzel, A. Ruediger, R. Schilling,
"Spectrum and spectral density estimation by the DFT", Max-Planck-Institut fuer Gravitationsphysik, 2002,
sections 8 to 11 and appendices C and D (flat-top coefficients, effective noise bandwidth).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import lru_cache
from math import isfinite
from types import MappingProxyType
from typing import Any

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
WindowLike = str | Sequence[float]

COEFFICIENTS: Mapping[str, tuple[float, ...]] = MappingProxyType(
    {
        "rectangle": (1.0,),
        "hann": (0.5, 0.5),
        "hamming": (0.54, 0.46),
        "blackman": (0.42, 0.5, 0.08),
        "blackman-harris-3": (0.42323, 0.49755, 0.07922),
        "blackman-harris": (0.35875, 0.48829, 0.14128, 0.01168),
        "nuttall-4b": (0.355768, 0.487396, 0.144232, 0.012604),
        "sft3f": (0.26526, 0.5, 0.23474),
        "sft4f": (0.21706, 0.42103, 0.28294, 0.07897),
        "sft5f": (0.1881, 0.36923, 0.28702, 0.13077, 0.02488),
        "sft3m": (0.28235, 0.52105, 0.19659),
        "sft4m": (0.241906, 0.460841, 0.255381, 0.041872),
        "sft5m": (0.209671, 0.407331, 0.281225, 0.092669, 0.0091036),
        "hft70": (1.0, 1.90796, 1.07349, 0.18199),
        "hft90d": (1.0, 1.942604, 1.340318, 0.440811, 0.043097),
        "hft95": (1.0, 1.9383379, 1.3045202, 0.402827, 0.0350665),
        "hft116d": (1.0, 1.9575375, 1.4780705, 0.6367431, 0.1228389, 0.0066288),
    }
)
"""Coefficients a_0, a_1, ... by name. The ``hft`` family is normalised to a_0 = 1: coherent gain 1."""

WINDOW_NAMES: tuple[str, ...] = tuple(COEFFICIENTS)


def cosine_coefficients(window: WindowLike) -> tuple[float, ...]:
    """The coefficients of a window given by name, or those given by hand, checked.

    Raises
    ------
    ValueError
        Unknown name, no coefficients, a value that is not finite, or a_0 not above zero.
    """
    if isinstance(window, str):
        if window not in COEFFICIENTS:
            msg = f"unknown window {window!r}; allowed: {', '.join(sorted(COEFFICIENTS))}, or coefficients"
            raise ValueError(msg)
        return COEFFICIENTS[window]
    return _checked(tuple(window))


@lru_cache(maxsize=8)
def _checked(window: tuple[float, ...]) -> tuple[float, ...]:
    """Coefficients given by hand: one capture names the same ones some twenty times."""
    terms = tuple(float(term) for term in window)
    if not terms or not all(map(isfinite, terms)) or terms[0] <= 0.0:
        msg = f"window coefficients {terms!r}: wanted finite numbers a_0, a_1, ... with a_0 above 0"
        raise ValueError(msg)
    return terms


def cosine_window(window: WindowLike, n: int) -> FloatArray:
    """The samples of a periodic cosine-sum window.

    Returns
    -------
    ndarray
        [shape=(n,), dimensionless], read-only because gains are derived from it.

    Raises
    ------
    ValueError
        Unknown window, or fewer samples than twice the number of terms (the terms would alias).

    Examples
    --------
    >>> float(cosine_window("hann", 8)[4])
    1.0
    """
    terms = cosine_coefficients(window)
    if n < max(2 * len(terms) - 1, 1):
        msg = f"window of {len(terms)} terms needs at least {2 * len(terms) - 1} samples, found {n}"
        raise ValueError(msg)
    return _window_samples(terms, n)


@lru_cache(maxsize=4)
def _window_samples(terms: tuple[float, ...], n: int) -> FloatArray:
    """Kept for the few lengths one capture asks for again and again: the cosines cost as much as a transform."""
    angle = 2.0 * np.pi * np.arange(n) / n
    samples = np.zeros(n)
    for k, term in enumerate(terms):
        samples += (-1.0) ** k * term * np.cos(k * angle)
    samples.setflags(write=False)
    return samples


@lru_cache(maxsize=16)
def hann_within(n: int) -> FloatArray:
    """Hann window of ``n`` samples whose zeros lie one step outside either end [shape=(n,)], read-only."""
    samples = np.hanning(n + 2)[1:-1]
    samples.setflags(write=False)
    return samples


def coherent_gain(samples: FloatArray) -> float:
    """Mean of a window: what a constant is multiplied by. Heinzel 2002, eq. 19 divided by N."""
    return float(np.mean(samples))


def enbw_bins(samples: FloatArray) -> float:
    """Effective noise bandwidth in bins, N S2 / S1^2 (Heinzel 2002, eq. 21); 1.5 for Hann."""
    return float(samples.size * np.sum(samples**2) / np.sum(samples) ** 2)


def overlap_correlation(samples: FloatArray, hop: int) -> float:
    """Correlation of white noise seen through two windows ``hop`` samples apart (Harris 1978, eq. 17).

    Zero when the windows do not overlap, 1 for ``hop`` 0, 1/6 for Hann at 50 %.
    """
    if hop >= samples.size:
        return 0.0
    return float(np.sum(samples[hop:] * samples[: samples.size - hop]) / np.sum(samples**2))


def line_response(window: WindowLike, offset_bins: npt.ArrayLike, n: int | None = None) -> FloatArray:
    """Height of a steady complex tone in a spectrum, relative to its height on a bin.

    Parameters
    ----------
    offset_bins
        [any shape, bins] distance of the bin looked at from the tone.
    n
        Window length; None gives the limit of long windows.

    Returns
    -------
    ndarray
        [shape of ``offset_bins``] real and signed (the linear phase of the window's middle is left out),
        1 at zero offset; Hann: sinc(x) / (1 - x^2).
    """
    terms = cosine_coefficients(window)
    offset = np.asarray(offset_bins, dtype=np.float64)
    if n is None:
        return _long_response(terms, offset)
    total = terms[0] * _dirichlet(offset, n)
    for k, term in enumerate(terms[1:], start=1):
        # the (-1)^k of the window's definition meets the (-1)^k of shifting the middle's linear phase
        total = total + 0.5 * term * (_dirichlet(offset - k, n) + _dirichlet(offset + k, n))
    total = np.copysign(np.abs(total), np.real(total))
    return np.asarray(total / terms[0], dtype=np.float64)


def _long_response(terms: tuple[float, ...], x: FloatArray) -> FloatArray:
    """Sum of the terms' sinc functions, with one sine for all: they stand whole bins apart.

    The sine is taken of the distance to the nearest bin, so that it is as exact there as each sinc would be.
    """
    nearest = np.rint(x)
    rest = x - nearest
    rest = np.where(np.abs(rest) < 1e-20, 1e-20, rest)
    total = terms[0] / (nearest + rest)
    for k, term in enumerate(terms[1:], start=1):
        # sin(pi (x -+ k)) = (-1)^k sin(pi x)
        total += (-0.5 if k % 2 else 0.5) * term * (1.0 / (nearest - k + rest) + 1.0 / (nearest + k + rest))
    total *= np.sin(np.pi * rest) / (np.pi * terms[0])
    return np.asarray(np.where(nearest % 2.0 == 0.0, total, -total), dtype=np.float64)


def _dirichlet(x: FloatArray, n: int) -> npt.NDArray[Any]:
    denominator = n * np.sin(np.pi * x / n)
    near = np.abs(denominator) < 1e-12 * n
    height = np.where(near, 1.0, np.sin(np.pi * x) / np.where(near, 1.0, denominator))
    # n samples lie half a sample before the middle that a periodic window is even about
    return np.asarray(height * np.exp(-1j * np.pi * x / n), dtype=np.complex128)


def scalloping_db(window: WindowLike) -> float:
    """Largest change of the highest bin over tone positions within half a bin, in dB (a positive number).

    1.4236 for Hann (8 / (3 pi)). For flat-top windows the extreme need not be at half a bin.
    """
    offsets = np.linspace(0.0, 0.5, 4001)
    return float(np.max(np.abs(20.0 * np.log10(np.abs(line_response(window, offsets))))))


def highest_sidelobe_db(window: WindowLike) -> float:
    """Level of the highest side lobe relative to the main lobe, in dB (a negative number)."""
    terms = cosine_coefficients(window)
    offsets = np.arange(0.0, 60.0, 1.0 / 64.0)
    height = np.abs(line_response(terms, offsets))
    # the main lobe ends at the first local minimum at or beyond the last term's bin
    inner = np.flatnonzero((height[1:-1] <= height[:-2]) & (height[1:-1] <= height[2:])) + 1
    edge = int(inner[offsets[inner] >= max(len(terms) - 1, 0.5)][0])
    top = edge + int(np.argmax(height[edge:]))
    from scipy.optimize import minimize_scalar  # a third of a second to import, and rarely wanted

    fine = minimize_scalar(
        lambda x: -float(np.abs(line_response(terms, x))),
        bounds=(offsets[top - 1], offsets[top + 1]),
        method="bounded",
        options={"xatol": 1e-9},
    )
    return float(20.0 * np.log10(-fine.fun))
