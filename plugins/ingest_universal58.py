"""Reader ``universal58``: time responses from universal files, dataset 58 in its text form.

The public fixed-column format of the University of Cincinnati ("Function at Nodal DOF", 23-Apr-1993): a block
between two lines ``    -1`` opens with the dataset's number; eleven records describe the function, then come the
values in columns of 13 or 20 characters. This file doubles as the worked example of a reader: sniff by content,
check what is declared against what is there, keep what the file says, refuse the rest with its line.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from ..pipeline.contracts import (
    CaptureHead,
    ChannelMapping,
    Clock,
    GroupHead,
    Reader,
    ReaderRefusal,
    ReasonCode,
    Sink,
    Source,
    hookimpl,
)
from ..pipeline.contracts.labels import Column, channel_head, column_of, names_accelerations, with_axes, with_unit
from ..pipeline.kernels.clock import clock_fit

MARK = "    -1"
TIME_RESPONSE = 1
_QUANTITIES = {5: "temperature", 8: "displacement", 9: "force", 12: "acceleration", 13: "force", 15: "pressure"}
"""Specific data types of the format (record 9) that are named here."""
_AXES = {1: "x", 2: "y", 3: "z"}
_LAYOUTS = {(2, 1): (13,) * 6, (4, 1): (20,) * 4, (2, 0): (13,) * 6, (4, 0): (13, 20, 13, 20)}
"""Widths of the columns of a line of values, by (ordinate type, even spacing)."""
_STATED_RATE = 0.02


@dataclass(frozen=True, slots=True)
class _Function:
    """One dataset 58: its description and its values."""

    line: int
    kind: int
    node: int
    direction: int
    quantity: str
    label: str
    unit: str
    start_s: float
    step_s: float
    values: npt.NDArray[np.float64]
    stamps: npt.NDArray[np.float64] | None
    texts: tuple[str, ...]

    @property
    def timing(self) -> tuple[float, float, int, bytes]:
        """Functions of equal timing are channels of one capture."""
        return self.start_s, self.step_s, self.values.size, b"" if self.stamps is None else self.stamps.tobytes()


class Universal58Reader(Reader):
    """Functions of type 1 (time response); functions of equal timing become channels of one capture."""

    name = "universal58"
    numeric_version = 1
    summary = "universal files, dataset 58 (text): time responses"

    def sniff(self, head: bytes, name: str) -> float:  # noqa: ARG002
        """0.95 when the file opens with a dataset mark and a dataset 58 is in sight, 0.8 without the latter."""
        if not head.lstrip().startswith(MARK.strip().encode()):
            return 0.0  # no other format's head is parted into lines for this
        lines = (line.rstrip() for line in head[:65536].split(b"\n") if line.strip())
        mark, number = next(lines, b""), next(lines, b"").strip()
        if mark != MARK.encode() or not number[:3].rstrip(b"b").isdigit():
            return 0.0
        told = (number, *(line.strip() for line in lines))
        return 0.95 if any(line == b"58" or line.startswith(b"58b") for line in told) else 0.8

    def read(self, source: Source, mapping: ChannelMapping, sink: Sink) -> list[CaptureHead]:
        """Pass all time responses to the sink and return a head per timing."""
        functions, others = _functions(_lines(source))
        captures: dict[tuple[float, float, int, bytes], list[_Function]] = {}
        for function in functions:
            captures.setdefault(function.timing, []).append(function)
        prepared = [(members, _columns(members, mapping)) for members in captures.values()]
        clocks = [_clock(members[0], mapping) for members, _ in prepared]
        heads = []
        for index, ((members, columns), clock) in enumerate(zip(prepared, clocks, strict=True)):
            sink.begin(index)
            sink.samples("signal", np.stack([function.values for function in members]))
            if not clock.uniform:
                assert members[0].stamps is not None
                sink.stamps("signal", members[0].stamps)
            channels = tuple(channel_head(column, mapping) for column in columns)
            group = GroupHead("signal", channels, clock, members[0].values.size, "float64")
            metadata = {"texts": list(members[0].texts), "other_datasets": others}
            heads.append(CaptureHead(index, self.name, (group,), "", metadata))
        return heads

    def describe(self, source: Source, mapping: ChannelMapping) -> dict[str, Any]:  # noqa: ARG002
        """The functions of the file."""
        functions, others = _functions(_lines(source))
        told = [
            {
                "line": f.line, "node": f.node, "direction": f.direction, "quantity": f.quantity, "unit": f.unit,
                "samples": int(f.values.size), "texts": list(f.texts),
            }
            for f in functions
        ]  # fmt: skip
        return {"functions": told, "other_datasets": others}


def _lines(source: Source) -> list[str]:
    content = source.path.read_bytes()
    if not content.strip():
        raise ReaderRefusal(ReasonCode.EMPTY, "the file holds no text", todo="record again, or export again")
    return content.decode("latin-1").replace("\r\n", "\n").replace("\r", "\n").split("\n")


def _unreadable(line: int, what: str, found: str) -> ReaderRefusal:
    return ReaderRefusal(
        ReasonCode.UNREADABLE, f"line {line}: {what}", found=found, todo="export the file again; it may be cut short"
    )


def _datasets(lines: list[str]) -> Iterator[tuple[int, int]]:
    """Index of the first line inside each pair of marks, and of the closing mark."""
    opened: int | None = None
    for index, line in enumerate(lines):
        if line.rstrip() != MARK:
            if opened is None and line.strip():
                raise _unreadable(index + 1, "text outside the datasets", repr(line[:60]))
            continue
        if opened is None:
            opened = index + 1
        else:
            yield opened, index
            opened = None
    if opened is not None:
        raise _unreadable(opened, "a dataset without its closing mark", "the end of the file")


def _functions(lines: list[str]) -> tuple[list[_Function], dict[str, int]]:
    """Time responses, and how many datasets there are of every other kind."""
    functions: list[_Function] = []
    others: dict[str, int] = {}
    for first, stop in _datasets(lines):
        number = lines[first].strip()
        if number.startswith("58b"):
            raise ReaderRefusal(
                ReasonCode.UNREADABLE, f"line {first + 1}: the binary form of dataset 58", found=number[:20],
                allowed="the text form", todo="export as text",
            )  # fmt: skip
        if number != "58":
            others[number] = others.get(number, 0) + 1
            continue
        if stop - first < 12:
            raise _unreadable(first + 1, "a dataset 58 with fewer than eleven records", f"{stop - first - 1} lines")
        kind = _whole(lines, first + 6, 0, 5)
        if kind != TIME_RESPONSE:
            others[f"58 of function type {kind}"] = others.get(f"58 of function type {kind}", 0) + 1
            continue
        functions.append(_function(lines, first, stop))
    if not functions:
        raise ReaderRefusal(
            ReasonCode.UNREADABLE, "no time response in this universal file",
            found=", ".join(f"{n} x dataset {name}" for name, n in others.items()) or "no dataset",
            allowed="dataset 58 of function type 1",
        )  # fmt: skip
    return functions, others


def _function(lines: list[str], first: int, stop: int) -> _Function:
    form, n, even = (_whole(lines, first + 7, 10 * i, 10) for i in range(3))
    if (form, even) not in _LAYOUTS:
        raise ReaderRefusal(
            ReasonCode.UNREADABLE, f"line {first + 8}: the form of the values", found=f"type {form}, spacing {even}",
            allowed="real numbers (2 single, 4 double), even or uneven",
        )  # fmt: skip
    start, step = (_real(lines, first + 7, 30 + 13 * i, 13) for i in range(2))
    numbers = _values(lines, first + 12, stop, _LAYOUTS[form, even], n if even else 2 * n)
    label, unit = (lines[first + 9][at : at + 20].strip() for at in (26, 47))
    return _Function(
        line=first + 1, kind=TIME_RESPONSE,
        node=_whole(lines, first + 6, 41, 10), direction=_whole(lines, first + 6, 51, 4),
        quantity=_QUANTITIES.get(_whole(lines, first + 9, 0, 10), "other"),
        label="" if label.upper() == "NONE" else label, unit="" if unit.upper() == "NONE" else unit,
        start_s=start, step_s=step,
        values=numbers if even else numbers[1::2], stamps=None if even else numbers[0::2],
        texts=tuple(lines[first + i].strip() for i in range(1, 6)),
    )  # fmt: skip


def _whole(lines: list[str], index: int, at: int, width: int) -> int:
    text = lines[index][at : at + width].strip() if index < len(lines) else ""
    if not re.fullmatch(r"[+-]?\d+|", text, re.ASCII):
        where = f"line {index + 1}, characters {at + 1} to {at + width}"
        raise ReaderRefusal(ReasonCode.NOT_NUMERIC, f"{where} hold no whole number", found=repr(text))
    return int(text or "0")


def _real(lines: list[str], index: int, at: int, width: int) -> float:
    return _number(lines[index][at : at + width], f"line {index + 1}, characters {at + 1} to {at + width}")


def _values(lines: list[str], first: int, stop: int, widths: tuple[int, ...], n: int) -> npt.NDArray[np.float64]:
    """``n`` numbers in columns of these widths. Raises ReaderRefusal with the line of the first offence."""
    per_line = len(widths)
    if n < 1 or (n + per_line - 1) // per_line != stop - first:
        found = f"{stop - first} lines of values where {n} numbers need {max(n + per_line - 1, 0) // per_line}"
        raise _unreadable(first + 1, "the number of values", found)
    edges = np.cumsum((0, *widths))
    numbers = np.empty(n)
    for row, index in enumerate(range(first, stop)):
        line = lines[index].rstrip()
        wanted = min(per_line, n - row * per_line)
        if len(line) > edges[wanted]:
            raise _unreadable(index + 1, "more numbers than were announced", repr(line[edges[wanted] :][:40]))
        for column in range(wanted):
            cell = line[edges[column] : edges[column + 1]]
            numbers[row * per_line + column] = _number(cell, f"line {index + 1}, number {column + 1}")
    return numbers


def _number(cell: str, where: str) -> float:
    """One number of fixed columns; ``D`` exponents are allowed, as the format's home language writes them."""
    text = cell.strip().upper().replace("D", "E")
    if not text or text.lstrip("+-") in ("NAN", "INF", "INFINITY"):
        raise ReaderRefusal(ReasonCode.NON_FINITE, f"{where}: no finite number", found=repr(cell))
    if not re.fullmatch(r"[+-]?(\d+\.?\d*|\.\d+)(E[+-]?\d+)?", text, re.ASCII):
        raise ReaderRefusal(ReasonCode.NOT_NUMERIC, f"{where}: no number", found=repr(cell))
    value = float(text)
    if not math.isfinite(value):
        raise ReaderRefusal(ReasonCode.NON_FINITE, f"{where}: no finite number", found=repr(cell))
    return value


