"""Interval strips: where dot, bar, ticks and rules stand on one shared scale of change, percent or decibels."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from ..study.decibels import CHANGE, DECIBEL, PREDICTION
from .numbers import fixed, nice_step

_MARGIN = 2.0
"""Percent of the drawing's width left free on either side, so that a dot on the edge is whole."""


_RULE_ROOM = 5.0
"""Percent of the width around the rules of zero and limit, which carry their own names, without a tick's number."""

PERCENT_KEYS = ("percent_change", "interval_low", "interval_high")
PREDICTION_KEYS = ("prediction_low", "prediction_high")
LEAST_ROOM = {"%": 10.0, DECIBEL: 2.0}
"""Width of a scale at the least: changes below are as good as none and must not fill the page."""


def change_unit(entry: Mapping[str, Any]) -> str:
    """What an entry's change is told in: a level in decibels has no percent."""
    return DECIBEL if CHANGE[0] in entry else "%"


def change_keys(entry: Mapping[str, Any]) -> tuple[str, str, str]:
    """Keys of an entry's change and its interval."""
    return CHANGE if change_unit(entry) == DECIBEL else PERCENT_KEYS


def prediction_keys(entry: Mapping[str, Any]) -> tuple[str, str]:
    """Keys of where a new platform would land."""
    return PREDICTION if change_unit(entry) == DECIBEL else PREDICTION_KEYS


@dataclass(frozen=True, slots=True)
class Tick:
    """One labelled place on a scale."""

    x: float
    text: str


@dataclass(frozen=True, slots=True)
class Scale:
    """A linear scale of change drawn over the whole width of a strip."""

    low: float
    high: float
    ticks: tuple[Tick, ...]
    zero_x: float
    limit_x: float | None

    def at(self, value: float) -> float:
        """Place of a value in percent of the width, kept inside the drawing."""
        share = (value - self.low) / (self.high - self.low)
        return round(_MARGIN + min(max(share, 0.0), 1.0) * (100 - 2 * _MARGIN), 2)


@dataclass(frozen=True, slots=True)
class Strip:
    """One interval strip. Places are percent of the width; ``None`` where there is nothing to draw."""

    dot: float | None
    start: float | None
    stop: float | None
    ticks: tuple[float, ...]
    hair_start: float | None
    hair_stop: float | None
    beyond_left: bool
    beyond_right: bool
    label: str


def scale_for(entries: Iterable[Mapping[str, Any]], limit: float | None, unit: str = "%") -> Scale:
    """The scale a column of strips shares.

    It holds zero, the limit, every estimate, and intervals as long as they do not dwarf the estimates: one
    interval ten times as wide as everything else would make all others unreadable, so it runs off the edge
    with an arrow while its figures stay printed in full.
    """
    entries = [item for item in entries if change_unit(item) == unit]
    found = [(item, (*change_keys(item), *prediction_keys(item))) for item in entries]
    centres = [0.0, *([limit] if limit is not None else [])]
    centres += [item[keys[0]] for item, keys in found if item.get(keys[0]) is not None]
    least, most = min(centres), max(centres)
    room = max(most - least, LEAST_ROOM[unit])
    ends = [
        min(max(item[name], least - room), most + room)
        for item, keys in found
        for name in keys[1:]
        if item.get(name) is not None
    ]
    low, high = min([least, *ends]), max([most, *ends])
    pad = 0.06 * max(high - low, LEAST_ROOM[unit])
    low, high = low - pad, high + pad
    step = nice_step(high - low, 6)
    first = math.ceil(low / step)
    values = [number * step for number in range(first, math.floor(high / step) + 1)]
    values = [value for value in values if 0.02 < (value - low) / (high - low) < 0.98]
    bare = Scale(low, high, (), 0.0, None)
    rules = [0.0, *([limit] if limit is not None else [])]
    return Scale(
        low,
        high,
        tuple(
            Tick(bare.at(value), fixed(value, _decimals(step), signed=True))
            for value in values
            if all(abs(bare.at(value) - bare.at(rule)) > _RULE_ROOM for rule in rules)
        ),
        bare.at(0.0),
        bare.at(limit) if limit is not None else None,
    )


def _decimals(step: float) -> int:
    return max(0, -math.floor(math.log10(step)))


def strip_for(entry: Mapping[str, Any], scale: Scale, repeats: Sequence[float], label: str) -> Strip:
    """The strip of one comparison or summary; ``repeats`` are changes of single fittings."""
    change, low, high = (entry.get(name) for name in change_keys(entry))
    hair = tuple(entry.get(name) for name in prediction_keys(entry))
    ends = [end for end in (low, high, *hair, change) if end is not None]

    def place(value: float | None) -> float | None:
        return None if value is None else scale.at(value)

    return Strip(
        dot=place(change),
        start=place(low),
        stop=place(high),
        ticks=tuple(scale.at(value) for value in repeats if scale.low <= value <= scale.high),
        hair_start=place(hair[0]),
        hair_stop=place(hair[1]),
        beyond_left=any(end < scale.low for end in ends),
        beyond_right=any(end > scale.high for end in ends),
        label=label,
    )
