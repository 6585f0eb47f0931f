"""The clock of a text capture: stamps as whole ticks where they are, their unit, and what they show.

Stamps may start anywhere, be negative, jitter, repeat (a coarse clock) and have gaps. Stamps that run backward
are refused with their lines: no order of the samples could be trusted after that.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import UTC, datetime
from fractions import Fraction
from typing import Any

import numpy as np
import numpy.typing as npt

from ..pipeline.contracts import ChannelMapping, Clock, ReaderRefusal, ReasonCode
from ..pipeline.kernels.clock import ClockFit, ClockGauge
from .ingest_text_columns import Layout
from .ingest_text_declared import Declared
from .ingest_text_fixed import FixedColumn

STATED_RATE = 0.02
"""A rate in the captures table is a person's word for this very file: it may be off by rounding, not more."""
NOMINAL_RATE = 0.10
"""A rate in the file's own header is often the sensor's nominal one; cheap oscillators miss it by up to 10 %."""
LEAST_RATE_HZ, MOST_RATE_HZ = 20.0, 60000.0
"""Rates an accelerometer log can have; settles the unit of stamps that name none where one unit alone fits."""
_UNITS_S = {"s": 1.0, "ms": 1e-3, "us": 1e-6, "ns": 1e-9}
_EPOCH_S = (9.4e8, 4.2e9)
"""Seconds since 1970 from the year 2000 to 2103: larger than any time since start-up would be."""
_DATE_FORMS = (
    (r"^(\d{4})(\d\d)(\d\d)(?=\D|$)", r"\1-\2-\3"),
    (r"^(\d{4})/(\d\d)/(\d\d)", r"\1-\2-\3"),
    (r"^(\d\d)\.(\d\d)\.(\d{4})", r"\3-\2-\1"),
)
"""Dates that are no ISO dates, and how they become some."""
_MOST_DECIMALS = 12
_LOOKED_AT_FIRST = 256
EXACT_COUNTS = 2**50
"""Up to so many counts the product of a double and its power of ten errs by less than half a count."""


@dataclass(frozen=True, slots=True)
class TimeScale:
    """How stamps become ticks: ``unit_s`` seconds per unit written, ``decimals`` kept as whole ticks (None: float).

    ``zero`` (ticks) is subtracted where stamps are absolute, ``origin`` being the instant it stands for.
    """

    unit_s: float
    decimals: int | None
    zero: int = 0
    origin: str = ""

    @property
    def tick_s(self) -> float:
        """Seconds per tick; 0 when stamps are float seconds."""
        return 0.0 if self.decimals is None else self.unit_s / 10.0**self.decimals

    def ticks(self, values: npt.NDArray[Any]) -> npt.NDArray[Any]:
        """Stamps as ticks (int64), or as float64 seconds."""
        if self.decimals is None:
            return np.asarray(values, np.float64) * self.unit_s
        if values.dtype == np.int64:
            return values - self.zero
        return np.asarray(np.rint(values * 10.0**self.decimals), np.int64) - self.zero


def iso_nanoseconds(texts: npt.NDArray[np.object_], lines: npt.NDArray[np.int64]) -> npt.NDArray[np.int64]:
    """Nanoseconds since 1970 (or since midnight) of ISO stamps.

    Raises
    ------
    ReaderRefusal
        ``bad_clock`` with the line of a stamp that is no valid date or time.
    """
    import pandas as pd

    plain = pd.Series(texts, dtype=object).str.strip().str.replace(",", ".", regex=False)
    if not plain.str.contains(r"-|/|^\d{8}|^\d\d\.\d\d\.", regex=True).any():
        plain = "1970-01-01T" + plain
    for pattern, iso in _DATE_FORMS:
        plain = plain.str.replace(pattern, iso, regex=True)
    try:
        moments = pd.to_datetime(plain, format="ISO8601", utc=True)
    except (ValueError, OverflowError):
        loose = pd.to_datetime(plain, format="ISO8601", utc=True, errors="coerce")
        row = int(np.argmax(loose.isna().to_numpy()))
        raise ReaderRefusal(
            ReasonCode.BAD_CLOCK, f"line {int(lines[row])} has no valid time stamp", found=repr(str(texts[row])[:60]),
            allowed="2026-11-25T10:15:30.125 (blank for T, comma, Z or an offset are fine) or 10:15:30.125",
        ) from None  # fmt: skip
    return np.asarray(moments.dt.as_unit("ns").astype(np.int64).to_numpy(), np.int64)


