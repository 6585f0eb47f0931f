"""Identities: what a capture and a result are called. Same name, same numbers; nothing else enters."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from ...storage import Spelt
from ..contracts import CaptureRow, ChannelMapping
from ..recipe import BoundRecipe


def canonical(document: Any) -> bytes:
    """The one spelling of a JSON document that is hashed: sorted keys, no blanks, no NaN."""
    return json.dumps(document, sort_keys=True, separators=(",", ":"), allow_nan=False).encode()


def digest(document: Any) -> str:
    """First 32 hex digits of the SHA-256 of the canonical form."""
    return _named(canonical(document))


def capture_identity(sha256: str, index: int, reader: str, numeric_version: int, mapping: ChannelMapping) -> str:
    """Identity of one capture: original bytes, index in the file, reader and its numbers, mapping, calibration."""
    return FileIdentities(sha256, reader, numeric_version, mapping).of(index)


def result_identity(capture_id: str, recipe: BoundRecipe, row: CaptureRow) -> str:
    """Identity of one result: the capture, the channels seen, every stage with its settings, numbers, facts used."""
    return _results_name(capture_id, canonical(recipe.channels), canonical(recipe.identity(row)))


@dataclass(frozen=True, slots=True)
class SpeltRecipe:
    """All that determines the numbers of one row's captures beside their samples, spelt stage by stage."""

    channels: Spelt
    said: list[dict[str, Any]]
    """``BoundRecipe.identity`` of the row."""
    stages: tuple[bytes, ...]
    """The same, spelt."""

    @property
    def recipe(self) -> Spelt:
        """All stages."""
        return Spelt(self.said, _listed(self.stages))

    def result(self, capture_id: str) -> str:
        """Identity of what the whole recipe would make of one capture."""
        return _results_name(capture_id, self.channels.text, _listed(self.stages))

    def of_first(self, n: int, capture_id: str, form: int) -> str:
        """Identity of what the first ``n`` stages would make of it, kept in the form of this number."""
        said = b'[%d,"%b",%b,%b]'
        return _named(said % (form, capture_id.encode(), self.channels.text, _listed(self.stages[:n])))


def _listed(stages: tuple[bytes, ...]) -> bytes:
    return b"[%b]" % b",".join(stages)


_ROWS_KEPT = 64
"""Different facts whose spelling is kept: some 10 kB each."""


class RecipeSpelling:
    """Spells one recipe for many rows: settings are most of it, and only facts differ from row to row."""

    def __init__(self, recipe: BoundRecipe) -> None:
        self._recipe, self._uses = recipe, recipe.uses_facts
        self._spelt: dict[tuple[str, ...], SpeltRecipe] = {}
        self._channels = Spelt(recipe.channels, canonical(recipe.channels))
        # "facts" sorts before all else that a stage says
        self._after_facts = [
            b',"numeric_version":%b,"settings":%b,"stage":%b}'
            % (canonical(stage.numeric_version), canonical(settings), canonical(stage.name))
            for stage, settings in zip(recipe.stages, recipe.settings, strict=True)
        ]

    def of(self, row: CaptureRow) -> SpeltRecipe:
        """What it says under one row's facts: the same object for rows that share them, which most do."""
        # repr tells 1 from 1.0, as the spelling does
        known = tuple([repr(row.fact(name)) for name in self._uses])
        if known not in self._spelt:
            if len(self._spelt) == _ROWS_KEPT:
                self._spelt.clear()
            self._spelt[known] = self._of(row)
        return self._spelt[known]

    def _of(self, row: CaptureRow) -> SpeltRecipe:
        said = self._recipe.identity(row)
        facts: dict[tuple[str, ...], bytes] = {}
        texts = []
        for stage, after in zip(said, self._after_facts, strict=True):
            names = tuple(stage["facts"])
            if names not in facts:
                facts[names] = canonical(stage["facts"])
            texts.append(b'{"facts":%b%b' % (facts[names], after))
        return SpeltRecipe(self._channels, said, tuple(texts))


class Identities:
    """The same identities for very many rows: what they share is spelt once."""

    def __init__(self, recipe: BoundRecipe, readers: Mapping[str, int]) -> None:
        self._spelling = RecipeSpelling(recipe)
        self._uses = recipe.uses_facts
        self._channels = canonical(recipe.channels)
        self._readers = [(canonical(name), number) for name, number in readers.items()]
        self._mappings: dict[str, bytes] = {}
        self._recipes: dict[tuple[Any, ...], bytes] = {}

    def captures(self, sha256: str, index: int, mapping: ChannelMapping) -> list[str]:
        """What each installed reader would make of these bytes under this mapping."""
        # repr tells 1 from 1.0, as the spelling does
        spelt = self._mappings.get(repr(mapping))
        if spelt is None:
            spelt = self._mappings[repr(mapping)] = canonical(mapping.as_json())
        return [_captures_name(sha256, index, reader, number, spelt) for reader, number in self._readers]

    def result(self, capture_id: str, row: CaptureRow) -> str:
        """What the recipe would make of one capture under the row's facts."""
        facts = tuple(repr(row.fact(name)) for name in self._uses)
        spelt = self._recipes.get(facts)
        if spelt is None:
            spelt = self._recipes[facts] = self._spelling.of(row).recipe.text
        return _results_name(capture_id, self._channels, spelt)


class FileIdentities:
    """Identities of the captures of one file under one reader and mapping."""

    def __init__(self, sha256: str, reader: str, numeric_version: int, mapping: ChannelMapping) -> None:
        self.numeric_version = numeric_version
        self._said = sha256, canonical(reader), canonical(mapping.as_json())

    def of(self, index: int) -> str:
        """Identity of the capture with this index in the file."""
        sha256, reader, mapping = self._said
        return _captures_name(sha256, index, reader, self.numeric_version, mapping)


def _captures_name(sha256: str, index: int, reader: bytes, numeric_version: int, mapping: bytes) -> str:
    """Hash of the canonical form, its members in the order of their names."""
    said = b'{"index":%d,"mapping":%b,"numeric_version":%d,"original":"%b","reader":%b}'
    return _named(said % (index, mapping, numeric_version, sha256.encode(), reader))


def _results_name(capture_id: str, channels: bytes, recipe: bytes) -> str:
    return _named(b'{"capture":"%b","channels":%b,"recipe":%b}' % (capture_id.encode(), channels, recipe))


def _named(said: bytes) -> str:
    return hashlib.sha256(said).hexdigest()[:32]
