"""What channel labels say: names, units, quantities, axes; and what a mapping of the captures table adds.

For authors of readers: every format has labels, and every reader must answer the same questions the same way.
Columns c1, c2 ... of a mapping count the columns of a file from the left, leaving out a time column.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace

from .errors import ReaderRefusal
from .reasons import ReasonCode
from .records import AxisSource, CaptureHead, ChannelHead, ChannelMapping
from .units import SOUND_UNITS, Unit, known_unit, unit_names

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


def column_of(cell: int, label: str, unit: str = "") -> Column:
    """A column from its label, and from a unit that stands apart from it (a units row, an attribute)."""
    name, unit_text = name_and_unit(label)
    unit_text = unit.strip() or unit_text
    known = known_unit(unit_text) if unit_text else None
    quantity = known.quantity if known else _quantity_by_name(name)
    if known is not None and known.quantity == "counts":
        quantity = "acceleration" if axis_of(name) or _SPOKEN_ACCELERATION.search(name.lower()) else "other"
    if known is None and unit_text and quantity == "other" and axis_of(name):
        quantity = "acceleration"
    if quantity == "voltage" and _quantity_by_name(name) == "tachometer":
        quantity = "tachometer"  # pulses are written in volts; what they are is said by the name alone
    return Column(cell, 0, label.strip(), unit_text.strip("[](){} "), known, quantity)


def name_and_unit(label: str) -> tuple[str, str]:
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
    alone = known_unit(text) if len(words) == 1 else None
    if alone is not None and alone.quantity in ("time", "speed") and text.lower() not in ("m", "min"):
        return alone.quantity, text
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
    if axis_of(name):
        return "acceleration"
    spoken = _SPOKEN_ACCELERATION.search(lowered) and not re.search(r"mag|abs|norm|tot|rms|sum", lowered)
    return "acceleration" if spoken else "other"


def _words(name: str) -> list[str]:
    spaced = re.sub(r"(?<=[a-z])(?=[A-Z])", " ", re.sub(r"^gF(?=[xyzXYZ]$)", "gf ", name))
    return [word for word in re.split(r"[^A-Za-z0-9]+", spaced.lower()) if word]


def axis_of(name: str) -> str:
    """``x``, ``y`` or ``z`` when the name says so in the words of acceleration, else nothing."""
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


def is_time_name(column: Column) -> bool:
    """Whether the label names a time."""
    name = " ".join(_words(name_and_unit(column.name)[0]))
    if column.unit is not None and column.unit.quantity != "time":
        return False
    return _TIME.fullmatch(name) is not None or (name == "" and column.unit is not None)


def with_axes(data: Sequence[Column], numbered: Sequence[Column], mapping: ChannelMapping) -> list[Column]:
    """The columns of numbers with their axes: by the mapping, or by their names.

    A mapping that names a tachometer or a microphone and no acceleration leaves these to their own names.
    ``numbered`` are all columns that count as c1, c2 ...; ``data`` those of them that hold numbers.

    Raises
    ------
    ReaderRefusal
        ``ambiguous`` when the axes cannot be told, ``not_numeric`` when one asked for holds no numbers.
    """
    if not data:
        raise ReaderRefusal(ReasonCode.NOT_NUMERIC, "no column of numbers besides the time")
    if not mapping.axes:
        return _named_axes(data, mapping.position)
    mapped = _mapped_axes(data, numbered, mapping)
    return mapped if names_accelerations(mapping) else _with_the_rest(mapped, mapping)


def names_accelerations(mapping: ChannelMapping) -> bool:
    """Whether ``axes`` says of any column that it is an acceleration; else it speaks of what stands beside them."""
    return any(axis.axis not in (SOUND_AXIS, TACHOMETER_AXIS) for axis in mapping.axes)


def _with_the_rest(mapped: list[Column], mapping: ChannelMapping) -> list[Column]:
    """Columns of which ``axes`` names none as acceleration, the others with the axes of their own names."""
    said = {axis.column for axis in mapping.axes}
    rest = [column for column in mapped if column.number not in said]
    if any(column.axis for column in rest) or not _expects_accelerations(rest, mapping):
        return mapped
    try:
        own = {column.cell: column for column in _named_axes(rest, mapping.position)}
    except ReaderRefusal:
        beside = " ".join(axis.as_text() for axis in mapping.axes)
        asked = f"axes {beside!r} name no acceleration: which of the others are x, y, z"
        raise _unclear_axes(asked, rest, beside) from None
    return [own.get(column.cell, column) for column in mapped]


def _expects_accelerations(rest: Sequence[Column], mapping: ChannelMapping) -> bool:
    """Pulses are never a capture of their own; a microphone may be one, beside columns that nobody asked for.

    Nor is a position left blank, because every microphone has its own, one for accelerations.
    """
    if any(axis.axis == TACHOMETER_AXIS for axis in mapping.axes):
        return bool(rest)
    placed = bool(mapping.position) or not all(axis.position for axis in mapping.axes)
    return placed and any(column.quantity == "acceleration" for column in rest)


def _mapped_axes(data: Sequence[Column], numbered: Sequence[Column], mapping: ChannelMapping) -> list[Column]:
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
    if axis.axis == TACHOMETER_AXIS:
        return replace(column, quantity="tachometer")
    quantity = "pressure" if axis.axis == SOUND_AXIS else "acceleration"
    return replace(column, quantity=quantity, axis=axis.axis, position=axis.position or position, sign=axis.sign)


SOUND_AXIS = "p"
"""What ``axes`` calls a microphone: ``driver's ear.p=+c4``; a pressure has no direction."""

