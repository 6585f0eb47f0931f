"""A first captures table and study file from file names: what can be told is filled in, the rest is marked."""

from __future__ import annotations

import csv
import io
import re
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from .marks import FILL_IN

COLUMNS = (
    "file", "platform", "part", "position", "condition", "repeat", "placement", "take", "cylinders", "rpm",
    "sample_rate_hz", "unit",
)  # fmt: skip

_NUMBERED = {
    "repeat": re.compile(r"(?:r|rep|repeat|run|fit|fitting)[-_ ]?0*(\d{1,3})", re.IGNORECASE),
    "take": re.compile(r"(?:t|take)[-_ ]?0*(\d{1,3})", re.IGNORECASE),
    "placement": re.compile(r"(?:pl|placement)[-_ ]?0*(\d{1,3})", re.IGNORECASE),
    "rpm": re.compile(r"0*(\d{3,4})[-_ ]?rpm", re.IGNORECASE),
    "cylinders": re.compile(r"[vi]0*(\d{1,2})|0*(\d{1,2})cyl", re.IGNORECASE),
}
_CONDITIONS = {
    "idle": "idle-neutral", "drive": "idle-drive", "neutral": "idle-neutral", "park": "idle-neutral",
    "off": "engine-off", "background": "engine-off", "runup": "run-up",
    "idle-drive": "idle-drive", "idle-neutral": "idle-neutral", "engine-off": "engine-off", "run-up": "run-up",
}  # fmt: skip
_POSITIONS = {"seat": "seat rail", "rail": "seat rail", "wheel": "steering wheel", "engine": "engine side",
              "body": "body side"}  # fmt: skip
_BASELINES = ("original", "orig", "stock", "standard", "baseline", "base", "factory")


@dataclass(frozen=True, slots=True)
class FoundFile:
    """A file a reader looked at: its path relative to the table, and what it said of itself."""

    file: str
    unit: str = ""
    sample_rate_hz: str = ""
    trouble: str = ""


@dataclass(frozen=True, slots=True)
class Proposal:
    """Texts of the two files, and in words what was inferred and what a person must fill in."""

    table: str
    study: str
    inferred: Sequence[str] = field(default_factory=list)
    to_fill_in: Sequence[str] = field(default_factory=list)


def proposed(files: Sequence[FoundFile], title: str) -> Proposal:
    """A table with a row a file, and a study over it."""
    rows = [_row(found) for found in files]
    _share_out_words(rows, [_leftover(found.file) for found in files])
    _number_repeats(rows)
    parts = Counter(row["part"] for row in rows)
    baseline = next((p for p in parts if p.lower() in _BASELINES), FILL_IN)
    missing = [
        f"column {column}: {sum(row[column] == FILL_IN for row in rows)} of {len(rows)} rows"
        for column in COLUMNS
        if any(row[column] == FILL_IN for row in rows)
    ]
    missing += ["study.toml: baseline"] if baseline == FILL_IN else []
    missing += ["study.toml: limit_percent (the most that the company allows over the baseline)"]
    return Proposal(_table_text(rows), _study_text(title, baseline), _inferred(rows), missing)


def _tokens(path: str) -> list[str]:
    stem = path.rsplit(".", 1)[0]
    return [word for word in re.split(r"[/\\]|[_\s]+|(?<=\d)-(?=\D)|(?<=\D)-(?=\d)", stem) if word]


def _row(found: FoundFile) -> dict[str, str]:
    row = dict.fromkeys(COLUMNS, "")
    row |= {"file": found.file, "unit": found.unit, "sample_rate_hz": found.sample_rate_hz}
    for word in _tokens(found.file):
        for column, pattern in _NUMBERED.items():
            match = pattern.fullmatch(word)
            if match and not row[column]:
                row[column] = next(group for group in match.groups() if group)
        row["condition"] = _CONDITIONS.get(word.lower(), row["condition"]) if word.lower() != "idle" else (
            row["condition"] or "idle-neutral"
        )  # fmt: skip
        row["position"] = row["position"] or _POSITIONS.get(word.lower(), "")
    return row


def _leftover(path: str) -> list[str]:
    """Words of the path that no pattern took: they may name the platform or the part."""
    known = {*_CONDITIONS, *_POSITIONS}
    return [
        word
        for word in _tokens(path)
        if word.lower() not in known and not any(pattern.fullmatch(word) for pattern in _NUMBERED.values())
        and not word.isdigit()
    ]  # fmt: skip


def _share_out_words(rows: Sequence[dict[str, str]], words: Sequence[list[str]]) -> None:
    """Folder and file words that differ between files name platform and part, in this order."""
    varying = [
        place
        for place in range(max(map(len, words), default=0))
        if len({taken[place] if place < len(taken) else "" for taken in words}) > 1
    ]
    baseline_at = [p for p in varying if any(len(w) > p and w[p].lower() in _BASELINES for w in words)]
    part_at = baseline_at[0] if baseline_at else (varying[-1] if varying else None)
    platform_at = next((place for place in varying if place != part_at), None)
    for row, taken in zip(rows, words, strict=True):
        row["part"] = _word(taken, part_at) or FILL_IN
        row["platform"] = _word(taken, platform_at) or FILL_IN
        for column in ("position", "condition"):
            row[column] = row[column] or FILL_IN


def _word(taken: Sequence[str], place: int | None) -> str:
    return taken[place] if place is not None and place < len(taken) else ""


def _number_repeats(rows: Sequence[dict[str, str]]) -> None:
    """A repeat is a fresh fitting: where names do not number them nobody but the person knows."""
    for row in rows:
        row["repeat"] = row["repeat"] or FILL_IN


def _table_text(rows: Sequence[Mapping[str, str]]) -> str:
    out = io.StringIO()
    writer = csv.DictWriter(out, COLUMNS, lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    return out.getvalue()


def _study_text(title: str, baseline: str) -> str:
    return (
        f'title = "{title}"\ncaptures = "captures.csv"\n'
        f'baseline = "{baseline}"  # the part that every change is a percentage of\n'
        f'limit_percent = "{FILL_IN}"  # at most so many percent more than the baseline, e.g. 15\n'
        "# minimum_duration_s = 30\n# negligible_mg = 0.5\n"
    )


def _inferred(rows: Sequence[Mapping[str, str]]) -> list[str]:
    return [
        f"{column}: {', '.join(values[:6])}{' ...' if len(values) > 6 else ''}"
        for column in COLUMNS[1:]
        if (values := sorted({row[column] for row in rows} - {"", FILL_IN}))
    ]
