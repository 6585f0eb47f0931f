"""What the coordinator remembers, so that a run with nothing new reads no file: hashes by stat, facts by hash."""

from __future__ import annotations

from pathlib import Path

from .catalogue import Catalogue
from .errors import told
from .originals import Original, SourceStat
from .records import Record
from .sealed import Spelt, sha256

_AT_ONCE = 500


class Recalled:
    """A memory over the catalogue's caches. Losing it costs time, never a wrong answer."""

    def __init__(self, catalogue: Catalogue) -> None:
        self._catalogue = catalogue
        self._stats = catalogue.known_stats()
        self._new: dict[str, tuple[SourceStat, str]] = {}
        self._facts = catalogue.newest_records("facts/")

    def sha256(self, path: Path) -> str | None:
        """Hash of a file that is as it was when it was hashed, by path, size, times and inode; else None."""
        known = self._stats.get(str(path))
        if known is None:
            return None
        try:
            status = path.stat()
        except FileNotFoundError:
            return None
        except OSError as error:
            raise told(error, f"stat {path}") from error
        return known[1] if known[0] == SourceStat.of(status) else None

    def stat(self, path: str) -> list[int] | None:
        """What a file's stat was when it was hashed, without looking at the file."""
        known = self._stats.get(path)
        return None if known is None else [known[0].size, known[0].mtime_ns, known[0].ctime_ns, known[0].inode]

    def note(self, path: str, stat: SourceStat, digest: str, hashed_ns: int) -> None:
        """Remember a hash, unless the file was changed so shortly before that it may be again unseen."""
        if not stat.settled(hashed_ns):
            return
        self._stats[path] = self._new[path] = stat, digest
        if len(self._new) >= _AT_ONCE:
            self.keep()

    def note_original(self, original: Original) -> None:
        """Remember the hash of a source that was just taken in."""
        if original.source is not None:
            self.note(original.source_path, original.source, original.sha256, original.hashed_ns)

    def keep(self) -> None:
        """Write what is new into the catalogue."""
        if self._new:
            self._catalogue.note_stats(self._new)
            self._new = {}

    def says(self, directory: str, content: Spelt) -> int | None:
        """Number of the newest record of a facts directory where it is known to say exactly this."""
        n, known = self._facts.get(directory, (0, ""))
        return n if n and known == sha256(content.text) else None

    def note_record(self, directory: str, record: Record) -> None:
        """Remember what was said last."""
        self._facts[directory] = record.n, record.said
