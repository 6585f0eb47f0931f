"""Named numeric arrays as a capture: what containers of arrays (HDF5, MATLAB) have in common.

A container gives columns (a name, a unit where one is written, a way to read rows i to j) and facts (single
numbers by name). Here they become channels on one clock, by the same rules for names, units and axes as
everywhere, and nothing is read whole.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from ..pipeline.contracts import CaptureHead, ChannelMapping, Clock, GroupHead, ReaderRefusal, ReasonCode, Sink
from ..pipeline.contracts.labels import Column, channel_head, column_of, is_time_name, with_axes, with_unit
from ..pipeline.kernels.clock import ClockFit, ClockGauge

BLOCK_ROWS = 1 << 16
STATED_RATE = 0.02
"""A rate a person or the container states may differ from the stamps by rounding, not by more."""
_RATE_NAME = re.compile(
    r"(?:sampl(?:e|ing)[ _-]*(?:rate|freq\w*)|fs|sr|rate|odr|data[ _]rate)(?:[ _]*\(?hz\)?)?", re.IGNORECASE
)
_STEP_NAME = re.compile(
    r"(?:sampl(?:e|ing)[ _-]*(?:interval|period)|dt|delta[ _]?t|time[ _]step|ts)(?:[ _]*\(?s\)?)?", re.IGNORECASE
)
_UNITS_S = (1.0, 1e-3, 1e-6, 1e-9)
Numbers = npt.NDArray[Any]


@dataclass(frozen=True, slots=True)
class ArrayColumn:
    """One column of a container: ``rows(start, stop)`` gives its numbers [shape=(stop - start,)] as stored.

    ``factor`` and ``shift`` turn the stored number into the unit (value = stored * factor + shift).
    """

    name: str
    unit: str
    n: int
    dtype: np.dtype[Any]
    rows: Callable[[int, int], Numbers]
    factor: float = 1.0
    shift: float = 0.0


@dataclass(frozen=True, slots=True)
class ArraySet:
    """Columns that lie together in a container, and the single numbers and texts beside them."""

    place: str
    columns: tuple[ArrayColumn, ...]
    facts: Mapping[str, float] = field(default_factory=dict)
    passed_over: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class PlannedCapture:
    """A capture ready to be passed on: everything is settled but the samples."""

    groups: tuple[tuple[str, tuple[tuple[Column, ArrayColumn], ...], np.dtype[Any]], ...]
    time: ArrayColumn | None
    clock: Clock
    n: int
    metadata: Mapping[str, Any]


def planned(arrays: ArraySet, mapping: ChannelMapping) -> PlannedCapture:
    """Channels, units, axes and clock of one set of arrays.

    Raises
    ------
    ReaderRefusal
        ``empty``, ``ambiguous``, ``unknown_unit``, ``bad_clock`` or ``unreadable``, as for every format.
    """
    if not arrays.columns:
        raise ReaderRefusal(ReasonCode.EMPTY, f"{arrays.place}: no arrays of numbers", todo="export the samples")
    labelled = [column_of(i, column.name, column.unit) for i, column in enumerate(arrays.columns)]
    time = next((c for c in labelled if c.name and is_time_name(c)), None)
    numbered = [
        replace(column, number=n, name=column.name or f"c{n}")
        for n, column in enumerate((c for c in labelled if time is None or c.cell != time.cell), 1)
    ]
    columns = [with_unit(column, mapping) for column in with_axes(numbered, numbered, mapping)]
    n = arrays.columns[next(c.cell for c in columns if c.axis)].n
    columns, other = _of_length(columns, arrays, n)
    stamps = None if time is None else arrays.columns[time.cell]
    if stamps is not None and stamps.n != n:
        raise ReaderRefusal(
            ReasonCode.UNREADABLE, f"{arrays.place}: as many stamps as samples", found=f"{stamps.n} and {n}",
            todo="export the file again",
        )  # fmt: skip
    if time is not None and stamps is not None:
        stamps = _in_seconds(time, stamps, _agreed(_stated_rates(arrays.facts, mapping)), n)
    clock, figures = _clock(stamps, _stated_rates(arrays.facts, mapping), n)
    metadata = {"place": arrays.place, "passed_over": [*arrays.passed_over, *other], **figures}
    return PlannedCapture(_groups(columns, arrays), None if clock.uniform else stamps, clock, n, metadata)


def passed(plan: PlannedCapture, index: int, reader: str, mapping: ChannelMapping, sink: Sink) -> CaptureHead:
    """Pass the samples on in blocks and return the head. Raises ReaderRefusal ``non_finite`` with the place."""
    sink.begin(index)
    for start in range(0, plan.n, BLOCK_ROWS):
        stop = min(start + BLOCK_ROWS, plan.n)
        for name, members, dtype in plan.groups:
            block = np.stack([_finite(column, start, stop).astype(dtype) for _, column in members])
            sink.samples(name, block)
            if plan.time is not None:
                sink.stamps(name, _ticks(plan.time, start, stop))
    heads = tuple(
        GroupHead(name, tuple(_head(c, a, mapping) for c, a in members), plan.clock, plan.n, str(dtype))
        for name, members, dtype in plan.groups
    )
    return CaptureHead(index, reader, heads, "", dict(plan.metadata))


def _of_length(columns: list[Column], arrays: ArraySet, n: int) -> tuple[list[Column], list[str]]:
    """Columns as long as the signal; an axis of another length is no capture, other columns are named."""
    for column in columns:
        if column.axis and arrays.columns[column.cell].n != n:
            raise ReaderRefusal(
                ReasonCode.UNREADABLE, f"{arrays.place}: axes of one length",
                found=f"{column.name}: {arrays.columns[column.cell].n} samples against {n}",
                todo="export them together",
            )  # fmt: skip
    fitting = [column for column in columns if arrays.columns[column.cell].n == n]
    return fitting, [column.name for column in columns if column not in fitting]


def _groups(
    columns: list[Column], arrays: ArraySet
) -> tuple[tuple[str, tuple[tuple[Column, ArrayColumn], ...], np.dtype[Any]], ...]:
    groups = []
    for name, dynamic in (("signal", True), ("beside", False)):
        members = tuple((c, arrays.columns[c.cell]) for c in columns if c.dynamic is dynamic)
        if members:
            groups.append((name, members, _common_type([array for _, array in members])))
    return tuple(groups)


def _common_type(arrays: Sequence[ArrayColumn]) -> np.dtype[Any]:
    """A type that holds every stored number exactly. Raises ReaderRefusal for unsigned 64-bit counts."""
    dtype = np.result_type(*(array.dtype for array in arrays))
    mixed = dtype.kind == "f" and any(a.dtype.kind in "iu" and a.dtype.itemsize == 8 for a in arrays)
    if (dtype.kind == "u" and dtype.itemsize == 8) or mixed:
        raise ReaderRefusal(
            ReasonCode.UNREADABLE, "numbers that one type can hold exactly",
            found=", ".join(sorted({str(array.dtype) for array in arrays})), todo="export as int32 or float64",
        )  # fmt: skip
    if dtype.kind == "u":
        return np.dtype(f"int{dtype.itemsize * 16}")
    return np.dtype(np.float64) if dtype.kind == "f" else np.dtype(f"int{max(dtype.itemsize, 2) * 8}")


def _finite(column: ArrayColumn, start: int, stop: int) -> Numbers:
    numbers = column.rows(start, stop)
    if numbers.shape != (stop - start,):
        raise ReaderRefusal(
            ReasonCode.UNREADABLE, f"{column.name}: {column.n} numbers",
            found=f"{numbers.shape} in rows {start} to {stop}",
        )  # fmt: skip
    if numbers.dtype.kind == "f" and not np.isfinite(numbers).all():
        at = start + int(np.argmin(np.isfinite(numbers)))
        raise ReaderRefusal(
            ReasonCode.NON_FINITE, f"{column.name}: number {at + 1} is not finite", found=str(numbers[at - start]),
            todo="cut the record there, or record again",
        )  # fmt: skip
    return numbers


def _head(column: Column, array: ArrayColumn, mapping: ChannelMapping) -> Any:
    head = channel_head(column, mapping)
    return replace(head, scale=head.scale * array.factor, offset=head.offset + head.scale * array.shift)


def _stated_rates(facts: Mapping[str, float], mapping: ChannelMapping) -> dict[str, float]:
    """Rates by who states them."""
    stated = {} if mapping.sample_rate_hz is None else {"sample_rate_hz of the captures table": mapping.sample_rate_hz}
    for name, value in facts.items():
        if value > 0 and _RATE_NAME.fullmatch(name):
            stated[name] = value
        elif value > 0 and _STEP_NAME.fullmatch(name):
            stated[name] = 1.0 / value
    return stated


def _agreed(stated: Mapping[str, float]) -> float | None:
    rates = list(stated.values())
    if rates and max(rates) > min(rates) * (1.0 + STATED_RATE):
        found = ", ".join(f"{name}: {rate:g} Hz" for name, rate in stated.items())
        raise ReaderRefusal(ReasonCode.BAD_CLOCK, "several rates are stated", found=found, todo="correct the wrong one")
    return rates[0] if rates else None


def _clock(stamps: ArrayColumn | None, stated: Mapping[str, float], n: int) -> tuple[Clock, dict[str, Any]]:
    rate = _agreed(stated)
    if stamps is None:
        if rate is None:
            raise ReaderRefusal(
                ReasonCode.BAD_CLOCK, "no time array and no sampling rate in the file",
                todo="fill column 'sample_rate_hz' of the captures table",
            )  # fmt: skip
        return Clock(True, 0.0, float(rate)), {}
    fit = _fit(stamps, n)
    if rate is not None and abs(fit.rate_hz / rate - 1.0) > STATED_RATE:
        raise ReaderRefusal(
            ReasonCode.BAD_CLOCK, f"{next(iter(stated))} and the stamps contradict each other",
            found=f"{rate:g} Hz against {fit.rate_hz:.6g} Hz", todo="correct the one that is wrong",
        )  # fmt: skip
    figures = {"clock": {"jitter_s": fit.jitter_s, "n_gaps": len(fit.gaps), "n_repeated": fit.n_repeated}}
    if fit.uniform and not fit.gaps:
        return Clock(True, fit.start_s, fit.rate_hz), figures
    return Clock(False, fit.start_s, fit.rate_hz, _tick_s(stamps)), figures


def _in_seconds(time: Column, stamps: ArrayColumn, rate: float | None, n: int) -> ArrayColumn:
    """The stamps with their unit in factor and shift; a stated rate settles a unit that is not written."""
    if time.unit is not None:
        unit_s = time.unit.to_si
    else:
        step = float(stamps.rows(n - 1, n)[0] - stamps.rows(0, 1)[0]) * stamps.factor / max(n - 1, 1)
        fitting = [unit for unit in _UNITS_S if rate and step > 0 and abs(1.0 / (step * unit) / rate - 1.0) <= 0.5]
        if len(fitting) != 1:
            raise ReaderRefusal(
                ReasonCode.BAD_CLOCK, f"{stamps.name}: a unit of time", found="none",
                todo="write it beside the array, name the array as in time_s, or fill column 'sample_rate_hz'",
            )  # fmt: skip
        unit_s = fitting[0]
    return replace(stamps, factor=unit_s * stamps.factor, shift=unit_s * stamps.shift)


def _tick_s(stamps: ArrayColumn) -> float:
    """Seconds per stored whole number; 0 where stamps are floating-point seconds."""
    return stamps.factor if stamps.dtype.kind in "iu" and not stamps.shift else 0.0


def _fit(stamps: ArrayColumn, n: int) -> ClockFit:
    """Clock of the stamps, refusing those that run backward."""
    tick_s = _tick_s(stamps)
    gauge = ClockGauge(tick_s or None)
    last: Any = None
    for start in range(0, n, BLOCK_ROWS):
        numbers = _ticks(stamps, start, min(start + BLOCK_ROWS, n))
        steps = np.diff(numbers if last is None else np.concatenate([[last], numbers]))
        if np.any(steps < 0):
            at = start + int(np.argmax(steps < 0)) + (1 if last is None else 0)
            raise ReaderRefusal(
                ReasonCode.BAD_CLOCK, f"{stamps.name}: time runs backward", found=f"at number {at + 1}",
                allowed="stamps that repeat or advance", todo="cut the record there",
            )  # fmt: skip
        gauge.push(numbers)
        last = numbers[-1]
    try:
        return gauge.fit()
    except ValueError as error:
        raise ReaderRefusal(ReasonCode.BAD_CLOCK, f"{stamps.name}: the stamps show no rate", found=str(error)) from None


def _ticks(stamps: ArrayColumn, start: int, stop: int) -> Numbers:
    """Stamps as whole ticks, or as seconds."""
    numbers = _finite(stamps, start, stop)
    if _tick_s(stamps):
        return numbers.astype(np.int64)
    return numbers.astype(np.float64) * stamps.factor + stamps.shift
