"""Whether two products agree, whatever they are made of."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import fields, is_dataclass
from typing import Any

import numpy as np


def differences(first: Any, second: Any, rtol: float = 1e-12, at: str = "product") -> list[str]:
    """Where two products differ, in words; an empty list when they agree.

    Numbers agree when they differ by at most ``rtol`` times the largest magnitude of the array they stand
    in (a single number is an array of one); NaN agrees with NaN. Everything else has to be equal.
    """
    return list(_walk(first, second, rtol, at))


def _walk(first: Any, second: Any, rtol: float, at: str) -> Iterator[str]:
    if _numeric(first) and _numeric(second):
        yield from _arrays(np.asarray(first), np.asarray(second), rtol, at)
    elif type(first) is not type(second):
        yield f"{at}: {type(first).__name__} against {type(second).__name__}"
    elif is_dataclass(first):
        for field in fields(first):
            yield from _walk(getattr(first, field.name), getattr(second, field.name), rtol, f"{at}.{field.name}")
    elif isinstance(first, Mapping):
        yield from _mappings(first, second, rtol, at)
    elif isinstance(first, (list, tuple)):
        yield from _sequences(first, second, rtol, at)
    elif first != second:
        yield f"{at}: {first!r} against {second!r}"


def _numeric(value: Any) -> bool:
    return isinstance(value, (np.ndarray, np.generic, float, complex))


def _sequences(first: Sequence[Any], second: Sequence[Any], rtol: float, at: str) -> Iterator[str]:
    if len(first) != len(second):
        yield f"{at}: {len(first)} entries against {len(second)}"
        return
    for place, (a, b) in enumerate(zip(first, second, strict=True)):
        yield from _walk(a, b, rtol, f"{at}[{place}]")


def _mappings(first: Mapping[Any, Any], second: Mapping[Any, Any], rtol: float, at: str) -> Iterator[str]:
    if set(first) != set(second):
        yield f"{at}: keys {sorted(map(str, first))} against {sorted(map(str, second))}"
        return
    for key in first:
        yield from _walk(first[key], second[key], rtol, f"{at}[{key!r}]")


def _arrays(first: np.ndarray[Any, Any], second: np.ndarray[Any, Any], rtol: float, at: str) -> Iterator[str]:
    if first.shape != second.shape:
        yield f"{at}: shape {first.shape} against {second.shape}"
        return
    if first.dtype.kind not in "fc" or second.dtype.kind not in "fciu":
        if not np.array_equal(first, second):
            yield f"{at}: {first!r} against {second!r}"
        return
    if not np.array_equal(np.isfinite(first), np.isfinite(second)):
        yield f"{at}: values that are not finite stand at different places"
        return
    finite = np.isfinite(first)
    largest = float(np.max(np.abs(first[finite]), initial=0.0))
    apart = float(np.max(np.abs(first[finite] - second[finite]), initial=0.0))
    if apart > rtol * largest and not math.isclose(apart, 0.0, abs_tol=1e-300):
        yield f"{at}: apart by {apart:.3g}, largest value {largest:.3g}"
