"""The files for machines: one entry a table row and position, one entry a reading; no NaN, fixed keys."""

from __future__ import annotations

import json
import math
import os
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

from ..contracts import CaptureRow, Fitness, Reading
from ..execution.orders import Done

SCHEMA = 1


def capture_entries(row: CaptureRow, done: Done) -> list[dict[str, Any]]:
    """Entries of ``captures.json`` for one row: one a position."""
    return [_capture_entry(row, done, position) for position in _positions(row, done)]


def _positions(row: CaptureRow, done: Done) -> list[str]:
    named = list(dict.fromkeys(axis.position for axis in row.mapping.axes if axis.position))
    return list(done.facts.get("positions", ())) or named or [row.position]


def _capture_entry(row: CaptureRow, done: Done, position: str) -> dict[str, Any]:
    fitness = done.fitness
    return {
        **row.labels(),
        "position": position,
        "recorded_at": row.recorded_at or done.facts.get("recorded_at", ""),
        "capture_id": done.capture_id,
        "state": fitness.state,
        "reasons": [reason.as_json() for reason in fitness.reasons],
        "sample_rate_hz": done.facts.get("sample_rate_hz"),
        "duration_s": done.facts.get("duration_s"),
        "stretches": [list(pair) for pair in fitness.stretches],
        "usable_s": fitness.usable_s,
        "tags": dict(row.tags),
        "row": row.row,
        "result_id": done.result_id,
        "mount_temp_c": _mount_temperature(row, fitness),
        "circumstances": dict(fitness.facts.get("circumstances", {})),
        "coupling": row.coupling,
        "note": row.note,
    }


def _mount_temperature(row: CaptureRow, fitness: Fitness) -> float | None:
    """What the table says; where it is silent, what a channel of the capture showed."""
    return fitness.facts.get("mount_temp_c") if row.mount_temp_c is None else row.mount_temp_c


def reading_entries(row: CaptureRow, done: Done) -> list[dict[str, Any]]:
    """Entries of ``readings.json`` for one row."""
    return [_reading_entry(row, done, reading) for reading in done.readings]


def _reading_entry(row: CaptureRow, done: Done, reading: Reading) -> dict[str, Any]:
    return {
        "capture_id": done.capture_id,
        "result_id": done.result_id,
        **row.labels(),
        **reading.as_json(),
        "position": reading.position or row.position,
        "tags": dict(row.tags),
    }


def write_document(path: Path, name: str, entries: Iterable[Any], **more: Iterable[Any]) -> Path:
    """Write one file for machines, an entry a line; it appears whole, under its name, or not at all."""
    lists = {name: entries, **more}
    parts = [f'"schema": {SCHEMA}', *(f'"{key}": [{_lines(found)}]' for key, found in lists.items())]
    unfinished = path.with_name(f".{path.name}.unfinished")
    unfinished.write_text("{" + ", ".join(parts) + "}\n", encoding="utf-8")
    os.replace(unfinished, path)  # noqa: PTH105
    return path


def _lines(entries: Iterable[Any]) -> str:
    lines = [_line(entry) for entry in entries]
    return "\n" + ",\n".join(lines) + "\n" if lines else ""


def _line(entry: Any) -> str:
    """Indented, a document of thousands of readings would take seconds: only a flat one is written by compiled code."""
    try:
        return json.dumps(entry, allow_nan=False, default=plain)
    except ValueError:
        return json.dumps(without_nan(entry), allow_nan=False, default=plain)


def plain(value: Any) -> Any:
    """JSON for what numpy hands over. Raises TypeError for anything else."""
    if hasattr(value, "tolist"):
        return value.tolist()
    raise TypeError(f"{type(value).__name__} does not go into JSON")


def without_nan(value: Any) -> Any:
    """The same document with NaN and infinities as null."""
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, Mapping):
        return {key: without_nan(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [without_nan(item) for item in value]
    return value
