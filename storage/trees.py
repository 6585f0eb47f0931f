"""Captures and results: directories that become visible whole, by one rename, with their manifest inside."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import Any, Self

from .errors import BadContent, DamageFound
from .fsio import Disk, Unsynced
from .layout import ARCHIVE_FORMAT, MANIFEST, checked_kind
from .places import Places
from .sealed import (
    Spelt,
    canonical,
    canonical_object,
    check_members,
    check_seal,
    close_seal,
    parsed,
    seal_of,
    sha256,
    unseal,
    unspelt,
)
from .staging import Staging
from .zarr_pack import PACK_SUFFIX, Packing
from .zarr_read import StoreReader
from .zarr_write import StoreDraft, WriteFile

Files = dict[str, tuple[int, str]]
"""Name relative to the tree -> size in bytes and SHA-256."""


_SYNCED_AT_ONCE = 2**20
_UNSYNCED_FILES = 64


@dataclass(frozen=True)
class Tree:
    """A committed capture or result. ``content`` is what was decided or measured, ``run`` how it came about.

    ``content`` is hashed (``content_sha256``): equal work gives an equal hash. ``run`` (host, times, versions of
    libraries) is kept but not compared.
    """

    kind: str
    id: str
    path: Path
    content: dict[str, Any]
    run: dict[str, Any]
    files: Files
    content_sha256: str
    seal: str
    disk: Disk = field(default_factory=Disk, repr=False, compare=False)
    fresh: bool = field(default=False, compare=False)
    """True where this very call made it visible; False where it was there or somebody else was first."""
    spelt_summary: bytes | None = field(default=None, repr=False, compare=False)
    """``content["summary"]`` as the manifest spells it, where it has just been spelt."""

    def zarr(self, name: str) -> StoreReader:
        """One Zarr store of this tree. Raises BadContent where there is none of that name."""
        if name not in self.stores:
            raise BadContent(f"store {name!r} of {self.path}", found=", ".join(self.stores) or "no store")
        return StoreReader(self, name)

    @property
    def stores(self) -> tuple[str, ...]:
        """Names of its Zarr stores, whether directories or packed."""
        inside = {file.split("/")[0] for file in self.files if "/" in file}
        packed = {file.removesuffix(PACK_SUFFIX) for file in self.files if file.endswith(f".zarr{PACK_SUFFIX}")}
        return tuple(sorted(inside | packed))

    def place_of(self, store: str) -> Path:
        """Where a Zarr store lies: a directory, or a file for zarr's own ``ZipStore``."""
        return self.path / (store if f"{store}/zarr.json" in self.files else store + PACK_SUFFIX)

    def read(self, name: str) -> bytes:
        """Bytes of one file, as they were committed. Raises DamageFound."""
        size, digest = self.files[name]
        data = read_file(self.disk, self.path / name)
        if len(data) != size or sha256(data) != digest:
            raise DamageFound(self.path / name, f"{len(data)} bytes that are not those committed ({size} bytes)")
        return data


def read_file(disk: Disk, path: Path | str) -> bytes:
    """Bytes of a file that must be there. Raises DamageFound."""
    try:
        return disk.read(path)
    except (FileNotFoundError, NotADirectoryError) as error:
        raise DamageFound(path, "nothing: the file is missing") from error


def manifest_bytes(
    kind: str, identity: str, files: Files, content: bytes, digest: str, run: Mapping[str, Any]
) -> bytes:
    """A manifest, sealed. ``content`` comes in canonical bytes with their hash ``digest``: it is the large part."""
    return close_seal(
        b'{"content":%b,"content_sha256":"%b","files":%b,"format":%d,"id":"%b","kind":"%b","run":%b}'
        % (content, digest.encode(), canonical(files), ARCHIVE_FORMAT, identity.encode(), kind.encode(), canonical(run))
    )


def checked_manifest(data: bytes, path: Path | str, kind: str, identity: str) -> dict[str, Any]:
    """A manifest's document. Raises DamageFound where it is not whole, belongs elsewhere or is too new."""
    document = unseal(data, f"{path}/{MANIFEST}", "content", *_OUTLINE)
    _check_belongs(document, path, kind, identity)
    return document


def _check_belongs(document: Mapping[str, Any], path: Path | str, kind: str, identity: str) -> None:
    if document["kind"] != kind or document["id"] != identity:
        raise DamageFound(f"{path}/{MANIFEST}", f"the manifest of {document['kind']} {document['id']}")
    if document["format"] > ARCHIVE_FORMAT:
        raise DamageFound(f"{path}/{MANIFEST}", f"format {document['format']}", todo="read it with a newer version")


