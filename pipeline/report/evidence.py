"""Evidence below the answers: values, small spectra, readings and captures of each place."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from ..study.decibels import DECIBEL
from .answers import AnswerSheet
from .evidence_views import CaptureLine, LineRow, Pair, PlaceView, ReadingRow, ValueRow
from .level_strips import level_strip_for
from .marks import code_words, mark_of, plain_reason, plain_reasons
from .numbers import Figure, decimals_for, fixed
from .order_panels import OrderPanels, panel_title
from .packed_spectra import packed
from .small_spectra import Panel, axes_for, curve_path, line_names, top_frequency
from .strips import change_keys, change_unit
from .tables_of_study import Entry, Numbered, Place, StudyTables, natural, place_of, place_words, repeat_words

_MOST_READINGS = 600
"""Above this the page prints only the readings that carry verdicts; readings.json beside it has them all."""


class EvidenceSheet:
    """Builds the lower part of the page. A large study shares a fixed budget of drawn points among its captures.

    ``brief`` leaves single readings and the level strips of fit captures to the files, and halves the budget.
    """

    def __init__(self, tables: StudyTables, answers: AnswerSheet, *, brief: bool = False) -> None:
        self.tables, self.answers, self.brief = tables, answers, brief
        self._rows = {row.number: row for row in answers.rows}
        spectra = [found for item in tables.captures if (found := tables.spectrum(item.entry))]
        read = [
            item.entry[name]
            for item in tables.carrying
            for name in ("frequency_hz_baseline", "frequency_hz_candidate")
            if item.entry.get(name)
        ]
        self._top_hz = top_frequency(spectra, max(read) if read else None)
        n_captures, n_readings = len(tables.captures), len(tables.documents.readings)
        share = 0.5 if brief else 1.0
        self._data_points = _shared(share * 110_000, n_captures, 80, 1000)
        self._curve_points = _shared(share * 85_000, n_captures, 60, 220)
        strip_points = _shared(share * 28_000, n_captures, 40, 160)
        self.lines = [
            capture_line(item, strip_points, drawn=not brief or item.entry.get("state") != "fit")
            for item in tables.captures
        ]
        """Fitness lines of all captures, in the order of the table."""
        self._many = n_readings > _MOST_READINGS
        self._orders = OrderPanels(tables, self._curve_points)

    def places(self) -> list[PlaceView]:
        """Every place with a verdict, in the order of the file."""
        order = dict.fromkeys(place_of(item.entry) for item in self.tables.carrying)
        return [self._place(number, place) for number, place in enumerate(order)]

    def _place(self, number: int, place: Place) -> PlaceView:
        carrying = [item for item in self.tables.carrying if place_of(item.entry) == place]
        captures = self.tables.captures_at.get(place, [])
        drawn = [(item, found) for item in captures if (found := self.tables.spectrum(item.entry))]
        drawn = [(item, found) for item, found in drawn if item.entry.get("state") == "fit"]
        axes = axes_for([found for _, found in drawn], self._top_hz) if drawn else None
        orders = self._orders.place(place)
        return PlaceView(
            anchor=f"place-{number}",
            platform=place[0],
            where=place_words(place),
            pairs=tuple(self._pair(item, place) for item in carrying),
            axes=axes,
            curves=tuple(
                (f"k{item.number}", curve_path(found, axes, self._curve_points)) for item, found in drawn
            )
            if axes
            else (),
            lines=tuple(_line_row(item.entry, found) for item, found in drawn),
            orders=orders,
            readings=(rows := self._readings(place)),
            readings_left=len(self.tables.readings_at.get(place, ())) - len(rows),
            captures=tuple(self.lines[item.number] for item in captures),
        )

    def _pair(self, item: Numbered, place: Place) -> Pair:
        entry, root = item.entry, f"comparisons/{item.number}"
        needed = entry.get("repeats_needed")
        sides = [str(entry["baseline"]), str(entry["candidate"])]
        told = list(entry.get("reasons", ()))
        values = [self._value_row(item, told, carries=True)]
        values += [self._value_row(other, told, carries=False) for other in self._beside(entry)]
        return Pair(
            row=self._rows[item.number],
            scope=str(entry.get("scope", "")),
            n_baseline=Figure(str(entry["n_baseline"]), entry["n_baseline"], f"{root}/n_baseline"),
            n_candidate=Figure(str(entry["n_candidate"]), entry["n_candidate"], f"{root}/n_candidate"),
            repeats_needed=None if needed is None else Figure(str(needed), needed, f"{root}/repeats_needed"),
            values=tuple(values),
            reasons=plain_reasons(entry.get("reasons", ())),
            panels=self._panels(place, *sides),
            order_panels=self._orders.panels(place, *sides),
            enlarge=self._enlarge(place, sides),
        )

    def _beside(self, entry: Entry) -> list[Numbered]:
        """Other readings and combinations; a large study shows one conventional row, as the trade quotes it."""
        found = self.tables.beside(entry)
        usual = [
            item
            for item in found
            if item.entry["reading"] != "highest_bin" or item.entry["combination"] == "mean"
        ]
        return usual if self._many and usual else found

    def _value_row(self, item: Numbered, told: list[Any], *, carries: bool) -> ValueRow:
        entry, root = item.entry, f"comparisons/{item.number}"

        def hertz(name: str) -> Figure | None:
            value = entry.get(name)
            return None if value is None else Figure(fixed(value, 2), value, f"{root}/{name}")

        return ValueRow(
            name=reading_words(str(entry["reading"])),
            conventional=entry["reading"] == "highest_bin",
            combination=str(entry["combination"]),
            detector=str(entry.get("detector", "")),
            unit=str(entry.get("unit", "")),
            baseline=_value_figure(entry, root, "baseline_value"),
            candidate=_value_figure(entry, root, "candidate_value"),
            hz_baseline=hertz("frequency_hz_baseline"),
            hz_candidate=hertz("frequency_hz_candidate"),
            change=self.answers.change(entry, root),
            verdict=mark_of(str(entry["verdict"])) if carries else None,
            reasons=plain_reasons(reason for reason in entry.get("reasons", ()) if reason not in told),
        )

    def _panels(self, place: Place, baseline: str, candidate: str) -> tuple[Panel, ...]:
        pairs = self.tables.side_by_side(place, (baseline, candidate), self.tables.spectrum)
        return tuple(self._panel(item, under, baseline, candidate) for item, under in pairs)

    def _panel(self, item: Numbered, under: Numbered | None, baseline: str, candidate: str) -> Panel:
        spectrum = self.tables.spectrum(item.entry) or {}
        lines = list(spectrum.get("lines", ()))
        strongest = sorted(lines, key=lambda line: -float(line.get("amplitude_mg") or 0))[:3]
        named = ", ".join(
            f"{line.get('name') or 'unnamed'} at {fixed(line['frequency_hz'], 1)} Hz"
            f" {fixed(line['amplitude_mg'], decimals_for(None, line['amplitude_mg']))} mg"
            for line in strongest
        )
        repeat = str(item.entry.get("repeat", ""))
        label = f"Spectrum of {candidate}, repeat {repeat}" + (f", over {baseline}" if under else "")
        return Panel(
            title=panel_title(item, under, baseline),
            curve=f"k{item.number}",
            behind=f"k{under.number}" if under else None,
            names=line_names(lines, self._top_hz),
            label=f"{label}: {named}" if named else label,
        )

    def _enlarge(self, place: Place, sides: Sequence[str]) -> tuple[str, str]:
        """Keys of the curves of baseline and candidate, a blank between them."""
        shown = self.tables.spectrum
        first, second = (
            " ".join(f"s{item.number}" for item in self.tables.first_takes(place, part, shown)) for part in sides
        )
        return first, second

    def _readings(self, place: Place) -> tuple[ReadingRow, ...]:
        if self.brief:
            return ()
        found = [
            _reading_row(item.number, item.entry)
            for item in self.tables.readings_at.get(place, ())
            if not self._many or (item.entry["reading"], item.entry["combination"]) in self.tables.asked
        ]
        return tuple(sorted(found, key=lambda row: (row.name, row.combination, row.part, natural(row.repeat))))

    def spectra_data(self) -> dict[str, Any]:
        """Data of the enlarged spectra, by the number of their capture."""
        captures = [item for item in self.tables.captures if item.entry.get("state") == "fit"]
        found = {f"s{item.number}": self.tables.spectrum(item.entry) for item in captures}
        data = packed({key: spectrum for key, spectrum in found.items() if spectrum}, self._data_points)
        labels = {
            key: f"{item.entry.get('part')}, repeat {item.entry.get('repeat')}"
            for item in captures
            if (key := f"s{item.number}") in data["curves"]
        }
        return {**data, "labels": labels}


_LEVELS = {"laeq": "LAeq", "lceq": "LCeq", "laf_max": "LAF,max"}
"""Levels by the symbols of IEC 61672-1."""


def _shared(budget: float, n: int, least: int, most: int) -> int:
    return min(max(int(budget / max(n, 1)), least), most)


def reading_words(reading: str) -> str:
    """The reading's name on pages."""
    return _LEVELS.get(reading) or code_words(reading)


