"""Taking a file in: original under its hash first, then the reader child, then the capture, whole or not at all."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from ...storage import Archive, Original, Spelt, TreeRow
from ..contracts import CaptureHead, ChannelMapping, ReaderRefusal, ReasonCode
from ..contracts.labels import is_microphone, microphone_position
from .identity import FileIdentities, digest
from .reader_child import ReaderChild
from .samples import SLOW_HZ, HeldArray, SampleArray

HOLD_BYTES = 256 << 20
"""Up to this size a capture just read is handed to the chain from memory instead of being read back."""

CAPTURE_STORE = "capture.zarr"


@dataclass(frozen=True, slots=True)
class TakenIn:
    """One capture in the archive, and its samples where they are still in memory."""

    capture_id: str
    head: CaptureHead
    arrays: Mapping[str, SampleArray]
    original: str
    committed: tuple[TreeRow, ...] = ()
    """Its row in the index, where it was committed just now."""

    @property
    def new(self) -> bool:
        """Whether it was not in the archive before."""
        return bool(self.committed)


@dataclass(frozen=True, slots=True)
class Readers:
    """Installed readers as workers need them: import path and numeric version by name."""

    paths: Mapping[str, str]
    versions: Mapping[str, int]

    def fingerprint(self) -> str:
        """Changes whenever a reader comes, goes or changes its numbers."""
        return digest([dict(self.paths), dict(self.versions)])


def chosen_reader(child: ReaderChild, path: Path, name: str) -> str:
    """The one reader that is surest of the file. Raises ReaderRefusal when none is, or two are as sure."""
    ranked = child.sniff(path, name)
    sure = [(reader, confidence) for reader, confidence in ranked if confidence > 0]
    if not sure:
        raise ReaderRefusal(
            ReasonCode.UNREADABLE, f"{name}: a format some reader knows", found="no reader recognises it",
            allowed=", ".join(sorted(reader for reader, _ in ranked)), todo="see `thrumline plugins`",
        )  # fmt: skip
    if len(sure) > 1 and sure[0][1] == sure[1][1]:
        raise ReaderRefusal(
            ReasonCode.AMBIGUOUS, f"{name}: one reader that is surest", found=f"{sure[0][0]} and {sure[1][0]} alike"
        )
    return sure[0][0]


def take_in(
    archive: Archive, child: ReaderChild, readers: Readers, original: Original, name: str, mapping: ChannelMapping
) -> list[TakenIn]:
    """All captures of one original. Those already there are opened, not read again. Raises ReaderRefusal."""
    path = original.path
    reader = chosen_reader(child, path, name)
    identities = FileIdentities(original.sha256, reader, readers.versions[reader], mapping)
    known = archive.tree("captures", identities.of(0))
    if known is not None:
        count = int(known.content["captures_in_file"])
        trees = [open_capture(archive, identities.of(index)) for index in range(count)]
        if all(trees):
            return [tree for tree in trees if tree is not None]
    with _CaptureSink(archive, identities) as sink:
        heads = child.read(path, name, reader, mapping, sink)
        return sink.committed(heads, original, name, mapping)


def open_capture(archive: Archive, capture_id: str) -> TakenIn | None:
    """A capture that is in the archive, ready to be run from disk; None when it is not there."""
    tree = archive.tree("captures", capture_id)
    if tree is None:
        return None
    store = tree.zarr(CAPTURE_STORE)
    arrays = {name: store.array(name) for name in store.names if name.endswith(("_counts", "_stamps"))}
    return TakenIn(capture_id, CaptureHead.from_json(tree.content["head"]), arrays, tree.content["original"])


@dataclass(slots=True)
class _Open:
    """One capture being written: its draft, its arrays, and the blocks kept in memory."""

    draft: Any
    store: Any
    arrays: dict[str, Any] = field(default_factory=dict)
    held: dict[str, list[npt.NDArray[Any]]] = field(default_factory=dict)
    n_bytes: int = 0


class _CaptureSink:
    """Receives a reader's blocks in this process and writes them into drafts; nothing shows until committed."""

    def __init__(self, archive: Archive, identities: FileIdentities) -> None:
        self._archive, self._identities = archive, identities
        self._open: dict[int, _Open] = {}
        self._index = 0

    def __enter__(self) -> _CaptureSink:
        return self

    def __exit__(self, *exc_info: object) -> None:
        for capture in self._open.values():
            capture.draft.__exit__(*exc_info)

    def begin(self, index: int) -> None:
        draft = self._archive.draft("captures", self._identities.of(index))
        draft.__enter__()
        self._open[index] = _Open(draft, draft.zarr(CAPTURE_STORE))
        self._index = index

    def samples(self, group: str, counts: npt.NDArray[np.generic]) -> None:
        self._append(f"{group}_counts", counts, dims=(f"{group}_channel", f"{group}_time"))

    def stamps(self, group: str, ticks: npt.NDArray[np.generic]) -> None:
        self._append(f"{group}_stamps", ticks, dims=(f"{group}_time",))

    def _append(self, name: str, block: npt.NDArray[Any], dims: tuple[str, ...]) -> None:
        capture = self._open[self._index]
        if name not in capture.arrays:
            rows = block.shape[0] if block.ndim == 2 else None
            capture.arrays[name] = capture.store.array(name, dtype=str(block.dtype), rows=rows, dims=dims, attrs={})
            capture.held[name] = []
        # fresh from the child for us alone: no one fills it anew
        capture.arrays[name].append(block, stays=True)
        capture.n_bytes += block.nbytes
        if capture.n_bytes <= HOLD_BYTES:
            capture.held[name].append(block)

    def committed(
        self, heads: list[CaptureHead], original: Original, name: str, mapping: ChannelMapping
    ) -> list[TakenIn]:
        return [self._commit(head, len(heads), original, name, mapping) for head in heads]

    def _commit(
        self, head: CaptureHead, count: int, original: Original, name: str, mapping: ChannelMapping
    ) -> TakenIn:
        capture = self._open[head.index]
        capture_id = self._identities.of(head.index)
        document = head.as_json()
        groups = Spelt.of(document["groups"])
        # attributes that let another program turn counts into SI values without us
        capture.store.attrs.update(groups=groups, recorded_at=head.recorded_at, value="count * scale + offset, in si")
        content = {
            "original": original.sha256, "index": head.index, "captures_in_file": count, "file_name": Path(name).name,
            "reader": head.reader, "reader_version": self._identities.numeric_version,
            "mapping": mapping.as_json(), "head": Spelt.of_members({**document, "groups": groups}),
            "summary": head_facts(head),
        }  # fmt: skip
        too_large = capture.n_bytes > HOLD_BYTES
        tree = capture.draft.commit(content, run={}, at_once=too_large)
        rows = (TreeRow.of(tree),)
        if too_large:
            store = tree.zarr(CAPTURE_STORE)
            stored = {key: store.array(key) for key in capture.arrays}
            return TakenIn(capture_id, head, stored, original.sha256, rows)
        held = {key: HeldArray(_joined(blocks)) for key, blocks in capture.held.items()}
        return TakenIn(capture_id, head, held, original.sha256, rows)


def _joined(blocks: list[npt.NDArray[Any]]) -> npt.NDArray[Any]:
    return blocks[0] if len(blocks) == 1 else np.concatenate(blocks, axis=-1)


def head_facts(head: CaptureHead) -> dict[str, Any]:
    """Rate, duration and time of recording, as the captures file lists them."""
    group = head.groups[0]
    return {
        "sample_rate_hz": group.clock.rate_hz,
        "duration_s": group.n_samples / group.clock.rate_hz,
        "recorded_at": head.recorded_at,
        "positions": sorted({c.position for c in group.channels if c.axis} | _heard_at(head)),
    }


def _heard_at(head: CaptureHead) -> set[str]:
    """Where microphones stand, if anywhere."""
    fast = (group for group in head.groups if group.clock.rate_hz > SLOW_HZ)
    heard = (c for group in fast for c in group.channels if is_microphone(c))
    return {place for c in heard if (place := microphone_position(c, head))}
