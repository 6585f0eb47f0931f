"""Intervals of time: union, complement, what is left after cuts, least length."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

Interval = tuple[float, float]


def merged(intervals: Iterable[Interval]) -> list[Interval]:
    """The union as disjoint intervals in order; touching ones become one, empty ones vanish.

    >>> merged([(4.0, 5.0), (0.0, 2.0), (1.0, 3.0), (7.0, 7.0)])
    [(0.0, 3.0), (4.0, 5.0)]
    """
    union: list[Interval] = []
    for start, stop in sorted(pair for pair in intervals if pair[1] > pair[0]):
        if union and start <= union[-1][1]:
            union[-1] = (union[-1][0], max(union[-1][1], stop))
        else:
            union.append((start, stop))
    return union


def without(span: Interval, cuts: Iterable[Interval]) -> list[Interval]:
    """What is left of ``span`` when all ``cuts`` are taken out of it.

    >>> without((0.0, 10.0), [(2.0, 3.0), (9.0, 12.0)])
    [(0.0, 2.0), (3.0, 9.0)]
    """
    left: list[Interval] = []
    at = span[0]
    for start, stop in merged(cuts):
        if start > at:
            left.append((at, min(start, span[1])))
        at = max(at, stop)
        if at >= span[1]:
            break
    if at < span[1]:
        left.append((at, span[1]))
    return [pair for pair in left if pair[1] > pair[0]]


def common(first: Iterable[Interval], second: Iterable[Interval]) -> list[Interval]:
    """What lies in both unions."""
    one, other = merged(first), merged(second)
    pairs = ((max(a, c), min(b, d)) for a, b in one for c, d in other)
    return merged(pair for pair in pairs if pair[1] > pair[0])


def at_least(intervals: Iterable[Interval], shortest: float) -> tuple[list[Interval], list[Interval]]:
    """Intervals of at least ``shortest`` (a part in 1e9 covers rounding), and those that are too short."""
    kept: list[Interval] = []
    dropped: list[Interval] = []
    for pair in intervals:
        (kept if pair[1] - pair[0] >= shortest * (1.0 - 1e-9) else dropped).append(pair)
    return kept, dropped


def total(intervals: Sequence[Interval]) -> float:
    """Summed length of disjoint intervals."""
    return float(sum(stop - start for start, stop in intervals))
