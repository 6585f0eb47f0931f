"""What the template knows of the evidence: plain frozen records, ready to print."""

from __future__ import annotations

from dataclasses import dataclass

from .answers import Change, VerdictRow
from .level_strips import LevelStrip
from .marks import Mark, PlainReason
from .numbers import Figure
from .order_panels import OrderPlace
from .small_spectra import Axes, Panel


@dataclass(frozen=True, slots=True)
class ValueRow:
    """Both sides of one reading and combination, and the change between them."""

    name: str
    conventional: bool
    combination: str
    detector: str
    unit: str
    baseline: Figure | None
    candidate: Figure | None
    hz_baseline: Figure | None
    hz_candidate: Figure | None
    change: Change
    verdict: Mark | None
    reasons: tuple[PlainReason, ...]


@dataclass(frozen=True, slots=True)
class Pair:
    """One comparison with its evidence."""

    row: VerdictRow
    scope: str
    n_baseline: Figure
    n_candidate: Figure
    repeats_needed: Figure | None
    values: tuple[ValueRow, ...]
    reasons: tuple[PlainReason, ...]
    panels: tuple[Panel, ...]
    order_panels: tuple[Panel, ...]
    enlarge: tuple[str, str]


@dataclass(frozen=True, slots=True)
class ReadingRow:
    """One reading of one capture."""

    file: str
    part: str
    repeat: str
    name: str
    combination: str
    value: Figure | None
    std: Figure | None
    unit: str
    detector: str
    frequency: Figure | None
    line_name: str
    absent: PlainReason | None


@dataclass(frozen=True, slots=True)
class CaptureLine:
    """One capture: its state, what is wrong with it, its times and its strip."""

    number: int
    file: str
    labels: str
    short: str
    state: str
    reasons: tuple[PlainReason, ...]
    duration: Figure | None
    usable: Figure | None
    stretches: str
    strip: LevelStrip | None
    cuts: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class LineRow:
    """The named lines of one capture, for the table behind the small spectra: name, Hz, mg."""

    part: str
    repeat: str
    lines: tuple[tuple[str, str, str], ...]


@dataclass(frozen=True, slots=True)
class PlaceView:
    """All evidence of one platform, position and condition."""

    anchor: str
    platform: str
    where: str
    pairs: tuple[Pair, ...]
    axes: Axes | None
    curves: tuple[tuple[str, str], ...]
    lines: tuple[LineRow, ...]
    orders: OrderPlace | None
    readings: tuple[ReadingRow, ...]
    readings_left: int
    captures: tuple[CaptureLine, ...]
