"""Level strips: level and speed over time in two thin rows, what was used in full ink, what was cut pale."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import isnan
from typing import Any

import numpy as np
import numpy.typing as npt

from ..kernels.run_lengths import run_starts
from .marks import code_words
from .numbers import fixed
from .small_spectra import steps

_POINTS = 160
"""Points of a strip on a page with few captures."""

_HEIGHT = 100

Floats = npt.NDArray[np.float64]


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
    times, level, speed = (_numbers(levels.get(name)) for name in ("time_s", "level_mg", "speed_rpm"))
    if len(times) < 2 or len(level) != len(times) or np.isnan(level).all():
        return None
    used = _inside(times, fitness.get("stretches") or ())
    first, last = float(times[0]), float(times[-1])
    usable = speed[speed > 0]
    known = len(usable) > 1 and len(speed) == len(times)
    cuts = tuple(_band(cut, first, last) for cut in fitness.get("cuts") or () if cut["stop_s"] > first)
    used_s = sum(float(stop) - float(start) for start, stop in fitness.get("stretches") or ())
    return LevelStrip(
        level=_row(times, level, used, (0.0, _top(level, used)), "mg", points),
        speed=_row(times, np.where(speed > 0, speed, np.nan), used, _around(usable), "rpm", points) if known else None,
        cuts=cuts,
        duration=f"{fixed(last - first, 1)} s",
        label=f"Level and speed of {name} over {fixed(last - first, 1)} s, {fixed(used_s, 1)} s of it used"
        + (f"; cut: {', '.join(sorted({band.words for band in cuts}))}" if cuts else ""),
    )  # fmt: skip


def _numbers(values: Any) -> Floats:
    """Numbers as they came; what is none, or infinite, is NaN."""
    numbers = np.array([] if values is None else values, dtype=np.float64)
    numbers[~np.isfinite(numbers)] = np.nan
    return numbers


def _inside(times: Floats, stretches: Sequence[Sequence[float]]) -> npt.NDArray[np.bool_]:
    inside = np.zeros(len(times), dtype=bool)
    for start, stop in stretches:
        inside |= (float(start) <= times) & (times <= float(stop))
    return inside


def _top(level: Floats, used: npt.NDArray[np.bool_]) -> float:
    """The top of the level row: room over what was used, so that a knock that was cut does not flatten it."""
    most, highest_used = float(np.nanmax(level)), float(np.fmax.reduce(level[used], initial=np.nan))
    return (most if isnan(highest_used) else min(most, 1.6 * highest_used)) or 1.0


def _band(cut: Mapping[str, Any], first: float, last: float) -> CutBand:
    start, stop = max(float(cut["start_s"]), first), min(float(cut["stop_s"]), last)
    width = 100 * max(stop - start, 0.0) / (last - first)
    words = code_words(str(cut.get("code", "")))
    return CutBand(round(100 * (start - first) / (last - first), 2), round(max(width, 0.3), 2), words, width > 12)


def _around(values: Floats) -> tuple[float, float]:
    """A range no narrower than 10 % of the middle, so that a steady idle looks steady."""
    if not len(values):
        return 0.0, 1.0
    low, high = float(values.min()), float(values.max())
    slack = max(0.05 * (low + high) / 2 - (high - low) / 2, 0.0)
    return low - slack, high + slack


def _row(
    times: Floats,
    values: Floats,
    used: npt.NDArray[np.bool_],
    span: tuple[float, float],
    unit: str,
    points: int,
) -> Row:
    low, high = span
    starts = np.arange(0, len(times), max(1, -(-len(times) // points)))
    highest = np.fmax.reduceat(values, starts)
    across = np.rint(1000 * (times[starts] - times[0]) / (times[-1] - times[0])).astype(int)
    down = np.rint(_HEIGHT - _HEIGHT * np.minimum((highest - low) / ((high - low) or 1.0), 1.0))
    known = np.isfinite(down)
    whole = np.where(known, down, 0.0).astype(int)
    decimals = 0 if unit == "rpm" else (1 if high < 100 else 0)
    text = f"{fixed(low, decimals)} to {fixed(high, decimals)} {unit}"
    inside = used[starts]
    return Row(_path(across, whole, known & inside), _path(across, whole, known & ~inside), text)


def _path(across: npt.NDArray[np.int_], down: npt.NDArray[np.int_], shown: npt.NDArray[np.bool_]) -> str:
    """A line through each run of places shown; a place alone is a dash."""
    lengths, starts = run_starts(shown)
    runs = [slice(start, stop) for start, stop in zip(starts.tolist(), (starts + lengths).tolist(), strict=True)]
    return "".join(f"M{across[run][0]} {down[run][0]}" + (steps(across[run], down[run]) or "h1") for run in runs)
