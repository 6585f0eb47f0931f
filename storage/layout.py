"""Where everything lies below the archive's root, and which names are allowed there."""

from __future__ import annotations

import hashlib
import re
import unicodedata
from pathlib import Path
from typing import Literal

from .errors import BadContent

ARCHIVE_FORMAT = 1
MANIFEST = "MANIFEST.json"
Kind = Literal["captures", "results"]
KINDS: tuple[Kind, ...] = ("captures", "results")
AREAS = ("originals", "captures", "results", "facts", "decisions", "quarantine", "staging", "catalog")
FOREIGN = frozenset({"incoming", "audit", "lost+found", "access.sqlite", "access.sqlite-wal", "access.sqlite-shm"})
"""Names below the root that belong to others: never counted as strays."""

ID = re.compile(r"[0-9a-f]{16,64}\Z")
SHA256 = re.compile(r"[0-9a-f]{64}\Z")
SLUG = re.compile(r"[a-z0-9][a-z0-9-]{0,40}\Z")
RECORD = re.compile(r"([1-9][0-9]{0,8})\.json\Z")
ARRIVAL = re.compile(r"([0-9a-f]{64})\.([1-9][0-9]{0,8})\.json\Z")


def checked_id(identity: str) -> str:
    """An identity fit to be a path. Raises BadContent."""
    if not isinstance(identity, str) or not ID.match(identity):
        raise BadContent("an identity", found=repr(identity), allowed="16 to 64 digits 0-9 a-f")
    return identity


def checked_sha256(sha256: str) -> str:
    """A SHA-256 fit to be a path. Raises BadContent."""
    if not isinstance(sha256, str) or not SHA256.match(sha256):
        raise BadContent("a SHA-256", found=repr(sha256), allowed="64 digits 0-9 a-f")
    return sha256


def checked_kind(kind: str) -> str:
    """Kind of a tree. Raises BadContent."""
    if kind not in KINDS:
        raise BadContent("a kind of tree", found=repr(kind), allowed=", ".join(KINDS))
    return kind


def checked_slug(slug: str) -> str:
    """A word of ours fit to be a path. Raises BadContent."""
    if not isinstance(slug, str) or not SLUG.match(slug):
        raise BadContent("a kind of decision", found=repr(slug), allowed="a-z, 0-9 and '-', at most 41 characters")
    return slug


def named_directory(name: str) -> str:
    """A directory name for any text: a readable beginning and a hash, so that no text is ever a path.

    >>> named_directory("../Grey heron")
    'grey-heron-57a0a1da6b82b3b4'
    """
    digest = hashlib.sha256(name.encode("utf-8", "surrogatepass")).hexdigest()[:16]
    folded = unicodedata.normalize("NFKD", name).encode("ascii", "ignore").decode().lower()
    readable = re.sub(r"[^a-z0-9]+", "-", folded).strip("-")[:24].strip("-")
    return f"{readable}-{digest}" if readable else digest


def name_below(root: Path, path: Path) -> str:
    """How the index names a path below the root; ``relative_to`` takes both apart for it.

    >>> name_below(Path("a"), Path("a/facts/1.json"))
    'facts/1.json'
    """
    return path.as_posix().removeprefix(root.as_posix()).lstrip("/")


class Layout:
    """Paths of one archive. Pure: nothing here touches the disk."""

    def __init__(self, root: Path) -> None:
        self.root = root
        self.format = root / "FORMAT"
        self.lock = root / "lock"
        self.staging = root / "staging"
        self.originals = root / "originals"
        self.facts = root / "facts"
        self.decisions = root / "decisions"
        self.quarantine = root / "quarantine"
        self.set_aside = root / "quarantine" / "set-aside"
        self.catalogue = root / "catalog" / "catalogue.sqlite"
        self.cache = root / "catalog" / "cache"
        self.audit = root / "audit"

    def tree(self, kind: str, identity: str) -> Path:
        """Directory of a capture or result."""
        return self.root / f"{checked_kind(kind)}/{checked_id(identity)[:2]}/{identity}"

    def original(self, sha256: str) -> Path:
        """File of an original."""
        return self.originals / f"{checked_sha256(sha256)[:2]}/{sha256[2:4]}/{sha256}"

    def facts_of(self, capture_id: str) -> Path:
        """Directory of what was said about a capture."""
        return self.facts / checked_id(capture_id)

    def decision(self, kind: str, name: str) -> Path:
        """Directory of the versions of one decision."""
        return self.decisions / checked_slug(kind) / named_directory(name)

    def quarantine_of(self, sha256: str) -> Path:
        """Directory of the reasons why an original was not taken."""
        return self.quarantine / checked_sha256(sha256)
