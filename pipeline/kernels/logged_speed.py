"""A logged speed made exact by the line: loggers round, delay and scale, the line near it does not."""

from __future__ import annotations

import numpy as np

from .line_confidence import count_figures, drift_density, line_figures
from .speed_track import ComplexArray, FloatArray, followed_line, phase_tracks

MOST_LOST = 0.3


def refined_offsets(
    runs: tuple[ComplexArray, ...], rate_hz: float, given: list[FloatArray], line_hz: float, within_hz: float
) -> tuple[list[FloatArray], dict[str, float]] | None:
    """The line's offsets per run [shape=(n,)] near the given ones, with figures; None where there is no line.

    Parameters
    ----------
    runs
        Baseband of each run [shape=(n_channel, n), complex].
    rate_hz
        Its rate.
    given
        Offsets from the zoom's centre that the logged speed says [shape=(n,)].
    line_hz
        Frequency of the line, for the frame lengths.
    within_hz
        How far from the given offsets the line may be. The floor is judged over three times that.
    """
    stopped = tuple(
        run * np.exp(-2j * np.pi * np.cumsum(offset) / rate_hz) for run, offset in zip(runs, given, strict=True)
    )
    line = followed_line(stopped, rate_hz, line_hz, within_hz, 3.0 * within_hz)
    lost = float(np.mean(np.concatenate(line.lost)))
    if line.mean_excess < line.needed_excess or lost > MOST_LOST:
        return None
    tracks = phase_tracks(stopped, rate_hz, line)
    offsets = [offset + track.offset_hz for offset, track in zip(given, tracks, strict=True)]
    drift = drift_density(stopped, rate_hz, line, tracks, within_hz)
    return offsets, {**line_figures(line), **count_figures(line, tracks, 0.0, drift)}