_OUTLINE = ("content_sha256", "files", "format", "id", "kind", "run")
_CONTENT = b'{"content":'
_CONTENT_HASH = b',"content_sha256":"'
_CAPTURE_ID = re.compile(rb'\{"capture_id":"([0-9a-f]{16,64})"[,}]')


def manifest_outline(data: bytes, path: Path | str, kind: str, identity: str) -> tuple[dict[str, Any], str | None]:
    """A manifest's document without its content, and what the content says it was made from.

    For a check of very many: the readings of a result are most of its manifest, and parsing them most of its cost.
    The content ends where its own hash, which follows it, says so. Raises DamageFound as ``checked_manifest`` does.
    """
    check_seal(data, f"{path}/{MANIFEST}")
    end = _end_of_content(data)
    made_from = _CAPTURE_ID.match(data, len(_CONTENT)) if kind == "results" else None
    if end is None or made_from is None:
        document = parsed(data)
        check_members(document, f"{path}/{MANIFEST}", "content", *_OUTLINE)
        source = source_in(kind, document["content"])
    else:
        document, source = parsed(b"{" + data[end + 1 :]), made_from[1].decode("ascii")
    _check_belongs(document, path, kind, identity)
    return document, source


def _end_of_content(data: bytes) -> int | None:
    end = data.rfind(_CONTENT_HASH)
    while end > 0:
        began = end + len(_CONTENT_HASH)
        if data.startswith(_CONTENT) and sha256(data[len(_CONTENT) : end]).encode() == data[began : began + 64]:
            return end
        end = data.rfind(_CONTENT_HASH, 0, end)
    return None


def source_in(kind: str, content: Mapping[str, Any]) -> str | None:
    """What a tree says it was made from: ``content["original"]`` (captures), ``content["capture_id"]`` (results)."""
    value = content.get("original" if kind == "captures" else "capture_id")
    if isinstance(value, dict):
        value = value.get("sha256")
    return value if isinstance(value, str) else None


def parsed_manifest(data: bytes, path: Path, kind: str, identity: str, disk: Disk) -> Tree:
    """The tree a manifest describes. Raises DamageFound as ``checked_manifest`` does."""
    document = checked_manifest(data, path, kind, identity)
    return Tree(
        kind, identity, path, document["content"], document["run"],
        {name: (size, digest) for name, (size, digest) in document["files"].items()},
        document["content_sha256"], seal_of(data), disk,
    )  # fmt: skip


def read_tree(disk: Disk, path: Path, kind: str, identity: str, *, sizes: bool = True) -> Tree | None:
    """The tree at ``path``, or None where nothing was committed; every file's presence and size is checked.

    A missing Zarr chunk would read as fill value, and so would an emptied one: hence sizes before anything else.
    """
    try:
        data = disk.read(f"{path}/{MANIFEST}")
    except NotADirectoryError as error:
        raise DamageFound(path, "a file where a directory belongs") from error
    except FileNotFoundError as error:
        if not disk.names(path):
            return None
        raise DamageFound(path, "no manifest in it") from error
    tree = parsed_manifest(data, path, kind, identity, disk)
    for name, (size, _) in tree.files.items() if sizes else ():
        found = disk.size(path / name)
        if found != size:
            what = "nothing: the file is missing" if found is None else f"{found} bytes where {size} were committed"
            raise DamageFound(path / name, what)
    return tree


@dataclass(frozen=True, slots=True)
class Staged:
    """A tree that is whole in a private place, but neither on the device nor visible: ``tree`` is what it will be."""

    tree: Tree
    path: Path
    unsynced: list[Unsynced]
    directories: list[Path]


def committed(staged: Sequence[Staged], places: Places) -> list[Tree]:
    """Make trees visible and durable; where somebody was first, theirs is returned and ours is dropped.

    Bytes and names are all on the device before the first rename (until then nobody sees them, so their order does
    not matter); the names in the archive are on the device before this returns. Several trees share a round of
    syncs: one journal commit serves all that has set out before it.
    """
    disk, homes = places.disk, list(dict.fromkeys(one.tree.path.parent for one in staged))
    unsynced = [file for one in staged for file in one.unsynced]
    try:
        for file in unsynced:
            file.start()
        names = [partial(disk.fsync_dir, directory) for one in staged for directory in one.directories]
        places.directories(homes, [*(file.sync for file in unsynced), *names])
        for file in unsynced:
            file.close()
        fresh = [disk.rename(one.path, one.tree.path) for one in staged]
    except BaseException:
        for one in staged:
            drop(disk, one.path, one.unsynced)
        raise
    # The loser syncs too: the winner may not have come to it yet, and both are about to acknowledge.
    disk.together([partial(disk.fsync_dir, home) for home in homes])
    return [one.tree if mine else _theirs(one, disk) for one, mine in zip(staged, fresh, strict=True)]


