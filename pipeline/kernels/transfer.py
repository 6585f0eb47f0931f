"""From one channel to another: H1, H2 and total-least-squares estimates, coherence, random error, band by band."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
ComplexArray = npt.NDArray[np.complex128]


@dataclass(frozen=True, slots=True)
class Transfer:
    """Complex ratio response over reference [shape=(...)], with coherence and random error of its modulus.

    ``h1`` is unbiased by noise at the response, ``h2`` by noise at the reference, ``hv`` (total least squares)
    lies between and assumes equal noise on both.
    """

    h1: ComplexArray
    h2: ComplexArray
    hv: ComplexArray
    coherence: FloatArray
    random_error: FloatArray


def transfer(reference: FloatArray, response: FloatArray, cross: ComplexArray, n_effective: float) -> Transfer:
    """Transfer from auto spectra of reference and response and ``cross = mean(conj(reference) response)``.

    Parameters
    ----------
    reference, response
        Auto spectra [shape=(...)], any common scaling.
    cross
        Cross spectrum [shape=(...)], same scaling.
    n_effective
        Effective number of averages.

    Raises
    ------
    ValueError
        If the shapes differ or fewer than one average is claimed.

    References
    ----------
    J. S. Bendat, A. G. Piersol, *Random Data*, 4th ed., 2010, sections 6.1 and 9.2 (H1, coherence, random
    error sqrt(1 - g2) / (|g| sqrt(2 n))). Total least squares: eigenvector of the 2 x 2 spectral matrix.

    >>> t = transfer(np.array([4.0]), np.array([1.0]), np.array([2.0 + 0j]), 100)
    >>> round(abs(t.h1[0]), 6), round(float(t.coherence[0]), 6)
    (0.5, 1.0)
    """
    if not reference.shape == response.shape == cross.shape:
        raise ValueError(f"one shape is wanted, found {reference.shape}, {response.shape}, {cross.shape}")
    if n_effective < 1:
        raise ValueError(f"n_effective is at least 1, found {n_effective:g}")
    tiny = np.finfo(np.float64).tiny
    power = np.abs(cross) ** 2
    h1 = cross / np.maximum(reference, tiny)
    h2 = response * cross / np.maximum(power, tiny)
    half = 0.5 * (response - reference)
    hv = (half + np.sqrt(half**2 + power)) * cross / np.maximum(power, tiny)
    coherence = np.clip(power / np.maximum(reference * response, tiny), 0.0, 1.0)
    error = np.sqrt(1.0 - coherence) / np.maximum(np.sqrt(2.0 * n_effective * coherence), tiny)
    return Transfer(h1, h2, hv, coherence, error)


def band_sums(frequency: FloatArray, low: float, high: float, *spectra: npt.NDArray) -> list[npt.NDArray]:  # type: ignore[type-arg]
    """Sums over the bins in a band [last axis summed]: a line that wanders is whole only as band energy.

    Raises
    ------
    ValueError
        If no bin lies in the band.
    """
    inside = (frequency >= low) & (frequency <= high)
    if not inside.any():
        raise ValueError(f"no bin between {low:g} and {high:g} Hz; bins lie {frequency[1] - frequency[0]:g} Hz apart")
    return [spectrum[..., inside].sum(axis=-1) for spectrum in spectra]