def _value_figure(entry: Entry, root: str, name: str) -> Figure | None:
    value = entry.get(name)
    if value is None:
        return None
    _, low, high = (entry.get(key) for key in change_keys(entry))
    share = 0.5 if change_unit(entry) == DECIBEL else abs(value) / 200
    doubt = share * (high - low) if low is not None and high is not None else None
    return Figure(fixed(value, decimals_for(doubt, value, beyond=1 if doubt else 0)), value, f"{root}/{name}")


def _reading_row(number: int, entry: Entry) -> ReadingRow:
    root = f"readings/{number}"
    value, std, hertz = entry.get("value"), entry.get("std_uncertainty"), entry.get("frequency_hz")
    decimals = decimals_for(std, value, beyond=1) if value is not None else 0
    absent = entry.get("absent")
    return ReadingRow(
        file=str(entry.get("file", "")),
        part=str(entry.get("part", "")),
        repeat=repeat_words(entry),
        name=reading_words(str(entry.get("reading", ""))),
        combination=str(entry.get("combination", "")),
        value=None if value is None else Figure(fixed(value, decimals), value, f"{root}/value"),
        std=None if std is None else Figure(fixed(std, decimals), std, f"{root}/std_uncertainty"),
        unit=str(entry.get("unit", "")),
        detector=str(entry.get("detector", "")),
        frequency=None if hertz is None else Figure(fixed(hertz, 2), hertz, f"{root}/frequency_hz"),
        line_name=str(entry.get("line_name") or ""),
        absent=plain_reason(absent) if absent else None,
    )


