"""Identities: what a capture and a result are called. Same name, same numbers; nothing else enters."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from typing import Any

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
    return _captures_name(sha256, index, canonical(reader), numeric_version, canonical(mapping.as_json()))


def result_identity(capture_id: str, recipe: BoundRecipe, row: CaptureRow) -> str:
    """Identity of one result: the capture, the channels seen, every stage with its settings, numbers, facts used."""
    return _results_name(capture_id, canonical(recipe.channels), canonical(recipe.identity(row)))


class Identities:
    """The same identities for very many rows: what they share is spelt once."""

    def __init__(self, recipe: BoundRecipe, readers: Mapping[str, int]) -> None:
        self._recipe = recipe
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
            spelt = self._recipes[facts] = canonical(self._recipe.identity(row))
        return _results_name(capture_id, self._channels, spelt)


def _captures_name(sha256: str, index: int, reader: bytes, numeric_version: int, mapping: bytes) -> str:
    """Hash of the canonical form, its members in the order of their names."""
    said = b'{"index":%d,"mapping":%b,"numeric_version":%d,"original":"%b","reader":%b}'
    return _named(said % (index, mapping, numeric_version, sha256.encode(), reader))


def _results_name(capture_id: str, channels: bytes, recipe: bytes) -> str:
    return _named(b'{"capture":"%b","channels":%b,"recipe":%b}' % (capture_id.encode(), channels, recipe))


def _named(said: bytes) -> str:
    return hashlib.sha256(said).hexdigest()[:32]
