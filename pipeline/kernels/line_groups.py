"""Lines that belong together: whole multiples of one of them, and pairs at equal distances about another."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]


def harmonic_groups(
    frequency_hz: Sequence[float], std_hz: Sequence[float], slack_hz: float, most: int = 32
) -> list[list[tuple[int, int]]]:
    """Lines that are whole multiples of a line among them.

    Returns
    -------
    list of list of tuple
        Per group (index of the line, multiple), fundamental first; groups of at least three lines, largest
        first; a line belongs to one group only.
    """
    frequency, std = np.asarray(frequency_hz, dtype=np.float64), np.asarray(std_hz, dtype=np.float64)
    free = set(range(frequency.size))
    groups: list[list[tuple[int, int]]] = []
    while True:
        candidates = [_multiples(frequency, std, base, free, slack_hz, most) for base in sorted(free)]
        best = max(candidates, key=len, default=[])
        if len(best) < 3:
            return groups
        groups.append(best)
        free -= {index for index, _ in best}


def _multiples(
    frequency: FloatArray, std: FloatArray, base: int, free: set[int], slack_hz: float, most: int
) -> list[tuple[int, int]]:
    if frequency[base] <= 0.0:
        return []
    group = []
    for index in sorted(free, key=lambda i: float(frequency[i])):
        multiple = round(float(frequency[index] / frequency[base]))
        room = slack_hz + 3.0 * np.hypot(std[index], multiple * std[base])
        # a fundamental known too loosely would have every line for its multiple
        certain = 1 <= multiple <= most and room < 0.1 * frequency[base]
        if certain and abs(frequency[index] - multiple * frequency[base]) <= room:
            group.append((index, multiple))
    return group


def sideband_pairs(
    frequency_hz: Sequence[float], std_hz: Sequence[float], carrier: int, slack_hz: float, reach_hz: float
) -> list[tuple[int, int, float]]:
    """Lines at equal distances below and above a carrier.

    Returns
    -------
    list of tuple
        (index below, index above, distance in Hz), nearest first; within ``reach_hz`` of the carrier.
    """
    frequency = np.asarray(frequency_hz, dtype=np.float64)
    distance = frequency - frequency[carrier]
    below = [int(i) for i in np.flatnonzero((distance < 0) & (distance >= -reach_hz))]
    above = [int(i) for i in np.flatnonzero((distance > 0) & (distance <= reach_hz))]
    pairs = []
    for low in below:
        for high in above:
            room = slack_hz + 3.0 * np.hypot(std_hz[low], std_hz[high])
            if abs(distance[low] + distance[high]) <= room:
                pairs.append((low, high, float(0.5 * (distance[high] - distance[low]))))
    return sorted(pairs, key=lambda pair: pair[2])
