"""A first table and study for a folder of files: what readers can tell is filled in, the rest is marked."""

from __future__ import annotations

from pathlib import Path

from ..contracts import ChannelMapping, ReaderRefusal, SettingsError
from ..execution.intake import chosen_reader
from ..execution.reader_child import ReaderChild
from ..host import Host
from ..study import FILL_IN, FoundFile, Proposal, proposed
from .captures import HeldSink

_NOT_CAPTURES = {".toml", ".json", ".html", ".xlsx", ".md", ".pdf", ".py", ".png", ".jpg"}


def propose_study(directory: Path | str) -> tuple[Proposal, tuple[Path, Path]]:
    """Look at every file below a folder; write ``captures.csv`` and ``study.toml`` there.

    Raises SettingsError for a missing or empty folder, and where either file is there already.
    """
    folder = Path(directory)
    if not folder.is_dir():
        raise SettingsError(f"folder {str(folder)!r}", found="no such folder", todo="name the folder of captures")
    table, study = folder / "captures.csv", folder / "study.toml"
    for target in (table, study):
        if target.exists():
            raise SettingsError(f"a new {target.name}", found=f"{target} is there already", todo="move it away first")
    files = [path for path in sorted(folder.rglob("*")) if _may_be_capture(path, folder)]
    if not files:
        raise SettingsError(f"captures in {str(folder)!r}", found="no file that may be one", todo="copy them there")
    found = _looked_at(files, folder)
    proposal = proposed(found, f"Captures in {folder.resolve().name}")
    table.write_text(proposal.table, encoding="utf-8")
    study.write_text(proposal.study, encoding="utf-8")
    return proposal, (table, study)


def _may_be_capture(path: Path, folder: Path) -> bool:
    inside = path.relative_to(folder).parts
    hidden = any(part.startswith(".") or part.endswith("-results") or part == "thrumline-archive" for part in inside)
    return path.is_file() and not hidden and path.suffix.lower() not in _NOT_CAPTURES


def _looked_at(files: list[Path], folder: Path) -> list[FoundFile]:
    child = ReaderChild(Host.discover().reader_paths)
    try:
        return [_look(child, path, path.relative_to(folder).as_posix()) for path in files]
    finally:
        child.close()


def _look(child: ReaderChild, path: Path, name: str) -> FoundFile:
    """A file that says its unit and clock needs neither in the table; one that does not is marked."""
    try:
        reader = chosen_reader(child, path, path.name)
        child.read(path, path.name, reader, ChannelMapping(), HeldSink())
    except ReaderRefusal as refusal:
        code = str(refusal.code)
        unit = FILL_IN if code == "unknown_unit" else ""
        rate = FILL_IN if code == "bad_clock" else ""
        return FoundFile(name, unit, rate, refusal.sentence())
    return FoundFile(name)
