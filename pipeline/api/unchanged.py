"""A run that finds nothing new, told before anything that takes time is loaded.

Beside a study's files lies a note of what they were made from: the bytes of study file, table and recipe, every
source file of this package and of the plugins, what is installed, each capture's file (size, times and inode, as
when it was hashed), the results in the archive, and the name of the state the archive was left in, which ends with
anything that anybody writes to it (``storage.at_rest``). Where all of it still is as noted, and so are the files
themselves, another run would make the same files: they are left alone. A doubt of any kind is answered by a whole
run, which recomputes only what is missing and may find, by what each row came to, that its files stand as well.
"""

from __future__ import annotations

import hashlib
import json
import os
import platform
import sys
from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path
from typing import Any

from ...storage.at_rest import at_rest
from .study_run import DEFAULT_ARCHIVE, StoredEntries, StudyRun, out_folder

STAMP_FILE = ".unchanged.json"
_ROOMS = ("pipeline", "plugins", "storage")
_TOLD_BY = ("METADATA", "PKG-INFO", "entry_points.txt")
_DISTRIBUTION = (".dist-info", ".egg-info")


def unchanged_run(
    study_file: Path | str, *, archive_dir: Path | str | None = None, out_dir: Path | str | None = None
) -> StudyRun | None:
    """The run whose files lie in ``out_dir``, if another one would make the same; None in any doubt."""
    path = Path(study_file)
    out = out_folder(path, out_dir)
    kept = read_note(out)
    if kept is None or not _holds(kept, str(path), Path(archive_dir or DEFAULT_ARCHIVE), out):
        return None
    return as_it_stands(path, out, kept)


def as_it_stands(study_file: Path, out: Path, kept: Mapping[str, Any]) -> StudyRun:
    """The run whose files are in ``out``, made from exactly what this one would make them from."""
    comparisons = out / "comparisons.json"
    return StudyRun(
        study_file, StoredEntries(out / "captures.json", "captures"), StoredEntries(out / "readings.json", "readings"),
        StoredEntries(comparisons, "comparisons"), StoredEntries(comparisons, "over_platforms"),
        kept["sentences"], kept["notes"], [out / name for name in kept["files"]], unchanged=True,
    )  # fmt: skip


def read_note(out: Path) -> dict[str, Any] | None:
    """What the last run noted beside its files; None where there is nothing that can be read."""
    try:
        kept = json.loads((out / STAMP_FILE).read_bytes())
    except (OSError, ValueError):
        return None
    return kept if isinstance(kept, dict) else None


def made_alike(out: Path, study_file: Path) -> bool:
    """Whether the files in ``out`` were made from this study, its table and its recipe as of now, by this program."""
    kept = read_note(out)
    try:
        mine = kept is not None and kept["documents"][0] == str(study_file)
        return kept is not None and mine and kept["made_with"] == made_with(kept["documents"])
    except (OSError, KeyError, TypeError, IndexError):
        return False


def _holds(kept: Mapping[str, Any], study: str, archive: Path, out: Path) -> bool:
    """Whether all that is noted is as it was; the cheap and the likely first."""
    try:
        rest = at_rest(archive)
        return (
            rest is not None
            and kept["state"] == rest.state
            and kept["documents"][0] == study
            and kept["made_with"] == made_with(kept["documents"])
            and untouched(out, kept["files"])
            and all(seen_now(path) == seen for path, seen in kept["strangers"].items())
            and all(seen_now(path) == seen for path, seen in kept["sources"].items())
            and _there(archive, kept["results"])
        )
    except (OSError, KeyError, AttributeError, TypeError, IndexError):
        return False


def made_with(documents: Iterable[str]) -> str:
    """Hash of the documents' places and bytes, of this package's files, of what is installed."""
    digest = hashlib.sha256(platform.python_version().encode())
    for path in documents:
        digest.update(f"{path}\n{os.path.abspath(path)}\n".encode("utf-8", "surrogatepass"))  # noqa: PTH100
        digest.update(hashlib.sha256(Path(path).read_bytes()).digest())
    for line in sorted([*package_files(), *installed()]):
        digest.update(line.encode("utf-8", "surrogatepass"))
    return digest.hexdigest()


def package_files() -> Iterator[str]:
    """Place, size and time of every file of this package, templates and recipes too: an edited one counts."""
    root = os.fspath(Path(__file__).parents[2])
    for room in _ROOMS:
        yield from _files_below(f"{root}/{room}")


def _files_below(folder: str) -> Iterator[str]:
    with os.scandir(folder) as entries:
        for entry in entries:
            if entry.is_dir():
                yield from _files_below(entry.path) if entry.name != "__pycache__" else ()
            elif not entry.name.startswith("."):
                status = entry.stat()
                yield f"{entry.path}:{status.st_size}:{status.st_mtime_ns};"


def installed() -> Iterator[str]:
    """Every distribution that Python finds, with size and time of the files that tell its version and its plugins."""
    for folder in dict.fromkeys(sys.path):
        if os.path.isdir(folder or "."):  # noqa: PTH112
            with os.scandir(folder or ".") as entries:
                for entry in entries:
                    if entry.name.endswith(_DISTRIBUTION):
                        yield from (f"{entry.path}/{name}:{seen_now(f'{entry.path}/{name}')};" for name in _TOLD_BY)


def seen_now(path: str) -> list[int] | None:
    """Size, times and inode of a file, as the archive remembers them of a file it hashed; None where there is none."""
    try:
        status = os.stat(path)  # noqa: PTH116  thousands of them in every run
    except OSError:
        return None
    return [status.st_size, status.st_mtime_ns, status.st_ctime_ns, status.st_ino]


def untouched(out: Path, files: Mapping[str, Any]) -> bool:
    """Whether the files are those that were written: by size, times and inode."""
    return all(seen is not None and seen_now(f"{out}/{name}") == seen for name, seen in files.items())


def _there(archive: Path, results: Iterable[str]) -> bool:
    """Whether the archive has all of these results; whoever removes one by hand gets it made anew."""
    top = f"{archive}/results"
    return all(os.path.exists(f"{top}/{identity[:2]}/{identity}/MANIFEST.json") for identity in results)  # noqa: PTH110
