"""What the columns of a text capture are: names, units, quantities, the time column, the axes; declared facts.

Columns c1, c2 ... of a mapping count the columns of the file from the left, leaving out the time column.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from itertools import pairwise

from ..pipeline.contracts import AxisSource, ChannelMapping, ReaderRefusal, ReasonCode
from ..pipeline.contracts.units import Unit, known_unit, unit_names
from .ingest_text_declared import Declared, declared_in, key_value
from .ingest_text_dialect import Dialect, without_comment_mark

_TIME = re.compile(
    r"(?:(?:time|t|timestamp|time stamp|elapsed|clock|epoch|unix|datetime|date time|utc|zeit|temps|tiempo|uhrzeit)"
    r"(?:[ ](?:time|stamp|boot|elapsed|rel|relative|abs|epoch|unix|utc|local|since start|start))?"
    r"|elapsed time|relative time|unix time|epoch time|seconds elapsed|sample time|system time|local time|utc time)"
)
_ACCELERATION_WORDS = frozenset(
    (
        "a", "acc", "accel", "acce", "accelero", "accelerometer", "acceleration", "accelerations", "beschleunigung",
        "axis", "axes", "achse", "ch", "channel", "chan", "raw", "lin", "linear", "user", "g", "gf", "total", "data",
        "sensor", "value", "cal", "calibrated", "vibration", "vib", "of", "in", "the", "dir", "direction",
    )
)  # fmt: skip
_SPOKEN_ACCELERATION = re.compile(r"acc|beschl|vib|^a[xyz]$|^gf[xyz]?$|g[ -]?force")
_OTHER_QUANTITIES = {
    "tachometer": re.compile(r"\btach|tacho|keyphasor|pulse"),
    "temperature": re.compile(r"^temp"),
}
_NAMELESS = re.compile(r"(?:c|ch|chan|channel|col|column)?[ _]?\d*")
_DYNAMIC = ("acceleration", "force", "displacement", "pressure", "voltage")


@dataclass(frozen=True, slots=True)
class Column:
    """One column: its cell in the row, name, unit as recognised (None when none is said), what it measures.

    ``number`` is its place in the mapping's count (c1 ...; 0 for the time column); ``axis`` and ``position``
    are filled for the acceleration channels that take part; ``unit_text`` is what the header spells.
    """

    cell: int
    number: int
    name: str
    unit_text: str
    unit: Unit | None
    quantity: str
    axis: str = ""
    position: str = ""
    sign: int = 1

    @property
    def dynamic(self) -> bool:
        """Whether it belongs with the signal (or is a slow or side channel)."""
        return self.quantity in _DYNAMIC


@dataclass(frozen=True, slots=True)
class Layout:
    """The columns, sorted by their use."""

    time: tuple[Column, ...]
    """One column, or two (a date and a time of day), or none."""
    data: tuple[Column, ...]
    passed_over: tuple[str, ...]
    declared: Declared
    header: tuple[str, ...]


def layout_of(dialect: Dialect, mapping: ChannelMapping) -> Layout:
    """Columns of the file as its header and the mapping name them.

    Raises
    ------
    ReaderRefusal
        ``ambiguous`` when the axes cannot be told or units contradict each other, ``unknown_unit`` when an
        acceleration has no unit known here, ``not_numeric`` when a column asked for holds text.
    """
    labels, units, rest = _header(dialect)
    declared = declared_in(rest)
    columns = [_column(i, labels[i], units[i]) for i in range(dialect.n_cells)]
    time = _time_columns(columns, dialect, labelled=any(labels))
    taken = {column.cell for column in time}
    numbered = [
        replace(column, number=n, name=column.name or f"c{n}")
        for n, column in enumerate((c for c in columns if c.cell not in taken and dialect.kinds[c.cell] != "empty"), 1)
    ]
    data = [column for column in numbered if dialect.kinds[column.cell] == "number"]
    passed = tuple(column.name for column in numbered if dialect.kinds[column.cell] != "number")
    data = _mapped_axes(data, numbered, mapping) if mapping.axes else _named_axes(data, mapping.position)
    data = [_with_unit(column, mapping, declared) for column in data]
    return Layout(tuple(time), tuple(data), passed, declared, labels if any(labels) else ())


def _header(dialect: Dialect) -> tuple[tuple[str, ...], tuple[str, ...], list[str]]:
    """Labels per cell, units per cell from a units row, and the lines that are neither."""
    lines = [line for line in dialect.preamble if line.strip()]
    blank = ("",) * dialect.n_cells
    units = blank
    for back in range(len(lines) - 1, -1, -1):
        comment = without_comment_mark(lines[back], dialect.delimiter)
        cells = tuple(dialect.cells(lines[back] if comment is None else comment))
        if len(cells) != dialect.n_cells or (dialect.n_cells == 1 and not _labels_one_column(cells[0])):
            if comment is None and back == len(lines) - 1 and _is_row_of_labels(cells, lines[back], dialect):
                raise ReaderRefusal(
                    ReasonCode.UNREADABLE, "the header does not fit the rows",
                    found=f"{len(cells)} labels for {dialect.n_cells} columns: {lines[back].strip()[:80]!r}",
                    todo="name every column once",
                )  # fmt: skip
            continue
        if units is blank and _is_units_row(cells):
            units = cells
            continue
        return cells, units, lines[:back] + [line for line in lines[back + 1 :] if line != lines[back]]
    return units, units, lines


def _is_row_of_labels(cells: tuple[str, ...], line: str, dialect: Dialect) -> bool:
    """Three or more labels, or a line that is no ``key: value``: meant for columns, but not for as many."""
    if any(dialect.is_number(cell) for cell in cells) or re.search(r"[:=]", line):
        return False
    return len(cells) > 2 or key_value(line) is None


def _labels_one_column(text: str) -> bool:
    return key_value(text) is None and len(text) <= 60 and len(text.split()) <= 4


def _is_units_row(cells: tuple[str, ...]) -> bool:
    spelled = [cell for cell in cells if cell.strip("[](){}- ")]
    if not spelled:
        return False
    known = [known_unit(cell) is not None and not _axis_token(cell) for cell in spelled]
    bracketed = [re.fullmatch(r"[\[(].*[\])]", cell) is not None for cell in spelled]
    return sum(known) * 2 >= len(spelled) or all(bracketed)


def _axis_token(text: str) -> bool:
    return text.strip().lower() in ("x", "y", "z")


def _column(cell: int, label: str, unit_row: str) -> Column:
    name, unit_text = _name_and_unit(label)
    unit_text = unit_row.strip() or unit_text
    unit = known_unit(unit_text) if unit_text else None
    quantity = unit.quantity if unit else _quantity_by_name(name)
    if unit is not None and unit.quantity == "counts":
        quantity = "acceleration" if _axis_of(name) or _SPOKEN_ACCELERATION.search(name.lower()) else "other"
    if unit is None and unit_text and quantity == "other" and _axis_of(name):
        quantity = "acceleration"
    return Column(cell, 0, label.strip(), unit_text.strip("[](){} "), unit, quantity)


def _name_and_unit(label: str) -> tuple[str, str]:
    """A header cell parted into name and unit: brackets, a slash, or a known unit as its last word."""
    text = label.strip()
    if match := re.fullmatch(r"(.*?)\s*[\[({<]([^\[\](){}<>]*)[\])}>]\s*", text):
        return match[1].strip(" _-:"), match[2].strip()
    for slash in re.finditer(r"\s*/\s*", text):
        name, unit = text[: slash.start()], text[slash.end() :]
        if name and known_unit(unit):
            return name.strip(), unit
    words = re.split(r"[ _,:]+", text)
    for n_words in (3, 2, 1):
        if len(words) <= n_words:
            continue
        for joint in ("_", "/", " ", ""):
            unit = joint.join(words[-n_words:])
            if known_unit(unit) and (n_words > 1 or _may_be_suffix(unit, words[:-1])):
                return " ".join(words[:-n_words]), unit
    if len(words) == 1 and known_unit(text, "time") and text.lower() not in ("m", "min"):
        return "time", text
    return text, ""


def _may_be_suffix(unit: str, name: list[str]) -> bool:
    """A bare letter is a unit only behind a name that can have it."""
    if len(unit) > 1:
        return True
    if unit.lower() == "s":
        return _TIME.fullmatch(" ".join(name).lower()) is not None or name[0].lower().startswith("t")
    lead = {"c": "temp", "g": "", "v": "", "n": "f", "m": "d"}.get(unit.lower(), "?")
    return any(word.lower().startswith(lead) for word in name)


def _quantity_by_name(name: str) -> str:
    lowered = name.lower()
    for quantity, pattern in _OTHER_QUANTITIES.items():
        if pattern.search(lowered):
            return quantity
    if _axis_of(name):
        return "acceleration"
    spoken = _SPOKEN_ACCELERATION.search(lowered) and not re.search(r"mag|abs|norm|tot|rms|sum", lowered)
    return "acceleration" if spoken else "other"


def _words(name: str) -> list[str]:
    spaced = re.sub(r"(?<=[a-z])(?=[A-Z])", " ", name)
    return [word for word in re.split(r"[^A-Za-z0-9]+", spaced.lower()) if word]


def _axis_of(name: str) -> str:
    """x, y or z when the name says so in the words of acceleration, else nothing."""
    axes = []
    for word in _words(name):
        match = re.fullmatch(r"(.*?)([xyz])|([xyz])(.*)", word)
        if match is None or (word in _ACCELERATION_WORDS):
            if not (word in _ACCELERATION_WORDS or word.isdigit()):
                return ""
            continue
        stem, axis = (match[1], match[2]) if match[2] else (match[4], match[3])
        if stem and stem not in _ACCELERATION_WORDS - {"g", "of", "in", "the", "n"}:
            return ""
        axes.append(axis)
    return axes[0] if len(axes) == 1 else ""


def _time_columns(columns: list[Column], dialect: Dialect, *, labelled: bool) -> list[Column]:
    stamped = [column for column in columns if dialect.kinds[column.cell] == "stamp"]
    if stamped:
        return stamped[:2] if _date_then_time(stamped, dialect) else stamped[:1]
    numeric = [column for column in columns if dialect.kinds[column.cell] == "number"]
    if labelled:
        named = [column for column in numeric if _is_time_name(column)]
        return named[:1]
    if len(columns) < 2 or dialect.kinds[0] != "number":
        return []
    return [columns[0]] if _rises(dialect) else []


def _rises(dialect: Dialect) -> bool:
    """Whether the first column of a file without header is the time: it rises nearly throughout, but is no counter.

    A slow signal rises for a while as well, so all rows of the head and the tail are asked; between clearly yes
    and clearly no lies a refusal, because a mapping's c1 depends on the answer.
    """
    values = [float(cell.replace(dialect.decimal, ".")) for cell in dialect.first_cells() if dialect.is_number(cell)]
    steps = [b - a for a, b in pairwise(values)]
    if len(values) < 3 or max(steps) <= 0.0 or all(step == 1.0 for step in steps):
        return False
    share = sum(step >= 0.0 for step in steps) / len(steps)
    net = (values[-1] - values[0]) / sum(abs(step) for step in steps)
    if share >= 0.95 and net >= 0.95:
        return True
    if share < 0.95 and net < 0.5:
        return False
    raise ReaderRefusal(
        ReasonCode.AMBIGUOUS, "the first column may be a time or a signal",
        found=f"{share * 100:.0f} % of its steps do not fall", todo="add a header line that names the columns",
    )  # fmt: skip


def _date_then_time(stamped: list[Column], dialect: Dialect) -> bool:
    if len(stamped) < 2 or not dialect.sample:
        return False
    first, second = (dialect.sample[0][column.cell] for column in stamped[:2])
    return ":" not in first and second.count(":") == 2 and "-" not in second


def _is_time_name(column: Column) -> bool:
    name = " ".join(_words(_name_and_unit(column.name)[0]))
    if column.unit is not None and column.unit.quantity != "time":
        return False
    return _TIME.fullmatch(name) is not None or (name == "" and column.unit is not None)


def _mapped_axes(data: list[Column], numbered: list[Column], mapping: ChannelMapping) -> list[Column]:
    by_number = {column.number: column for column in numbered}
    readable = {column.number for column in data}
    chosen: dict[int, AxisSource] = {}
    for axis in mapping.axes:
        if axis.column not in by_number:
            raise _unclear_axes(f"axes name column c{axis.column}", numbered)
        if axis.column not in readable:
            raise ReaderRefusal(
                ReasonCode.NOT_NUMERIC, f"column c{axis.column} ({by_number[axis.column].name}) holds text",
                todo="choose a column of numbers in `axes`",
            )  # fmt: skip
        if axis.column in chosen:
            raise _unclear_axes(f"axes use column c{axis.column} twice", numbered)
        chosen[axis.column] = axis
    return [_on_axis(column, chosen.get(column.number), mapping.position) for column in data]


def _on_axis(column: Column, axis: AxisSource | None, position: str) -> Column:
    if axis is None:
        return column
    return replace(
        column, quantity="acceleration", axis=axis.axis, position=axis.position or position, sign=axis.sign
    )


def _named_axes(data: list[Column], position: str) -> list[Column]:
    """Axes by header names, else three unlabelled columns are x, y, z and a single one is x."""
    if not data:
        raise ReaderRefusal(ReasonCode.NOT_NUMERIC, "no column of numbers besides the time")
    accelerations = [column for column in data if column.quantity == "acceleration"]
    found = {column.cell: _axis_of(_name_and_unit(column.name)[0]) for column in accelerations}
    named = {cell: axis for cell, axis in found.items() if axis}
    if named and len(set(named.values())) < len(named):
        raise _unclear_axes("an axis is named more than once", data)
    if not named:
        nameless = all(_NAMELESS.fullmatch(column.name.lower()) and column.quantity == "other" for column in data)
        pool = accelerations or (data if nameless else [])
        if len(pool) not in (1, 3):
            raise _unclear_axes("which columns are acceleration along x, y, z", data)
        named = {column.cell: axis for column, axis in zip(pool, "xyz", strict=False)}
    return [
        replace(column, quantity="acceleration", axis=named[column.cell], position=position)
        if column.cell in named else column
        for column in data
    ]  # fmt: skip


def _unclear_axes(asked: str, columns: list[Column]) -> ReaderRefusal:
    listed = ", ".join(f"c{column.number} {column.name!r}" for column in columns)
    places = [f"c{column.number}" for column in columns[:3]]
    example = " ".join(f"{axis}=+{place}" for axis, place in zip("xyz", places, strict=False))
    return ReaderRefusal(
        ReasonCode.AMBIGUOUS, asked, found=f"columns {listed}",
        todo=f"fill column 'axes' of the captures table, for example {example}",
    )  # fmt: skip


def _with_unit(column: Column, mapping: ChannelMapping, declared: Declared) -> Column:
    """The unit of a channel that takes part: said by the file or by the table, never guessed, never both ways."""
    if not column.axis:
        return column
    told = known_unit(mapping.unit) if mapping.unit else (known_unit("counts") if mapping.scale is not None else None)
    if mapping.unit and (told is None or told.quantity not in ("acceleration", "counts")):
        raise _unknown_unit(f"unit {mapping.unit!r} of the captures table", column)
    written, spelled = (column.unit, column.unit_text) if column.unit_text else (declared.unit, declared.unit_text)
    if told is None:
        if written is None or written.quantity not in ("acceleration", "counts"):
            raise _unknown_unit(f"unit {spelled!r}" if spelled else "no unit", column)
        told = written
    elif written is not None and written.name != told.name and written.quantity in ("acceleration", "counts"):
        raise ReaderRefusal(
            ReasonCode.AMBIGUOUS, f"the unit of column c{column.number} {column.name!r}",
            found=f"{written.name} in the file, {told.name} in the captures table", todo="keep the one that is true",
        )  # fmt: skip
    elif written is None and spelled:
        raise ReaderRefusal(
            ReasonCode.AMBIGUOUS, f"the unit of column c{column.number} {column.name!r}",
            found=f"{spelled!r} in the file, {told.name} in the captures table",
            todo="spell the unit in the file as it is known, or remove it there",
        )  # fmt: skip
    if told.quantity == "counts" and mapping.scale is None:
        raise ReaderRefusal(
            ReasonCode.UNKNOWN_UNIT, f"column c{column.number} {column.name!r} holds counts", found="no scale",
            todo="fill column 'scale' with m s-2 per count",
        )  # fmt: skip
    return replace(column, unit=told)


def _unknown_unit(found: str, column: Column) -> ReaderRefusal:
    return ReaderRefusal(
        ReasonCode.UNKNOWN_UNIT, f"the unit of column c{column.number} {column.name!r}", found=found,
        allowed=", ".join((*unit_names("acceleration"), "counts with a scale")),
        todo="fill column 'unit' of the captures table",
    )  # fmt: skip
