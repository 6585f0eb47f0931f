"""How sure a followed line is at each instant."""

from __future__ import annotations

import numpy as np
from scipy.special import gammainc

from .speed_track import PADDING, ComplexArray, FloatArray, FollowedLine, PhaseTrack


def offsets_with_confidence(
    runs: tuple[ComplexArray, ...], rate_hz: float, line: FollowedLine, tracks: list[PhaseTrack]
) -> list[tuple[FloatArray, FloatArray]]:
    """Per run, the line's offset and the confidence in it at each output [shape=(n,)] each.

    Confidence is the chance that the floor alone shows no cell as high anywhere in the search: channels are
    summed, so a floor's cell follows a gamma distribution of their number. It is 0 where the line is lost.
    """
    found = []
    for run, path, lost, track in zip(runs, line.paths, line.lost, tracks, strict=True):
        at = np.arange(run.shape[-1]) / rate_hz
        chance = gammainc(line.floor.size, path.excess) ** (line.n_bin / PADDING)
        gone = np.interp(at, path.time_s, lost.astype(float)) > 0.5
        found.append((track.offset_hz, np.where(gone, 0.0, np.interp(at, path.time_s, chance))))
    return found
