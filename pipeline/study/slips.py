"""Slips a table or a study may hold without being wrong by itself: remarks, made before a sample is read.

A remark never changes a verdict; what cannot be meant at all is refused instead.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable, Sequence

from ..contracts import CaptureRow, StudyError
from .captures_table import CapturesTable
from .decibels import shown
from .naming import listed, suggestion
from .pairing import Side, is_background
from .study_file import Study

_BETTER_EXCHANGED = {3: 30.0, 4: 12.0}
_BETTER_EXCHANGED_ABOVE = 8.0
"""How many times smaller the scatter must get when two repeats are exchanged across parts. Simulated for parts
that do not differ, where chance does best: passed in 3 studies of 1,000 with three repeats, fewer with more."""


def check_question(study: Study, table: CapturesTable) -> tuple[str, ...]:
    """Hold the question against the table, without reading a capture; returns remarks for the reader.

    Raises
    ------
    StudyError
        If no row of the table has the study's baseline part, naming the nearest part there is.
    """
    parts = [row.part for row in table.rows] + [str(p.labels.get("part", "")) for p in table.problems]
    names = [name for name in dict.fromkeys(parts) if name]
    if study.baseline not in names:
        raise StudyError(
            f"baseline {study.baseline!r} among the parts of {table.path.name!r}", found=f"parts {listed(names)}",
            todo=suggestion(study.baseline, names) or "set `baseline` to the part that percent changes are of",
        )  # fmt: skip
    rows = [row for row in table.rows if not is_background(row.condition)]
    remarks = [*table.notes, *_limit_as_fraction(study), *_nothing_beside(study, names)]
    remarks += _without_firing_order(study, rows) + _never_refitted(rows) + _without_baseline(study, rows)
    return tuple(remarks)


def _limit_as_fraction(study: Study) -> list[str]:
    if study.limit_percent is not None and 0.0 < study.limit_percent < 1.0:
        whole = 100.0 * study.limit_percent
        return [f"limit_percent = {study.limit_percent:g} is less than one percent; for {whole:g} % write {whole:g}"]
    return []


def _nothing_beside(study: Study, names: Sequence[str]) -> list[str]:
    if names == [study.baseline]:
        return [f"{study.baseline!r} is the only part of the table: there is nothing to compare it with"]
    return []


def _without_firing_order(study: Study, rows: Sequence[CaptureRow]) -> list[str]:
    """Which rows lack what their reading is found by."""
    if study.reading == "firing_order":
        bare = [row.row for row in rows if row.cylinders is None and row.firing_order is None]
        lacking = "neither cylinders nor firing_order"
    elif study.reading == "highest_bin" and study.band_hz is None:
        bare = [row.row for row in rows if row.rpm is None]
        lacking = "no rpm, and the study has no band_hz"
    else:
        return []
    if not bare:
        return []
    return [f"{_rows(bare)}: {lacking}, so {study.reading!r} may be absent (no speed)"]


def _never_refitted(rows: Sequence[CaptureRow]) -> list[str]:
    """Several captures of one repeat that are told apart by neither placement nor take: repeats, perhaps."""
    groups: dict[tuple[str, ...], list[int]] = defaultdict(list)
    for row in rows:
        where = (row.platform, row.part, row.position, row.condition, row.repeat, row.specimen, row.vehicle)
        if not row.placement and not row.take:
            groups[where].append(row.row)
    remarks = []
    for (platform, part, *_, repeat, _specimen, _vehicle), numbers in groups.items():
        if len(numbers) > 1:
            remarks.append(
                f"{part} on {platform}: {_rows(numbers)} all say repeat {repeat} and count as takes of one fitting; "
                "if the part was refitted between them, number the fittings 1, 2, 3"
            )
    return remarks


def _without_baseline(study: Study, rows: Sequence[CaptureRow]) -> list[str]:
    """Captures of a candidate where the platform's baseline stands at another position or condition only."""
    places: dict[tuple[str, str], set[str]] = defaultdict(set)
    for row in rows:
        places[(row.platform, row.part)].add(f"{row.position or 'its axes'}, {row.condition}")
    remarks = []
    for (platform, part), where in places.items():
        alone = where - places.get((platform, study.baseline), set())
        if part == study.baseline or not alone:
            continue
        there = places.get((platform, study.baseline))
        known = f"stands at {listed(sorted(there))}" if there else "was not measured there at all"
        lonely = f"{part} on {platform} has no baseline beside it at {listed(sorted(alone))}"
        remarks.append(f"{lonely}: the baseline {known}")
    return remarks


def _rows(numbers: Iterable[int]) -> str:
    items = list(numbers)
    if len(items) == 1:
        return f"row {items[0]}"
    shown = ", ".join(str(n) for n in items[:6])
    return f"rows {shown}" + (f" and {len(items) - 6} more" if len(items) > 6 else "")


def perhaps_swapped(baseline: Side, candidate: Side) -> str | None:
    """A remark where one repeat of each part fits far better with the other part: labels swapped, perhaps."""
    b, c = ([math.log(value) for value in side.values] for side in (baseline, candidate))
    least = min(len(b), len(c))
    if least < 3:
        return None
    before = _squares(b) + _squares(c)
    best, at = min(
        (_squares([*b[:i], c[j], *b[i + 1 :]]) + _squares([*c[:j], b[i], *c[j + 1 :]]), (i, j))
        for i in range(len(b))
        for j in range(len(c))
    )
    if before <= _BETTER_EXCHANGED.get(least, _BETTER_EXCHANGED_ABOVE) * best:
        return None
    one, other = baseline.repeats[at[0]], candidate.repeats[at[1]]
    values = [shown(repeat.value, baseline.unit) for repeat in (one, other)]
    return (
        f"repeat {one.name} of {baseline.part} ({values[0]:.3g} {baseline.unit}) and repeat {other.name} of "
        f"{candidate.part} ({values[1]:.3g}) would fit far better exchanged: were the parts swapped in the table?"
    )


def _squares(values: Sequence[float]) -> float:
    centre = math.fsum(values) / len(values)
    return math.fsum((value - centre) ** 2 for value in values)
