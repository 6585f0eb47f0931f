"""Identities: what a capture and a result are called. Same name, same numbers; nothing else enters."""

from __future__ import annotations

import hashlib
import json
from typing import Any

from ..contracts import CaptureRow, ChannelMapping
from ..recipe import BoundRecipe


def canonical(document: Any) -> bytes:
    """The one spelling of a JSON document that is hashed: sorted keys, no blanks, no NaN."""
    return json.dumps(document, sort_keys=True, separators=(",", ":"), allow_nan=False).encode()


def digest(document: Any) -> str:
    """First 32 hex digits of the SHA-256 of the canonical form."""
    return hashlib.sha256(canonical(document)).hexdigest()[:32]


def capture_identity(sha256: str, index: int, reader: str, numeric_version: int, mapping: ChannelMapping) -> str:
    """Identity of one capture: original bytes, index in the file, reader and its numbers, mapping, calibration."""
    return digest(
        {
            "original": sha256, "index": index, "reader": reader, "numeric_version": numeric_version,
            "mapping": mapping.as_json(),
        }
    )  # fmt: skip


def result_identity(capture_id: str, recipe: BoundRecipe, row: CaptureRow) -> str:
    """Identity of one result: the capture, and every stage with its settings, numbers and facts used."""
    return digest({"capture": capture_id, "recipe": recipe.identity(row)})
