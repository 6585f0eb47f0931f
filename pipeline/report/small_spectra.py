"""Small spectra: one panel a repeat on one shared scale, the baseline as a quiet outline behind."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from numpy.typing import ArrayLike

from .numbers import fixed, nice_step, shortened
from .strips import Tick

_POINTS = 220
"""Points a panel keeps: about one per pixel of its width; every kept point is the highest of its cell."""

_LETTER = 3.4
"""Percent of a panel's width one letter of a line name takes in the narrowest panel (three across a printed page)."""

_ROWS = 2

_NAMELESS = frozenset({"undecided", "unnamed"})
"""Names that say nothing at the foot of an axis; the frequency does."""


@dataclass(frozen=True, slots=True)
class LineName:
    """A named line at the foot of the axis."""

    x: float
    text: str
    row: int
    anchor: str


@dataclass(frozen=True, slots=True)
class Axes:
    """The scale the panels of one place share: 0 to ``top_hz`` (or the top order), 0 to ``top_mg``."""

    top_hz: float
    top_mg: float
    ticks: tuple[Tick, ...]
    top_text: str
    unit: str = "Hz"


@dataclass(frozen=True, slots=True)
class Panel:
    """One repeat of the candidate over its baseline; curves are named, drawn once and reused."""

    title: str
    curve: str
    behind: str | None
    names: tuple[LineName, ...]
    label: str


def top_frequency(spectra: Iterable[Mapping[str, Any]], line_hz: float | None) -> float:
    """The right end of every panel: three times the line read, or all there is when that is less."""
    ends = [float(np.max(item["frequency"])) for item in spectra if len(item["frequency"])]
    if not ends:
        return 1.0
    wanted = 3.2 * line_hz if line_hz else max(ends)
    step = nice_step(wanted, 8)
    return float(min(max(ends), step * -(-wanted // step)))


def axes_for(spectra: Iterable[Mapping[str, Any]], top_hz: float) -> Axes:
    """The shared scale: high enough for the highest curve shown, from zero."""
    top = top_amplitude(spectra, top_hz)
    hz_step = nice_step(top_hz, 4)
    values = [number * hz_step for number in range(int(top_hz / hz_step + 1e-9) + 1)]
    ticks = tuple(Tick(round(100 * value / top_hz, 2), f"{value:g}") for value in values)
    return Axes(top_hz, top, ticks, f"{top:g}")


def top_amplitude(spectra: Iterable[Mapping[str, Any]], top_hz: float) -> float:
    """A round number above the highest point of all curves up to ``top_hz``."""
    most = max((_highest(item, top_hz) for item in spectra), default=0.0) or 1.0
    step = nice_step(most, 4)
    return step * (int(most / step) + 1)


def _highest(spectrum: Mapping[str, Any], top_hz: float) -> float:
    frequency, amplitude = np.asarray(spectrum["frequency"]), np.asarray(spectrum["amplitude"])
    return float(np.max(amplitude[(frequency <= top_hz) & np.isfinite(amplitude)], initial=0.0))


def held_peaks(
    frequency: ArrayLike, amplitude: ArrayLike, top_hz: float, points: int = _POINTS
) -> npt.NDArray[np.float64]:
    """At most ``points`` samples up to ``top_hz``, each the highest of its cell at its own frequency.

    Shape (2, n): frequencies and amplitudes. No line is ever lost or lowered; only the floor between lines looks
    somewhat higher than it is.
    """
    both = np.array([frequency, amplitude], dtype=np.float64)
    shown: npt.NDArray[np.float64] = both[:, (both[0] <= top_hz) & np.isfinite(both[1])]
    if shown.shape[1] <= points:
        return shown
    cell = np.minimum(shown[0] / (top_hz / points), points - 1).astype(int)
    if np.any(cell[1:] < cell[:-1]):
        order = np.argsort(cell, kind="stable")
        shown, cell = shown[:, order], cell[order]
    starts = np.flatnonzero(np.diff(cell, prepend=-1))
    highest = np.maximum.reduceat(shown[1], starts)
    as_high = np.flatnonzero(shown[1] == np.repeat(highest, np.diff(starts, append=len(cell))))
    return shown[:, as_high[np.diff(cell[as_high], prepend=-1) != 0]]


def curve_path(spectrum: Mapping[str, Any], axes: Axes, points: int = _POINTS) -> str:
    """The curve as an SVG path in a box 1000 wide and 500 high, closed along zero so that it can be filled.

    Steps between whole numbers keep it short: a page may hold hundreds of curves.
    """
    frequency, amplitude = held_peaks(spectrum["frequency"], spectrum["amplitude"], axes.top_hz, points)
    if not len(frequency):
        return "M0 500"
    across = np.rint(1000 * frequency / axes.top_hz).astype(int)
    down = np.rint(500 - 500 * amplitude / axes.top_mg).astype(int)
    ends = np.concatenate([across[:1], across, across[-1:]]), np.concatenate([[500], down, [500]])
    return f"M{across[0]} 500" + steps(*ends)


def steps(across: npt.NDArray[np.int_], down: npt.NDArray[np.int_]) -> str:
    """Relative line commands from the first place on to the last; empty for a single place."""
    if len(across) < 2:
        return ""
    text = " ".join(map(str, np.stack([np.diff(across), np.diff(down)], axis=-1).ravel().tolist()))
    return f"l{text.replace(' -', '-')}"


def line_names(lines: Sequence[Mapping[str, Any]], top_hz: float, most: int = 5) -> tuple[LineName, ...]:
    """Names at the foot of the axis, strongest first, in two rows, none over another; the table has the rest."""
    taken: list[list[tuple[float, float]]] = [[] for _ in range(_ROWS)]
    placed: list[LineName] = []
    shown = [line for line in lines if 0 < line["frequency_hz"] <= top_hz]
    for line in sorted(shown, key=lambda item: -float(item.get("amplitude_mg") or 0.0))[: 2 * most]:
        x, text = 100 * line["frequency_hz"] / top_hz, short_line_name(line)
        anchor = _anchor(x)
        extent = _extent(x, _LETTER * len(text), anchor)
        row = next((r for r in range(_ROWS) if all(_apart(extent, other) for other in taken[r])), None)
        if row is not None and len(placed) < most:
            taken[row].append(extent)
            placed.append(LineName(round(x, 2), text, row, anchor))
    return tuple(sorted(placed, key=lambda item: item.x))


def _extent(x: float, width: float, anchor: str) -> tuple[float, float]:
    left = {"start": x, "middle": x - width / 2, "end": x - width}[anchor]
    return left, left + width


def _apart(one: tuple[float, float], other: tuple[float, float]) -> bool:
    return one[1] + 1 <= other[0] or other[1] + 1 <= one[0]


def short_line_name(line: Mapping[str, Any]) -> str:
    """``order 4``, ``fixed 50.0 Hz``: the line's name without the words the axis already says."""
    name = str(line.get("name") or "")
    if name.startswith("engine order"):
        name = name.removeprefix("engine ")
    elif name.startswith("fixed"):
        name = f"fixed {fixed(line['frequency_hz'], 1)} Hz"
    elif name in _NAMELESS:
        name = ""
    return shortened(name or f"{fixed(line['frequency_hz'], 1)} Hz", 16)


def _anchor(x: float) -> str:
    if x < 20:
        return "start"
    return "end" if x > 80 else "middle"