def decimals_of(values: npt.NDArray[np.float64], least: int = 0, most: int = _MOST_DECIMALS) -> int | None:
    """Decimals at which every value is a whole count divided by a power of ten, exactly; None beyond ``most``.

    The test is exact: counts below 2**53 and powers up to 10**22 are exact doubles, so their quotient is the
    correctly rounded value of the decimal text.
    """
    # what a few values need all of them need: most numbers of decimals are ruled out without looking at the rest
    some = values[:_LOOKED_AT_FIRST]
    if some.size < values.size:
        needed = decimals_of(some, least, most)
        if needed is None:
            return None
        least = needed
    for decimals in range(least, most + 1):
        counts = np.rint(values * 10.0**decimals)
        if np.max(np.abs(counts), initial=0.0) >= 2.0**53:
            return None
        if np.array_equal(counts / 10.0**decimals, values):
            return decimals
    return None


class StampWatch:
    """Sees all stamps of a file once: their decimals, their order, their fit."""

    def __init__(self) -> None:
        self.n = 0
        self._decimals: int | None = 0
        self._first: Any = None
        self._last: Any = None
        self._backward: list[str] = []
        self.n_backward = 0
        self._kept: list[npt.NDArray[Any] | FixedColumn] = []
        self.n_repeated = 0

    def push(self, values: npt.NDArray[Any], line_of: Any) -> None:
        """Take the next stamps (float64 as written, or int64 nanoseconds)."""
        if values.dtype == np.float64 and self._decimals is not None:
            self._decimals = decimals_of(values, self._decimals)
        joined = values if self._last is None else np.concatenate([[self._last], values])
        offset = 0 if self._last is None else 1
        steps = np.diff(joined)
        for at in np.flatnonzero(steps < 0)[:3]:
            row = int(at) + 1 - offset
            if len(self._backward) < 3:
                self._backward.append(f"line {line_of(row)} ({joined[at]:.16g} then {joined[at + 1]:.16g})")
        self.n_backward += int(np.count_nonzero(steps < 0))
        self.n_repeated += int(np.count_nonzero(steps == 0))
        self._keep(values, values)

    def push_counts(self, column: FixedColumn, line_of: Any) -> None:
        """Take the next stamps as counts whose decimals are known; those that do not rise are looked at one by one."""
        ends = FixedColumn(column.counts[[0, -1]], column.negative[[0, -1]], column.decimals).values
        rising = column.counts.size < 2 or int(np.diff(column.counts).min()) > 0
        if not rising or (self._last is not None and self._last >= ends[0]) or self._decimals is None:
            self.push(column.values, line_of)
            return
        self._decimals = _fewest_decimals(column, self._decimals)
        self._keep(column, ends)

    def _keep(self, stamps: npt.NDArray[Any] | FixedColumn, values: npt.NDArray[Any]) -> None:
        if self._first is None:
            self._first = values[0]
        self._last = values[-1]
        self._kept.append(stamps)
        self.n += stamps.size

    def refuse_backward(self) -> None:
        """Raise ``bad_clock`` when any stamp is earlier than the one before it."""
        if self.n_backward:
            raise ReaderRefusal(
                ReasonCode.BAD_CLOCK, f"time runs backward at {self.n_backward} place(s)",
                found="; ".join(self._backward), allowed="stamps that repeat or advance",
                todo="cut the record there, or leave out the time column and give sample_rate_hz",
            )  # fmt: skip

    @property
    def _dated(self) -> bool:
        """Whether the stamps are nanoseconds, not numbers as written."""
        first = self._kept[0]
        return not isinstance(first, FixedColumn) and first.dtype == np.int64

    @property
    def first_count(self) -> int:
        """The first of the whole numbers."""
        return int(self._first)

    @property
    def lost(self) -> bool | None:
        """For whole numbers that rise throughout: whether some are missing; None where they number no samples."""
        if self._decimals != 0 or self._dated or self.n_backward or self.n_repeated:
            return None
        return bool(self._last - self._first != self.n - 1)

    def scale(self, layout: Layout, mapping: ChannelMapping) -> TimeScale:
        """Unit, ticks and origin of the stamps. Raises ReaderRefusal ``bad_clock``."""
        if self._dated:
            return self._absolute(TimeScale(1e-9, 0))
        unit_s = self._unit_s(layout, mapping)
        scale = TimeScale(unit_s, self._decimals)
        first_s = float(self._first) * unit_s
        if _EPOCH_S[0] <= first_s <= _EPOCH_S[1]:
            return self._absolute(scale)
        return scale

    def _absolute(self, scale: TimeScale) -> TimeScale:
        """Count from the first stamp, so that seconds keep their digits; remember what instant that was."""
        if scale.decimals is None:
            return scale
        zero = int(scale.ticks(np.asarray([self._first]))[0])
        seconds = zero * scale.tick_s
        origin = ""
        if seconds >= 86400.0:
            whole = datetime.fromtimestamp(int(seconds), UTC).strftime("%Y-%m-%dT%H:%M:%S")
            part = zero - round(int(seconds) / scale.tick_s)
            origin = f"{whole}.{round(part * scale.tick_s * 1e6):06d}Z"
        return TimeScale(scale.unit_s, scale.decimals, zero, origin)

    def _unit_s(self, layout: Layout, mapping: ChannelMapping) -> float:
        column = layout.time[0]
        if column.unit is not None:
            return column.unit.to_si
        if column.unit_text:
            raise ReaderRefusal(
                ReasonCode.BAD_CLOCK, "the unit of the time column", found=repr(column.unit_text),
                allowed="s, ms, us, ns", todo="write it in the header, as in time_ms",
            )  # fmt: skip
        rate_hz = mapping.sample_rate_hz or layout.declared.rate_hz
        return _plausible_unit_s(self._usual_step(), float(self._first), rate_hz)

    def _usual_step(self) -> float:
        n = max(self.n - 1, 1)
        return float(self._last - self._first) / n

    def fit(self, scale: TimeScale) -> ClockFit:
        """What the stamps show. Raises ReaderRefusal ``bad_clock`` when they show no rate."""
        ticks = [_ticks(stamps, scale) for stamps in self._kept]
        step = _one_step(ticks) if scale.decimals is not None else None
        if step:
            return _even_fit(self.n, int(ticks[0][0]), step, scale)
        gauge = ClockGauge(scale.tick_s or None)
        for portion in ticks:
            gauge.push(portion)
        try:
            return gauge.fit()
        except ValueError as error:
            raise ReaderRefusal(
                ReasonCode.BAD_CLOCK, "the stamps show no rate", found=str(error),
                todo="leave out the time column and give sample_rate_hz",
            ) from None  # fmt: skip


