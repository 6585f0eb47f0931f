"""Checks of table rows against each other: doubled captures, labels spelt in two ways, likely slips."""

from __future__ import annotations

import difflib
import os
from collections import Counter, defaultdict
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


def usual_spellings(rows: Sequence[CaptureRow]) -> dict[tuple[str, str], str]:
    """The more frequent spelling of labels that differ from it in capitals, blanks or hyphens only.

    Keys are column and rarer spelling.
    """
    usual: dict[tuple[str, str], str] = {}
    for column in LABEL_COLUMNS:
        spellings: dict[str, Counter[str]] = defaultdict(Counter)
        for row in rows:
            label = getattr(row, column)
            spellings[folded_name(label)][label] += 1
        for folded, variants in spellings.items():
            if folded and len(variants) > 1:
                first = variants.most_common(1)[0][0]
                usual |= {(column, name): first for name in variants if name != first}
    return usual


def spelt_otherwise(rows: Sequence[CaptureRow], usual: Mapping[tuple[str, str], str]) -> SetAside:
    """Rows with a rarer spelling of a label, each naming the usual one and where it stands first."""
    out: SetAside = {}
    for row in rows:
        for column in LABEL_COLUMNS:
            name = getattr(row, column)
            first = usual.get((column, name))
            if first is None:
                continue
            where = next(other.row for other in rows if getattr(other, column) == first)
            found = f"found {name!r} here, {first!r} from row {where} on; write them alike"
            out[row.row] = (ReasonCode.AMBIGUOUS, f"one spelling a {column}; {found}")
    return out


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
