"""The top of the page: one answer a candidate, every verdict with its strip, the grid, the forest."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from ..study.decibels import DECIBEL
from .marks import ALL_MARKS, Mark, mark_of
from .numbers import THIN, Figure, decimals_for, fixed, listed, percent_decimals, typeset
from .strips import Scale, Strip, change_keys, change_unit, prediction_keys, scale_for, strip_for
from .tables_of_study import Entry, Numbered, StudyTables, place_of, place_words

OverKey = tuple[str, str, str, str, str]


@dataclass(frozen=True, slots=True)
class Change:
    """A change with its interval as printed figures, in ``unit``; ``None`` where the files hold null."""

    percent: Figure | None
    low: Figure | None
    high: Figure | None
    confidence: Figure | None
    unit: str = "%"


@dataclass(frozen=True, slots=True)
class VerdictRow:
    """One verdict: mark, sentence, figures, strip, and the anchor of its evidence."""

    number: int
    mark: Mark
    sentence: str
    platform: str
    place_words: str
    candidate: str
    baseline: str
    change: Change
    strip: Strip
    repeats: str


@dataclass(frozen=True, slots=True)
class Answer:
    """What one candidate came to, in a line: the largest thing on the page."""

    candidate: str
    where: str
    mark: Mark
    parts: tuple[tuple[Mark, str], ...]
    typical: VerdictRow | None
    new: Change | None


@dataclass(frozen=True, slots=True)
class Grid:
    """Platforms by parts at one position and condition."""

    title: str
    parts: tuple[str, ...]
    rows: tuple[tuple[str, tuple[VerdictRow | None, ...]], ...]


@dataclass(frozen=True, slots=True)
class Summary:
    """What holds over all platforms for one candidate, with the platforms it came from."""

    candidate: str
    where: str
    change: Change
    prediction: Change
    n_platforms: Figure
    tau: Figure | None
    i2: Figure | None
    strip: Strip
    rows: tuple[VerdictRow, ...]
    prior: Figure | None
    note: str


def percent_figure(value: float | None, key: str, decimals: int, *, signed: bool = True) -> Figure | None:
    """A change as printed, with its source."""
    if value is None:
        return None
    return Figure(fixed(value, decimals, signed=signed), value, key)


def change_of(entry: Entry, root: str, limit: float | None, ends: tuple[str, str] | None = None) -> Change:
    """The change of one entry, its three numbers with the same decimals; ``ends`` are keys of another interval."""
    names, unit = change_keys(entry), change_unit(entry)
    names = names if ends is None else (names[0], *ends)
    value, low, high = (entry.get(name) for name in names)
    middle = value if value is not None else low
    if middle is None:
        return Change(None, None, None, None, unit)
    marks = [0.0, *([limit] if limit is not None else [])]
    decimals = percent_decimals(middle, low, high, marks)
    # a level is told to a tenth: a whole decibel is 12 %
    decimals = decimals if unit == "%" else max(decimals, 1)
    share = entry.get("confidence")
    return Change(
        percent=percent_figure(value, f"{root}/{names[0]}", decimals),
        low=percent_figure(low, f"{root}/{names[1]}", decimals),
        high=percent_figure(high, f"{root}/{names[2]}", decimals),
        confidence=None if share is None else Figure(fixed(share, 4).rstrip("0"), share, f"{root}/confidence"),
        unit=unit,
    )


class AnswerSheet:
    """Builds the upper part of the page from the tables."""

    def __init__(self, tables: StudyTables) -> None:
        self.tables = tables
        study = tables.documents.study
        carrying = tables.carrying
        self.unit = change_unit(carrying[0].entry) if carrying else "%"
        """What the study's own reading changes by: percent, or decibels of a level."""
        self.limits: dict[str, float | None] = {"%": study.get("limit_percent"), DECIBEL: study.get("limit_db")}
        self.limit = self.limits[self.unit]
        overs = tables.documents.over_platforms
        self.scale: Scale = scale_for([*(item.entry for item in carrying), *overs], self.limit, self.unit)
        self.rows: list[VerdictRow] = [self.row(item) for item in carrying]

    def row(self, item: Numbered) -> VerdictRow:
        """The verdict row of one comparison."""
        entry = item.entry
        change = self.change(entry, f"comparisons/{item.number}")
        mark = mark_of(str(entry["verdict"]))
        place = place_of(entry)
        repeats = _repeat_changes(entry)
        label = _strip_label(entry, mark, change, self.limit, len(repeats))
        return VerdictRow(
            number=item.number,
            mark=mark,
            sentence=typeset(self.tables.sentence(item.number)) or f"{label}.",
            platform=place[0],
            place_words=place_words(place),
            candidate=str(entry["candidate"]),
            baseline=str(entry["baseline"]),
            change=change,
            strip=strip_for(entry, self.scale, repeats, label),
            repeats=f"{entry['n_baseline']} and {entry['n_candidate']}",
        )

    def change(self, entry: Entry, root: str) -> Change:
        """The change of one entry, rounded so that it stands on its own side of the limit that is its own."""
        return change_of(entry, root, self.limits[change_unit(entry)])

    @property
    def limit_text(self) -> str | None:
        """The limit with its unit, as scales print it."""
        return None if self.limit is None else f"{fixed(self.limit, 1).removesuffix('.0')}{THIN}{self.unit}"

    def ordered(self) -> list[VerdictRow]:
        """Verdicts, gravest first, then by the size of the change."""
        return sorted(self.rows, key=lambda row: (row.mark.rank, -_size(row.change)))

    def answers(self, summaries: Sequence[Summary]) -> list[Answer]:
        """One line a candidate (and place, where there are several)."""
        groups: dict[tuple[str, str, str], list[VerdictRow]] = defaultdict(list)
        for row in self.rows:
            groups[(row.candidate, row.baseline, row.place_words)].append(row)
        typical = {(item.candidate, item.where): item for item in summaries}
        places = {row.place_words for row in self.rows}
        return [
            _answer(candidate, where if len(places) > 1 else "", rows, typical.get((candidate, where)))
            for (candidate, _, where), rows in groups.items()
        ]

    def tally(self) -> list[tuple[Mark, int]]:
        """How many verdicts of each kind."""
        return [
            (mark, number)
            for mark in ALL_MARKS
            if (number := sum(row.mark.word == mark.word for row in self.rows))
        ]

    def grids(self) -> list[Grid]:
        """A grid for each position and condition."""
        groups: dict[str, list[VerdictRow]] = defaultdict(list)
        for row in self.rows:
            groups[row.place_words].append(row)
        return [_grid(where, rows) for where, rows in groups.items()]

    def summaries(self) -> list[Summary]:
        """Forests: one a candidate and place."""
        return [
            self._summary(number, entry)
            for number, entry in enumerate(self.tables.documents.over_platforms)
            if self._is_asked(entry)
        ]

    def _is_asked(self, entry: Entry) -> bool:
        asked = self.tables.asked
        return not asked or (entry.get("reading"), entry.get("combination")) in asked

    def _summary(self, number: int, entry: Entry) -> Summary:
        root = f"over_platforms/{number}"
        where = place_words(("", str(entry["position"]), str(entry["condition"])))
        rows = tuple(
            row
            for row in self.rows
            if row.candidate == entry["candidate"] and row.place_words == where and row.change.percent is not None
        )
        change = self.change(entry, root)
        prediction = change_of(entry, root, self.limits[change.unit], prediction_keys(entry))
        label = _summary_label(entry, change, prediction)
        tau, i2, dof = (entry.get(name) for name in ("tau", "i2", "prior_degrees_of_freedom"))
        return Summary(
            candidate=str(entry["candidate"]),
            where=where,
            change=change,
            prediction=prediction,
            n_platforms=Figure(str(entry["n_platforms"]), entry["n_platforms"], f"{root}/n_platforms"),
            tau=None if tau is None else Figure(fixed(tau, decimals_for(None, tau)), tau, f"{root}/tau"),
            i2=None if i2 is None else Figure(fixed(i2, decimals_for(None, i2)), i2, f"{root}/i2"),
            strip=strip_for(entry, self.scale, (), label),
            rows=tuple(sorted(rows, key=lambda row: -_size(row.change))),
            prior=None if dof is None else Figure(fixed(dof, 1), dof, f"{root}/prior_degrees_of_freedom"),
            note=_summary_note(entry),
        )


