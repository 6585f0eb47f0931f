"""How well a path's mean frequency is known when its line is too weak to be followed by phase.

The best path says nothing about the paths it beat. Here all paths are weighed together: each frame's cells by
the likelihood of a steady line in noise, each step by the wander the frame length was made for (a hidden Markov
chain). The mean frequency's distribution over all paths has a generating function that one forward pass gives.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import gammaln, ive

from .cheapest_path import STEEPEST_BINS
from .speed_track import FloatArray, FollowedLine, Spectrogram

TOLD_ONCE = 0.52
"""Frames at a quarter of their length overlap: with a Hann window their cells tell this share of what apart ones do
(over all lags, 1 + 2 (0.659**2 + 0.167**2 + 0.008**2) frames make one)."""
STEP_BINS = 0.5
"""Standard deviation of a step, as the price of steps in ``best_path`` says it."""
TILT = 0.02


@dataclass(frozen=True)
class MeanOffset:
    """Mean offset of the line over a run, and its variance, in Hz and Hz**2; ``span_s`` the run's length."""

    offset_hz: float
    variance: float
    span_s: float


def mean_offset(cells: Spectrogram, excess: float) -> MeanOffset:
    """Mean offset of the line over all paths through a run's cells.

    Parameters
    ----------
    cells
        Whitened short spectra, mean ``n_channel`` on the floor.
    excess
        First guess of the line's power over the floor's in a cell; refined once.

    Notes
    -----
    A cell that holds a line of power s over ``n_channel`` channels is noncentral chi square with twice as many
    degrees of freedom; its likelihood over that of noise is ``exp(-s) (n-1)! (s P)**((1-n)/2) I_{n-1}(2 sqrt(s P))``.
    With ``Z(l)`` the sum over all paths of weight times ``exp(l sum(f))``, mean and variance of ``sum(f)`` are the
    first two derivatives of ``log Z`` at 0.

    References
    ----------
    L. R. Rabiner, "A tutorial on hidden Markov models", Proc. IEEE 77(2), 257-286, 1989 (forward, backward).
    """
    power = np.maximum(excess, 0.3)
    weights = _posterior(_log_likelihood(cells, float(power)))
    power = max(0.3, float(np.sum(weights * cells.power) / weights.shape[0]) - cells.n_channel)
    log_likelihood = _log_likelihood(cells, power)
    n, spacing = cells.time_s.size, float(cells.offset_hz[1] - cells.offset_hz[0])
    # so small that the lines elsewhere in the search are not called up, so large that doubles carry it
    tilt = TILT / (max(n, 10) * 0.1 * spacing)
    down, still, up = (_log_sum(log_likelihood, cells.offset_hz * k) for k in (-tilt, 0.0, tilt))
    variance = max(0.0, (up - 2.0 * still + down) / tilt**2) / n**2
    hop_s = float(cells.time_s[1] - cells.time_s[0]) if n > 1 else 0.0
    # bins are spread out evenly inside, each frame that tells something by itself
    variance += spacing**2 / 12.0 / max(1.0, TOLD_ONCE * n)
    return MeanOffset((up - down) / (2.0 * tilt * n), variance, n * hop_s)


def path_drift(line: FollowedLine, cells: list[Spectrogram]) -> float:
    """Density, Hz**2 s, of the error of the followed path's mean frequency; over T seconds its variance is this / T.

    ``cells`` are the spectra of each run the line was followed with. The path followed is one of many: how far its
    mean lies from the mean over all of them counts too.
    """
    total, seconds = 0.0, 0.0
    for run, path in zip(cells, line.paths, strict=True):
        if run.time_s.size < 2 or run.offset_hz.size < 2:
            continue
        found = mean_offset(run, line.mean_excess - line.floor.size)
        away = float(np.mean(path.offset_hz)) - found.offset_hz
        total += found.span_s**2 * (found.variance + away**2)
        seconds += found.span_s
    return total / seconds if seconds > 0.0 else 0.0


def _log_likelihood(cells: Spectrogram, power: float) -> FloatArray:
    """Log likelihood of a line of this power in each cell, over that of noise [shape=(n_frame, n_bin)]."""
    n = cells.n_channel
    x = 2.0 * np.sqrt(power * np.maximum(cells.power, 1e-9))
    bessel = np.log(np.maximum(ive(n - 1, x), 1e-300)) + x
    return np.asarray(TOLD_ONCE * (bessel - power + gammaln(n) - (n - 1) * np.log(0.5 * x)))


def _steps() -> FloatArray:
    bins = np.arange(-STEEPEST_BINS, STEEPEST_BINS + 1)
    chance = np.exp(-0.5 * (bins / STEP_BINS) ** 2)
    return np.asarray(chance / chance.sum())


def _moved(weights: FloatArray, steps: FloatArray) -> FloatArray:
    return np.asarray(np.convolve(weights, steps)[STEEPEST_BINS:-STEEPEST_BINS])


def _log_sum(log_likelihood: FloatArray, tilt: FloatArray) -> float:
    """Logarithm of the sum over all paths of likelihood times ``exp`` of the tilts passed through."""
    steps, lean = _steps(), np.exp(tilt)
    highest = log_likelihood.max(axis=-1, keepdims=True)
    likelihood = np.exp(log_likelihood - highest) * lean
    weights, total = np.full(tilt.size, 1.0 / tilt.size), float(highest.sum())
    for index, row in enumerate(likelihood):
        weights = (_moved(weights, steps) if index else weights) * row
        share = float(weights.sum())
        weights, total = weights / share, total + float(np.log(share))
    return total


def _posterior(log_likelihood: FloatArray) -> FloatArray:
    """Chance of each cell to be the line's, given all frames [shape=(n_frame, n_bin)]: forward and backward."""
    steps = _steps()
    likelihood = np.exp(log_likelihood - log_likelihood.max(axis=-1, keepdims=True))
    found = np.empty_like(likelihood)
    weights = np.ones(likelihood.shape[-1])
    for index, row in enumerate(likelihood):
        weights = (_moved(weights, steps) if index else weights) * row
        weights = weights / weights.sum()
        found[index] = weights
    after = np.ones(likelihood.shape[-1])
    for index in range(likelihood.shape[0] - 2, -1, -1):
        after = _moved(after * likelihood[index + 1], steps)
        after = after / after.max()
        found[index] *= after
    return np.asarray(found / found.sum(axis=-1, keepdims=True))
