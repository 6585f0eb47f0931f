"""Keeping an archive: look, verify, repair, rebuild, clear out superseded results, quarantine."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np

from ...storage import Archive, Report, Tree
from ..contracts import ChannelMapping, ReaderRefusal, SettingsError
from ..execution.identity import canonical, result_identity
from ..execution.intake import CAPTURE_STORE
from ..execution.orders import Job, Order
from ..execution.reader_child import ReaderChild
from ..execution.task import Bench
from ..host import Host
from .captures import HeldSink
from .question import bound_recipe, readers_of
from .remembered import KIND, row_again, study_again

DAY_S = 86_400.0


def init_archive(archive_dir: Path | str) -> str:
    """Make an archive where there is none; its id."""
    with Archive.open(Path(archive_dir), role="coordinator", create=True) as archive:
        return archive.id


def list_captures(archive_dir: Path | str) -> list[dict[str, Any]]:
    """All captures with what is said about each now."""
    with Archive.open(Path(archive_dir), role="reader") as archive:
        return [_listed(archive, identity) for identity in _capture_ids(archive)]


def _capture_ids(archive: Archive) -> list[str]:
    return sorted(path.name for path in (archive.root / "captures").glob("??/*") if path.is_dir())


def _listed(archive: Archive, identity: str) -> dict[str, Any]:
    fact = archive.newest_fact(identity) or {}
    tree = archive.tree("captures", identity)
    summary = tree.content["summary"] if tree is not None else {}
    names = ("platform", "part", "position", "condition", "repeat", "file")
    return {"capture_id": identity, **{name: fact.get(name, "") for name in names}, **summary}


def show(archive_dir: Path | str, identity: str) -> dict[str, Any]:
    """Everything about one capture or result, from the original bytes on: identities, settings, versions, run.

    ``identity`` may be shortened as long as it is clear. Raises SettingsError.
    """
    with Archive.open(Path(archive_dir), role="reader") as archive:
        kind, whole = _found(archive, identity)
        tree = archive.tree(kind, whole)
        assert tree is not None
        shown: dict[str, Any] = {"kind": kind, "id": whole, "content": tree.content, "run": tree.run}
        capture_id = whole if kind == "captures" else tree.content["capture_id"]
        capture = archive.tree("captures", capture_id)
        if capture is not None:
            original = capture.content["original"]
            shown["original"] = {"sha256": original, "arrivals": archive.arrivals(original)}
            shown["capture"] = {k: v for k, v in capture.content.items() if k != "head"}
        shown["facts"] = archive.facts(capture_id)
        return shown


def _found(archive: Archive, identity: str) -> tuple[str, str]:
    found = [
        (kind, path.name)
        for kind in ("captures", "results")
        for path in (archive.root / kind).glob(f"{identity[:2]}/{identity}*")
    ]
    if len(found) != 1:
        what = "nothing of that id" if not found else f"{len(found)} that begin so"
        raise SettingsError(f"capture or result {identity!r}", found=what, todo="`thrumline archive ls` lists captures")
    return found[0]


def verify(archive_dir: Path | str, *, depth: str = "structure", subset: tuple[int, int] | None = None) -> Report:
    """Check the archive and change nothing; ``deep`` also reads every original again and compares the samples."""
    with Archive.open(Path(archive_dir), role="reader") as archive:
        if depth != "deep":
            return archive.verify("data" if depth == "data" else "structure", subset=subset)
        child = ReaderChild(Host.discover().reader_paths)
        try:
            return archive.verify("deep", subset=subset, decode=lambda tree, path: differs(child, tree, path))
        finally:
            child.close()


def differs(child: ReaderChild, tree: Tree, original: Path) -> str | None:
    """Read an original again and hold it against its capture; in words what differs, or None."""
    sink = HeldSink()
    content = tree.content
    mapping = ChannelMapping.from_json(content["mapping"])
    try:
        heads = child.read(original, content["file_name"], content["reader"], mapping, sink)
    except ReaderRefusal as refusal:
        return f"the original is refused now: {refusal.sentence()}"
    head = next((head for head in heads if head.index == content["index"]), None)
    if head is None or canonical(head.as_json()) != canonical(content["head"]):
        return "the head read from the original is another one"
    store = tree.zarr(CAPTURE_STORE)
    for name, held in sink.arrays(content["index"]).items():
        if not np.array_equal(store.array(name).read_all(), held.values):
            return f"array {name} holds other values"
    return None


def repair(archive_dir: Path | str) -> dict[str, Any]:
    """Put damaged things aside, derive captures and results anew from originals, rebuild the catalogue."""
    with Archive.open(Path(archive_dir), role="coordinator") as archive:
        return archive.repair(_Deriving(archive)).as_json()


def rebuild(archive_dir: Path | str) -> int:
    """Make the catalogue anew from what is on the disk; the number of its rows."""
    with Archive.open(Path(archive_dir), role="coordinator") as archive:
        return archive.rebuild()


def clear_out(archive_dir: Path | str, *, older_than_days: float, drop: bool) -> tuple[list[str], int]:
    """Results that no remembered study asks for any more; with ``drop`` they are removed. Never originals.

    First passes that were kept as long ago are removed with them; the bytes of these come second.
    """
    with Archive.open(Path(archive_dir), role="coordinator") as archive:
        wanted = {row["result_id"] for kept in archive.decisions(KIND).values() for row in kept["rows"]}
        found = archive.gc(wanted, older_than_s=older_than_days * DAY_S, drop=drop)
        freed = archive.cache.clear(older_than_days * DAY_S) if drop else 0
        return [item.id for item in found], freed


class _Deriving:
    """Makes a capture or result anew, from what the remembered studies say of it."""

    def __init__(self, archive: Archive) -> None:
        self._archive = archive
        self._kept = list(archive.decisions(KIND).values())

    def __call__(self, kind: str, identity: str) -> None:
        key = "capture_id" if kind == "captures" else "result_id"
        for kept in self._kept:
            for row in kept["rows"]:
                if row[key] == identity:
                    self._make(kept["study"], row, identity)
                    return
        raise SettingsError(f"{kind} {identity}", found="no remembered study made it", todo="run its study again")

    def _make(self, study_text: str, row: Mapping[str, Any], identity: str) -> None:
        host = Host.discover()
        recipe = bound_recipe(study_again(study_text), host)
        job = Job(self._archive.root, recipe, readers_of(host), host.fingerprint(), tuple(host.listing()))
        typed = row_again(row)
        path = self._archive.original(row["sha256"])
        if path is None:
            raise SettingsError(f"original {row['sha256']}", found="missing", todo="bring the file again")
        bench = Bench(job, self._archive, recalls=False)
        try:
            made = bench.carry_out_original(Order(typed, path, typed.capture), row["sha256"])
        finally:
            bench.close()
        if identity not in {made.capture_id, made.result_id, result_identity(made.capture_id or "", recipe, typed)}:
            raise SettingsError(f"{identity}", found=f"{made.capture_id} instead: a reader's numbers changed since")