def _columns(members: list[_Function], mapping: ChannelMapping) -> list[Column]:
    """Channels with units; axes by the mapping, or by the directions of one node."""
    numbered = []
    for i, function in enumerate(members):
        known = column_of(i, function.label, function.unit)
        quantity = known.quantity if known.unit is not None else function.quantity
        name = function.label or f"c{i + 1}"
        numbered.append(replace(known, number=i + 1, name=name, quantity=quantity))
    said = {axis.column for axis in mapping.axes}
    directions = ["" if i + 1 in said else _AXES.get(abs(f.direction), "") for i, f in enumerate(members)]
    told = [
        axis for axis, column in zip(directions, numbered, strict=True)
        if column.quantity == "acceleration" and column.number not in said
    ]  # fmt: skip
    columns = numbered
    by_node = bool(told) and all(told) and len(set(told)) == len(told) and not names_accelerations(mapping)
    if by_node:
        columns = [
            replace(c, axis=axis, position=mapping.position, sign=1 if f.direction > 0 else -1)
            if c.quantity == "acceleration" and axis else c
            for c, axis, f in zip(numbered, directions, members, strict=True)
        ]  # fmt: skip
    if mapping.axes or not by_node:
        columns = with_axes(columns, numbered, mapping)
    return [with_unit(column, mapping) for column in columns]