TACHOMETER_AXIS = "tacho"
"""What ``axes`` calls the channel of a tachometer's pulses: ``tacho=+c5``; it belongs to the shaft, not to a place."""

MICROPHONE = "microphone"
"""Position of a microphone that was given none, where the capture has accelerations at several."""


def is_microphone(channel: ChannelHead) -> bool:
    """Whether a channel is a sound pressure: one declared in ``axes``, or in a unit that microphones are written in."""
    return channel.quantity == "pressure" and (channel.axis == SOUND_AXIS or channel.unit in SOUND_UNITS)


def microphone_position(channel: ChannelHead, head: CaptureHead) -> str:
    """Where a microphone stands: its own position, else that of the capture's accelerations, else ``microphone``."""
    positions = {c.position for group in head.groups for c in group.channels if c.quantity == "acceleration" and c.axis}
    return channel.position or (positions.pop() if len(positions) == 1 else MICROPHONE if positions else "")


WITHOUT_ACCELERATION = ("force", "displacement", "pressure")
"""A file of these quantities (a rig, a microphone) is whole without an acceleration; its units name them."""


def _named_axes(data: Sequence[Column], position: str) -> list[Column]:
    """Axes by header names, else three unlabelled columns are x, y, z and a single one is x."""
    accelerations = [column for column in data if column.quantity == "acceleration"]
    found = {column.cell: axis_of(name_and_unit(column.name)[0]) for column in accelerations}
    named = {cell: axis for cell, axis in found.items() if axis}
    if named and len(set(named.values())) < len(named):
        raise _unclear_axes("an axis is named more than once", data)
    if not named:
        nameless = all(_NAMELESS.fullmatch(column.name.lower()) and column.quantity == "other" for column in data)
        if not accelerations and any(column.quantity in WITHOUT_ACCELERATION for column in data):
            return [replace(column, position=position) for column in data]
        pool = accelerations or (data if nameless else [])
        if len(pool) not in (1, 3):
            raise _unclear_axes("which columns are acceleration along x, y, z", data)
        named = {column.cell: axis for column, axis in zip(pool, "xyz", strict=False)}
    return [
        replace(column, quantity="acceleration", axis=named[column.cell], position=position)
        if column.cell in named else column
        for column in data
    ]  # fmt: skip


