"""The study's tables as a spreadsheet: numbers as numbers, and no text that a spreadsheet would run."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import xlsxwriter

from .documents import ReportError

_SKIPPED = frozenset({"fitness"})
_WIDEST = 48
_PLAIN = frozenset({str, float, int, bool, type(None)})


def write_spreadsheet(path: Path, sheets: Mapping[str, Sequence[Mapping[str, Any]]]) -> Path:
    """Write one sheet a table, by its name, a row an entry; the file appears whole, or not at all. Returns ``path``.

    Every text is written as a plain string, never as a formula or link, whatever it begins with.

    Raises
    ------
    ReportError
        The file cannot be written.
    """
    options = {"strings_to_formulas": False, "strings_to_urls": False, "strings_to_numbers": False, "in_memory": True}
    unfinished = path.with_name(f".{path.name}.unfinished")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with unfinished.open("wb") as file, xlsxwriter.Workbook(file, options) as book:
            bold = book.add_format({"bold": True, "bottom": 1})
            for name, rows in sheets.items():
                _write_sheet(book.add_worksheet(name), rows, bold)
        unfinished.replace(path)
    except OSError as error:
        raise ReportError.unwritable(error) from error
    return path


def _write_sheet(sheet: Any, rows: Sequence[Mapping[str, Any]], bold: Any) -> None:
    flat = [_flat(row) for row in rows]
    names = list(dict.fromkeys(name for row in flat for name in row))
    widths = [len(name) for name in names]
    for column, name in enumerate(names):
        sheet.write_string(0, column, name, bold)
    for line, row in enumerate(flat, start=1):
        for column, name in enumerate(names):
            widths[column] = max(widths[column], _write_cell(sheet, line, column, row.get(name)))
    for column, width in enumerate(widths):
        sheet.set_column(column, column, min(width + 2, _WIDEST))
    sheet.freeze_panes(1, 0)
    if names:
        sheet.autofilter(0, 0, len(flat), len(names) - 1)


def _write_cell(sheet: Any, line: int, column: int, value: Any) -> int:
    if value is None:
        return 0
    if isinstance(value, bool):
        sheet.write_boolean(line, column, value)
        return 5
    if isinstance(value, int | float):
        sheet.write_number(line, column, value)
        return 10
    text = str(value)[:32767]
    sheet.write_string(line, column, text)
    return len(text)


def _flat(row: Mapping[str, Any]) -> dict[str, Any]:
    """One level deep: tags become ``tag: name`` columns, reasons one text, anything else nested stays JSON."""
    flat: dict[str, Any] = {}
    for name, value in row.items():
        # most are plain, and asking for a type of their own is ten times quicker than for a kind
        if type(value) in _PLAIN:
            flat[name] = value
        elif name not in _SKIPPED:
            flat.update(_flattened(name, value))
    return flat


def _flattened(name: str, value: Any) -> dict[str, Any]:
    if name == "tags" and isinstance(value, Mapping):
        return {f"tag: {tag}": item for tag, item in value.items()}
    if name in {"reasons", "marks"} and isinstance(value, Sequence):
        return {name: "; ".join(_reason_text(item) for item in value)}
    if name == "absent" and isinstance(value, Mapping):
        return {name: _reason_text(value)}
    if isinstance(value, Mapping | list | tuple):
        return {name: json.dumps(value, ensure_ascii=False)}
    return {name: value}


def _reason_text(reason: Mapping[str, Any] | str) -> str:
    if isinstance(reason, str):
        return reason  # a comparison's marks are bare codes: the readings tell the details
    detail = reason.get("detail")
    return f"{reason.get('code')}: {detail}" if detail else str(reason.get("code"))
