"""Bringing the catalogue in step with the disk: after a crash, or from nothing."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from .catalogue import Catalogue
from .errors import DamageFound
from .layout import ARRIVAL, KINDS, SHA256
from .originals import Original
from .records import Record
from .sealed import unseal
from .trees import Tree, read_file, read_tree

if TYPE_CHECKING:
    from .archive import Archive


def tree_ids(archive: Archive, kind: str) -> list[str]:
    """Identities of all trees on the disk, in order."""
    top = archive.root / kind
    return [name for prefix in archive.disk.names(top) for name in archive.disk.names(top / prefix)]


def original_names(archive: Archive) -> list[Path]:
    """Every file below ``originals/``, arrivals included, in order."""
    top, disk = archive.layout.originals, archive.disk
    return [
        top / first / second / name
        for first in disk.names(top)
        for second in disk.names(top / first)
        for name in disk.names(top / first / second)
    ]


def record_paths(archive: Archive) -> list[Path]:
    """Every numbered record beside the arrivals, in order."""
    layout, disk = archive.layout, archive.disk
    directories = [layout.facts / name for name in disk.names(layout.facts)]
    directories += [layout.quarantine / name for name in disk.names(layout.quarantine) if SHA256.match(name)]
    for kind in disk.names(layout.decisions):
        directories += [layout.decisions / kind / name for name in disk.names(layout.decisions / kind)]
    return [d / f"{n}.json" for d in directories for n in archive.records.numbers(d)]


def read_record(archive: Archive, path: Path) -> Record:
    """A numbered record wherever it lies. Raises DamageFound."""
    data = read_file(archive.disk, path)
    document = unseal(data, path)
    return Record(document["n"], document["about"], document["content"], data[-66:-2].decode("ascii"), path)


def scanned(archive: Archive) -> tuple[list[Tree], list[Original], list[Record]]:
    """All that is on the disk and whole enough to be indexed; what is damaged is for ``verify`` to name."""
    trees = [tree for kind in KINDS for tree in _trees(archive, kind, tree_ids(archive, kind))]
    originals, records = scanned_originals(archive)
    return trees, originals, records + _records(archive, record_paths(archive))


def scanned_originals(archive: Archive) -> tuple[list[Original], list[Record]]:
    """Originals and their arrivals."""
    files = original_names(archive)
    originals = [
        Original(path.name, archive.disk.size(path) or 0, path, new=False) for path in files if SHA256.match(path.name)
    ]
    return originals, _records(archive, [path for path in files if ARRIVAL.match(path.name)])


def _trees(archive: Archive, kind: str, ids: list[str]) -> list[Tree]:
    found = []
    for identity in ids:
        try:
            tree = read_tree(archive.disk, archive.layout.tree(kind, identity), kind, identity)
        except DamageFound:
            continue
        if tree is not None:
            found.append(tree)
    return found


def _records(archive: Archive, paths: list[Path]) -> list[Record]:
    found = []
    for path in paths:
        try:
            found.append(read_record(archive, path))
        except DamageFound:
            continue
    return found


def reconcile(archive: Archive, catalogue: Catalogue) -> int:
    """Add what the catalogue has not heard of; the number of rows added.

    A row whose files are gone stays: it is how ``verify`` knows that something is missing. After a clean end
    only the trees are looked at (one listing per 256th); after a crash everything is.
    """
    trees: list[Tree] = []
    for kind in KINDS:
        known = catalogue.ids(kind)
        trees += _trees(archive, kind, [i for i in tree_ids(archive, kind) if i not in known])
    if catalogue.complete:
        catalogue.add(trees=trees)
        return len(trees)
    originals, arrivals = scanned_originals(archive)
    listed = {row[0] for row in catalogue.table("originals")}
    known_records = {row[0] for row in catalogue.table("records")}
    records = arrivals + _records(archive, record_paths(archive))
    originals = [original for original in originals if original.sha256 not in listed]
    records = [r for r in records if r.path.relative_to(archive.root).as_posix() not in known_records]
    catalogue.add(trees=trees, originals=originals, records=records)
    return len(trees) + len(originals) + len(records)
