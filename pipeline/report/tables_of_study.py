"""Look-ups over a study's files: which readings, captures and sentences belong to which comparison."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from itertools import zip_longest
from typing import Any

from ..study.decibels import CHANGE
from ..study.sentences import in_words
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
        self.captures = _numbered(documents.captures)
        self.comparisons = _numbered(documents.comparisons)
        self.carrying = [item for item in self.comparisons if item.entry.get("carries_verdict")]
        """Comparisons the study rests on, in the order of the file."""
        self.asked = {(item.entry["reading"], item.entry["combination"]) for item in self.carrying}
        """Readings and combinations that carry a verdict: one pair, unless a study asks for more."""
        self.readings_at = _by_place(_numbered(documents.readings))
        self.captures_at = _by_place(self.captures)
        self._pairs: dict[tuple[str, ...], list[Numbered]] = defaultdict(list)
        for item in self.comparisons:
            self._pairs[_pair_key(item.entry)].append(item)
        self._sentences = self._told()

    @property
    def levels_told(self) -> bool:
        """Whether any reading is a level in decibels."""
        return any(CHANGE[0] in item.entry for item in self.comparisons)

    def _told(self) -> dict[int, str]:
        """Sentences by number of the comparison."""
        own = {item.number: str(item.entry["sentence"]) for item in self.comparisons if item.entry.get("sentence")}
        given = self.documents.sentences
        told = self.comparisons if len(given) == len(self.comparisons) else self.carrying
        return own | {item.number: text for item, text in zip(told, given, strict=False) if text}

    def sentence(self, number: int) -> str:
        """The verdict sentence of one comparison; empty where the study gave none."""
        return self._sentences.get(number, "")

    def beside(self, of: Entry) -> list[Numbered]:
        """The other readings and combinations of the same pair at the same place."""
        return [item for item in self._pairs[_pair_key(of)] if not item.entry.get("carries_verdict")]

    def part_against_part(self) -> list[Numbered]:
        """Comparisons of one candidate with another, in the reading the study rests on."""
        baseline = self.documents.study.get("baseline")
        return [
            item
            for item in self.comparisons
            if item.entry["baseline"] != baseline
            and not item.entry.get("carries_verdict")
            and (item.entry["reading"], item.entry["combination"]) in self.asked
        ]

    def fit_captures(self, place: Place, part: str) -> list[Numbered]:
        """Captures in use of one part at one place, by repeat."""
        found = [
            item
            for item in self.captures_at.get(place, ())
            if item.entry.get("state") == "fit" and item.entry.get("part") == part
        ]
        return sorted(found, key=lambda item: natural(str(item.entry.get("repeat", ""))))

    def spectrum(self, capture: Entry) -> Entry | None:
        """The page's spectrum of a capture at its position, if there is one."""
        return _of_capture(self.documents.spectra, capture)

    def order_spectrum(self, capture: Entry) -> Entry | None:
        """The order spectrum of a capture at its position, if there is one."""
        return _of_capture(self.documents.order_spectra, capture)

    def first_takes(self, place: Place, part: str, shown: Callable[[Entry], Entry | None]) -> list[Numbered]:
        """One capture a repeat: the first of its takes that has what is ``shown``."""
        first: dict[str, Numbered] = {}
        for item in self.fit_captures(place, part):
            if shown(item.entry) is not None:
                first.setdefault(str(item.entry.get("repeat", "")), item)
        return list(first.values())

    def side_by_side(
        self, place: Place, sides: Sequence[str], shown: Callable[[Entry], Entry | None]
    ) -> list[tuple[Numbered, Numbered | None]]:
        """Each repeat of the candidate, and the repeat of the baseline that stands behind it; ``sides`` name both."""
        behind, front = (self.first_takes(place, part, shown) for part in sides)
        under = zip_longest(front, behind[: len(front)], fillvalue=behind[-1] if behind else None)
        return [(item, other) for item, other in under if item is not None]


def place_of(entry: Entry) -> Place:
    """Platform, position and condition of any entry."""
    return str(entry.get("platform", "")), str(entry.get("position", "")), str(entry.get("condition", ""))


def place_words(place: Place) -> str:
    """Position and condition as a phrase."""
    return ", ".join(in_words(word) for word in place[1:] if word)


def repeat_words(entry: Entry) -> str:
    """Repeat, and placement and take where there are any."""
    words = [str(entry.get("repeat", ""))]
    words += [f"placement {entry['placement']}"] if entry.get("placement") else []
    words += [f"take {entry['take']}"] if entry.get("take") else []
    return ", ".join(words)


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


def _numbered(entries: Sequence[Entry]) -> list[Numbered]:
    return [Numbered(number, entry) for number, entry in enumerate(entries)]


def _by_place(items: Sequence[Numbered]) -> dict[Place, list[Numbered]]:
    found: dict[Place, list[Numbered]] = defaultdict(list)
    for item in items:
        found[place_of(item.entry)].append(item)
    return dict(found)


def _of_capture(of: Mapping[str, Entry], capture: Entry) -> Entry | None:
    identity = str(capture.get("capture_id") or "")
    return of.get(f"{identity}/{capture.get('position', '')}") or of.get(identity)


def _pair_key(entry: Entry) -> tuple[str, ...]:
    return (*place_of(entry), str(entry.get("baseline", "")), str(entry.get("candidate", "")))
