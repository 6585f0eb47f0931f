"""A table as a spreadsheet saves it: cells of text, whatever the delimiter, encoding or format."""

from __future__ import annotations

import csv
import io
from dataclasses import dataclass
from pathlib import Path

from ..contracts import StudyError
from .naming import folded_name, suggestion

DELIMITERS = (",", ";", "\t", "|")
_SHEETS = (".xlsx", ".xlsm", ".xls", ".xlsb", ".ods")


@dataclass(frozen=True, slots=True)
class Sheet:
    """Header cells, and rows with the number a spreadsheet shows for them; blank rows are left out."""

    header: tuple[str, ...]
    rows: tuple[tuple[int, tuple[str, ...]], ...]


def read_sheet(path: Path) -> Sheet:
    """The cells of a captures table.

    Raises
    ------
    StudyError
        If there is no such file, it cannot be read as a table, or it holds no row below its header.
    """
    if not path.is_file():
        near = suggestion(path.name, [item.name for item in path.parent.iterdir()]) if path.parent.is_dir() else ""
        raise StudyError(
            f"captures table {str(path)!r} wanted", found="a folder" if path.is_dir() else "no such file",
            todo=near or "`captures` in the study file is relative to the study file",
        )  # fmt: skip
    data = path.read_bytes()
    workbook = path.suffix.lower() in _SHEETS or data[:4] in (b"PK\x03\x04", b"\xd0\xcf\x11\xe0")
    lines = _workbook_cells(path) if workbook else _text_cells(data, path)
    filled = [(number, cells) for number, cells in lines if any(cell.strip() for cell in cells)]
    filled = [(number, cells) for number, cells in filled if not cells[0].lstrip().startswith("#")]
    if len(filled) < 2:
        raise StudyError(
            f"captures table {path.name!r}: a header and at least one row", found=f"{len(filled)} filled rows",
            todo="write one row a capture below the header",
        )  # fmt: skip
    return Sheet(tuple(filled[0][1]), tuple(filled[1:]))


def _text_cells(data: bytes, path: Path) -> list[tuple[int, tuple[str, ...]]]:
    text = _decoded(data, path)
    lines = text.splitlines()
    first = 0
    delimiter = ""
    if lines and lines[0].lower().startswith("sep=") and len(lines[0].strip('"')) >= 5:
        # some spreadsheets write the delimiter into a line of its own
        delimiter, first = lines[0][4], 1
    header = next((line for line in lines[first:] if line.strip() and not line.startswith("#")), "")
    delimiter = delimiter or _delimiter(header)
    body = "\n".join(lines[first:])
    try:
        cells = list(csv.reader(io.StringIO(body), delimiter=delimiter, skipinitialspace=True, strict=False))
    except csv.Error as error:
        raise StudyError(f"captures table {path.name!r} wanted as delimited text", found=str(error)) from None
    return [(number + first, tuple(row)) for number, row in enumerate(cells, start=1) if row]


def _decoded(data: bytes, path: Path) -> str:
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        return data.decode("utf-16")
    if b"\x00" in data[:1000]:
        raise StudyError(
            f"captures table {path.name!r} wanted as text or .xlsx", found="binary data",
            todo="save it as CSV or .xlsx (a capture file cannot be the table)",
        )  # fmt: skip
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError:
        # older spreadsheets save in the Windows code page; it decodes every byte that matters here
        return data.decode("cp1252", errors="replace")


def _delimiter(header: str) -> str:
    """The delimiter under which most header cells bear a name this table knows, then most cells."""
    from .table_rows import OPTIONAL_COLUMNS, REQUIRED_COLUMNS

    known = {folded_name(name) for name in REQUIRED_COLUMNS + OPTIONAL_COLUMNS}

    def merit(delimiter: str) -> tuple[int, int]:
        cells = next(csv.reader([header], delimiter=delimiter), [])
        return sum(folded_name(cell) in known for cell in cells), len(cells)

    return max(DELIMITERS, key=merit)


def _workbook_cells(path: Path) -> list[tuple[int, tuple[str, ...]]]:
    import python_calamine

    try:
        book = python_calamine.CalamineWorkbook.from_path(str(path))
        sheet = book.get_sheet_by_index(0)
        rows = sheet.to_python(skip_empty_area=False)
    except Exception as error:  # noqa: BLE001  (the library raises several unrelated classes)
        raise StudyError(
            f"captures table {path.name!r} wanted as a workbook", found=f"{type(error).__name__}: {error}",
            todo="save it again as .xlsx or CSV",
        ) from None  # fmt: skip
    return [(number, tuple(_cell_text(cell) for cell in row)) for number, row in enumerate(rows, start=1) if row]


def _cell_text(cell: object) -> str:
    if isinstance(cell, bool):
        return "yes" if cell else "no"
    if isinstance(cell, float):
        # repeat numbers come back as 3.0 from a workbook
        return str(int(cell)) if cell.is_integer() and abs(cell) < 1e15 else repr(cell)
    if hasattr(cell, "isoformat"):
        return str(cell.isoformat())
    return str(cell)
