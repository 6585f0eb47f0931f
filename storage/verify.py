"""Checking an archive: structure, every hash, or every value against its original."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal, ParamSpec

from .catalogue import INDEX_TABLES, Catalogue, source_of
from .errors import BadContent, DamageFound, StorageError
from .layout import AREAS, ARRIVAL, FOREIGN, ID, KINDS, MANIFEST, RECORD, SHA256, named_directory
from .originals import PIECE
from .reconcile import read_record
from .sealed import unseal
from .trees import Tree, parsed_manifest, read_file

if TYPE_CHECKING:
    from .archive import Archive

P = ParamSpec("P")
Depth = Literal["structure", "data", "deep"]
Decode = Callable[[Tree, Path], str | None]
"""Compares a capture with its original (both open for reading); what differs in words, or None."""


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing that is not as it was committed, or could not be looked at. ``path`` is relative to the root."""

    path: str
    what: str

    def as_json(self) -> dict[str, str]:
        """The form reports carry."""
        return {"path": self.path, "what": self.what}


@dataclass
class Report:
    """What a check found. Leftovers are normal after a crash."""

    depth: Depth
    subset: tuple[int, int] | None = None
    damage: list[Finding] = field(default_factory=list)
    unchecked: list[Finding] = field(default_factory=list)
    leftovers: list[Finding] = field(default_factory=list)
    counts: dict[str, int] = field(default_factory=dict)

    @property
    def exit_code(self) -> int:
        """0 clean, 6 damage found, 5 something could not be checked."""
        return 6 if self.damage else 5 if self.unchecked else 0

    def as_json(self) -> dict[str, Any]:
        """The form reports carry."""
        return {
            "depth": self.depth, "subset": list(self.subset) if self.subset else None, "counts": self.counts,
            "damage": [f.as_json() for f in self.damage], "unchecked": [f.as_json() for f in self.unchecked],
            "leftovers": [f.as_json() for f in self.leftovers], "exit_code": self.exit_code,
        }  # fmt: skip


def verified(
    archive: Archive, depth: Depth = "structure", *, subset: tuple[int, int] | None = None,
    decode: Decode | None = None,
) -> Report:  # fmt: skip
    """Check the archive; nothing is changed.

    Parameters
    ----------
    depth
        ``structure``: every seal, name, size, number and cross reference. ``data``: also every file's hash.
        ``deep``: also every array decoded, and each capture held against its original by ``decode``.
    subset
        ``(n, m)``: hashes and values only of the n-th of m parts, so that m nights read everything.
    """
    if subset is not None and not 1 <= subset[0] <= subset[1]:
        raise BadContent("a part n of m", found=f"{subset[0]} of {subset[1]}", allowed="1 <= n <= m")
    return _Check(archive, Report(depth, subset), decode).whole()


