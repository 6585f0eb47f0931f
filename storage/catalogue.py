"""The catalogue: an index over what is in the archive. Never the truth, always rebuildable, one writer."""

from __future__ import annotations

import json
import sqlite3
import threading
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, fields
from operator import attrgetter
from pathlib import Path
from typing import Any

from .errors import DamageFound, DiskFault, DiskFull, StorageError, told
from .layout import name_below
from .originals import Original, SourceStat
from .records import Record
from .sealed import canonical
from .trees import Tree, source_in

_AT_ONCE = 64
Point = Callable[[str, Path | str], None]
SCHEMA = 1
_TABLES = """
CREATE TABLE meta (key TEXT PRIMARY KEY, value TEXT NOT NULL) WITHOUT ROWID;
CREATE TABLE trees (kind TEXT, id TEXT, seal TEXT NOT NULL, content_sha256 TEXT NOT NULL, files INTEGER NOT NULL,
    bytes INTEGER NOT NULL, source TEXT, summary TEXT, PRIMARY KEY (kind, id)) WITHOUT ROWID;
CREATE INDEX trees_by_source ON trees (source);
CREATE TABLE originals (sha256 TEXT PRIMARY KEY, size INTEGER NOT NULL) WITHOUT ROWID;
CREATE TABLE records (path TEXT PRIMARY KEY, n INTEGER NOT NULL, seal TEXT NOT NULL, said TEXT NOT NULL)
    WITHOUT ROWID;
CREATE TABLE attempts (key TEXT PRIMARY KEY, n INTEGER NOT NULL, last_error TEXT NOT NULL) WITHOUT ROWID;
CREATE TABLE stats (path TEXT PRIMARY KEY, size INTEGER, mtime_ns INTEGER, ctime_ns INTEGER, inode INTEGER,
    sha256 TEXT NOT NULL) WITHOUT ROWID;
"""
INDEX_TABLES = ("trees", "originals", "records")
"""What a rebuild restores in full; attempts and stats are caches."""


@dataclass(frozen=True, slots=True)
class Attempts:
    """How often a piece of work was tried without success, and the last error."""

    n: int
    last_error: str


@dataclass(frozen=True, slots=True)
class TreeRow:
    """What the index holds of a committed tree: small, for whoever committed it to tell the coordinator."""

    kind: str
    id: str
    seal: str
    content_sha256: str
    n_files: int
    n_bytes: int
    source: str | None
    summary: str | None
    """As JSON, its keys in order."""

    @classmethod
    def of(cls, tree: Tree) -> TreeRow:
        """The row of a tree."""
        total = sum(size for size, _ in tree.files.values())
        return cls(
            tree.kind, tree.id, tree.seal, tree.content_sha256, len(tree.files), total, source_of(tree), _summary(tree)
        )


def _summary(tree: Tree) -> str | None:
    summary = tree.content.get("summary")
    if summary is None:
        return None
    return (tree.spelt_summary or canonical(summary)).decode("ascii")


_TREE_COLUMNS = attrgetter(*(one.name for one in fields(TreeRow)))
_Held = tuple[list[TreeRow], list[Original], list[Record]]


def source_of(tree: Tree) -> str | None:
    """What a tree says it was made from; see ``source_in``."""
    return source_in(tree.kind, tree.content)


