"""Bringing the catalogue in step with the disk: after a crash, after workers on their own, or from nothing."""

from __future__ import annotations

from collections.abc import Container, Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING

from .catalogue import INDEX_TABLES, Catalogue, TreeRow
from .errors import DamageFound
from .layout import ARRIVAL, KINDS, RECORD, SHA256
from .originals import Original
from .records import Record, record_of
from .trees import Tree, read_file, read_tree

if TYPE_CHECKING:
    from .archive import Archive


@dataclass(frozen=True, slots=True)
class Scanned:
    """What is on the disk and whole enough to be indexed; what is damaged is for ``verify`` to name."""

    trees: list[Tree]
    originals: list[Original]
    records: list[Record]

    def __len__(self) -> int:
        return len(self.trees) + len(self.originals) + len(self.records)


def tree_ids(archive: Archive, kind: str) -> list[str]:
    """Identities of all trees on the disk, in order."""
    top = archive.root / kind
    return [name for prefix in archive.disk.names(top) for name in archive.disk.names(top / prefix)]


def scanned(archive: Archive, known: Container[str] = ()) -> Scanned:
    """Everything whose name relative to the root is not ``known`` yet; what is known is listed, not read."""
    trees = []
    for kind in KINDS:
        fresh = (i for i in tree_ids(archive, kind) if f"{kind}/{i[:2]}/{i}" not in known)
        trees += [tree for identity in fresh if (tree := _tree(archive, kind, identity)) is not None]
    sizes = {name: size for name, size in _files(archive, "originals").items() if name not in known}
    originals = [
        Original(path.name, size, path, new=False)
        for name, size in sizes.items()
        if SHA256.match((path := archive.root / name).name)
    ]
    records = [name for name in sizes if ARRIVAL.match(name.rpartition("/")[2])]
    for area in ("facts", "decisions", "quarantine"):
        records += [n for n in _files(archive, area) if RECORD.match(n.rpartition("/")[2]) and n not in known]
    return Scanned(trees, originals, _records(archive, records))


def _files(archive: Archive, area: str) -> dict[str, int]:
    if not archive.disk.names(archive.root / area):
        return {}
    found = archive.disk.sizes(archive.root / area)
    return {f"{area}/{name}": found[name] for name in sorted(found)}


def _tree(archive: Archive, kind: str, identity: str) -> Tree | None:
    try:
        return read_tree(archive.disk, archive.layout.tree(kind, identity), kind, identity)
    except DamageFound:
        return None


def _records(archive: Archive, names: Iterable[str]) -> list[Record]:
    found = []
    for name in names:
        path = archive.root / name
        try:
            found.append(record_of(read_file(archive.disk, path), path))
        except DamageFound:
            continue
    return found


def reconcile(archive: Archive, catalogue: Catalogue) -> int:
    """Add what the catalogue has not heard of; the number of rows added.

    A row whose files are gone stays: it is how ``verify`` knows that something is missing.
    """
    fresh = scanned(archive, {path for table in INDEX_TABLES for path, _ in catalogue.known(table)})
    if len(fresh):
        catalogue.add(trees=map(TreeRow.of, fresh.trees), originals=fresh.originals, records=fresh.records)
    return len(fresh)
