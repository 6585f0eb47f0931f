"""Canonical JSON documents that carry the hash of their own bytes."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from .errors import BadContent, DamageFound

_TAIL = b',"self":"'
_TAIL_LENGTH = len(_TAIL) + 64 + 2


def _plain(value: object) -> object:
    if isinstance(value, np.generic):
        return value.item()
    raise TypeError(f"{type(value).__name__} is no JSON value")


_SCAN = json.JSONDecoder().raw_decode
_ENCODER = json.JSONEncoder(sort_keys=True, separators=(",", ":"), allow_nan=False, default=_plain)


def canonical(document: object) -> bytes:
    """The one spelling of a JSON document: sorted keys, no blanks, ASCII, shortest floats, no NaN.

    Raises
    ------
    BadContent
        The document holds something JSON has no word for.
    """
    try:
        return _ENCODER.encode(document).encode("ascii")
    except (TypeError, ValueError) as error:
        raise BadContent(
            "a JSON document", found=str(error), allowed="objects, arrays, text, finite numbers, true, false, null",
            todo="write null where a number is not known",
        ) from error  # fmt: skip


@dataclass(frozen=True, slots=True)
class Spelt:
    """A JSON value and its canonical bytes: what stands in several documents is written once."""

    value: Any
    text: bytes

    @classmethod
    def of(cls, value: object) -> Spelt:
        """A value spelt now. Raises BadContent."""
        return cls(value, canonical(value))

    @classmethod
    def of_members(cls, members: Mapping[str, Any]) -> Spelt:
        """An object some of whose members are spelt. Raises BadContent."""
        return cls(unspelt(members), canonical_object(members))


def unspelt(members: Mapping[str, Any]) -> dict[str, Any]:
    """The plain values of an object some of whose members are ``Spelt``."""
    return {name: value.value if isinstance(value, Spelt) else value for name, value in members.items()}


def canonical_object(members: Mapping[str, Any]) -> bytes:
    """``canonical`` of an object some of whose members are ``Spelt``. Raises BadContent.

    >>> canonical_object({"b": Spelt.of([1, 2]), "a": 0.5})
    b'{"a":0.5,"b":[1,2]}'
    """
    pieces: list[bytes] = []
    plain: dict[str, Any] = {}
    for name in sorted(members):
        value = members[name]
        if not isinstance(value, Spelt):
            plain[name] = value
            continue
        if plain:
            pieces.append(canonical(plain)[1:-1])
            plain = {}
        pieces.append(b"%b:%b" % (canonical(name), value.text))
    if plain:
        pieces.append(canonical(plain)[1:-1])
    return b"{%b}" % b",".join(pieces)


def sha256(data: bytes) -> str:
    """SHA-256 in hex."""
    return hashlib.sha256(data).hexdigest()


def close_seal(body: bytes) -> bytes:
    """A canonical JSON object with its hash as the last member ``self``."""
    return b"%b%b%b\"}" % (body[:-1], _TAIL, sha256(body).encode("ascii"))


def seal(document: Mapping[str, Any]) -> bytes:
    """Canonical bytes of a document with its own hash; its keys must sort before ``self``, members may be ``Spelt``.

    >>> seal({"a": 1})[:17]
    b'{"a":1,"self":"01'
    """
    if not document or max(document) >= "self":
        found = f"keys {sorted(document)!r}"
        raise BadContent("a sealed document", found=found, allowed="keys that sort before 'self'")
    return close_seal(canonical_object(document))


def unseal(data: bytes, path: Path | str, *members: str) -> dict[str, Any]:
    """The document, when its bytes are exactly those that were sealed.

    Raises
    ------
    DamageFound
        A byte is not what was written, or it is a document of another kind: it lacks one of ``members``.
    """
    check_seal(data, path)
    document: dict[str, Any] = parsed(data)
    check_members(document, path, *members)
    return document


def check_members(document: Mapping[str, Any], path: Path | str, *members: str) -> None:
    """Hold a document that is whole against what one in its place says. Raises DamageFound."""
    missing = [name for name in members if name not in document]
    if missing:
        raise DamageFound(path, f"a document of another kind, without {', '.join(missing)}")


def check_seal(data: bytes, path: Path | str) -> None:
    """Hold a document against the hash it carries. Raises DamageFound."""
    tail = data[-_TAIL_LENGTH:]
    if not data:
        raise DamageFound(path, "an empty file")
    if tail[: len(_TAIL)] != _TAIL or tail[-2:] != b'"}':
        raise DamageFound(path, "no seal at the end of the document")
    if tail[len(_TAIL) : -2].decode("ascii", "replace") != sha256(data[:-_TAIL_LENGTH] + b"}"):
        raise DamageFound(path, "a document whose bytes differ from its own hash")


def parsed(data: bytes) -> Any:
    """The value of canonical bytes. Straight to the scanner: json.loads would guess the encoding first."""
    return _SCAN(data.decode("ascii"))[0]


def seal_of(data: bytes) -> str:
    """The hash a sealed document carries, unchecked."""
    return data[-66:-2].decode("ascii", "replace")
