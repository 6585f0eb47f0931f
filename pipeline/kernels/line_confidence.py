"""How sure a followed line is: at each instant, in its count of cycles, and where none was found."""

from __future__ import annotations

import numpy as np
from scipy.special import gammainc

from .path_posterior import path_drift
from .speed_track import (
    PADDING,
    SPANS,
    ComplexArray,
    FloatArray,
    FollowedLine,
    PhaseTrack,
    frame_seconds,
    spectrogram,
)


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


def cycle_std(line: FollowedLine, delay_s: float, fades_per_run: float = 0.0) -> float:
    """Standard uncertainty of the cycles counted between the ends of a run followed by phase.

    Each end's phase is known from half a smoothing window: ``1 / (2 r window)`` rad**2 for a line of power r
    over the floor's in 1 Hz; and beyond the zoom's first and last output, where the speed is held, a wander
    that suits the frame length moves the count by ``sqrt(q e**3 / 3)``. Every other fade may be a slip.
    """
    window = 0.25 * line.frame_s
    noise = 1.0 / (2.0 * max(line.line_to_floor, 1e-9) * window) / (2.0 * np.pi) ** 2
    q = 0.25 / line.frame_s**3
    return float(np.sqrt(2.0 * (noise + q * (delay_s + window) ** 3 / 3.0) + 0.5 * fades_per_run))


def findable_amplitude(line: FollowedLine, line_hz: float) -> FloatArray:
    """Amplitude per channel [shape=(n_channel,)] at which a line there alone would have been found.

    Its power would lift the best path of the shortest frames to what a line needs and two standard deviations
    more; a third of the power is allowed for wander within the frames.
    """
    n_channel = line.floor.size
    power = 1.5 * (line.needed_excess + 4.0 * np.sqrt(n_channel / line.n_frames) - n_channel)
    return np.asarray(np.sqrt(1.5 * power / (SPANS[0] * frame_seconds(line_hz)) * line.floor))


def drift_density(
    runs: tuple[ComplexArray, ...], rate_hz: float, line: FollowedLine, tracks: list[PhaseTrack], pass_hz: float
) -> float:
    """Density, Hz**2 s, of the frequency error of a path that could not be followed by phase; 0 where it could.

    ``runs``, ``rate_hz`` and the search half width ``pass_hz`` as the line was followed with.
    """
    if all(track.locked for track in tracks):
        return 0.0
    return path_drift(line, [spectrogram(run, rate_hz, line.frame_s, pass_hz, line.floor) for run in runs])


def line_figures(line: FollowedLine) -> dict[str, float]:
    """Line power over floor power in 1 Hz (dB) and the frame length (s) it was followed with."""
    ratio_db = 10.0 * float(np.log10(max(line.line_to_floor, 1e-9)))
    return {"line_to_floor_db": ratio_db, "frame_s": line.frame_s}


def count_figures(
    line: FollowedLine, tracks: list[PhaseTrack], delay_s: float, drift: float
) -> dict[str, float]:
    """How well cycles are counted: ``cycle_std`` between two ends, and a drift's density where phase was lost."""
    locked = all(track.locked for track in tracks)
    fades = sum(track.n_fades for track in tracks) / len(tracks) if locked else 0.0
    return {"cycle_std": cycle_std(line, delay_s, fades), "drift_density": drift}
