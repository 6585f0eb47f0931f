"""Out of the archive: a folder that runs again elsewhere, and files for other tools."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ...storage import Archive
from ..contracts import CaptureRow, SettingsError
from ..study import table_text
from .archive import open_capture
from .remembered import remembered_study, row_again

if TYPE_CHECKING:
    import xarray as xr

FORMATS: dict[str, str] = {"netcdf": ".nc", "csv": ".csv", "parquet": ".parquet"}
"""Formats for other tools, and their suffix."""


def export_study(archive_dir: Path | str, title: str, folder: Path | str) -> Path:
    """Originals, table and study file in one folder: `thrumline run` there gives the same comparisons.

    Rows without bytes in the archive (a missing file) are left out. Returns the study file's path.
    """
    out = Path(folder)
    with Archive.open(Path(archive_dir), role="reader") as archive:
        text, kept = remembered_study(archive, title)
        rows = [(row_again(row), row["sha256"]) for row in kept if row["sha256"] is not None]
        names = _plain_names([row for row, _ in rows])
        archive.export_originals({name: sha for name, (_, sha) in zip(names, rows, strict=True)}, out)
    renamed = [replace(row, file=name) for name, (row, _) in zip(names, rows, strict=True)]
    (out / "captures.csv").write_text(table_text(renamed), encoding="utf-8")
    study = out / "study.toml"
    study.write_text(_with_table(text, "captures.csv"), encoding="utf-8")
    return study


def export_capture(archive_dir: Path | str, capture_id: str, target: Path | str, form: str) -> Path:
    """One capture as netCDF, CSV or Parquet (extra ``arrow``). Raises SettingsError for another format."""
    if form not in FORMATS:
        raise SettingsError(f"format {form!r}", found="not written here", allowed=", ".join(FORMATS))
    path = Path(target).with_suffix(FORMATS[form])
    path.parent.mkdir(parents=True, exist_ok=True)
    _WRITERS[form](open_capture(archive_dir, capture_id), path)
    return path


def _write_netcdf(data: xr.Dataset, path: Path) -> None:
    data.to_netcdf(path, engine="scipy")


def _frame(data: xr.Dataset) -> Any:
    """Time and one column a channel, named with axis and unit."""
    import pandas as pd

    main = next(name for name in data.data_vars if "channel" in data[name].dims)
    values = data[main]
    columns = {"time_s": data["time"].to_numpy()}
    for i, name in enumerate(data["channel"].to_numpy()):
        columns[f"{name}_{values.attrs['units'].replace(' ', '')}"] = values.to_numpy()[i]
    return pd.DataFrame(columns)


def _write_csv(data: xr.Dataset, path: Path) -> None:
    _frame(data).to_csv(path, index=False)


def _write_parquet(data: xr.Dataset, path: Path) -> None:
    try:
        _frame(data).to_parquet(path, index=False)
    except ImportError as error:
        todo = "pip install 'thrumline[arrow]'"
        raise SettingsError("Parquet", found="pyarrow is not installed", todo=todo) from error


_WRITERS: dict[str, Callable[[Any, Path], None]] = {
    "netcdf": _write_netcdf, "csv": _write_csv, "parquet": _write_parquet,
}  # fmt: skip


def _plain_names(rows: list[CaptureRow]) -> list[str]:
    """A file name of its own for each row, close to the one it had."""
    bare = [row.file.replace("\\", "/").rsplit("/", 1)[-1] for row in rows]
    often = Counter(bare)
    return [name if often[name] == 1 else f"row{row.row}-{name}" for row, name in zip(rows, bare, strict=True)]


def _with_table(study_text: str, table: str) -> str:
    """The study's text with another table; nothing else is touched."""
    lines = [
        f'captures = "{table}"' if line.split("=")[0].strip() == "captures" else line
        for line in study_text.splitlines()
    ]
    return "\n".join(lines) + "\n"
