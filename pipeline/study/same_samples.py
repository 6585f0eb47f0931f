"""Captures that hold the same samples under different names: one recording counted twice says it repeats perfectly."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Hashable, Mapping, Sequence
from itertools import product
from typing import TypeVar

Name = TypeVar("Name", bound=Hashable)
Levels = tuple[int, ...]

TOLERANCE = 10
"""Steps of 0.01 % by which the frames of a copy may differ: a capture at idle written in g with 4 decimals stays
under it; two captures of one engine differ by some hundred in each of the 24 frames."""

_CELL = 4 * TOLERANCE
_FRAMES = 6
"""Only captures whose first six frames fall into one cell are compared, so that thousands take no longer. A level
near a cell's border is looked for on both sides of it. 20,000 captures of one length take about a second."""


def same_samples(fingerprints: Mapping[Name, str]) -> list[list[Name]]:
    """Groups of two or more names whose fingerprints tell the same samples, in the order given.

    A fingerprint is ``n;a,b,c...``: the number of samples, and the level of some frames relative to the whole in
    steps of 0.01 % of its logarithm. Empty ones, and those of another form, match nothing.
    """
    groups: list[list[Name]] = []
    cells: dict[tuple[str, Levels], list[tuple[Levels, list[Name]]]] = defaultdict(list)
    for name, fingerprint in fingerprints.items():
        if ";" not in fingerprint:
            continue
        n, levels = _read(fingerprint)
        group = _found(cells, n, levels)
        if group is None:
            group = []
            groups.append(group)
            cells[n, tuple(level // _CELL for level in levels[:_FRAMES])].append((levels, group))
        group.append(name)
    return [group for group in groups if len(group) > 1]


def _read(fingerprint: str) -> tuple[str, Levels]:
    n, _, levels = fingerprint.partition(";")
    return n, tuple(int(level) for level in levels.split(","))


def _found(
    cells: Mapping[tuple[str, Levels], Sequence[tuple[Levels, list[Name]]]], n: str, levels: Levels
) -> list[Name] | None:
    sides = [{(level - TOLERANCE) // _CELL, (level + TOLERANCE) // _CELL} for level in levels[:_FRAMES]]
    for cell in product(*sides):
        for known, group in cells.get((n, cell), ()):
            if len(known) == len(levels) and all(abs(a - b) <= TOLERANCE for a, b in zip(known, levels, strict=True)):
                return group
    return None
