"""Level at a followed line and away from it over time, from the zoom's outputs and sums of short pieces."""

from __future__ import annotations

import numpy as np
from scipy.ndimage import uniform_filter1d

from .zoom import ComplexArray, FloatArray, ZoomPlan
from .zoomed_runs import ZoomedRun

LEVEL_S = 0.5
"""Levels are means over half a second: short enough to place a slam, long enough for a low line."""


def output_times(plan: ZoomPlan, part: ZoomedRun) -> FloatArray:
    """Instants of a part's outputs [shape=(n_out,)], counted from the run's first sample."""
    return np.asarray(plan.delay_s + (part.first + np.arange(part.n_out)) * plan.hop / plan.rate_hz)


def line_square(baseband: ComplexArray, rate_hz: float, offset_hz: FloatArray) -> FloatArray:
    """Mean square of the line about each output [shape=(n_out,)], channels summed.

    ``baseband`` [shape=(n_channel, n_out)], ``offset_hz`` [shape=(n_out,)] the line's place in it.
    """
    turned = baseband * np.exp(-2j * np.pi * np.cumsum(offset_hz) / rate_hz)
    width = max(1, min(turned.shape[-1], round(LEVEL_S * rate_hz)))
    real, imag = (uniform_filter1d(part, width, axis=-1, mode="nearest") for part in (turned.real, turned.imag))
    return np.asarray(0.5 * np.sum(real**2 + imag**2, axis=0))


def total_square(plan: ZoomPlan, part: ZoomedRun, grid_s: FloatArray) -> FloatArray:
    """Mean square about the mean of half a second around each instant [shape like grid_s], channels summed."""
    n_hop = part.hop_sum.shape[-1]
    if n_hop == 0:
        return np.zeros(grid_s.size)
    hop_s = plan.hop / plan.rate_hz
    none = np.zeros((part.hop_sum.shape[0], 1))
    sums = np.concatenate([none, np.cumsum(part.hop_sum, axis=-1)], axis=-1)
    squares = np.concatenate([none, np.cumsum(part.hop_square, axis=-1)], axis=-1)
    centre = grid_s / hop_s - part.first_hop
    half = max(0.5, 0.5 * LEVEL_S / hop_s)
    low = np.minimum(np.maximum(np.floor(centre - half), 0), n_hop - 1).astype(int)
    high = np.minimum(np.maximum(np.ceil(centre + half), low + 1), n_hop).astype(int)
    count = (high - low) * plan.hop
    mean = (sums[:, high] - sums[:, low]) / count
    square = (squares[:, high] - squares[:, low]) / count - mean**2
    return np.asarray(np.maximum(square, 0.0).sum(axis=0))


def mean_about(values: FloatArray, time_s: FloatArray, grid_s: FloatArray, width_s: float) -> FloatArray:
    """Mean of a quantity over ``width_s`` about each instant [shape like grid_s].

    ``values`` [shape=(n,)] run straight between their instants ``time_s`` and are held beyond them. A speed handed
    on like this keeps its count of cycles; picked at instants, a frequency that swings between two lines does not.
    """
    far = 2.0 * width_s + max(0.0, time_s[0] - grid_s[0], grid_s[-1] - time_s[-1])
    at = np.concatenate([[time_s[0] - far], time_s, [time_s[-1] + far]])
    held = np.concatenate([values[:1], values, values[-1:]])
    total = np.concatenate([[0.0], np.cumsum(0.5 * (held[1:] + held[:-1]) * np.diff(at))])
    low, high = (np.interp(grid_s + side * width_s, at, total) for side in (-0.5, 0.5))
    return np.asarray((high - low) / width_s)