def drop(disk: Disk, path: Path, unsynced: Iterable[Unsynced]) -> None:
    """Let go of what was staged."""
    for file in unsynced:
        file.close()
    disk.rmtree(path)


def _theirs(staged: Staged, disk: Disk) -> Tree:
    drop(disk, staged.path, ())
    found = read_tree(disk, staged.tree.path, staged.tree.kind, staged.tree.id)
    if found is None:
        raise DamageFound(staged.tree.path, "an entry that is no committed tree")
    return found


class Draft:
    """A capture or result in the making, in this process's private staging directory.

    Used as a context manager: leaving it without ``commit`` drops what was written.
    """

    def __init__(
        self, kind: str, identity: str, final: Path, staging: Staging, places: Places,
        batch: list[Staged] | None = None, ahead: Callable[[], object] | None = None,
    ) -> None:  # fmt: skip
        self.kind, self.id = checked_kind(kind), identity
        self._final, self._places, self._disk = final, places, places.disk
        self._batch, self._ahead = batch, ahead
        self._path = staging.new_directory()
        self._files: Files = {}
        self._directories = {"": self._path}
        self._stores: dict[str, StoreDraft] = {}
        self._packings: list[Packing] = []
        self._unsynced: list[Unsynced] = []
        self._gone = False

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        if not self._gone:
            self._drop()

    def zarr(self, name: str, *, packed: bool = False) -> StoreDraft:
        """Begin a Zarr group in this tree, or go on with the one of that name; ``packed`` into one file if small."""
        if name not in self._stores:
            if not name.endswith(".zarr") or not name[:-5].isidentifier():
                raise BadContent("a store in a tree", found=f"name {name!r}", allowed="an identifier and '.zarr'")
            self._stores[name] = StoreDraft(name, self._writer(name, packed=packed))
        return self._stores[name]

    def _writer(self, name: str, *, packed: bool) -> WriteFile:
        if not packed:
            return lambda place, data: self._write(f"{name}/{place}", data)
        self._packings.append(Packing(name, self._write))
        return self._packings[-1].write

    def _write(self, name: str, data: bytes) -> None:
        self._make(name.rpartition("/")[0])
        file = Unsynced(self._disk, self._path / name)
        self._unsynced.append(file)
        file.write(data)
        self._files[name] = (len(data), sha256(data))
        # Small files are synced together at the end: one journal commit serves several of them.
        if len(data) > _SYNCED_AT_ONCE or len(self._unsynced) > _UNSYNCED_FILES:
            self._sync_files()

    def _sync_files(self) -> None:
        for file in self._unsynced:
            file.start()
        self._disk.together([file.sync for file in self._unsynced])
        for file in self._unsynced:
            file.close()
        self._unsynced = []

    def _make(self, directory: str) -> None:
        if directory in self._directories:
            return
        self._make(directory.rpartition("/")[0])
        self._directories[directory] = path = self._path / directory
        self._disk.mkdir(path)

    def commit(self, content: Mapping[str, Any], run: Mapping[str, Any], *, at_once: bool = False) -> Tree:
        """Make it visible and durable. Where somebody was first, theirs is returned and ours is dropped.

        In a batch (``Archive.settled_together``) that is put off to the batch's end, unless ``at_once``: then what it
        was made from is settled ahead of it. Members of ``content`` may be ``Spelt``.
        """
        for store in self._stores.values():
            store.finish()
        for packing in self._packings:
            packing.close()
        staged = self._staged(content, run)
        if self._batch is not None and not at_once:
            self._batch.append(staged)
            return staged.tree
        if self._ahead is not None:
            try:
                self._ahead()
            except BaseException:
                self._drop()
                raise
        return committed([staged], self._places)[0]

    def _staged(self, content: Mapping[str, Any], run: Mapping[str, Any]) -> Staged:
        members = dict(content)
        if "summary" in members and not isinstance(members["summary"], Spelt):
            members["summary"] = Spelt.of(members["summary"])  # the index holds it as well
        said = canonical_object(members)
        digest = sha256(said)
        data = manifest_bytes(self.kind, self.id, self._files, said, digest, run)
        self._unsynced.append(Unsynced(self._disk, self._path / MANIFEST))
        self._unsynced[-1].write(data)
        self._gone = True
        tree = Tree(
            self.kind, self.id, self._final, unspelt(members), dict(run), self._files, digest, seal_of(data),
            self._disk, fresh=True, spelt_summary=members["summary"].text if "summary" in members else None,
        )  # fmt: skip
        return Staged(tree, self._path, self._unsynced, list(self._directories.values()))

    def _drop(self) -> None:
        self._gone = True
        drop(self._disk, self._path, self._unsynced)
