"""Repairing, clearing out and copying out: the few acts that take something out of its place."""

from __future__ import annotations

import hashlib
import json
import os
import time
from collections.abc import Callable, Container, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from .catalogue import source_of
from .errors import BadContent, DamageFound
from .findings import Finding, Report
from .layout import ARRIVAL, KINDS, MANIFEST, RECORD, SHA256
from .originals import PIECE
from .reconcile import tree_ids
from .trees import Tree

if TYPE_CHECKING:
    from .archive import Archive

Derive = Callable[[str, str], None]
"""Makes a capture or result anew from the original: called with kind and id, commits through the archive."""


@dataclass
class Repair:
    """What a repair did. ``lost`` cannot be derived from anything: bring it back from a copy if there is one."""

    before: Report
    set_aside: list[Finding] = field(default_factory=list)
    derived: list[str] = field(default_factory=list)
    failed: list[Finding] = field(default_factory=list)
    lost: list[Finding] = field(default_factory=list)

    def as_json(self) -> dict[str, Any]:
        """The form reports carry."""
        return {
            "before": self.before.as_json(), "set_aside": [f.as_json() for f in self.set_aside],
            "derived": self.derived, "failed": [f.as_json() for f in self.failed],
            "lost": [f.as_json() for f in self.lost],
        }  # fmt: skip


def repaired(archive: Archive, derive: Derive) -> Repair:
    """Put damaged things aside (never delete them), derive anew what can be, note what is lost, rebuild.

    Originals, facts, decisions and reasons for quarantine cannot be derived. Captures come before results,
    since a result may need its capture.
    """
    done = Repair(archive.verify("data"))
    trees, single = _sorted_out(done.before)
    for name, what in {**trees, **single}.items():
        if _moved_aside(archive, name):
            done.set_aside.append(Finding(name, what))
    for name, what in single.items():
        if _was_ours(name):
            archive.put_decision("losses", name, {"what": what})
            done.lost.append(Finding(name, what))
    archive.rebuild()
    for name in sorted(trees):
        _derive(archive, derive, name, done)
    archive.rebuild()
    return done


def _sorted_out(report: Report) -> tuple[dict[str, str], dict[str, str]]:
    """Damage by tree, and damage to single files, each named once."""
    trees: dict[str, str] = {}
    single: dict[str, str] = {}
    for finding in report.damage:
        parts = finding.path.split("/")
        if parts[0] in KINDS:
            trees.setdefault("/".join(parts[:3]), finding.what)
        elif parts[0] != "FORMAT":
            single.setdefault(finding.path, finding.what)
    return trees, single


def _moved_aside(archive: Archive, name: str) -> bool:
    source = archive.root / name
    if not source.exists() and not source.is_symlink():
        return False
    archive.places.directory(archive.layout.set_aside)
    target = archive.layout.set_aside / f"{name.replace('/', '_')}.{time.time_ns()}"
    archive.disk.replace(source, target)
    archive.disk.fsync_dir(source.parent)
    archive.disk.fsync_dir(target.parent)
    archive.places.forget(source)
    return True


def _was_ours(name: str) -> bool:
    """A file nobody committed is no loss once it is out of the way."""
    file = name.rsplit("/", 1)[-1]
    return bool(SHA256.match(file) or ARRIVAL.match(file) or RECORD.match(file))


def _derive(archive: Archive, derive: Derive, name: str, done: Repair) -> None:
    kind, _, identity = name.split("/")
    try:
        derive(kind, identity)
        found = archive.tree(kind, identity)
    except Exception as error:  # noqa: BLE001 - readers and stages of any author run here
        done.failed.append(Finding(name, f"{type(error).__name__}: {error}"))
        return
    if found is None:
        done.failed.append(Finding(name, "it was not made anew; run the studies that need it again"))
    else:
        done.derived.append(name)


@dataclass(frozen=True, slots=True)
class Superseded:
    """A result nobody asks for any more."""

    id: str
    capture_id: str | None
    age_s: float
    size: int
    dropped: bool


def cleared(
    archive: Archive, wanted: Container[str] | Callable[[Tree], bool], *, older_than_s: float, drop: bool
) -> list[Superseded]:
    """Results that are not wanted and older than so much; with ``drop`` they are removed, and that is noted.

    Originals and captures are never touched. The catalogue forgets a result before the disk does: an
    interruption in between leaves a result that is merely indexed anew.
    """
    found = []
    for identity in tree_ids(archive, "results"):
        try:
            tree = archive.tree("results", identity)
        except DamageFound:
            continue  # for verify to name
        if tree is None or (wanted(tree) if callable(wanted) else identity in wanted):
            continue
        age = time.time() - (tree.path / MANIFEST).stat().st_mtime
        if age >= older_than_s:
            size = sum(size for size, _ in tree.files.values())
            found.append(Superseded(identity, source_of(tree), age, size, drop))
            if drop:
                _drop(archive, tree)
    if drop and found:
        _note(archive, {"dropped_results": [item.id for item in found], "older_than_s": older_than_s})
    return found


def _drop(archive: Archive, tree: Tree) -> None:
    archive.catalogue.drop_tree(tree.kind, tree.id)
    out = archive.staging.new_path()
    archive.disk.rename(tree.path, out)
    archive.disk.fsync_dir(tree.path.parent)
    archive.disk.rmtree(out)


def _note(archive: Archive, what: Mapping[str, Any]) -> None:
    """One line in the audit log, durably."""
    archive.places.directory(archive.layout.audit)
    line = json.dumps({"at_ns": time.time_ns(), **what}, sort_keys=True).encode() + b"\n"
    path = archive.layout.audit / f"{time.strftime('%Y-%m-%d', time.gmtime())}.jsonl"
    descriptor = os.open(path, os.O_CREAT | os.O_APPEND | os.O_WRONLY, 0o644)
    try:
        archive.disk.write_all(descriptor, line)
        archive.disk.fsync(descriptor)
    finally:
        os.close(descriptor)
    archive.disk.fsync_dir(archive.layout.audit)


def copied_out(archive: Archive, files: Mapping[str, str], folder: Path) -> list[Path]:
    """Write originals into a folder: file name -> SHA-256. Names are plain file names, bytes are checked.

    Raises
    ------
    BadContent
        A name that is a path, or a file of that name with other content.
    DamageFound
        An original is missing or not what it was.
    """
    folder.mkdir(parents=True, exist_ok=True)
    return [_copied(archive, digest, folder / _plain_name(name)) for name, digest in files.items()]


def _plain_name(name: str) -> str:
    if not name or name in {".", ".."} or any(sign in name for sign in "/\\\0:") or len(os.fsencode(name)) > 255:
        allowed = "a name without '/', '\\', ':' and NUL, up to 255 bytes"
        raise BadContent("a file name", found=repr(name), allowed=allowed)
    return name


def _copied(archive: Archive, sha256: str, target: Path) -> Path:
    source = archive.original(sha256)
    if source is None:
        raise DamageFound(archive.layout.original(sha256), "nothing: the original is missing")
    if target.exists():
        if archive.sha256_of(target, rehash=True) == sha256:
            return target
        found = "a file of that name with other content"
        raise BadContent(f"to write {target}", found=found, todo="name an empty folder")
    digest = hashlib.sha256()
    part = target.with_name(f"{target.name}.part")
    part.unlink(missing_ok=True)
    with part.open("wb") as out:
        for piece in archive.disk.pieces(source, PIECE):
            digest.update(piece)
            out.write(piece)
    if digest.hexdigest() != sha256:
        part.unlink()
        raise DamageFound(source, "bytes that differ from the hash they are named by")
    part.replace(target)
    return target

