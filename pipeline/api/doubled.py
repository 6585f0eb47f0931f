"""Rows of a study that are one recording: refused, all of them, since nobody can tell which of the labels is true."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace

from ..contracts import CaptureRow, Reason, ReasonCode
from ..execution.orders import Done
from ..study.same_samples import same_samples

FINGERPRINT = "fingerprint"
"""Fact of a capture's fitness."""


def without_doubled(rows: Iterable[CaptureRow], done: Mapping[int, Done]) -> dict[int, Done]:
    """The same, with rows that are one capture, or hold the same samples in two files, refused, naming each other."""
    by_number = {row.row: row for row in rows}
    refused: dict[int, Done] = {}
    found = [(group, _same_capture) for group in _one_capture(by_number, done)]
    found += [(group, _same_content) for group in _one_content(by_number, done)]
    for group, said in found:
        for number in group:
            others = [by_number[other] for other in group if other != number]
            refused.setdefault(number, _refused(done[number], said(by_number[number], others)))
    return {**done, **refused}


def _one_capture(rows: Iterable[int], done: Mapping[int, Done]) -> list[list[int]]:
    same: dict[str, list[int]] = defaultdict(list)
    for number in rows:
        capture_id = done[number].capture_id
        if capture_id is not None:
            same[capture_id].append(number)
    return [group for group in same.values() if len(group) > 1]


def _one_content(rows: Iterable[int], done: Mapping[int, Done]) -> list[list[int]]:
    return same_samples({number: str(done[number].fitness.facts.get(FINGERPRINT, "")) for number in rows})


def _same_capture(row: CaptureRow, others: Sequence[CaptureRow]) -> str:
    return f"row {row.row} holds the same capture as {_named(others)}; keep one of them"


def _same_content(row: CaptureRow, others: Sequence[CaptureRow]) -> str:
    """Which file it is, and in what the rows differ: one of the labels is wrong, or a file was copied."""
    names = [name for name in row.labels() if name != "file" and any(_differs(row, other, name) for other in others)]
    differ = f"the rows differ in {', '.join(names)}: " if names else ""
    return (
        f"row {row.row} ({row.file}) holds the same samples as {_named(others)}, in another file or under another "
        f"mapping; {differ}one recording is no second one, keep the row that is true"
    )


def _differs(row: CaptureRow, other: CaptureRow, name: str) -> bool:
    return bool(row.labels()[name] != other.labels()[name])


def _named(others: Sequence[CaptureRow]) -> str:
    return ", ".join(f"row {other.row} ({other.file})" for other in others)


def _refused(item: Done, detail: str) -> Done:
    refused = Done.refused(item.row, Reason(ReasonCode.DUPLICATE, detail), item.sha256)
    return replace(refused, facts=item.facts)
