"""Level strips: level and speed over time in two thin rows, what was used in full ink, what was cut pale."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import isfinite
from typing import Any

from .marks import code_words
from .numbers import fixed
from .small_spectra import steps

_POINTS = 160
"""Points of a strip on a page with few captures."""

_HEIGHT = 100


@dataclass(frozen=True, slots=True)
class CutBand:
    """A piece left out, in percent of the strip's width, and its reason when there is room to write it."""

    x: float
    width: float
    words: str
    shown: bool


@dataclass(frozen=True, slots=True)
class Row:
    """One quantity over time: curve paths in a 1000 by 100 box, used and left out, and its range in words."""

    used: str
    left_out: str
    span: str


@dataclass(frozen=True, slots=True)
class LevelStrip:
    """One capture over time."""

    level: Row
    speed: Row | None
    cuts: tuple[CutBand, ...]
    duration: str
    label: str


def level_strip_for(fitness: Mapping[str, Any], name: str, points: int = _POINTS) -> LevelStrip | None:
    """The strip of one capture, or None where the capture brought no level strip."""
    levels = fitness.get("levels") or {}
    times = list(levels.get("time_s") or ())
    level = _finite(levels.get("level_mg") or ())
    if len(times) < 2 or len(level) != len(times) or all(value is None for value in level):
        return None
    stretches = [(float(start), float(stop)) for start, stop in fitness.get("stretches") or ()]
    first, last = times[0], times[-1]
    speed = _finite(levels.get("speed_rpm") or ())
    usable = [value for value in speed if value is not None and value > 0]
    known = len(usable) > 1 and len(speed) == len(times)
    cuts = tuple(_band(cut, first, last) for cut in fitness.get("cuts") or () if cut["stop_s"] > first)
    used = sum(stop - start for start, stop in stretches)
    top = _top(times, level, stretches)
    return LevelStrip(
        level=_row(times, level, stretches, (0.0, top), "mg", points),
        speed=_row(times, speed, stretches, _around(usable), "rpm", points) if known else None,
        cuts=cuts,
        duration=f"{fixed(last - first, 1)} s",
        label=f"Level and speed of {name} over {fixed(last - first, 1)} s, {fixed(used, 1)} s of it used"
        + (f"; cut: {', '.join(sorted({band.words for band in cuts}))}" if cuts else ""),
    )  # fmt: skip


def _top(
    times: Sequence[float], level: Sequence[float | None], stretches: Sequence[tuple[float, float]]
) -> float:
    """The top of the level row: room over what was used, so that a knock that was cut does not flatten it."""
    pairs = [(time, value) for time, value in zip(times, level, strict=True) if value is not None]
    used = [value for time, value in pairs if any(start <= time <= stop for start, stop in stretches)]
    most = max(value for _, value in pairs)
    return (min(most, 1.6 * max(used)) if used else most) or 1.0


def _finite(values: Sequence[float | None]) -> list[float | None]:
    return [value if value is not None and isfinite(value) else None for value in values]


def _band(cut: Mapping[str, Any], first: float, last: float) -> CutBand:
    start, stop = max(float(cut["start_s"]), first), min(float(cut["stop_s"]), last)
    width = 100 * max(stop - start, 0.0) / (last - first)
    words = code_words(str(cut.get("code", "")))
    return CutBand(round(100 * (start - first) / (last - first), 2), round(max(width, 0.3), 2), words, width > 12)


def _around(values: Sequence[float]) -> tuple[float, float]:
    """A range no narrower than 10 % of the middle, so that a steady idle looks steady."""
    if not values:
        return 0.0, 1.0
    low, high = min(values), max(values)
    slack = max(0.05 * (low + high) / 2 - (high - low) / 2, 0.0)
    return low - slack, high + slack


def _row(
    times: Sequence[float],
    values: Sequence[float | None],
    stretches: Sequence[tuple[float, float]],
    span: tuple[float, float],
    unit: str,
    points: int,
) -> Row:
    low, high = span
    room = (high - low) or 1.0
    stride = max(1, -(-len(times) // points))
    used: list[list[tuple[int, int]]] = [[]]
    pale: list[list[tuple[int, int]]] = [[]]
    for start in range(0, len(times), stride):
        cell = [value for value in values[start : start + stride] if value is not None]
        time = times[start]
        if not cell or (unit == "rpm" and max(cell) <= 0):
            _break(used)
            _break(pale)
            continue
        x = round(1000 * (time - times[0]) / (times[-1] - times[0]))
        point = (x, round(_HEIGHT - _HEIGHT * min((max(cell) - low) / room, 1.0)))
        inside = any(begin <= time <= end for begin, end in stretches)
        (used if inside else pale)[-1].append(point)
        _break(pale if inside else used)
    decimals = 0 if unit == "rpm" else (1 if high < 100 else 0)
    text = f"{fixed(low, decimals)} to {fixed(high, decimals)} {unit}"
    return Row(_path(used), _path(pale), text)


def _break(runs: list[list[tuple[int, int]]]) -> None:
    if runs[-1]:
        runs.append([])


def _path(runs: Sequence[Sequence[tuple[int, int]]]) -> str:
    return "".join(f"M{run[0][0]} {run[0][1]}" + (steps(run) or "h1") for run in runs if run)
