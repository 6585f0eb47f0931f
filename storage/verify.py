"""Checking an archive: structure, every hash, or every value against its original."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, ParamSpec

from .catalogue import INDEX_TABLES, Catalogue, source_of
from .errors import BadContent, DamageFound, StorageError
from .findings import Decode, Depth, Finding, Report
from .fsio import Disk, Folders, folders_of
from .layout import AREAS, ARRIVAL, FOREIGN, ID, KINDS, MANIFEST, RECORD, SHA256, named_directory
from .originals import PIECE
from .sealed import check_members, unseal
from .side_by_side import processes_here, side_by_side
from .trees import Tree, manifest_outline, parsed_manifest, read_file

if TYPE_CHECKING:
    from .archive import Archive

P = ParamSpec("P")
Sizes = dict[str, int]
_Found = tuple[Report, set[str], dict[str, dict[str, tuple[str, str | None]]], dict[str, str]]
_WORTH_SHARING = 200
"""Captures from which a second process saves more than its start costs."""


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
    """One pass over everything, in the order in which things refer to each other.

    Works on names relative to the root: joining path objects would take half of the time.
    """

    def __init__(
        self, archive: Archive, report: Report, decode: Decode | None, share: tuple[int, int] = (0, 1)
    ) -> None:
        self.archive, self.report, self.decode, self.share = archive, report, decode, share
        self.disk, self.layout = archive.disk, archive.layout
        self.top = f"{archive.root.as_posix()}/"
        self.originals: set[str] = set()
        self.trees: dict[str, dict[str, tuple[str, str | None]]] = {kind: {} for kind in KINDS}
        self.seals: dict[str, str] = {}
        self.lost: set[str] = set()
        self.folders: dict[tuple[str, ...], Folders] = {}

    def whole(self) -> Report:
        """All checks."""
        self._guard("", self._root)
        self._guard("decisions", self._decisions)
        n = self._n_shares()
        for found in side_by_side(n, lambda i: self._shared(i, n)):
            self._take_over(found)
        self._guard("quarantine", self._quarantine)
        self._guard("", self._references)
        self._guard("catalog", self._catalogue)
        self.report.counts.update(originals=len(self.originals), records=len(self.seals))
        self.report.counts.update({kind: len(trees) for kind, trees in self.trees.items()})
        return self.report

    def _n_shares(self) -> int:
        """Processes that share the many small files; one where a fork costs more than it saves, or a test looks on."""
        alone = type(self.disk) is not Disk or self.report.depth == "deep" or len(self._names("facts")) < _WORTH_SHARING
        return 1 if alone else processes_here()

    def _shared(self, i: int, n: int) -> _Found:
        """The i-th of n shares of originals, captures, results and facts."""
        check = _Check(self.archive, Report(self.report.depth, self.report.subset), self.decode, (i, n))
        check.lost = self.lost
        check._guard("originals", check._originals)
        for kind in KINDS:
            check._guard(kind, check._trees, kind)
        check._guard("facts", check._facts)
        return check.report, check.originals, check.trees, check.seals

    def _take_over(self, found: _Found) -> None:
        report, originals, trees, seals = found
        for name in ("damage", "unchecked", "leftovers"):
            getattr(self.report, name).extend(getattr(report, name))
        self.originals |= originals
        self.seals |= seals
        for kind, more in trees.items():
            self.trees[kind] |= more

    def _mine(self, names: list[str]) -> list[str]:
        return names[self.share[0] :: self.share[1]]

    def _guard(self, name: str, check: Callable[P, object], *args: P.args, **kwargs: P.kwargs) -> None:
        """Run a check; what the disk will not show is `unchecked`, which is no finding of damage."""
        try:
            check(*args, **kwargs)
        except DamageFound as damage:
            self._damage(damage.path.removeprefix(self.top), damage.what)
        except (StorageError, OSError) as error:
            self.report.unchecked.append(Finding(name, str(error)))

    def _damage(self, name: str, what: str) -> None:
        if name in self.lost and not self._there(name):
            self.report.leftovers.append(Finding(name, f"lost, as was noted when it was repaired: {what}"))
        else:
            self.report.damage.append(Finding(name, what))

    def _missing(self, name: str, what: str) -> None:
        """Damage, unless it came while this check was under way: others go on working beside it."""
        if not self._there(name):
            self._damage(name, f"nothing: {what}")

    def _leftover(self, name: str, what: str) -> None:
        self.report.leftovers.append(Finding(name, what))

    def _names(self, name: str) -> list[str]:
        return self.disk.names(self.top + name)

    def _in_subset(self, identity: str) -> bool:
        if self.report.depth == "structure" or self.report.subset is None:
            return self.report.depth != "structure"
        n, m = self.report.subset
        return int(identity[:8], 16) % m == n - 1

    # the root

    def _root(self) -> None:
        for name in self._names(""):
            if name not in {*AREAS, *FOREIGN, "FORMAT", "lock"}:
                self._leftover(name, "a name that is not the archive's")
        for leftover in self.archive.staging.leftovers():
            self._leftover(f"staging/{leftover.path.name}", leftover.why)
        document = unseal(read_file(self.disk, self.layout.format), self.layout.format, "id")
        if document["id"] != self.archive.id:
            self._damage("FORMAT", "the id of another archive")

    # numbered records

    def _decisions(self) -> None:
        # what was noted as lost comes first, since it decides how the rest is spoken of
        for kind in sorted(self._names("decisions"), key=lambda kind: kind != "losses"):
            self._records(f"decisions/{kind}", "name")
            if kind == "losses":
                self.lost = set(self.archive.decisions(kind))

    def _facts(self) -> None:
        for name in self._mine(self._names("facts")):
            self._guard(f"facts/{name}", self._said_of, f"facts/{name}")

    def _said_of(self, directory: str) -> None:
        if not os.path.isdir(self.top + directory):  # noqa: PTH112
            raise DamageFound(self.top + directory, "a file nobody committed")
        self._numbered(directory, self._names(directory), "capture_id")

    def _records(self, top: str, key: str) -> None:
        found: dict[str, list[str]] = {}
        for name in self.disk.sizes(self.top + top) if self._names(top) else ():
            directory, _, file = name.rpartition("/")
            found.setdefault(f"{top}/{directory}", []).append(file)
        for directory in sorted(found):
            self._guard(directory, self._numbered, directory, found[directory], key)

    def _numbered(self, directory: str, names: Iterable[str], key: str) -> None:
        numbers = []
        for name in sorted(names):
            match = RECORD.match(name)
            if match is None:
                self._damage(f"{directory}/{name}", "a file nobody committed")
            else:
                numbers.append(int(match[1]))
        self._gaps(sorted(numbers), f"{directory}/")
        for n in numbers:
            self._guard(directory, self._record, directory, n, key)

    def _gaps(self, numbers: list[int], start: str) -> None:
        if numbers and numbers[-1] != len(numbers):
            for n in sorted(set(range(1, numbers[-1])) - set(numbers)):
                self._missing(f"{start}{n}.json", "the record is missing, a later one is there")

    def _record(self, directory: str, n: int, key: str) -> None:
        name = f"{directory}/{n}.json"
        parent, own = directory.split("/")[-2:]
        about = self._sealed(name, n)
        said = str(about.get(key, ""))
        if (named_directory(said) if key == "name" else said) != own or about.get("kind", parent) != parent:
            self._damage(name, f"a record of {about}")

    def _sealed(self, name: str, n: int) -> dict[str, str]:
        data = read_file(self.disk, self.top + name)
        document = unseal(data, self.top + name, "about", "content", "n")
        if document["n"] != n:
            raise DamageFound(self.top + name, f"the record {document['n']} of {document['about']}")
        self.seals[name] = document["self"]
        about: dict[str, str] = document["about"]
        return about if "capture_id" in about or "name" in about else {**about, **document["content"]}

    def _quarantine(self) -> None:
        for name in self._names("quarantine"):
            if name == self.layout.set_aside.name:
                continue
            if not SHA256.match(name):
                self._leftover(f"quarantine/{name}", "a name that is not the archive's")
                continue
            directory = f"quarantine/{name}"
            self._guard(directory, self._numbered, directory, self._names(directory), "original")
            if name not in self.originals:
                self._missing(original_name(name), "an original in quarantine is missing")

    # originals

    def _originals(self) -> None:
        for first in self._mine(self._names("originals")):
            below: dict[str, Sizes] = {}
            for name, size in self.disk.sizes(f"{self.top}originals/{first}").items():
                second, _, file = name.rpartition("/")
                below.setdefault(second, {})[file] = size
            for second in sorted(below):
                self._files(f"originals/{first}/{second}/", first + second, below[second])

    def _files(self, where: str, start: str, sizes: Sizes) -> None:
        arrivals: dict[str, list[int]] = {}
        for name in sorted(sizes):
            arrival = ARRIVAL.match(name) if name.startswith(start) else None
            if arrival:
                arrivals.setdefault(arrival[1], []).append(int(arrival[2]))
            elif SHA256.match(name) and name.startswith(start):
                self.originals.add(name)
                self._guard(where + name, self._hash_original, where, name)
            else:
                self._damage(where + name, "a file nobody committed")
        for sha256, numbers in arrivals.items():
            self._gaps(sorted(numbers), f"{where}{sha256}.")
            for n in numbers:
                self._guard(where + sha256, self._arrival, where, sha256, n, sizes.get(sha256))
        for name in sorted(sizes.keys() & self.originals - arrivals.keys()):
            self._leftover(where + name, "an original whose arrival was not noted")

    def _arrival(self, where: str, sha256: str, n: int, size: int | None) -> None:
        said = self._sealed(f"{where}{sha256}.{n}.json", n)
        check_members(said, f"{self.top}{where}{sha256}.{n}.json", "original", "size")
        if said["original"] != sha256:
            self._damage(f"{where}{sha256}.{n}.json", f"a record of {said['original']}")
        elif size is None:
            self._missing(where + sha256, "the original is missing, its arrival is there")
        elif size != int(said["size"]):
            self._damage(where + sha256, f"{size} bytes where {said['size']} arrived")

    def _hash_original(self, where: str, name: str) -> None:
        if self._in_subset(name):
            digest = hashlib.sha256()
            for piece in self.disk.pieces(Path(self.top + where + name), PIECE):
                digest.update(piece)
            if digest.hexdigest() != name:
                self._damage(where + name, "bytes that differ from the hash they are named by")

    # captures and results

    def _trees(self, kind: str) -> None:
        for prefix in self._mine(self._names(kind)):
            names = self._names(f"{kind}/{prefix}")
            if not names and not os.path.isdir(f"{self.top}{kind}/{prefix}"):  # noqa: PTH112
                self._damage(f"{kind}/{prefix}", "a file nobody committed")
            for identity in names:
                path = f"{kind}/{prefix}/{identity}"
                if ID.match(identity) and identity[:2] == prefix:
                    self._guard(path, self._tree, kind, identity, path)
                else:
                    self._damage(path, "a name nobody committed")

    def _tree(self, kind: str, identity: str, where: str) -> None:
        place = self.top + where
        try:
            data = read_file(self.disk, f"{place}/{MANIFEST}")
        except DamageFound as error:
            if os.path.lexists(place):
                raise DamageFound(place, "no directory with a manifest") from error
            return  # cleared out meanwhile
        manifest, source = manifest_outline(data, place, kind, identity)
        self.trees[kind][identity] = manifest["self"], source
        sizes = {name: size for name, (size, _) in manifest["files"].items()}
        whole = list(sizes) if self.disk.holds(place, self._folders(sizes), sizes) else self._differing(where, sizes)
        if self._in_subset(identity):
            tree = parsed_manifest(data, Path(place), kind, identity, self.disk)
            self._hash_tree(where, tree, whole)

    def _folders(self, sizes: Sizes) -> Folders:
        """Directories of a tree of these files; nearly all trees hold files of the same names."""
        names = tuple(sizes)
        if names not in self.folders:
            self.folders[names] = folders_of([*names, MANIFEST])
        return self.folders[names]

    def _differing(self, where: str, sizes: Sizes) -> list[str]:
        """Name what is missing, of another size, or too much; the files that are as they were committed."""
        there = self.disk.sizes(self.top + where)
        if there.pop(MANIFEST, None) is None and not os.path.lexists(self.top + where):
            return []  # cleared out meanwhile
        whole = []
        for name, size in sizes.items():
            found = there.pop(name, None)
            if found == size:
                whole.append(name)
            else:
                what = "nothing: the file is missing" if found is None else f"{found} bytes where {size} were committed"
                self._damage(f"{where}/{name}", what)
        for name in sorted(there):
            self._damage(f"{where}/{name}", "a file nobody committed")
        return whole

    def _hash_tree(self, where: str, tree: Tree, names: list[str]) -> None:
        before = len(self.report.damage)
        for name in names:
            self._guard(f"{where}/{name}", tree.read, name)
        if self.report.depth == "deep" and len(names) == len(tree.files) and len(self.report.damage) == before:
            self._guard(where, self._values, where, tree)

    def _values(self, where: str, tree: Tree) -> None:
        for store in tree.stores:
            reader = tree.zarr(store)
            for name in reader.names:
                for _ in reader.array(name).blocks():
                    pass
        source = source_of(tree)
        if tree.kind != "captures" or self.decode is None or source is None or source not in self.originals:
            return
        try:
            differs = self.decode(tree, self.layout.original(source))
        except Exception as error:  # noqa: BLE001 - a reader of any author runs here
            self.report.unchecked.append(Finding(where, f"{type(error).__name__}: {error}"))
            return
        if differs:
            self._damage(where, f"values that differ from the original's: {differs}")

    # what refers to what

    def _references(self) -> None:
        used = set()
        for identity, (_, source) in self.trees["captures"].items():
            used.add(source)
            if source is not None and source not in self.originals:
                self._missing(original_name(source), f"the original of capture {identity} is missing")
        for identity, (_, source) in self.trees["results"].items():
            if source is not None and source not in self.trees["captures"]:
                where = f"captures/{source[:2]}/{source}"
                if not self._names(where):  # a damaged one was named already
                    self._damage(where, f"nothing: the capture of result {identity} is missing")
        for sha256 in sorted(self.originals - used - set(self._names("quarantine"))):
            self._leftover(original_name(sha256), "an original that no capture was made from")

    def _catalogue(self) -> None:
        catalogue = self.archive.catalogue_for_reading()
        if catalogue is None:
            self._leftover("catalog/catalogue.sqlite", "no usable catalogue; `archive rebuild` makes one")
            return
        try:
            behind = sum(self._against(catalogue, name) for name in INDEX_TABLES)
        finally:
            self.archive.done_reading(catalogue)
        if behind:
            what = f"{behind} entries behind the archive; the next run catches up"
            self._leftover("catalog/catalogue.sqlite", what)

    def _against(self, catalogue: Catalogue, table: str) -> int:
        """Name what the catalogue knows and the disk has not, or has otherwise; how many it has not heard of."""
        found, known = dict(self._found(table)), dict(catalogue.known(table))
        already = {finding.path for finding in self.report.damage}
        for path in sorted(known.keys() - found.keys()):
            named = any(name == path or name.startswith(f"{path}/") for name in already)
            if not named and not self._there(path if table != "trees" else f"{path}/{MANIFEST}"):
                self._damage(path, "nothing: the catalogue knows it, the disk has it no more")
        for path in sorted(known.keys() & found.keys()):
            if known[path] != found[path]:
                self._damage(path, "another document than the one that was committed")
        return len(found.keys() - known.keys())

    def _there(self, name: str) -> bool:
        return self.disk.size(self.archive.root / name) is not None

    def _found(self, table: str) -> Iterator[tuple[str, str]]:
        if table == "trees":
            for kind, trees in self.trees.items():
                yield from ((f"{kind}/{identity[:2]}/{identity}", seal) for identity, (seal, _) in trees.items())
        elif table == "originals":
            yield from ((original_name(sha256), sha256) for sha256 in self.originals)
        else:
            yield from self.seals.items()


def original_name(sha256: str) -> str:
    """Place of an original, relative to the root."""
    return f"originals/{sha256[:2]}/{sha256[2:4]}/{sha256}"
