"""A second line within the search: which of two lines is the firing line must not be left to which is stronger."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from .speed_track import FollowedLine, LinePath, Spectrogram, noise_path_excess, path_of_line

LEAST_POWER = 0.1
"""A line ten times weaker in power (a third in amplitude) is no rival for the name."""
CLEAR_CELLS = 3.0
"""Within so many cells of the first line its own window and wander stand; nothing can be told apart there."""


def rival_line(line: FollowedLine) -> FollowedLine | None:
    """The strongest further line of the same search, or None where none is strong enough to be mistaken.

    The spectra are those the first line was followed with, emptied to the floor along its path.
    """
    emptied = [_emptied(cells, line, path) for cells, path in zip(line.shown, line.paths, strict=True)]
    if emptied[0].offset_hz.size < 8:
        return None
    n_channel = line.floor.size
    least = LEAST_POWER * (line.mean_excess - n_channel)
    highest = float(np.mean(np.concatenate([run.power.max(axis=-1) for run in emptied])))
    if highest - n_channel < least:
        return None
    paths = tuple(path_of_line(run) for run in emptied)
    excess = np.concatenate([path.excess for path in paths])
    n_bin = max(run.offset_hz.size for run in emptied)
    found = replace(
        line, paths=paths, mean_excess=float(excess.mean()), noise_excess=noise_path_excess(n_bin, n_channel)
    )
    return found if found.mean_excess - n_channel >= least else None


def _emptied(cells: Spectrogram, line: FollowedLine, path: LinePath) -> Spectrogram:
    near = np.abs(cells.offset_hz[None] - path.offset_hz[:, None]) < CLEAR_CELLS / line.frame_s
    return replace(cells, power=np.where(near, float(line.floor.size), cells.power))