def _repeat_changes(entry: Entry) -> list[float]:
    """Change of each fitting of the candidate, from the baseline's mean over its fittings."""
    base = entry.get("baseline_value")
    if base is None or entry.get(change_keys(entry)[0]) is None:
        return []
    if change_unit(entry) == DECIBEL:
        return [value - base for value in entry.get("repeats_candidate") or ()]
    return [100 * (value / base - 1) for value in entry.get("repeats_candidate") or ()]


def _size(change: Change) -> float:
    return change.percent.value if change.percent else float("-inf")


def _answer(candidate: str, where: str, rows: Sequence[VerdictRow], summary: Summary | None) -> Answer:
    groups: dict[Mark, list[str]] = defaultdict(list)
    for row in rows:
        groups[row.mark].append(row.platform)
    parts = tuple(
        (mark, _on(names, len(rows)))
        for mark, names in sorted(groups.items(), key=lambda pair: pair[0].rank)
    )
    typical = None
    if summary is not None and summary.change.percent is not None:
        mark, base = parts[0][0], rows[0].baseline
        typical = VerdictRow(
            -1, mark, "", "", summary.where, candidate, base, summary.change, summary.strip, ""
        )  # fmt: skip
    return Answer(candidate, where, parts[0][0], parts, typical, summary.prediction if summary else None)


