"""Peaks that stand out of the valleys beside them, sought only where they can be high enough."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]


def summits(values: FloatArray) -> IntArray:
    """Indices [shape=(n_peak,)] of local maxima of ``values`` [shape=(n,)]; of a plateau its middle, no ends."""
    step = values[1:] - values[:-1]
    if step.all():
        # no plateau: a summit is a rise followed by a fall
        return np.asarray(np.flatnonzero((step[:-1] > 0.0) & (step[1:] < 0.0)) + 1, dtype=np.int64)
    starts = np.concatenate(([0], np.flatnonzero(step) + 1))
    level = values[starts]
    higher = np.flatnonzero((level[1:-1] > level[:-2]) & (level[1:-1] > level[2:])) + 1
    return np.asarray((starts[higher] + starts[higher + 1] - 1) // 2, dtype=np.int64)


def prominence(values: FloatArray, peak: int) -> float:
    """Height of a peak over the higher of its two valleys, each reaching to the next higher value or the end."""
    height = values[peak]
    before, after = values[:peak], values[peak + 1 :]
    higher = (before > height).nonzero()[0]
    left = before[higher[-1] + 1 :] if higher.size else before
    higher = (after > height).nonzero()[0]
    right = after[: higher[0]] if higher.size else after
    base = max(left.min(initial=height), right.min(initial=height))
    return float(height - base)


def standing_out(values: FloatArray, peaks: IntArray, least: FloatArray) -> IntArray:
    """Those of ``peaks`` [shape=(n_peak,)] whose prominence reaches ``least`` at them [shape=(n,)]."""
    kept = [peak for peak in peaks.tolist() if prominence(values, peak) >= least[peak]]
    return np.array(kept, dtype=np.int64)
