"""Spectra packed for the enlarged view: whole numbers, one frequency axis where captures share it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from itertools import pairwise
from typing import Any

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
    kept = {key: pairs for key, pairs in kept.items() if pairs}
    step = common_step(frequency for pairs in kept.values() for frequency, _ in pairs)
    axes: dict[tuple[int, ...], int] = {}
    curves: dict[str, Any] = {}
    for key, pairs in kept.items():
        places = [round(frequency / step) for frequency, _ in pairs]
        axis = (places[0], *(right - left for left, right in pairwise(places)))
        top = max(amplitude for _, amplitude in pairs) or 1.0
        heights = [round(HEIGHTS * amplitude / top) for _, amplitude in pairs]
        curves[key] = [axes.setdefault(axis, len(axes)), float(f"{top:.6g}"), heights]
    return {"step": step, "axes": [list(axis) for axis in axes], "curves": curves}


def _kept(spectrum: Mapping[str, Any], points: int) -> list[tuple[float, float]]:
    frequency: Sequence[float] = spectrum["frequency"]
    return held_peaks(frequency, spectrum["amplitude"], max(frequency), points) if len(frequency) else []


def common_step(frequencies: Iterable[float]) -> float:
    """The spacing all frequencies are whole multiples of, or 1 mHz where they share none."""
    distinct = sorted({round(float(value), 4) for value in frequencies})
    gaps = [right - left for left, right in pairwise(distinct) if right - left > _FINEST_HZ]
    step = min(gaps, default=1.0)
    slack = 2e-4 + 1e-4 * step
    shared = all(abs(value / step - round(value / step)) * step <= slack for value in distinct)
    return round(step, 6) if shared else _FINEST_HZ