def _unclear_axes(asked: str, columns: Sequence[Column], beside: str = "") -> ReaderRefusal:
    listed = ", ".join(f"c{column.number} {column.name!r}" for column in columns)
    places = [f"c{column.number}" for column in columns[:3]]
    example = " ".join(f"{axis}=+{place}" for axis, place in zip("xyz", places, strict=False))
    example = f"{example} {beside}".strip()
    return ReaderRefusal(
        ReasonCode.AMBIGUOUS, asked, found=f"columns {listed}",
        todo=f"fill column 'axes' of the captures table, for example {example}",
    )  # fmt: skip


def with_unit(column: Column, mapping: ChannelMapping, general: str = "") -> Column:
    """The unit of a channel that takes part: said by the file or by the table, never guessed, never both ways.

    ``general`` is a unit the file states for all its channels, used where the label names none.

    Raises
    ------
    ReaderRefusal
        ``unknown_unit`` when nobody says it, ``ambiguous`` when file and table differ.
    """
    if not column.axis:
        return column
    if column.axis == SOUND_AXIS:
        return _with_sound_unit(column, mapping, general)
    told = known_unit(mapping.unit) if mapping.unit else (known_unit("counts") if mapping.scale is not None else None)
    if mapping.unit and (told is None or told.quantity not in ("acceleration", "counts")):
        raise _unknown_unit(f"unit {mapping.unit!r} of the captures table", column)
    spelled = column.unit_text or general
    written = column.unit if column.unit_text else known_unit(general)
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


def _with_sound_unit(column: Column, mapping: ChannelMapping, general: str) -> Column:
    """A microphone's unit: a pressure said by the file, or what is written with its sensitivity in the table."""
    written = column.unit if column.unit_text else known_unit(general)
    if written is not None and written.quantity == "pressure":
        return replace(column, unit=written)
    if SOUND_AXIS in dict(mapping.sensitivity) and (written is None or written.quantity in ("voltage", "counts")):
        return replace(column, unit=written if written is not None and written.quantity == "voltage" else None)
    spelled = column.unit_text or general
    raise ReaderRefusal(
        ReasonCode.UNKNOWN_UNIT, f"the unit of the microphone in column c{column.number} {column.name!r}",
        found=f"unit {spelled!r}" if spelled else "no unit", allowed=", ".join(unit_names("pressure")),
        todo="fill column 'sensitivity' with the pascals in one volt, or in one unit of what the file writes: p=20 for "
        "50 mV/Pa, p=1 where it writes Pa; `thrumline calibrate tone` finds it",
    )  # fmt: skip


def _unknown_unit(found: str, column: Column) -> ReaderRefusal:
    return ReaderRefusal(
        ReasonCode.UNKNOWN_UNIT, f"the unit of column c{column.number} {column.name!r}", found=found,
        allowed=", ".join((*unit_names("acceleration"), "counts with a scale")),
        todo="fill column 'unit' of the captures table",
    )  # fmt: skip


def channel_head(column: Column, mapping: ChannelMapping, counts_per_unit: float = 1.0) -> ChannelHead:
    """The channel as the capture's head states it; ``counts_per_unit`` native counts make the label's unit.

    SI value = native count times ``scale`` plus ``offset``: unit, sign, sensitivity and offset of the mapping
    are in them.
    """
    unit = column.unit
    to_si = unit.to_si if unit else 1.0
    offset, si = 0.0, unit.si if unit else ""
    if column.axis:
        si = "Pa" if column.axis == SOUND_AXIS else "m s-2"
        if unit is not None and unit.quantity == "counts":
            to_si = mapping.scale if mapping.scale is not None else 1.0
        to_si *= column.sign * dict(mapping.sensitivity).get(column.axis, 1.0)
        offset = 0.0 - dict(mapping.offset).get(column.axis, 0.0)
    return ChannelHead(
        name=column.name, quantity=column.quantity, unit=unit.name if unit else column.unit_text,
        si=si,
        scale=to_si / counts_per_unit, offset=offset, position=column.position, axis=column.axis,
    )  # fmt: skip