def _clock(function: _Function, mapping: ChannelMapping) -> Clock:
    if function.stamps is not None:
        return _uneven_clock(function.stamps)
    if function.step_s <= 0.0:
        raise ReaderRefusal(
            ReasonCode.BAD_CLOCK, f"line {function.line}: the step of the abscissa", found=f"{function.step_s:g} s",
            allowed="a positive number of seconds",
        )  # fmt: skip
    rate = _exact_rate(function.step_s, mapping.sample_rate_hz)
    return Clock(True, function.start_s, rate)


def _exact_rate(step_s: float, stated: float | None) -> float:
    """Rate from a step of six digits: a stated or whole rate that gives the same digits is the one meant."""
    if stated is not None and abs(stated * step_s - 1.0) > _STATED_RATE:
        raise ReaderRefusal(
            ReasonCode.BAD_CLOCK, "sample_rate_hz of the captures table and the file contradict each other",
            found=f"{stated:g} Hz against {1 / step_s:.6g} Hz", todo="correct the one that is wrong",
        )  # fmt: skip
    for candidate in (stated, float(round(1.0 / step_s))):
        if candidate and f"{1.0 / candidate:.5e}" == f"{step_s:.5e}":
            return candidate
    return 1.0 / step_s


def _uneven_clock(stamps: npt.NDArray[np.float64]) -> Clock:
    backward = np.flatnonzero(np.diff(stamps) < 0.0)
    if backward.size:
        raise ReaderRefusal(
            ReasonCode.BAD_CLOCK, f"time runs backward at {backward.size} place(s)",
            found=f"sample {int(backward[0]) + 2}", allowed="stamps that repeat or advance",
        )  # fmt: skip
    try:
        fit = clock_fit(stamps)
    except ValueError as error:
        raise ReaderRefusal(ReasonCode.BAD_CLOCK, "the stamps show no rate", found=str(error)) from None
    return Clock(False, fit.start_s, fit.rate_hz)


@hookimpl
def register_readers() -> Sequence[type[Reader]]:
    """The one reader of universal files."""
    return [Universal58Reader]