def _on(platforms: Sequence[str], total: int) -> str:
    """Named while a reader can take them in, counted beyond; the grid has them all."""
    if len(platforms) == total > 2:
        return f"on all {total} platforms"
    return f"on {listed(sorted(platforms), 3)}" if len(platforms) <= 4 else f"on {len(platforms)} of {total} platforms"


def _grid(where: str, rows: Sequence[VerdictRow]) -> Grid:
    parts = tuple(dict.fromkeys(row.candidate for row in rows))
    platforms = dict.fromkeys(row.platform for row in rows)
    cells: Mapping[tuple[str, str], VerdictRow] = {(row.platform, row.candidate): row for row in rows}
    return Grid(
        where,
        parts,
        tuple((platform, tuple(cells.get((platform, part)) for part in parts)) for platform in platforms),
    )


def _strip_label(entry: Entry, mark: Mark, change: Change, limit: float | None, n_repeats: int) -> str:
    where = ", ".join(word for word in (place_of(entry)[0], place_words(place_of(entry))) if word)
    names = f"{entry['candidate']} against {entry['baseline']} on {where}"
    if change.percent is None:
        return f"{names}: {mark.word}, no percentage"
    unit = f"{THIN}{change.unit}"
    text = f"{names}: {change.percent.text}{unit} against the baseline"
    if change.low and change.high and change.confidence:
        share = fixed(100 * change.confidence.value, 1).removesuffix(".0")
        text += f" ({share}{THIN}%: {change.low.text} to {change.high.text})"
    else:
        text += ", no interval"
    text += f", limit {fixed(limit, 1).removesuffix('.0')}{unit}" if limit is not None else ""
    return f"{text}, {mark.word}" + (f", {n_repeats} repeats as ticks" if n_repeats > 1 else "")


def _summary_note(entry: Entry) -> str:
    """How the summary was made, and which platforms could not enter it."""
    words = [str(entry["method"])] if entry.get("method") and entry.get(change_keys(entry)[0]) is not None else []
    words += ["scatter of repeats pooled over the whole fleet"] if entry.get("prior_is_common") else []
    left = [str(name) for name in entry.get("left_out") or ()]
    words += [f"without {listed(left)}, which has no interval of its own"] if len(left) == 1 else []
    words += [f"without {listed(left)}, which have no interval of their own"] if len(left) > 1 else []
    text = "; ".join(words)
    return f"{text[:1].upper()}{text[1:]}." if text else ""


def _summary_label(entry: Mapping[str, Any], change: Change, prediction: Change) -> str:
    text = f"{entry['candidate']} over {entry['n_platforms']} platforms: "
    if change.percent is None:
        return text + "listed only"
    text += f"typically {change.percent.text}{THIN}{change.unit}"
    if change.low and change.high:
        text += f" ({change.low.text} to {change.high.text})"
    if prediction.low and prediction.high:
        ends = f"{prediction.low.text} and {prediction.high.text}{THIN}{change.unit}"
        text += f"; a new platform would land between {ends}"
    return text