def capture_line(item: Numbered, points: int = 160, *, drawn: bool = True) -> CaptureLine:
    """The fitness line of one capture."""
    entry, root = item.entry, f"captures/{item.number}"
    fitness = dict(entry.get("fitness") or {})
    fitness.setdefault("stretches", entry.get("stretches", ()))

    def figure(name: str, decimals: int) -> Figure | None:
        value = entry.get(name)
        return None if value is None else Figure(fixed(value, decimals), value, f"{root}/{name}")

    labels = [str(entry.get(name) or "") for name in ("platform", "part")]
    labels += [place_words(place_of(entry))]
    return CaptureLine(
        number=item.number,
        file=str(entry.get("file", "")),
        labels=", ".join([*(word for word in labels if word), f"repeat {repeat_words(entry)}"]),
        short=f"{entry.get('part') or ''}, repeat {repeat_words(entry)}",
        state=str(entry.get("state", "")),
        reasons=plain_reasons(entry.get("reasons", ())),
        duration=figure("duration_s", 1),
        usable=figure("usable_s", 1),
        stretches=", ".join(f"{fixed(a, 1)} to {fixed(b, 1)} s" for a, b in entry.get("stretches") or ()),
        strip=level_strip_for(fitness, str(entry.get("file", "")), points) if drawn else None,
        cuts=tuple(
            f"{fixed(cut['start_s'], 1)} to {fixed(cut['stop_s'], 1)} s: {code_words(str(cut['code']))}"
            + (f" ({cut['detail']})" if cut.get("detail") else "")
            for cut in fitness.get("cuts") or ()
        ),
    )


def _line_row(capture: Entry, spectrum: Entry) -> LineRow:
    lines = sorted(spectrum.get("lines", ()), key=lambda line: -float(line.get("amplitude_mg") or 0.0))
    return LineRow(
        str(capture.get("part", "")),
        repeat_words(capture),
        tuple(
            (
                str(line.get("name") or "unnamed"),
                fixed(line["frequency_hz"], 2),
                fixed(line["amplitude_mg"], decimals_for(None, line["amplitude_mg"])),
            )
            for line in lines[:6]
        ),
    )
