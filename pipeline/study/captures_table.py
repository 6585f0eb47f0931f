"""The captures table as a whole: typed rows, problems by row number, and what else stood in it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from ..contracts import CaptureRow, Reason, ReasonCode, RowError, StudyError
from .marks import FILL_IN
from .naming import folded_name, listed, nearest
from .table_checks import SetAside, close, duplicates, remarks, resolved, spelt_otherwise, usual_spellings
from .table_rows import OPTIONAL_COLUMNS, REQUIRED_COLUMNS, row_from_cells
from .table_sheet import Sheet, read_sheet


@dataclass(frozen=True, slots=True)
class RowProblem:
    """One row that cannot be used: its number as a spreadsheet shows it (the header is row 1), and why.

    ``labels`` holds what the row said of itself (file, platform, part ...), so that files can list it.
    """

    row: int
    file: str
    code: ReasonCode
    message: str
    labels: Mapping[str, Any] = field(default_factory=dict)
    tags: Mapping[str, str] = field(default_factory=dict)

    @property
    def reason(self) -> Reason:
        """The problem as a reason record."""
        return Reason(self.code, self.message)


@dataclass(frozen=True, slots=True)
class CapturesTable:
    """Rows that can be used, rows that cannot, and remarks on the table itself.

    ``n_rows`` counts all rows that hold anything; ``tag_names`` are the columns carried through.
    """

    rows: tuple[CaptureRow, ...]
    problems: tuple[RowProblem, ...]
    n_rows: int
    tag_names: tuple[str, ...]
    notes: tuple[str, ...] = ()
    path: Path = field(default_factory=Path)

    def file_path(self, row: CaptureRow | RowProblem) -> Path:
        """Where the file of a row is: relative paths start at the table."""
        return resolved(self.path.parent, row.file)


def read_captures_table(path: Path, *, check_files: bool = True) -> CapturesTable:
    """The captures table of a study: CSV with any delimiter, or .xlsx.

    Parameters
    ----------
    check_files
        Whether rows naming a file that is not there become problems (``missing_file``).

    Raises
    ------
    StudyError
        If the table is missing or unreadable, a needed column is absent or doubled, or it has no rows.
    """
    path = Path(path)
    sheet = read_sheet(path)
    columns, notes = _columns(sheet, path)
    _refuse_open_cells(sheet, columns, path)
    rows: list[CaptureRow] = []
    problems: list[RowProblem] = []
    folder = path.parent
    for number, cells in sheet.rows:
        named = {name: cells[i].strip() if i < len(cells) else "" for i, name in columns}
        try:
            _refuse_shifted(cells, len(sheet.header))
            row = row_from_cells(number, named)
            if check_files:
                _refuse_missing_file(folder, row.file)
            rows.append(row)
        except RowError as error:
            problems.append(_problem(number, named, error.code, error.sentence()))
    spelling = usual_spellings(rows)
    rows, found = _without(rows, duplicates(rows, folder), problems, spelling)
    rows, found = _without(rows, spelt_otherwise(rows, spelling), found, spelling)
    notes += remarks(rows)
    tags = tuple(name for _, name in columns if name not in REQUIRED_COLUMNS + OPTIONAL_COLUMNS)
    ordered = tuple(sorted(found, key=lambda problem: problem.row))
    return CapturesTable(tuple(rows), ordered, len(sheet.rows), tags, tuple(notes), path)


def _columns(sheet: Sheet, path: Path) -> tuple[list[tuple[int, str]], list[str]]:
    """Index and name of each column: known names in their own spelling, others as they stand."""
    known = REQUIRED_COLUMNS + OPTIONAL_COLUMNS
    by_fold = {folded_name(name): name for name in known}
    columns: list[tuple[int, str]] = []
    notes: list[str] = []
    for index, heading in enumerate(sheet.header):
        if not heading.strip():
            continue
        name = by_fold.get(folded_name(heading), heading.strip())
        columns.append((index, name))
    names = [name for _, name in columns]
    doubled = sorted({name for name in names if names.count(name) > 1})
    if doubled:
        raise StudyError(
            f"captures table {path.name!r}: each column once", found=f"{listed(doubled)} more than once",
            todo="rename or remove one of them",
        )  # fmt: skip
    _refuse_missing_columns(names, sheet, path)
    for name in names:
        near = nearest(name, [item for item in OPTIONAL_COLUMNS if item not in names])
        if name not in known and near is not None and len(name) > 3 and close(name, near):
            notes.append(f"column {name!r} is carried as a tag; if {near!r} is meant, rename it")
    return columns, notes


def _refuse_missing_columns(names: Sequence[str], sheet: Sheet, path: Path) -> None:
    lacking = [name for name in REQUIRED_COLUMNS if name not in names]
    if "position" in lacking and "axes" in names:
        lacking.remove("position")
    if not lacking:
        return
    strangers = [name for name in names if name not in REQUIRED_COLUMNS + OPTIONAL_COLUMNS]
    hints = [f"rename {near!r} to {name!r}" for name in lacking if (near := nearest(name, strangers)) is not None]
    if len(sheet.header) == 1:
        hints = ["save the table with commas, semicolons or tabs between columns"]
    raise StudyError(
        f"captures table {path.name!r} lacks the column{'s' if len(lacking) > 1 else ''} {listed(lacking)}",
        found=f"columns {listed(names, 20)}", allowed=f"needed: {', '.join(REQUIRED_COLUMNS)}",
        todo="; ".join(hints) or "add the column, one value a row",
    )  # fmt: skip


def _refuse_open_cells(sheet: Sheet, columns: Sequence[tuple[int, str]], path: Path) -> None:
    """A proposed table is no table before a person has filled in what only a person can know."""
    marked: dict[str, list[str]] = {}
    for number, cells in sheet.rows:
        for i, name in columns:
            if i < len(cells) and cells[i].strip() == FILL_IN:
                marked.setdefault(name, []).append(str(number))
    if marked:
        where = "; ".join(f"column {name!r} of row {', '.join(rows[:8])}" for name, rows in marked.items())
        raise StudyError(
            f"captures table {path.name!r} filled in", found=f"{FILL_IN} in {where}",
            todo="replace each of them, or empty the cells of optional columns",
        )  # fmt: skip


def _refuse_shifted(cells: Sequence[str], width: int) -> None:
    extra = [cell for cell in cells[width:] if cell.strip()]
    if extra:
        raise RowError(
            ReasonCode.AMBIGUOUS, f"a row of {width} cells, as many as the header",
            found=f"{len(cells)} cells, the last {listed(extra)}",
            todo="put cells that hold the delimiter in double quotes, or write decimal points",
        )  # fmt: skip


def _refuse_missing_file(folder: Path, file: str) -> None:
    path = resolved(folder, file)
    if path.is_file():
        return
    where, found = path.parent, "no such file"
    todo = "paths are relative to the table"
    if path.is_dir():
        found = "a folder"
    elif not where.is_dir():
        found = f"no such folder {Path(file).parent.as_posix()!r}"
    else:
        near = nearest(path.name, sorted(item.name for item in where.iterdir())[:5000])
        todo = f"did you mean {near!r}?" if near is not None else todo
    raise RowError(ReasonCode.MISSING_FILE, f"file {file!r}", found=found, todo=todo)


def _problem(number: int, named: Mapping[str, str], code: ReasonCode, message: str) -> RowProblem:
    known = REQUIRED_COLUMNS + OPTIONAL_COLUMNS
    labels = {name: named.get(name, "") for name in CaptureRow(number, "", "", "", "", "", "").labels()}
    tags = {name: value for name, value in named.items() if name not in known}
    return RowProblem(number, named.get("file", ""), code, message, labels, tags)



def _without(
    rows: list[CaptureRow], out: SetAside, problems: list[RowProblem], spelling: Mapping[tuple[str, str], str]
) -> tuple[list[CaptureRow], list[RowProblem]]:
    """Rows that stay, and the problems with those that do not; these are listed under the usual labels."""
    kept = [row for row in rows if row.row not in out]
    moved = [
        RowProblem(
            row.row, row.file, *out[row.row], tags=row.tags,
            labels={name: spelling.get((name, value), value) for name, value in row.labels().items()},
        )
        for row in rows
        if row.row in out
    ]  # fmt: skip
    return kept, problems + moved
