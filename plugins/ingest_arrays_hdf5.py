"""HDF5 files of plain numeric datasets: names and ``units`` attributes say what they are."""

from __future__ import annotations

from math import ceil, prod
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from ..pipeline.contracts import ReaderRefusal, ReasonCode
from .ingest_arrays_capture import ArrayColumn, ArraySet

if TYPE_CHECKING:
    import h5py

MOST_COLUMNS = 64
"""A two-dimensional dataset has samples along its longer side and at most so many columns."""
_LABEL_ATTRIBUTES = ("columns", "column_names", "channels", "channel_names", "labels", "names")
_UNTOLD_SCALES = ("scale", "gain", "sensitivity", "calibration", "calibration_factor", "scaling", "offset")


def sets_of(path: Path) -> list[ArraySet]:
    """One set of arrays per HDF5 group that holds numbers, in the order of their paths.

    Raises
    ------
    ReaderRefusal
        ``unreadable`` when the file is damaged or samples were never written, ``ambiguous`` where an attribute
        hints at a calibration whose direction is not fixed by any convention.
    """
    import h5py

    try:
        with h5py.File(path, "r") as file:
            places: dict[str, list[h5py.Dataset]] = {}
            file.visititems(lambda name, item: _sort_in(places, name, item))
            return [_set(path, file, place, places[place]) for place in sorted(places)]
    except (OSError, RuntimeError, KeyError, UnicodeDecodeError) as error:
        raise damaged(error) from None


def damaged(error: Exception) -> ReaderRefusal:
    """The refusal of a container its library cannot open or read."""
    return ReaderRefusal(
        ReasonCode.UNREADABLE, "the container is not whole", found=str(error)[:200],
        todo="copy or export the file again",
    )  # fmt: skip


def _sort_in(places: dict[str, list[Any]], name: str, item: Any) -> None:
    import h5py

    if isinstance(item, h5py.Dataset):
        places.setdefault(name.rpartition("/")[0], []).append(item)


def _set(path: Path, file: h5py.File, place: str, datasets: list[h5py.Dataset]) -> ArraySet:
    columns: list[ArrayColumn] = []
    facts = {**_numbers(file.attrs), **_numbers(file[place or "/"].attrs)}
    passed: list[str] = []
    sole = sum(_holds_samples(dataset) for dataset in datasets) == 1
    for dataset in datasets:
        name = dataset.name.rpartition("/")[2]
        if _holds_samples(dataset):
            _refuse_unwritten(dataset)
            _refuse_untold_scale(dataset)
            facts.update(_numbers(dataset.attrs))
            columns += _columns(path, dataset, name, sole=sole)
        elif dataset.dtype.kind in "iuf" and dataset.size == 1:
            facts[name] = float(dataset[()].reshape(-1)[0]) if dataset.shape else float(dataset[()])
        else:
            passed.append(name)
    return ArraySet(f"/{place}", tuple(columns), facts, tuple(passed))


def _holds_samples(dataset: h5py.Dataset) -> bool:
    if dataset.dtype.kind not in "iuf" or dataset.ndim not in (1, 2) or dataset.size <= 1:
        return False
    return bool(dataset.ndim == 1 or min(dataset.shape) <= MOST_COLUMNS)


def _numbers(attributes: Any) -> dict[str, float]:
    found = {}
    for name, value in attributes.items():
        array = np.asarray(value)
        if array.size == 1 and array.dtype.kind in "iuf":
            found[str(name)] = float(array.reshape(-1)[0])
    return found


def _refuse_unwritten(dataset: h5py.Dataset) -> None:
    """A chunk that was never written reads as a fill value: samples nobody measured."""
    missing = dataset.id.get_storage_size() == 0
    if dataset.chunks and not missing:
        expected = prod(ceil(n / chunk) for n, chunk in zip(dataset.shape, dataset.chunks, strict=True))
        missing = dataset.id.get_num_chunks() < expected
    if missing:
        raise ReaderRefusal(
            ReasonCode.UNREADABLE, f"{dataset.name}: samples that were announced but never written",
            found=f"{dataset.size} numbers announced", todo="record again; the recorder stopped too early",
        )  # fmt: skip


def _refuse_untold_scale(dataset: h5py.Dataset) -> None:
    for name, value in _numbers(dataset.attrs).items():
        neutral = 0.0 if name.lower() == "offset" else 1.0
        if name.lower() in _UNTOLD_SCALES and value != neutral:
            raise ReaderRefusal(
                ReasonCode.AMBIGUOUS, f"{dataset.name}: attribute {name!r} may multiply or divide", found=f"{value:g}",
                allowed="attributes scale_factor and add_offset, which are fixed by convention",
                todo="rename it, or remove it and use 'scale' or 'sensitivity' of the captures table",
            )  # fmt: skip


def _columns(path: Path, dataset: h5py.Dataset, name: str, *, sole: bool) -> list[ArrayColumn]:
    units = _texts(dataset.attrs, ("units", "unit"))
    factor = _numbers(dataset.attrs).get("scale_factor", 1.0)
    shift = _numbers(dataset.attrs).get("add_offset", 0.0)
    if dataset.ndim == 1:
        unit = units[0] if units else ""
        return [_column(path, dataset, name, unit, None, (factor, shift))]
    lying = dataset.shape[0] < dataset.shape[1]
    n = min(dataset.shape)
    labels = _texts(dataset.attrs, _LABEL_ATTRIBUTES)
    if labels and len(labels) != n:
        raise ReaderRefusal(
            ReasonCode.UNREADABLE, f"{dataset.name}: a label for each of its {n} columns", found=", ".join(labels)
        )
    names = labels or (["" for _ in range(n)] if sole else [f"{name} {i + 1}" for i in range(n)])
    told = units if len(units) == n else [units[0] if units else ""] * n
    return [
        _column(path, dataset, names[i], told[i], (i, lying), (factor, shift)) for i in range(n)
    ]


def _column(
    path: Path, dataset: h5py.Dataset, name: str, unit: str, at: tuple[int, bool] | None, linear: tuple[float, float]
) -> ArrayColumn:
    full, n = dataset.name, max(dataset.shape)

    def rows(start: int, stop: int) -> Any:
        import h5py

        try:
            with h5py.File(path, "r") as file:
                found = file[full]
                if at is None:
                    return found[start:stop]
                return found[at[0], start:stop] if at[1] else found[start:stop, at[0]]
        except (OSError, RuntimeError) as error:
            raise damaged(error) from None

    return ArrayColumn(name, unit, n, dataset.dtype, rows, *linear)


def _texts(attributes: Any, names: tuple[str, ...]) -> list[str]:
    """The first of these attributes as texts: a list, or one text parted by commas."""
    for name in names:
        if name in attributes:
            value = attributes[name]
            if isinstance(value, str | bytes):
                text = value.decode("utf-8", "replace") if isinstance(value, bytes) else value
                return [part.strip() for part in text.split(",")]
            array = np.asarray(value).reshape(-1)
            return [v.decode("utf-8", "replace") if isinstance(v, bytes) else str(v) for v in array]
    return []
