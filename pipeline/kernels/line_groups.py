"""Lines that belong together: whole multiples of one of them, and pairs at equal distances about another."""

from __future__ import annotations

import math
from collections.abc import Sequence


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
    # plain numbers: a few dozen lines, each held against each
    frequency, std = [float(value) for value in frequency_hz], [float(value) for value in std_hz]
    free = sorted(range(len(frequency)), key=frequency.__getitem__)
    groups: list[list[tuple[int, int]]] = []
    while True:
        candidates = [_multiples(frequency, std, base, free, slack_hz, most) for base in sorted(free)]
        best = max(candidates, key=len, default=[])
        if len(best) < 3:
            return groups
        groups.append(best)
        taken = {index for index, _ in best}
        free = [index for index in free if index not in taken]


def _multiples(
    frequency: list[float], std: list[float], base: int, free: list[int], slack_hz: float, most: int
) -> list[tuple[int, int]]:
    """Lines among ``free``, which rise in frequency, that are multiples of ``base``."""
    own = frequency[base]
    if own <= 0.0:
        return []
    group = []
    for index in free:
        multiple = round(frequency[index] / own)
        room = slack_hz + 3.0 * math.hypot(std[index], multiple * std[base])
        # a fundamental known too loosely would have every line for its multiple
        certain = 1 <= multiple <= most and room < 0.1 * own
        if certain and abs(frequency[index] - multiple * own) <= room:
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
    distance = [float(value) - float(frequency_hz[carrier]) for value in frequency_hz]
    below = [index for index, away in enumerate(distance) if -reach_hz <= away < 0.0]
    above = [index for index, away in enumerate(distance) if 0.0 < away <= reach_hz]
    pairs = []
    for low in below:
        for high in above:
            room = slack_hz + 3.0 * math.hypot(std_hz[low], std_hz[high])
            if abs(distance[low] + distance[high]) <= room:
                pairs.append((low, high, 0.5 * (distance[high] - distance[low])))
    return sorted(pairs, key=lambda pair: pair[2])
