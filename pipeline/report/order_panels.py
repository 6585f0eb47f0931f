"""Order spectra of run-ups: small panels over multiples of the crankshaft's speed, drawn as the small spectra are."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from math import ceil, inf
from typing import Any

import numpy as np

from .numbers import THIN, decimals_for, fixed
from .small_spectra import Axes, LineName, Panel, curve_path, line_names, top_amplitude
from .strips import Tick
from .tables_of_study import Entry, Numbered, Place, StudyTables, repeat_words

_INTERVALS = 3
"""Of the axis: four numbers, the last with its word, stand clear of each other in the narrowest panel."""

_BEYOND, _LEAST_TOP = 1.25, 6.0
"""The axis ends a quarter beyond the highest order that stands out, at three times a four-cylinder's firing order or
later: run-ups of one engine look alike from study to study."""

_MOST_TOLD = 6
"""Orders a row of the table tells, as of lines."""


@dataclass(frozen=True, slots=True)
class OrderRow:
    """What stands out of one capture's order spectrum: order and mg as text, highest first."""

    part: str
    repeat: str
    orders: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True)
class OrderPlace:
    """Order spectra of one place: scale, curves by name, the table behind them, revolutions of a frame."""

    axes: Axes
    curves: tuple[tuple[str, str], ...]
    rows: tuple[OrderRow, ...]
    revolutions: int


class OrderPanels:
    """Draws the order spectra a study has; all panels of one place share one scale, all places one top order."""

    def __init__(self, tables: StudyTables, points: int) -> None:
        self._tables, self._points = tables, points
        self._top = top_order(found for item in tables.captures if (found := tables.order_spectrum(item.entry)))

    def place(self, place: Place) -> OrderPlace | None:
        """Curves and table of one place; None where no capture in use has an order spectrum."""
        drawn = [
            (item, found)
            for item in self._tables.captures_at.get(place, ())
            if item.entry.get("state") == "fit" and (found := self._tables.order_spectrum(item.entry))
        ]
        if not drawn or not self._top:
            return None
        curves = [_as_curve(found) for _, found in drawn]
        axes = order_axes(curves, self._top)
        return OrderPlace(
            axes,
            tuple(
                (f"o{item.number}", curve_path(curve, axes, self._points))
                for (item, _), curve in zip(drawn, curves, strict=True)
            ),
            tuple(_row(item.entry, found) for item, found in drawn),
            max(int(found["revolutions"]) for _, found in drawn),
        )

    def panels(self, place: Place, baseline: str, candidate: str) -> tuple[Panel, ...]:
        """One panel a repeat of the candidate, the baseline behind it."""
        pairs = self._tables.side_by_side(place, (baseline, candidate), self._tables.order_spectrum)
        return tuple(self._panel(item, under, baseline, candidate) for item, under in pairs)

    def _panel(self, item: Numbered, under: Numbered | None, baseline: str, candidate: str) -> Panel:
        lines = (self._tables.order_spectrum(item.entry) or {}).get("lines", ())
        told = ", ".join(f"{order_words(line['order'])} at {_milli_g(line)} mg" for line in lines[:3])
        over = f", over {baseline}" if under else ""
        label = f"Order spectrum of {candidate}, repeat {item.entry.get('repeat', '')}{over}"
        return Panel(
            title=panel_title(item, under, baseline),
            curve=f"o{item.number}",
            behind=f"o{under.number}" if under else None,
            names=order_names(lines, self._top),
            label=f"{label}: {told}" if told else label,
        )


def top_order(spectra: Iterable[Entry]) -> float:
    """Right end of every panel: a quarter beyond the highest order that stands out, or where frames ended before."""
    known = list(spectra)
    told = [line["order"] for found in known for line in found.get("lines", ())]
    wanted = max(float(ceil(_BEYOND * max(told))), _LEAST_TOP) if told else inf
    return min(max((_end(found) for found in known), default=0.0), wanted)


def panel_title(item: Numbered, under: Numbered | None, baseline: str) -> str:
    """``Repeat 2; behind it original, repeat 1``."""
    behind = f"; behind it {baseline}, repeat {under.entry.get('repeat')}" if under else ""
    return f"Repeat {item.entry.get('repeat', '')}{behind}"


def order_axes(curves: Sequence[Mapping[str, Any]], top_order: float) -> Axes:
    """The shared scale, from order zero; whole orders are numbered, the last one says what they are."""
    step = max(1, ceil(top_order / _INTERVALS))
    values = range(0, int(top_order + 1e-9) + 1, step)
    texts = [str(value) for value in values[:-1]] + [f"order{THIN}{values[-1]}"]
    ticks = (Tick(round(100 * value / top_order, 2), text) for value, text in zip(values, texts, strict=True))
    top = top_amplitude(curves, top_order)
    return Axes(top_order, top, tuple(ticks), f"{top:g}", unit="")


def order_words(order: float) -> str:
    """``order 2``, ``order 2.69``: no more digits than a thirty-second of an order bears."""
    return f"order {f'{order:.2f}'.rstrip('0').rstrip('.')}"


def order_names(lines: Sequence[Mapping[str, Any]], top_order: float) -> tuple[LineName, ...]:
    """Names at the foot of the axis, placed as those of lines over hertz; the highest says what the numbers are."""
    named = [
        {
            "frequency_hz": line["order"], "amplitude_mg": line["amplitude_mg"],
            "name": order_words(line["order"]).removeprefix("order " if number else ""),
        }
        for number, line in enumerate(lines)
    ]  # fmt: skip
    return line_names(named, top_order)


def _as_curve(found: Entry) -> dict[str, Any]:
    return {"frequency": found["order"], "amplitude": found["amplitude"]}


def _end(found: Entry) -> float:
    """The highest order that any frame reached."""
    order = np.asarray(found["order"], dtype=np.float64)
    return float(np.max(order[np.isfinite(np.asarray(found["amplitude"], dtype=np.float64))], initial=0.0))


def _row(capture: Entry, found: Entry) -> OrderRow:
    told = tuple((order_words(line["order"]), _milli_g(line)) for line in found.get("lines", ())[:_MOST_TOLD])
    return OrderRow(str(capture.get("part", "")), repeat_words(capture), told)


def _milli_g(line: Mapping[str, Any]) -> str:
    return fixed(line["amplitude_mg"], decimals_for(None, line["amplitude_mg"]))
