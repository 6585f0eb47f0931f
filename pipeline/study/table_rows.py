"""One row of the captures table: cells of text into a typed record, or the reason why not."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping

from ..contracts import AxisSource, CaptureRow, ChannelMapping, ReasonCode, RowError
from ..contracts.units import known_unit, unit_names
from .naming import suggestion

REQUIRED_COLUMNS = ("file", "platform", "part", "position", "condition", "repeat")
OPTIONAL_COLUMNS = (
    "placement", "take", "session", "specimen", "vehicle", "recorded_at", "cylinders", "strokes", "firing_order",
    "rpm", "sample_rate_hz", "unit", "scale", "sensitivity", "offset", "start_s", "stop_s", "axes", "sensor", "rig",
    "coupling", "mount_temp_c", "note", "capture", "noise_density",
)  # fmt: skip

_AXIS = re.compile(
    r"\s*(?:(?P<position>[^=]*[^=\s])\.)?(?P<axis>[xyzp]|tacho)\s*=\s*(?P<sign>[+-]?)\s*c(?P<column>\d+)(?=[\s,;]|$)[\s,;]*",
    re.IGNORECASE,
)
"""One piece of ``axes``; a position may hold blanks, ``p`` is a microphone's sound pressure, ``tacho`` a tachometer."""
_GAIN = re.compile(r"(?P<axis>[xyzpXYZP])\s*=\s*(?P<value>\S+)")
_NUMBER = re.compile(r"[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d+)?")


def row_from_cells(number: int, cells: Mapping[str, str]) -> CaptureRow:
    """The typed row from its cells by column name (texts, stripped; missing columns are empty).

    Raises
    ------
    RowError
        Naming column, cell and what would have been allowed.
    """
    axes = axes_from_text(cells.get("axes", ""))
    _refuse_blank_labels(cells, axes)
    start_s, stop_s = _stretch(cells)
    return CaptureRow(
        row=number,
        file=cells["file"],
        platform=cells["platform"],
        part=cells["part"],
        position=cells.get("position", ""),
        condition=cells["condition"],
        repeat=cells["repeat"],
        cylinders=_whole(cells, "cylinders", 1, 48),
        strokes=_strokes(cells),
        firing_order=_number(cells, "firing_order", 0.25, 48.0),
        rpm=_number(cells, "rpm", 50.0, 30000.0),
        start_s=start_s,
        stop_s=stop_s,
        coupling=_word(cells, "coupling", ("ac", "dc")),
        mount_temp_c=_number(cells, "mount_temp_c", -60.0, 250.0),
        capture=_whole(cells, "capture", 0, 100000),
        noise_density=_noise_density(cells.get("noise_density", "")),
        mapping=_mapping(cells, axes),
        tags={k: v for k, v in cells.items() if k not in REQUIRED_COLUMNS + OPTIONAL_COLUMNS},
        **{
            name: cells.get(name, "")
            for name in (
                "placement", "take", "session", "specimen", "vehicle", "recorded_at", "sensor", "rig", "note",
            )
        },
    )  # fmt: skip


def axes_from_text(text: str) -> tuple[AxisSource, ...]:
    """``x=+c1 y=-c3 z=+c2`` or ``engine-side.z=+c3 body-side.z=+c6`` as sources, one an axis.

    Raises
    ------
    RowError
        If anything else stands in the text, or an axis or a column of a position comes twice.
    """
    sources: list[AxisSource] = []
    at = 0
    while at < len(text):
        match = _AXIS.match(text, at)
        if match is None or int(match["column"]) < 1:
            raise RowError(
                ReasonCode.AMBIGUOUS, f"axes {text!r}", found=repr(text[at:]),
                allowed="x=+c1 y=-c3 z=+c2 (columns count from 1), or engine-side.z=+c3 body-side.z=+c6; p=+c4 for a "
                "microphone, tacho=+c5 for a tachometer's pulses",
            )  # fmt: skip
        sign = -1 if match["sign"] == "-" else 1
        sources.append(AxisSource(match["position"] or "", match["axis"].lower(), int(match["column"]), sign))
        at = match.end()
    _refuse_doubled(text, sources)
    return tuple(sources)


def _refuse_doubled(text: str, sources: list[AxisSource]) -> None:
    named = [f"{s.position}.{s.axis}" if s.position else s.axis for s in sources]
    columns = [f"c{s.column}" for s in sources]
    for names in (named, columns):
        doubled = sorted({name for name in names if names.count(name) > 1})
        if doubled:
            raise RowError(
                ReasonCode.AMBIGUOUS, f"axes {text!r}", found=f"{', '.join(doubled)} more than once",
                allowed="each axis from one column, each column for one axis",
            )  # fmt: skip