class _Check:
    """One pass over everything, in the order in which things refer to each other."""

    def __init__(self, archive: Archive, report: Report, decode: Decode | None) -> None:
        self.archive, self.report, self.decode = archive, report, decode
        self.disk, self.layout = archive.disk, archive.layout
        self.originals: dict[str, Path] = {}
        self.trees: dict[str, dict[str, tuple[str, str | None]]] = {kind: {} for kind in KINDS}
        self.seals: dict[str, str] = {}
        self.lost: set[str] = set()

    def whole(self) -> Report:
        """All checks."""
        self._guard(self.layout.root, self._root)
        self._guard(self.layout.decisions, self._decisions)
        self._guard(self.layout.originals, self._originals)
        for kind in KINDS:
            self._guard(self.layout.root / kind, self._trees, kind)
        self._guard(self.layout.facts, self._records, self.layout.facts, "capture_id")
        self._guard(self.layout.quarantine, self._quarantine)
        self._guard(self.layout.root, self._references)
        self._guard(self.layout.catalogue, self._catalogue)
        self.report.counts.update(originals=len(self.originals), records=len(self.seals))
        self.report.counts.update({kind: len(trees) for kind, trees in self.trees.items()})
        return self.report

    def _name(self, path: Path) -> str:
        return path.relative_to(self.layout.root).as_posix()

    def _guard(self, path: Path, check: Callable[P, object], *args: P.args, **kwargs: P.kwargs) -> None:
        """Run a check; what the disk will not show is `unchecked`, which is no finding of damage."""
        try:
            check(*args, **kwargs)
        except DamageFound as damage:
            self._damage(Path(damage.path), damage.what)
        except (StorageError, OSError) as error:
            self.report.unchecked.append(Finding(self._name(path), str(error)))

    def _damage(self, path: Path, what: str) -> None:
        name = self._name(path) if path.is_absolute() else str(path)
        if name in self.lost:
            self.report.leftovers.append(Finding(name, f"lost, as was noted when it was repaired: {what}"))
        else:
            self.report.damage.append(Finding(name, what))

    def _leftover(self, path: Path, what: str) -> None:
        self.report.leftovers.append(Finding(self._name(path), what))

    def _in_subset(self, identity: str) -> bool:
        if self.report.subset is None:
            return True
        n, m = self.report.subset
        return int(identity[:8], 16) % m == n - 1

    # the root

    def _root(self) -> None:
        for name in self.disk.names(self.layout.root):
            if name not in {*AREAS, *FOREIGN, "FORMAT", "lock"}:
                self._leftover(self.layout.root / name, "a name that is not the archive's")
        for leftover in self.archive.staging.leftovers():
            self._leftover(leftover.path, leftover.why)
        document = unseal(read_file(self.disk, self.layout.format), self.layout.format)
        if document["id"] != self.archive.id:
            self._damage(self.layout.format, "the id of another archive")

    # numbered records

    def _decisions(self) -> None:
        # what was noted as lost comes first, since it decides how the rest is spoken of
        losses = self.layout.decisions / "losses"
        kinds = [losses.name] if self.disk.names(losses) else []
        kinds += [name for name in self.disk.names(self.layout.decisions) if name != losses.name]
        for kind in kinds:
            self._records(self.layout.decisions / kind, "name")
            if kind == losses.name:
                self.lost = set(self.archive.decisions("losses"))

    def _records(self, top: Path, key: str) -> None:
        for name in self.disk.names(top):
            self._guard(top / name, self._numbered, top / name, key)

    def _numbered(self, directory: Path, key: str) -> None:
        names = self.disk.names(directory)
        numbers = sorted(int(match[1]) for name in names if (match := RECORD.match(name)))
        for name in names:
            if not RECORD.match(name):
                self._damage(directory / name, "a file nobody committed")
        self._gaps(numbers, directory, "")
        for n in numbers:
            self._guard(directory, self._record, directory / f"{n}.json", n, key)

    def _gaps(self, numbers: list[int], directory: Path, stem: str) -> None:
        for n in sorted(set(range(1, (numbers[-1] if numbers else 0) + 1)) - set(numbers)):
            self._damage(directory / f"{stem}{n}.json", "nothing: the record is missing, a later one is there")

    def _record(self, path: Path, n: int, key: str) -> None:
        record, directory = read_record(self.archive, path), path.parent
        about = str(record.about.get(key, ""))
        says = (record.n, named_directory(about) if key == "name" else about, record.about.get("kind"))
        if says != (n, directory.name, directory.parent.name if key == "name" else None):
            self._damage(path, f"the record {record.n} of {record.about}")
            return
        self.seals[self._name(path)] = record.seal

    def _quarantine(self) -> None:
        for name in self.disk.names(self.layout.quarantine):
            directory = self.layout.quarantine / name
            if directory == self.layout.set_aside:
                continue
            if not SHA256.match(name):
                self._leftover(directory, "a name that is not the archive's")
                continue
            self._guard(directory, self._numbered, directory, "original")
            if name not in self.originals:
                self._damage(self.layout.original(name), "nothing: an original in quarantine is missing")

    # originals

    def _originals(self) -> None:
        for first in self.disk.names(self.layout.originals):
            for second in self.disk.names(self.layout.originals / first):
                directory = self.layout.originals / first / second
                self._guard(directory, self._files, directory, first + second)

    def _files(self, directory: Path, start: str) -> None:
        sizes = self.disk.sizes(directory)
        arrivals: dict[str, list[int]] = {}
        for name in sorted(sizes):
            arrival = ARRIVAL.match(name)
            if arrival and name.startswith(start):
                arrivals.setdefault(arrival[1], []).append(int(arrival[2]))
            elif SHA256.match(name) and name.startswith(start):
                self.originals[name] = directory / name
            else:
                self._damage(directory / name, "a file nobody committed")
        for sha256, numbers in arrivals.items():
            self._gaps(sorted(numbers), directory, f"{sha256}.")
            for n in sorted(numbers):
                path = directory / f"{sha256}.{n}.json"
                self._guard(path, self._arrival, path, n, sha256, sizes)
        for sha256 in sizes.keys() & self.originals.keys():
            if sha256 not in arrivals:
                self._leftover(directory / sha256, "an original whose arrival was not noted")
            self._guard(directory / sha256, self._hash_original, directory / sha256)

    def _arrival(self, path: Path, n: int, sha256: str, sizes: dict[str, int]) -> None:
        record = read_record(self.archive, path)
        if (record.n, record.about) != (n, {"original": sha256}):
            self._damage(path, f"the record {record.n} of {record.about}")
            return
        self.seals[self._name(path)] = record.seal
        size = int(record.content["size"])
        if sha256 not in sizes:
            self._damage(path.parent / sha256, "nothing: the original is missing, its arrival is there")
        elif sizes[sha256] != size:
            self._damage(path.parent / sha256, f"{sizes[sha256]} bytes where {size} arrived")

    def _hash_original(self, path: Path) -> None:
        if self.report.depth != "structure" and self._in_subset(path.name):
            digest = hashlib.sha256()
            for piece in self.disk.pieces(path, PIECE):
                digest.update(piece)
            if digest.hexdigest() != path.name:
                self._damage(path, "bytes that differ from the hash they are named by")

    # captures and results

    def _trees(self, kind: str) -> None:
        top = self.layout.root / kind
        for prefix in self.disk.names(top):
            for name in self.disk.names(top / prefix):
                path = top / prefix / name
                if not ID.match(name) or name[:2] != prefix:
                    self._damage(path, "a name nobody committed")
                    continue
                self._guard(path, self._tree, kind, path)

    def _tree(self, kind: str, path: Path) -> None:
        sizes = self.disk.sizes(path)
        if MANIFEST not in sizes:
            raise DamageFound(path, "a directory without its manifest")
        data = read_file(self.disk, path / MANIFEST)
        tree = parsed_manifest(data, path, kind, path.name, self.disk)
        sizes.pop(MANIFEST)
        for name in sorted(sizes.keys() - tree.files.keys()):
            self._damage(path / name, "a file nobody committed")
        for name, (size, _) in tree.files.items():
            if name not in sizes:
                self._damage(path / name, "nothing: the file is missing")
            elif sizes[name] != size:
                self._damage(path / name, f"{sizes[name]} bytes where {size} were committed")
        self.trees[kind][path.name] = tree.seal, source_of(tree)
        if self.report.depth != "structure" and self._in_subset(path.name):
            self._hash_tree(tree, [name for name in tree.files if sizes.get(name) == tree.files[name][0]])

    def _hash_tree(self, tree: Tree, names: list[str]) -> None:
        for name in names:
            self._guard(tree.path / name, tree.read, name)
        if self.report.depth == "deep" and len(names) == len(tree.files):
            self._guard(tree.path, self._values, tree)

    def _values(self, tree: Tree) -> None:
        for store in sorted({name.split("/")[0] for name in tree.files if "/" in name}):
            reader = tree.zarr(store)
            for name in reader.names:
                for _ in reader.array(name).blocks():
                    pass
        source = source_of(tree)
        if tree.kind != "captures" or self.decode is None or source not in self.originals:
            return
        try:
            differs = self.decode(tree, self.originals[source])
        except Exception as error:  # noqa: BLE001 - a reader of any author runs here
            self.report.unchecked.append(Finding(self._name(tree.path), f"{type(error).__name__}: {error}"))
            return
        if differs:
            self._damage(tree.path, f"values that differ from the original's: {differs}")

    # what refers to what

    def _references(self) -> None:
        used = set()
        for identity, (_, source) in self.trees["captures"].items():
            used.add(source)
            if source is not None and source not in self.originals:
                self._damage(self.layout.original(source), f"nothing: the original of capture {identity} is missing")
        for identity, (_, source) in self.trees["results"].items():
            if source is not None and source not in self.trees["captures"]:
                where = self.layout.tree("captures", source)
                if not self.disk.names(where):
                    self._damage(where, f"nothing: the capture of result {identity} is missing")
        held = set(self.disk.names(self.layout.quarantine))
        for sha256, path in self.originals.items():
            if sha256 not in used and sha256 not in held:
                self._leftover(path, "an original that no capture was made from")

    def _catalogue(self) -> None:
        catalogue = self.archive.catalogue_for_reading()
        if catalogue is None:
            self._leftover(self.layout.catalogue, "no usable catalogue; `archive rebuild` makes one")
            return
        try:
            behind = sum(self._against(catalogue, name) for name in INDEX_TABLES)
        finally:
            self.archive.done_reading(catalogue)
        if behind:
            self._leftover(self.layout.catalogue, f"{behind} entries behind the archive; the next run catches up")

    def _against(self, catalogue: Catalogue, table: str) -> int:
        """Name what the catalogue knows and the disk has not, or has otherwise; how many it has not heard of."""
        found = dict(self._found(table))
        known = dict(catalogue.known(table))
        already = {finding.path for finding in self.report.damage}
        for path in sorted(known.keys() - found.keys()):
            if not any(name == path or name.startswith(f"{path}/") for name in already):
                self._damage(Path(path), "nothing: the catalogue knows it, the disk has it no more")
        for path in sorted(known.keys() & found.keys()):
            if known[path] != found[path]:
                self._damage(Path(path), "another document than the one that was committed")
        return len(found.keys() - known.keys())

    def _found(self, table: str) -> Iterator[tuple[str, str]]:
        if table == "trees":
            for kind, trees in self.trees.items():
                yield from ((f"{kind}/{identity[:2]}/{identity}", seal) for identity, (seal, _) in trees.items())
        elif table == "originals":
            yield from ((self._name(path), sha256) for sha256, path in self.originals.items())
        else:
            yield from self.seals.items()