def _fewest_decimals(column: FixedColumn, least: int) -> int | None:
    """What ``decimals_of`` finds for the values."""
    if column.largest * 10 ** max(least - column.decimals, 0) >= EXACT_COUNTS:
        return decimals_of(column.values, least)
    for decimals in range(least, min(column.decimals, _MOST_DECIMALS + 1)):
        divisor = 10 ** (column.decimals - decimals)
        some = column.counts[:_LOOKED_AT_FIRST]
        # a division and a product are several times faster than a remainder
        if np.array_equal(some // divisor * divisor, some) and np.array_equal(
            column.counts // divisor * divisor, column.counts
        ):
            return decimals
    needed = max(least, column.decimals)
    return needed if needed <= _MOST_DECIMALS else None


def _ticks(stamps: npt.NDArray[Any] | FixedColumn, scale: TimeScale) -> npt.NDArray[Any]:
    if not isinstance(stamps, FixedColumn):
        return scale.ticks(stamps)
    further = 0 if scale.decimals is None else scale.decimals - stamps.decimals
    if scale.decimals is None or stamps.largest * 10 ** max(further, 0) >= EXACT_COUNTS:
        return scale.ticks(stamps.values)
    counts = stamps.counts * np.int64(10**further) if further >= 0 else stamps.counts // 10**-further
    return counts.astype(np.int64, copy=False) - scale.zero


def _one_step(ticks: list[npt.NDArray[Any]]) -> int | None:
    """The step when all stamps advance by the same number of ticks, else None."""
    firsts = [int(portion[0]) for portion in ticks]
    lasts = [int(portion[-1]) for portion in ticks]
    steps = {later - earlier for earlier, later in zip(lasts, firsts[1:], strict=False)}
    for portion in ticks:
        if portion.size > 1:
            differences = np.diff(portion)
            steps |= {int(differences.min()), int(differences.max())}
        if len(steps) > 1:
            return None
    return steps.pop() if steps else None


def _even_fit(n: int, first: int, step: int, scale: TimeScale) -> ClockFit:
    """The fit of stamps in equal steps: however short the record, no other rate can be meant."""
    step_s, start_s = step * scale.tick_s, first * scale.tick_s
    spread = np.sqrt(n * (n * n - 1.0) / 12.0)
    return ClockFit(
        n=n, start_s=start_s, stop_s=start_s + (n - 1) * step_s, rate_hz=_exact_rate(step, scale),
        rate_std_hz=float(scale.tick_s / np.sqrt(12.0) / spread / step_s**2), usual_step_s=step_s,
        resolution_s=scale.tick_s, jitter_s=0.0, departure_s=0.0, gaps=(), gap_at=(), n_repeated=0, n_backward=0,
        uniform=True, steady=True,
    )  # fmt: skip


def _exact_rate(step: int, scale: TimeScale) -> float:
    """Rate of stamps that all advance by the same ticks, correctly rounded."""
    assert scale.decimals is not None
    unit_s = Fraction(scale.unit_s).limit_denominator(10**9)
    return float(Fraction(10**scale.decimals, step) / unit_s)