def number_from_text(text: str, column: str) -> float:
    """A number as a spreadsheet writes it: decimal point or comma, blanks between thousands.

    Raises
    ------
    RowError
        If it is no number, or one that two readers would read differently (``1,200``).
    """
    plain = text.strip().replace("\u00a0", "").replace("\u202f", "").replace(" ", "").replace("\u2212", "-")
    if "," in plain:
        plain = _without_comma(plain, text, column)
    if not _NUMBER.fullmatch(plain):
        raise RowError(
            ReasonCode.NOT_NUMERIC, f"column {column!r}: a number", found=repr(text),
            todo="write the number alone, its unit belongs in the column's meaning",
        )  # fmt: skip
    return float(plain)


def _without_comma(plain: str, text: str, column: str) -> str:
    head, _, tail = plain.rpartition(",")
    if "." in plain:
        # both marks: the later one is the decimal mark
        return plain.replace(",", "") if plain.rfind(".") > plain.rfind(",") else f"{head.replace('.', '')}.{tail}"
    if plain.count(",") > 1:
        return plain.replace(",", "")
    if len(tail) == 3 and tail.isdigit() and head.lstrip("+-") not in ("", "0"):
        raise RowError(
            ReasonCode.AMBIGUOUS, f"column {column!r}: one reading of a number", found=repr(text),
            todo=f"write {head}{tail} or {head}.{tail}",
        )  # fmt: skip
    return f"{head}.{tail}"


def _refuse_blank_labels(cells: Mapping[str, str], axes: tuple[AxisSource, ...]) -> None:
    blank = [name for name in REQUIRED_COLUMNS if not cells.get(name)]
    if "position" in blank and axes and all(axis.position for axis in axes):
        blank.remove("position")
    if blank:
        why = "repeat numbers the fittings: 1 for the first, 2 after part and sensor were off and on again"
        raise RowError(
            ReasonCode.AMBIGUOUS, f"a value in {', '.join(blank)}", found="an empty cell",
            todo=why if "repeat" in blank else "fill it in",
        )  # fmt: skip


def _number(cells: Mapping[str, str], column: str, least: float, most: float) -> float | None:
    text = cells.get(column, "")
    if not text:
        return None
    value = number_from_text(text, column)
    if not least <= value <= most:
        raise RowError(
            ReasonCode.AMBIGUOUS, f"column {column!r}", found=repr(text), allowed=f"{least:g} to {most:g}"
        )
    return value


def _whole(cells: Mapping[str, str], column: str, least: int, most: int) -> int | None:
    value = _number(cells, column, least, most)
    if value is not None and not value.is_integer():
        raise RowError(ReasonCode.AMBIGUOUS, f"column {column!r}: a whole number", found=repr(cells[column]))
    return None if value is None else int(value)


def _strokes(cells: Mapping[str, str]) -> int | None:
    value = _whole(cells, "strokes", 2, 4)
    if value == 3:
        raise RowError(ReasonCode.AMBIGUOUS, "column 'strokes'", found="'3'", allowed="2 or 4")
    return value


def _word(cells: Mapping[str, str], column: str, allowed: tuple[str, ...]) -> str:
    text = cells.get(column, "").lower()
    if text and text not in allowed:
        raise RowError(
            ReasonCode.AMBIGUOUS, f"column {column!r}", found=repr(cells[column]),
            allowed=f"{', '.join(allowed)} or empty",
        )  # fmt: skip
    return text


def _stretch(cells: Mapping[str, str]) -> tuple[float | None, float | None]:
    start_s = _number(cells, "start_s", -1e12, 1e12)
    stop_s = _number(cells, "stop_s", -1e12, 1e12)
    if start_s is not None and stop_s is not None and not start_s < stop_s:
        raise RowError(
            ReasonCode.AMBIGUOUS, "a stretch with start_s before stop_s", found=f"{start_s:g} to {stop_s:g} s"
        )
    return start_s, stop_s


def _mapping(cells: Mapping[str, str], axes: tuple[AxisSource, ...]) -> ChannelMapping:
    unit = _unit(cells.get("unit", ""))
    scale = _number(cells, "scale", -1e12, 1e12)
    if unit == "counts" and not scale:
        raise RowError(
            ReasonCode.UNKNOWN_UNIT, "unit 'counts' with a scale", found=repr(cells.get("scale", "")),
            todo="fill column 'scale' with m s-2 per count",
        )  # fmt: skip
    return ChannelMapping(
        position=cells.get("position", ""),
        axes=axes,
        unit=unit,
        scale=scale,
        sensitivity=_sensitivity(cells.get("sensitivity", "")),
        offset=_offset(cells.get("offset", "")),
        sample_rate_hz=_number(cells, "sample_rate_hz", 1e-3, 1e8),
    )


