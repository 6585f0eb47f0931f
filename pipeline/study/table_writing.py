"""A captures table from typed rows: what is written reads back to equal rows."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from typing import Any

from ..contracts import CaptureRow
from .table_rows import OPTIONAL_COLUMNS, REQUIRED_COLUMNS


def cells_of_row(row: CaptureRow) -> dict[str, str]:
    """The cells of one row by column name; what is not known stays empty."""
    mapping = row.mapping
    said: dict[str, Any] = {
        **{name: getattr(row, name) for name in (*REQUIRED_COLUMNS, *OPTIONAL_COLUMNS) if hasattr(row, name)},
        "unit": mapping.unit,
        "scale": mapping.scale,
        "sample_rate_hz": mapping.sample_rate_hz,
        "axes": " ".join(axis.as_text() for axis in mapping.axes),
        "offset": _by_axis(mapping.offset),
        "sensitivity": _by_axis(mapping.sensitivity),
        "noise_density": _by_axis(row.noise_density),
    }
    return {**{name: _text(value) for name, value in said.items()}, **row.tags}


def table_text(rows: Sequence[CaptureRow]) -> str:
    """A comma-separated table of the rows, with only the columns that some row fills."""
    cells = [cells_of_row(row) for row in rows]
    tags = list(dict.fromkeys(tag for row in rows for tag in row.tags))
    optional = [name for name in (*OPTIONAL_COLUMNS, *tags) if any(cell.get(name) for cell in cells)]
    out = io.StringIO()
    writer = csv.DictWriter(out, [*REQUIRED_COLUMNS, *optional], lineterminator="\n", extrasaction="ignore")
    writer.writeheader()
    writer.writerows(cells)
    return out.getvalue()


def _by_axis(pairs: Sequence[tuple[str, float]]) -> str:
    return " ".join(f"{axis}={value!r}" for axis, value in pairs)


def _text(value: Any) -> str:
    if value is None:
        return ""
    return repr(value) if isinstance(value, float) else str(value)
