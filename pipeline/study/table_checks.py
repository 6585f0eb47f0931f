"""Checks of table rows against each other: doubled captures, labels spelt in two ways, likely slips."""

from __future__ import annotations

import difflib
import os
from collections import defaultdict
from collections.abc import Mapping, Sequence
from pathlib import Path

from ..contracts import CaptureRow, ReasonCode
from .naming import folded_name, listed, nearest

SetAside = dict[int, tuple[ReasonCode, str]]
"""Rows that cannot stay, by number, with code and message."""

LABEL_COLUMNS = ("platform", "part", "position", "condition")


def resolved(folder: Path, file: str) -> Path:
    """A file of the table as a path; backslashes of another system's table are understood."""
    text = file if os.sep == "\\" or (folder / file).exists() else file.replace("\\", "/")
    return folder / text


def duplicates(rows: Sequence[CaptureRow], folder: Path) -> SetAside:
    """Rows that name the same samples in the same way: all of them, each naming the others."""
    groups: dict[tuple[str, str], list[CaptureRow]] = defaultdict(list)
    for row in rows:
        said = (row.capture or 0, row.mapping.as_json())
        groups[(os.path.normpath(resolved(folder, row.file)), repr(said))].append(row)
    out: SetAside = {}
    for group in groups.values():
        if len(group) < 2:
            continue
        numbers = [row.row for row in group]
        for row in group:
            others = ", ".join(str(n) for n in numbers if n != row.row)
            out[row.row] = (
                ReasonCode.DUPLICATE,
                f"each capture in one row; found file {row.file!r} also in row {others}; {_what_differs(group)}",
            )
    return out


def _what_differs(group: Sequence[CaptureRow]) -> str:
    first = group[0].labels()
    differing = [name for name in first if any(row.labels()[name] != first[name] for row in group)]
    if not differing:
        return "remove all but one of them"
    said = ", ".join(f"{name} {listed(dict.fromkeys(str(row.labels()[name]) for row in group))}" for name in differing)
    return f"they differ in {said}: correct the file name in one, or remove it"


def spelt_otherwise(rows: Sequence[CaptureRow]) -> SetAside:
    """Rows whose label differs from a more frequent one in capitals, blanks or hyphens only."""
    out: SetAside = {}
    for column in LABEL_COLUMNS:
        spellings: dict[str, dict[str, list[int]]] = defaultdict(lambda: defaultdict(list))
        for row in rows:
            label = getattr(row, column)
            spellings[folded_name(label)][label].append(row.row)
        for folded, variants in spellings.items():
            if folded and len(variants) > 1:
                out.update(_rarer_spellings(column, variants))
    return out


def _rarer_spellings(column: str, variants: Mapping[str, list[int]]) -> SetAside:
    usual = max(variants, key=lambda name: len(variants[name]))
    first, count = variants[usual][0], len(variants[usual])
    return {
        number: (
            ReasonCode.AMBIGUOUS,
            f"one spelling a {column}; found {name!r} here, {usual!r} from row {first} on ({count}); write them alike",
        )
        for name, numbers in variants.items()
        if name != usual
        for number in numbers
    }


def remarks(rows: Sequence[CaptureRow]) -> list[str]:
    """Labels that stand once and look like a slip of the pen of a frequent one."""
    notes: list[str] = []
    for column in LABEL_COLUMNS:
        counts: dict[str, int] = defaultdict(int)
        for row in rows:
            counts[getattr(row, column)] += 1
        for name, count in counts.items():
            others = [other for other, n in counts.items() if other != name and n >= 4 * count]
            near = nearest(name, others) if name else None
            if near is not None and close(name, near) and _letters(name) != _letters(near):
                notes.append(f"{column} {name!r} stands in {count} row(s), {near!r} in {counts[near]}: a slip?")
    return notes


def _letters(name: str) -> str:
    """A name without the last part, so that candidate-A and candidate-B, or 4.8 and 5.3, are no slips."""
    head = folded_name(name).rpartition("_")[0]
    return head or folded_name(name)


def close(name: str, near: str) -> bool:
    """Whether two names differ by little enough that one may be a slip of the other."""
    return difflib.SequenceMatcher(None, folded_name(name), folded_name(near)).ratio() >= 0.8
