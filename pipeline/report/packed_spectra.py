"""Spectra packed for the enlarged view: whole numbers, one frequency axis where captures share it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import numpy.typing as npt
from numpy.typing import ArrayLike

from .small_spectra import held_peaks

HEIGHTS = 2000
"""Steps from zero to a curve's highest value: more than a screen has rows."""

_FINEST_HZ = 1e-3
"""Frequencies come rounded to a tenth of this; two that differ by less are one bin."""


def packed(spectra: Mapping[str, Mapping[str, Any]], points: int) -> dict[str, Any]:
    """``{"step": Hz, "axes": [[first, difference, ...], ...], "curves": {key: [axis, top, [0..2000, ...]]}}``.

    Axes are differences in whole ``step``; ``top`` [mg] is the curve's highest value. Each kept point is the
    highest of its cell at its own frequency, so captures thinned one by one have axes of their own.
    """
    kept = {key: _kept(spectrum, points) for key, spectrum in spectra.items()}
    kept = {key: pairs for key, pairs in kept.items() if pairs.size}
    step = common_step(np.concatenate([pairs[0] for pairs in kept.values()])) if kept else 1.0
    axes: dict[tuple[int, ...], int] = {}
    curves: dict[str, Any] = {}
    for key, (frequency, amplitude) in kept.items():
        axis = tuple(np.diff(np.rint(frequency / step).astype(int), prepend=0).tolist())
        top = float(amplitude.max()) or 1.0
        heights = np.rint(HEIGHTS * amplitude / top).astype(int).tolist()
        curves[key] = [axes.setdefault(axis, len(axes)), float(f"{top:.6g}"), heights]
    return {"step": step, "axes": [list(axis) for axis in axes], "curves": curves}


def _kept(spectrum: Mapping[str, Any], points: int) -> npt.NDArray[np.float64]:
    frequency = np.asarray(spectrum["frequency"], dtype=np.float64)
    return held_peaks(frequency, spectrum["amplitude"], float(np.max(frequency, initial=0.0)), points)


def common_step(frequencies: ArrayLike) -> float:
    """The spacing all frequencies are whole multiples of, or 1 mHz where they share none."""
    distinct = np.unique(np.round(np.asarray(frequencies, dtype=np.float64), 4))
    gaps = np.diff(distinct)
    step = float(np.min(gaps[gaps > _FINEST_HZ], initial=np.inf))
    step = step if np.isfinite(step) else 1.0
    slack = 2e-4 + 1e-4 * step
    shared = np.all(np.abs(distinct / step - np.rint(distinct / step)) * step <= slack)
    return round(step, 6) if shared else _FINEST_HZ
