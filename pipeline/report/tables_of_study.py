"""Look-ups over a study's files: which readings, captures and sentences belong to which comparison."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from .documents import ReportDocuments

Entry = Mapping[str, Any]
Place = tuple[str, str, str]
"""Platform, position, condition: what a comparison keeps fixed."""


@dataclass(frozen=True, slots=True)
class Numbered:
    """An entry with its place in its file, so that a printed figure can say where it comes from."""

    number: int
    entry: Entry


class StudyTables:
    """The documents of one report, indexed once."""

    def __init__(self, documents: ReportDocuments) -> None:
        self.documents = documents
        self.comparisons = [Numbered(number, entry) for number, entry in enumerate(documents.comparisons)]
        self.captures = [Numbered(number, entry) for number, entry in enumerate(documents.captures)]
        self._readings: dict[tuple[str, ...], list[Numbered]] = defaultdict(list)
        for number, entry in enumerate(documents.readings):
            self._readings[_reading_key(entry)].append(Numbered(number, entry))
        self._fit: dict[tuple[str, ...], list[Numbered]] = defaultdict(list)
        for item in self.captures:
            if item.entry.get("state") == "fit":
                self._fit[(*place_of(item.entry), str(item.entry.get("part", "")))].append(item)

    def sentence(self, number: int) -> str:
        """The verdict sentence of one comparison, or a plain one where the study gave none."""
        sentences = self.documents.sentences
        return sentences[number] if sentences else ""

    def carrying(self) -> list[Numbered]:
        """Comparisons the study rests on, in the order of the file."""
        return [item for item in self.comparisons if item.entry.get("carries_verdict")]

    def beside(self, of: Entry) -> list[Numbered]:
        """The other readings and combinations of the same pair at the same place."""
        key = _pair_key(of)
        return [
            item
            for item in self.comparisons
            if _pair_key(item.entry) == key and not item.entry.get("carries_verdict")
        ]

    def part_against_part(self) -> list[Numbered]:
        """Comparisons of one candidate with another, in the reading the study rests on."""
        baseline = self.documents.study.get("baseline")
        asked = {(item.entry["reading"], item.entry["combination"]) for item in self.carrying()}
        return [
            item
            for item in self.comparisons
            if item.entry["baseline"] != baseline
            and not item.entry.get("carries_verdict")
            and (item.entry["reading"], item.entry["combination"]) in asked
        ]

    def repeats(self, of: Entry, part: str) -> Iterator[tuple[str, float]]:
        """Each repeat of a part with its value: takes and placements averaged inside it."""
        values: dict[str, list[float]] = defaultdict(list)
        key = (*place_of(of), part, str(of["reading"]), str(of["combination"]))
        for item in self._readings.get(key, ()):
            if item.entry.get("value") is not None:
                values[str(item.entry.get("repeat", ""))].append(float(item.entry["value"]))
        for repeat, members in sorted(values.items(), key=lambda pair: natural(pair[0])):
            yield repeat, sum(members) / len(members)

    def readings_of(self, of: Entry, part: str) -> list[Numbered]:
        """All readings behind one side of a comparison."""
        return self._readings.get((*place_of(of), part, str(of["reading"]), str(of["combination"])), [])

    def fit_captures(self, place: Place, part: str) -> list[Numbered]:
        """Captures in use of one part at one place, by repeat."""
        found = self._fit.get((*place, part), [])
        return sorted(found, key=lambda item: natural(str(item.entry.get("repeat", ""))))

    def spectrum(self, capture: Entry) -> Entry | None:
        """The page's spectrum of a capture at its position, if there is one."""
        identity = str(capture.get("capture_id") or "")
        spectra = self.documents.spectra
        return spectra.get(f"{identity}/{capture.get('position', '')}") or spectra.get(identity)


def place_of(entry: Entry) -> Place:
    """Platform, position and condition of any entry."""
    return str(entry.get("platform", "")), str(entry.get("position", "")), str(entry.get("condition", ""))


def natural(text: str) -> tuple[tuple[int, float | str], ...]:
    """Sort key that puts repeat 10 after repeat 9."""
    parts: list[tuple[int, float | str]] = []
    digits = ""
    for letter in text + " ":
        if letter.isascii() and letter.isdigit():
            digits += letter
            continue
        if digits:
            parts.append((0, float(digits)))
            digits = ""
        parts.append((1, letter))
    return tuple(parts)


def _reading_key(entry: Entry) -> tuple[str, ...]:
    return (
        *place_of(entry), str(entry.get("part", "")), str(entry.get("reading", "")),
        str(entry.get("combination", "")),
    )  # fmt: skip


def _pair_key(entry: Entry) -> tuple[str, ...]:
    return (*place_of(entry), str(entry.get("baseline", "")), str(entry.get("candidate", "")))
