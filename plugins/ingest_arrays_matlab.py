"""MATLAB files, versions 4 to 7: numeric variables, or the numeric fields of the one structure they hold."""

from __future__ import annotations

import zlib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np

from ..pipeline.contracts import ReaderRefusal, ReasonCode
from .ingest_arrays_capture import ArrayColumn, ArraySet

MOST_BYTES = 1 << 30
"""The format is unpacked whole; larger variables belong in a format that streams."""
MOST_COLUMNS = 64


def sets_of(path: Path) -> list[ArraySet]:
    """The one set of arrays of a MATLAB file.

    Raises
    ------
    ReaderRefusal
        ``unreadable`` when the file is damaged or of version 7.3, ``limit_exceeded`` above a gigabyte,
        ``ambiguous`` when several structures hold numbers.
    """
    variables = _loaded(path)
    structures = {name: value for name, value in variables.items() if value.dtype.names and value.size == 1}
    plain = {name: value for name, value in variables.items() if value.dtype.kind in "iufb"}
    if not any(value.size > 1 for value in plain.values()) and structures:
        if len(structures) > 1:
            raise ReaderRefusal(
                ReasonCode.AMBIGUOUS, "which structure holds the capture", found=", ".join(sorted(structures)),
                todo="save one structure per file",
            )  # fmt: skip
        ((_, structure),) = structures.items()
        variables = {name: np.atleast_2d(structure[name].item()) for name in structure.dtype.names or ()}
    return [_set(variables)]


def _loaded(path: Path) -> dict[str, Any]:
    import scipy.io

    try:
        with path.open("rb") as stream:
            total = sum(int(np.prod(shape, dtype=np.int64)) * 8 for _, shape, _ in scipy.io.whosmat(stream))
        if total > MOST_BYTES:
            raise ReaderRefusal(
                ReasonCode.LIMIT_EXCEEDED, "variables that fit in memory", found=f"{total} bytes unpacked",
                allowed=f"{MOST_BYTES} bytes", todo="export to a format that streams",
            )  # fmt: skip
        loaded = scipy.io.loadmat(path, appendmat=False)
    except NotImplementedError:
        raise ReaderRefusal(
            ReasonCode.UNREADABLE, "a MATLAB file of version 4 to 7", found="version 7.3 (HDF5 inside)",
            todo="save with '-v7', or give it the suffix .h5",
        ) from None  # fmt: skip
    except (ValueError, TypeError, KeyError, OSError, EOFError, zlib.error, IndexError, OverflowError, AttributeError,
            UnboundLocalError, NameError, UnicodeDecodeError, ZeroDivisionError) as error:  # fmt: skip
        # the parser has no error type of its own: damaged bytes surface as any of these
        raise ReaderRefusal(
            ReasonCode.UNREADABLE, "the container is not whole", found=f"{type(error).__name__}: {str(error)[:120]}",
            todo="copy or export the file again",
        ) from None  # fmt: skip
    return {name: np.asarray(value) for name, value in loaded.items() if not name.startswith("__")}


def _set(variables: Mapping[str, Any]) -> ArraySet:
    columns: list[ArrayColumn] = []
    facts: dict[str, float] = {}
    passed: list[str] = []
    arrays = {name: value for name, value in variables.items() if _holds_samples(value)}
    for name, value in variables.items():
        if name in arrays:
            columns += _columns(value, "" if len(arrays) == 1 and min(value.shape) > 1 else name)
        elif value.size == 1 and value.dtype.kind in "iuf":
            facts[name] = float(value.reshape(-1)[0])
        else:
            passed.append(name)
    return ArraySet("the file", tuple(columns), facts, tuple(passed))


def _holds_samples(value: Any) -> bool:
    if value.dtype.kind not in "iuf" or value.size <= 1 or value.ndim > 2:
        return False
    return bool(value.ndim == 1 or min(value.shape) <= MOST_COLUMNS)


def _columns(value: Any, name: str) -> list[ArrayColumn]:
    table = value.reshape(-1, 1) if value.ndim == 1 else value if value.shape[0] >= value.shape[1] else value.T
    n = table.shape[1]
    return [
        _column(table[:, i], name if n == 1 else f"{name} {i + 1}".strip() if name else "") for i in range(n)
    ]


def _column(numbers: Any, name: str) -> ArrayColumn:
    return ArrayColumn(name, "", len(numbers), numbers.dtype, lambda start, stop: numbers[start:stop])