class Catalogue:
    """Open one with ``Catalogue.open``; every write is one durable transaction."""

    def __init__(self, connection: sqlite3.Connection, root: Path, point: Point) -> None:
        self._connection, self._root, self._point = connection, root, point
        self._lock = threading.RLock()
        self._file = root / "catalog" / "catalogue.sqlite"
        self._held: _Held | None = None

    @classmethod
    def open(
        cls, path: Path, root: Path, archive_id: str, point: Point, *, look_through: bool = True
    ) -> Catalogue | None:
        """The catalogue at ``path``; None where it cannot be used (other archive, other schema, not a database)."""
        connection = _connected(path)
        try:
            made = connection.execute("SELECT count(*) FROM sqlite_master").fetchone()[0] == 0
            if made:
                with connection:
                    connection.executescript(f"BEGIN; {_TABLES} PRAGMA user_version={SCHEMA};")
                    connection.execute("INSERT INTO meta VALUES ('archive', ?)", (archive_id,))
            version = connection.execute("PRAGMA user_version").fetchone()[0]
            owner = connection.execute("SELECT value FROM meta WHERE key='archive'").fetchone()
            sound = not look_through or connection.execute("PRAGMA quick_check(1)").fetchone()[0] == "ok"
        except sqlite3.DatabaseError:
            connection.close()
            return None
        if version != SCHEMA or owner != (archive_id,) or not sound:
            connection.close()
            return None
        return cls(connection, root, point)

    @classmethod
    def read_only(cls, path: Path, root: Path, archive_id: str) -> Catalogue | None:
        """The catalogue for somebody who may not write it; None where it cannot be used."""
        try:
            connection = sqlite3.connect(f"{path.as_uri()}?mode=ro", uri=True, timeout=30)
        except sqlite3.DatabaseError:
            return None
        try:
            if connection.execute("SELECT value FROM meta WHERE key='archive'").fetchone() == (archive_id,):
                return cls(connection, root, lambda *_: None)
        except sqlite3.DatabaseError:
            pass  # no database, or one that may not be opened without writing beside it
        connection.close()
        return None

    @contextmanager
    def _writing(self) -> Iterator[sqlite3.Connection]:
        asked = f"to write {self._file}"
        with self._lock:
            try:
                self._point("catalogue", self._file)
                with self._connection:
                    self._connection.execute("BEGIN IMMEDIATE")
                    yield self._connection
                self._point("catalogued", self._file)
            except sqlite3.OperationalError as error:
                kind = DiskFull if "full" in str(error) else DiskFault
                raise kind(asked, found=str(error), todo="check the disk, then run it again") from error
            except OSError as error:
                raise told(error, asked) from error

    def _rows(self, query: str, values: Sequence[Any] = ()) -> list[tuple[Any, ...]]:
        try:
            with self._lock:
                self._write_held()
                return self._connection.execute(query, values).fetchall()
        except sqlite3.DatabaseError as error:
            raise DamageFound(self._file, str(error), todo="run it again: the catalogue makes itself anew") from error

    def add(
        self, *, trees: Iterable[TreeRow] = (), originals: Iterable[Original] = (), records: Iterable[Record] = ()
    ) -> None:
        """Add or renew rows, in one transaction; inside ``together``, in one with others."""
        with self._lock:
            if self._held is None:
                with self._writing() as sql:
                    self._insert(sql, trees, originals, records)
                return
            held_trees, held_originals, held_records = self._held
            held_trees.extend(trees)
            held_originals.extend(originals)
            held_records.extend(records)
            if len(held_trees) + len(held_originals) + len(held_records) >= _AT_ONCE:
                self._write_held()

    @contextmanager
    def together(self) -> Iterator[None]:
        """Rows added inside are written some at a time, and before anything is asked; what is left, at the end.

        For many small things in a row: a transaction each would cost as many fsyncs as the things themselves.
        Nothing rests on these rows: a start after an end without ``close`` finds on the disk what they would say.
        """
        if self._held is not None:
            yield
            return
        self._held = ([], [], [])
        try:
            yield
        finally:
            with self._lock:
                try:
                    self._write_held()
                finally:
                    self._held = None

    def _write_held(self) -> None:
        if self._held is not None and any(self._held):
            held, self._held = self._held, ([], [], [])
            with self._writing() as sql:
                self._insert(sql, *held)

    def renew(self, trees: Iterable[TreeRow], originals: Iterable[Original], records: Iterable[Record]) -> None:
        """Replace all rows of the index tables, in one transaction; the caches stay."""
        self._write_held()
        with self._writing() as sql:
            for name in INDEX_TABLES:
                sql.execute(f"DELETE FROM {name}")  # noqa: S608
            self._insert(sql, trees, originals, records)

    def _insert(
        self, sql: sqlite3.Connection, trees: Iterable[TreeRow], originals: Iterable[Original],
        records: Iterable[Record],
    ) -> None:  # fmt: skip
        sql.executemany("INSERT OR REPLACE INTO trees VALUES (?,?,?,?,?,?,?,?)", map(_TREE_COLUMNS, trees))
        sql.executemany("INSERT OR REPLACE INTO originals VALUES (?,?)", ((o.sha256, o.size) for o in originals))
        sql.executemany("INSERT OR REPLACE INTO records VALUES (?,?,?,?)", map(self._record_row, records))

    def _record_row(self, record: Record) -> tuple[str, int, str, str]:
        return name_below(self._root, record.path), record.n, record.seal, record.said

    def drop_tree(self, kind: str, identity: str) -> None:
        """Forget a tree that was removed on purpose."""
        self._write_held()
        with self._writing() as sql:
            sql.execute("DELETE FROM trees WHERE kind=? AND id=?", (kind, identity))

    def ids(self, kind: str) -> set[str]:
        """Identities of all trees of a kind."""
        return {row[0] for row in self._rows("SELECT id FROM trees WHERE kind=?", (kind,))}

    def tree_seal(self, kind: str, identity: str) -> str | None:
        """Seal of a tree's manifest, or None."""
        rows = self._rows("SELECT seal FROM trees WHERE kind=? AND id=?", (kind, identity))
        return rows[0][0] if rows else None

    def record_seal(self, path: Path) -> str | None:
        """Seal of a numbered record, or None."""
        rows = self._rows("SELECT seal FROM records WHERE path=?", (name_below(self._root, path),))
        return rows[0][0] if rows else None

    def known(self, name: str) -> list[tuple[str, str]]:
        """``(path, seal)`` of every row of an index table; an original is its own seal."""
        query = {
            "trees": "SELECT kind || '/' || substr(id, 1, 2) || '/' || id, seal FROM trees",
            "originals": "SELECT 'originals/' || substr(sha256, 1, 2) || '/' || substr(sha256, 3, 2) || '/' || sha256, "
            "sha256 FROM originals",
            "records": "SELECT path, seal FROM records",
        }[name]
        return [(path, seal) for path, seal in self._rows(query)]

    def newest_records(self, start: str) -> dict[str, tuple[int, str]]:
        """Directory -> number of its newest record and hash of what that says, for paths that begin with ``start``."""
        rows = self._rows("SELECT path, n, said FROM records WHERE path GLOB ? ORDER BY n", (f"{start}*",))
        return {path.rpartition("/")[0]: (n, said) for path, n, said in rows}

    def made_from(self, source: str) -> list[tuple[str, str]]:
        """``(kind, id)`` of the captures of an original, or the results of a capture."""
        return [(r[0], r[1]) for r in self._rows("SELECT kind, id FROM trees WHERE source=? ORDER BY 1, 2", (source,))]

    def summaries(self, kind: str, ids: Sequence[str]) -> dict[str, Any]:
        """``content["summary"]`` of the trees that have one, without opening them."""
        found: dict[str, Any] = {}
        for start in range(0, len(ids), 500):
            part = ids[start : start + 500]
            marks = ",".join("?" * len(part))
            query = f"SELECT id, summary FROM trees WHERE kind=? AND id IN ({marks}) AND summary IS NOT NULL"  # noqa: S608
            found.update((row[0], json.loads(row[1])) for row in self._rows(query, (kind, *part)))
        return found

    def table(self, name: str) -> list[tuple[Any, ...]]:
        """All rows of one of the index tables, in order."""
        if name not in INDEX_TABLES:
            raise StorageError(f"table {name!r} of the catalogue", allowed=", ".join(INDEX_TABLES))
        return self._rows(f"SELECT * FROM {name} ORDER BY 1, 2")  # noqa: S608

    def note_attempt(self, key: str, error: str) -> int:
        """Count a failed attempt; how many there are now."""
        with self._writing() as sql:
            sql.execute(
                "INSERT INTO attempts VALUES (?, 1, ?) ON CONFLICT (key) DO UPDATE SET n = n + 1, last_error = ?",
                (key, error, error),
            )
        return self.attempts(key).n

    def attempts(self, key: str) -> Attempts:
        """Failed attempts at a piece of work."""
        rows = self._rows("SELECT n, last_error FROM attempts WHERE key=?", (key,))
        return Attempts(*rows[0]) if rows else Attempts(0, "")

    def forget_attempts(self, key: str) -> None:
        """The work was done after all."""
        if self.attempts(key).n:
            with self._writing() as sql:
                sql.execute("DELETE FROM attempts WHERE key=?", (key,))

    def known_stats(self) -> dict[str, tuple[SourceStat, str]]:
        """The stat cache: path -> stat when hashed, SHA-256."""
        return {row[0]: (SourceStat(*row[1:5]), row[5]) for row in self._rows("SELECT * FROM stats")}

    def note_stats(self, stats: dict[str, tuple[SourceStat, str]]) -> None:
        """Add to the stat cache."""
        rows = [(path, s.size, s.mtime_ns, s.ctime_ns, s.inode, sha) for path, (s, sha) in stats.items()]
        with self._writing() as sql:
            sql.executemany("INSERT OR REPLACE INTO stats VALUES (?,?,?,?,?,?)", rows)

    def close(self) -> None:
        """Close the database."""
        with self._lock:
            self._connection.close()


def _connected(path: Path) -> sqlite3.Connection:
    connection = sqlite3.connect(path, timeout=30, isolation_level=None, check_same_thread=False)
    try:
        connection.execute("PRAGMA journal_mode=WAL")
        # a power cut may take the last rows, never the database: what they say is found on the disk again
        connection.execute("PRAGMA synchronous=NORMAL")
    except sqlite3.DatabaseError:
        pass  # not a database: found out, and said, by the first query
    return connection