def _plausible_unit_s(step: float, first: float, rate_hz: float | None) -> float:
    """Seconds per unit of stamps that name none: settled by a stated rate, or by the only unit that can be."""
    if step <= 0.0:
        raise ReaderRefusal(
            ReasonCode.BAD_CLOCK, "the stamps do not advance", found=f"all at {first:g}",
            todo="leave out the time column and give sample_rate_hz",
        )  # fmt: skip
    rates = {unit: 1.0 / (step * seconds) for unit, seconds in _UNITS_S.items()}
    if rate_hz is not None:
        fitting = [unit for unit, rate in rates.items() if abs(rate / rate_hz - 1.0) <= 0.5]
    else:
        fitting = [unit for unit, rate in rates.items() if LEAST_RATE_HZ <= rate <= MOST_RATE_HZ]
    if len(fitting) != 1:
        shown = ", ".join(f"{rate:.4g} Hz if in {unit}" for unit, rate in rates.items())
        raise ReaderRefusal(
            ReasonCode.BAD_CLOCK, "the time column names no unit", found=shown,
            todo="write it in the header (time_ms), or fill column 'sample_rate_hz'",
        )  # fmt: skip
    return _UNITS_S[fitting[0]]


def clock_from_fit(fit: ClockFit, scale: TimeScale, declared: Declared, mapping: ChannelMapping) -> Clock:
    """Uniform where the stamps fit one grid within their own resolution and without gaps; stamps kept otherwise."""
    _refuse_other_rate(fit, mapping.sample_rate_hz, STATED_RATE, "sample_rate_hz of the captures table")
    _refuse_other_rate(fit, declared.rate_hz, NOMINAL_RATE, "the rate in the file's header")
    if fit.uniform and not fit.gaps:
        return Clock(True, fit.start_s, fit.rate_hz, 0.0, scale.origin)
    return Clock(False, fit.start_s, fit.rate_hz, scale.tick_s, scale.origin)


def _refuse_other_rate(fit: ClockFit, rate_hz: float | None, tolerance: float, source: str) -> None:
    if rate_hz is not None and abs(fit.rate_hz / rate_hz - 1.0) > tolerance:
        raise ReaderRefusal(
            ReasonCode.BAD_CLOCK, f"{source} and the stamps contradict each other",
            found=f"{rate_hz:g} Hz against {fit.rate_hz:.6g} Hz", allowed=f"{tolerance * 100:g} % apart",
            todo="correct the one that is wrong",
        )  # fmt: skip


def clock_without_stamps(layout: Layout, mapping: ChannelMapping) -> Clock:
    """The clock of a file without time column: a stated rate, or none and so a refusal."""
    stated, written = mapping.sample_rate_hz, layout.declared.rate_hz
    if stated is None and written is None and layout.unread_time:
        raise ReaderRefusal(
            ReasonCode.BAD_CLOCK, "the time column is in no form that is certain", found=repr(layout.unread_time),
            allowed="seconds, ms, us; 2026-11-25T10:15:30.125, 25.11.2026 10:15:30.125, 10:15:30.125",
            todo="write the stamps so, or fill column 'sample_rate_hz' of the captures table",
        )  # fmt: skip
    if stated is None and written is None:
        raise ReaderRefusal(
            ReasonCode.BAD_CLOCK, "the file has no time column and names no rate",
            todo="fill column 'sample_rate_hz' of the captures table",
        )  # fmt: skip
    if stated is not None and written is not None and abs(stated / written - 1.0) > NOMINAL_RATE:
        raise ReaderRefusal(
            ReasonCode.BAD_CLOCK, "two rates are stated",
            found=f"{stated:g} Hz in the captures table, {written:g} Hz in the file",
            todo="correct the one that is wrong",
        )  # fmt: skip
    rate = stated if stated is not None else written
    assert rate is not None
    return Clock(True, 0.0, float(rate))


def clock_by_count(clock: Clock, watch: StampWatch) -> tuple[Clock, TimeScale | None, ClockFit | None]:
    """A stated rate with numbered samples: missing numbers are samples that were lost, and stay gaps."""
    if not watch.lost:
        return clock, None, None
    scale = TimeScale(1.0 / clock.rate_hz, 0, watch.first_count)
    return Clock(False, 0.0, clock.rate_hz, scale.tick_s), scale, watch.fit(scale)


def recorded_at(scale: TimeScale | None, declared: Declared) -> str:
    """ISO instant of the first sample, where the stamps or the header tell."""
    if scale is not None and scale.origin:
        return scale.origin
    match = re.match(r"\d{4}-\d\d-\d\d[T ]\d\d:\d\d(?::\d\d(?:\.\d+)?)?", declared.recorded_at)
    return match[0].replace(" ", "T") if match else ""