def _unit(text: str) -> str | None:
    if not text:
        return None
    unit = known_unit(text)
    if unit is None or unit.quantity not in ("acceleration", "counts"):
        allowed = (*unit_names("acceleration"), *unit_names("counts"))
        raise RowError(
            ReasonCode.UNKNOWN_UNIT, "a unit of acceleration", found=repr(text), allowed=", ".join(allowed),
            todo=suggestion(text, allowed),
        )  # fmt: skip
    return unit.name


def _sensitivity(text: str) -> tuple[tuple[str, float], ...]:
    """One factor for x, y and z, or a factor each (``x=1.02 y=0.99 z=1.0``)."""
    if text and "=" not in text:
        value = _gain(text)
        return (("x", value), ("y", value), ("z", value))
    allowed = "one factor (1.02), or one each: x=1.02 y=0.99 z=1.0, p=20 for a microphone"
    pairs = _by_axis(text, "sensitivity", allowed, lambda value: number_from_text(value, "sensitivity"))
    return tuple((axis, _gain(f"{value!r}") if axis != "p" else _pascals(value)) for axis, value in pairs)


def _offset(text: str) -> tuple[tuple[str, float], ...]:
    """What is subtracted from each axis after its sensitivity, m s-2 (``x=0.12 y=-0.03``)."""
    allowed = "one value an axis in m s-2: x=0.12 y=-0.03 z=0.05"
    return _by_axis(text, "offset", allowed, lambda value: number_from_text(value, "offset"))


def _noise_density(text: str) -> tuple[tuple[str, float], ...]:
    """The sensor's noise, ug/sqrt(Hz): one figure, or x, y and z each (``x=120 y=120 z=180``)."""
    if text and "=" not in text:
        value = _density(text)
        return (("x", value), ("y", value), ("z", value))
    allowed = "one figure in ug/sqrt(Hz) (150), or all three: x=120 y=120 z=180"
    pairs = _by_axis(text, "noise_density", allowed, _density)
    if pairs and {axis for axis, _ in pairs} != set("xyz"):
        raise RowError(ReasonCode.AMBIGUOUS, f"noise_density {text!r}", found=f"{len(pairs)} axes", allowed=allowed)
    return pairs


def _by_axis(
    text: str, column: str, allowed: str, value_of: Callable[[str], float]
) -> tuple[tuple[str, float], ...]:
    """Pairs of axis and value out of ``x=1 y=2``, each axis once."""
    pairs: dict[str, float] = {}
    for piece in re.sub(r"\s*=\s*", "=", text.replace(";", " ")).split():
        match = _GAIN.fullmatch(piece)
        if match is None or match["axis"].lower() in pairs:
            raise RowError(ReasonCode.AMBIGUOUS, f"{column} {text!r}", found=repr(piece), allowed=allowed)
        pairs[match["axis"].lower()] = value_of(match["value"])
    return tuple(pairs.items())


def _density(text: str) -> float:
    value = number_from_text(text, "noise_density")
    if not 0.05 <= value <= 1e5:
        raise RowError(
            ReasonCode.AMBIGUOUS, "noise_density: the sensor's noise in ug/sqrt(Hz)", found=repr(text),
            allowed="0.05 to 100000 (a data sheet's 0.15 mg/sqrt(Hz) is 150)",
        )  # fmt: skip
    return value


def _pascals(value: float) -> float:
    """Pascals in one unit of what the file writes: volts, parts of full scale, counts."""
    if not 1e-9 <= abs(value) <= 1e6:
        raise RowError(
            ReasonCode.AMBIGUOUS, "a microphone's sensitivity: pascals in one unit of what the file writes",
            found=f"p={value:g}", allowed="0.000000001 to 1000000 (50 mV/Pa written in V is p=20)",
        )  # fmt: skip
    return value


def _gain(text: str) -> float:
    value = number_from_text(text, "sensitivity")
    if not 0.1 <= abs(value) <= 10.0:
        raise RowError(
            ReasonCode.AMBIGUOUS, "a sensitivity: factor on what the file says, near 1", found=repr(text),
            allowed="0.1 to 10 (for counts use column 'scale')",
        )  # fmt: skip
    return value
