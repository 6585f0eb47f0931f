"""A run that finds nothing new: what its files depend on, put into one stamp beside them.

The stamp is the hash of everything the files in the output folder are made from: the study's and the table's
bytes, what each row came to (identities of capture and result, or the refusal), the archive, every source file
of this package and of the plugins, and the libraries' versions. With it stand size and time of each written
file. Only where all of it is as it was are the files left alone; a doubt of any kind writes them anew.
"""

from __future__ import annotations

import hashlib
import json
import os
import platform
import sys
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from importlib.metadata import version
from pathlib import Path
from typing import Any, overload

from ...storage import Archive
from ..execution.orders import Done
from ..host import Host
from ..study import CapturesTable, Study

STAMP_FILE = ".unchanged.json"
LIBRARIES = ("thrumline", "numpy", "scipy", "xarray", "zarr", "dask", "jinja2")
_ROOMS = ("pipeline", "plugins", "storage")


@dataclass(frozen=True, slots=True)
class Stamp:
    """Hash of all that the files of one run are made from."""

    digest: str

    @classmethod
    def of(
        cls, study: Study, table: CapturesTable, done: Mapping[int, Done], host: Host, archive: Archive
    ) -> Stamp:
        """The stamp of a study's run; ``done`` before duplicates are refused (they follow from it)."""
        digest = hashlib.sha256()
        for path in (study.file, table.path):
            digest.update(path.read_bytes() if path is not None else b"")
            digest.update(str(path).encode())
        for problem in table.problems:
            digest.update(repr(problem).encode())
        for number, item in sorted(done.items()):
            said = (number, item.capture_id, item.result_id, item.sha256, None if item.result_id else item.fitness)
            digest.update(repr(said).encode())
        digest.update(repr((archive.id, host.fingerprint(), platform.python_version())).encode())
        digest.update(repr([(name, version(name)) for name in LIBRARIES]).encode())
        for entry in _sources(host):
            digest.update(entry.encode())
        return cls(digest.hexdigest())

    def keep(self, out: Path, files: Iterable[Path], sentences: Sequence[str], notes: Sequence[str]) -> None:
        """Put the stamp beside the files; it appears whole or not at all."""
        document = {
            "stamp": self.digest, "files": {path.name: _written(path) for path in files},
            "sentences": list(sentences), "notes": list(notes),
        }  # fmt: skip
        unfinished = out / f"{STAMP_FILE}.unfinished"
        unfinished.write_text(json.dumps(document), encoding="utf-8")
        os.replace(unfinished, out / STAMP_FILE)  # noqa: PTH105

    def holds(self, out: Path) -> Mapping[str, Any] | None:
        """What was kept with the files in ``out``, if they are those of this stamp, untouched; else None."""
        try:
            kept: dict[str, Any] = json.loads((out / STAMP_FILE).read_text(encoding="utf-8"))
            same = kept["stamp"] == self.digest
            untouched = all(_written(out / name) == as_written for name, as_written in kept["files"].items())
        except (OSError, ValueError, KeyError, AttributeError, TypeError):
            return None
        return kept if same and untouched else None


def _written(path: Path) -> list[int]:
    status = path.stat()
    return [status.st_size, status.st_mtime_ns, status.st_ino]


def _sources(host: Host) -> Iterator[str]:
    """Place, size and time of every source file that has a say: an edited one makes everything anew."""
    root = Path(__file__).parents[2]
    places = {path for room in _ROOMS for path in _files_below(root / room)}
    modules = (sys.modules.get(offer.offered.__module__) for offer in host.offers)
    places |= {file for module in modules if (file := getattr(module, "__file__", None)) is not None}
    for place in sorted(places):
        status = os.stat(place)  # noqa: PTH116  some hundred of them in every run
        yield f"{place}:{status.st_size}:{status.st_mtime_ns};"


def _files_below(folder: Path) -> Iterator[str]:
    for place, folders, names in os.walk(folder):
        folders[:] = [name for name in folders if name != "__pycache__"]
        yield from (os.path.join(place, name) for name in names if not name.startswith("."))  # noqa: PTH118


@dataclass
class StoredEntries(Sequence[dict[str, Any]]):
    """Entries of one file for machines, read when somebody asks for them."""

    path: Path
    name: str
    _read: list[dict[str, Any]] | None = field(default=None, repr=False)

    def _all(self) -> list[dict[str, Any]]:
        if self._read is None:
            self._read = json.loads(self.path.read_text(encoding="utf-8"))[self.name]
        return self._read

    @overload
    def __getitem__(self, index: int) -> dict[str, Any]: ...

    @overload
    def __getitem__(self, index: slice) -> list[dict[str, Any]]: ...

    def __getitem__(self, index: int | slice) -> dict[str, Any] | list[dict[str, Any]]:
        return self._all()[index]

    def __len__(self) -> int:
        return len(self._all())

    def __eq__(self, other: object) -> bool:
        return list(self) == list(other) if isinstance(other, Sequence) else NotImplemented

    __hash__ = None  # type: ignore[assignment]
