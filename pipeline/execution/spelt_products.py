"""Products as bytes and back, exactly: a JSON document for what is small, the arrays behind it as they lie in memory.

Only what the contracts define can be spelt, so reading runs nobody's code and a stranger's own types are told.
"""

from __future__ import annotations

import json
import math
import struct
from collections.abc import Mapping
from dataclasses import fields, is_dataclass
from enum import Enum
from typing import Any, cast

import numpy as np
import numpy.typing as npt

from ..contracts import products as _products
from ..contracts import reasons as _reasons
from ..contracts import records as _records
from ..contracts import signal as _signal

_KNOWN: dict[str, type] = {
    name: kind
    for module in (_products, _reasons, _records, _signal)
    for name, kind in vars(module).items()
    if isinstance(kind, type) and kind.__module__ == module.__name__ and (is_dataclass(kind) or issubclass(kind, Enum))
}
_FIELDS = {kind: tuple(one.name for one in fields(kind)) for kind in _KNOWN.values() if is_dataclass(kind)}
_HEAD = struct.Struct("<Q")
_PLAIN = frozenset({str, int, float, bool, type(None)})
_MANY = 16
"""Floats in a list from which on they stand behind the document like an array: in words each costs a microsecond."""


class Unspellable(TypeError):
    """A value of a type that the contracts do not define."""


def spelt(products: Mapping[str, Any]) -> bytes:
    """Products by name as bytes. Raises Unspellable."""
    arrays: list[npt.NDArray[Any]] = []
    document = json.dumps(_told(dict(products), arrays)).encode()
    return b"".join([_HEAD.pack(len(document)), document, *(array.tobytes() for array in arrays)])


def read(data: bytes) -> dict[str, Any]:
    """The products that ``spelt`` made these bytes of.

    Raises
    ------
    ValueError, KeyError, TypeError
        The bytes are another program's, or of a version whose products had other fields.
    """
    (length,) = _HEAD.unpack_from(data)
    begin = _HEAD.size + length
    document = json.loads(data[_HEAD.size : begin])
    return cast("dict[str, Any]", _Reading(memoryview(data)[begin:]).value(document))


def _told(value: Any, arrays: list[npt.NDArray[Any]]) -> Any:
    """A value as JSON can say it: what JSON has no word for is an object with one letter for its kind."""
    kind = type(value)
    if kind in _PLAIN:
        return value
    if kind in _FIELDS:
        return {"c": kind.__name__, "v": {name: _told(getattr(value, name), arrays) for name in _FIELDS[kind]}}
    if kind is list or kind is tuple:
        return _sequence(value, arrays)
    if isinstance(value, np.ndarray):
        return _array(value, arrays)
    if isinstance(value, np.generic):
        return {"n": value.dtype.str, "v": value.tobytes().hex()}
    if isinstance(value, Enum) and _KNOWN.get(kind.__name__) is kind:
        return {"e": kind.__name__, "v": value.value}
    if isinstance(value, Mapping):
        return {"m": [[_told(key, arrays), _told(item, arrays)] for key, item in value.items()]}
    raise Unspellable(f"a value of type {kind.__module__}.{kind.__qualname__}")


def _array(value: npt.NDArray[Any], arrays: list[npt.NDArray[Any]]) -> dict[str, Any]:
    if value.dtype.kind not in "biufc":
        raise Unspellable(f"an array of {value.dtype}")
    axes = list(range(value.ndim))
    if not value.flags.c_contiguous:
        # axes as they lie in memory: sums over an array that lies otherwise differ in their last digit
        axes.sort(key=lambda axis: -value.strides[axis])
        value = np.ascontiguousarray(value.transpose(axes))
    arrays.append(value)
    return {"a": value.dtype.str, "s": list(value.shape), "o": axes}


def _sequence(value: list[Any] | tuple[Any, ...], arrays: list[npt.NDArray[Any]]) -> Any:
    kinds = set(map(type, value))
    if kinds == {float} and len(value) >= _MANY and type(value) is list:
        arrays.append(np.array(value))
        return {"l": len(value)}
    told = list(value) if kinds <= _PLAIN else [_told(item, arrays) for item in value]
    return {"t": told} if type(value) is tuple else told


class _Reading:
    """Takes the arrays one after the other, in the order in which the document names them."""

    def __init__(self, arrays: memoryview) -> None:
        self._left = arrays

    def value(self, told: Any) -> Any:
        if isinstance(told, list):
            return [self.value(item) for item in told]
        if not isinstance(told, dict):
            return told
        if "a" in told:
            return self._array(np.dtype(told["a"]), told["s"]).transpose(np.argsort(told["o"]))
        if "l" in told:
            return self._array(np.dtype(np.float64), [told["l"]]).tolist()
        if "c" in told:
            return _KNOWN[told["c"]](**{name: self.value(item) for name, item in told["v"].items()})
        if "t" in told:
            return tuple([self.value(item) for item in told["t"]])
        if "m" in told:
            return {self.value(key): self.value(item) for key, item in told["m"]}
        if "e" in told:
            return _KNOWN[told["e"]](told["v"])
        return np.frombuffer(bytes.fromhex(told["v"]), told["n"])[0]

    def _array(self, dtype: np.dtype[Any], shape: list[int]) -> npt.NDArray[Any]:
        n = math.prod(shape) * dtype.itemsize
        taken, self._left = self._left[:n], self._left[n:]
        return np.frombuffer(taken, dtype).reshape(shape).copy()
