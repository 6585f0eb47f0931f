"""Writes a simulated capture as loggers write theirs: text in many dialects, and WAV.

What is written is what ``as_written`` returns, exactly: values rounded to the dialect's decimals in its unit.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import numpy as np
import numpy.typing as npt

from ..contracts.units import Unit, known_unit
from .components import FloatArray
from .digits import Column, decimal_column, decimal_counts, rows_of, text_column
from .simulator import SimulatedCapture

HeaderForm = Literal["suffix", "brackets", "parentheses", "slash", "units_row", "bare", "none"]
TimeForm = Literal["s", "ms", "us", "epoch_ms", "iso", "none"]
Encoding = Literal["utf-8", "utf-8-sig", "utf-16-le", "utf-16-be", "latin-1"]
_BOMS: dict[str, bytes] = {
    "utf-8-sig": b"\xef\xbb\xbf",
    "utf-16-le": b"\xff\xfe",
    "utf-16-be": b"\xfe\xff",
}
_TIME_FACTOR = {"s": 1.0, "ms": 1e3, "us": 1e6, "epoch_ms": 1e3}


@dataclass(frozen=True, slots=True)
class TextDialect:
    """One way of writing a text capture.

    ``unit`` as the header spells it; ``decimals`` of the values and ``time_decimals`` of the time column;
    ``time`` the form of the stamps (``iso`` and ``epoch_ms`` count from ``epoch``); ``preface`` lines stand
    before the header as they are; ``start_s`` is added to every stamp.
    """

    delimiter: str = ","
    decimal: str = "."
    header: HeaderForm = "suffix"
    unit: str = "g"
    decimals: int = 6
    time: TimeForm = "s"
    time_decimals: int = 6
    start_s: float = 0.0
    epoch: str = "2026-03-02T08:00:00"
    encoding: Encoding = "utf-8"
    line_end: str = "\n"
    preface: tuple[str, ...] = ()

    @property
    def known(self) -> Unit:
        """The unit's factor. Raises ValueError for a unit the project does not know."""
        unit = known_unit(self.unit, "acceleration")
        if unit is None:
            raise ValueError(f"no acceleration unit is spelled {self.unit!r}")
        return unit


def channel_names(n_channel: int) -> tuple[str, ...]:
    """``x, y, z`` for up to three channels, ``c1 ... cN`` for more."""
    return ("x", "y", "z")[:n_channel] if n_channel <= 3 else tuple(f"c{i + 1}" for i in range(n_channel))


def as_written(capture: SimulatedCapture, dialect: TextDialect) -> FloatArray:
    """The acceleration a perfect reader of the text gets [shape=(n_channel, n), m s-2]."""
    factor = dialect.known.to_si
    counts = decimal_counts(capture.acceleration / factor, dialect.decimals)
    return np.asarray(counts / 10.0**dialect.decimals * factor)


def capture_text(capture: SimulatedCapture, dialect: TextDialect, names: tuple[str, ...] = ()) -> bytes:
    """The whole file's bytes."""
    names = names or channel_names(len(capture.acceleration))
    values = capture.acceleration / dialect.known.to_si
    columns = _time_columns(capture.time_s, dialect)
    columns += [
        decimal_column(decimal_counts(row, dialect.decimals), dialect.decimals, dialect.decimal) for row in values
    ]
    head = "".join(line + dialect.line_end for line in (*dialect.preface, *_header(names, dialect)))
    body = rows_of(columns, dialect.delimiter, dialect.line_end)
    plain = dialect.encoding.removesuffix("-sig")
    encoded = head.encode(plain) + (body.decode("ascii").encode(plain) if "16" in plain else body)
    return _BOMS.get(dialect.encoding, b"") + encoded


def write_text(
    path: Path, capture: SimulatedCapture, dialect: TextDialect | None = None, names: tuple[str, ...] = ()
) -> None:
    """Write the capture as text; ``names`` replace the channels' names in the header."""
    path.write_bytes(capture_text(capture, dialect or TextDialect(), names))


def write_wav(path: Path, capture: SimulatedCapture, full_scale: float, bits: Literal[16, 32] = 32) -> float:
    """Write the capture as PCM WAV whose full scale is ``full_scale`` m s-2; returns m s-2 per count.

    Raises ValueError where a sample exceeds the full scale or the rate is not whole.
    """
    from scipy.io import wavfile

    greatest = float(np.max(np.abs(capture.acceleration), initial=0.0))
    if greatest > full_scale:
        raise ValueError(f"a sample of {greatest!r} m s-2 exceeds the full scale of {full_scale!r} m s-2")
    if capture.rate_hz != round(capture.rate_hz):
        raise ValueError(f"WAV holds whole rates only, found {capture.rate_hz!r} Hz")
    per_count = full_scale / float(2 ** (bits - 1))
    top = float(2 ** (bits - 1) - 1)
    counts = np.clip(np.round(capture.acceleration.T / per_count), -top, top)
    wavfile.write(path, round(capture.rate_hz), counts.astype(f"int{bits}"))
    return per_count


def _header(names: tuple[str, ...], dialect: TextDialect) -> list[str]:
    unit = dialect.unit
    forms = {
        "suffix": [f"{name}_{unit}" for name in names],
        "brackets": [f"A{name} [{unit}]" for name in names],
        "parentheses": [f"{name.upper()}({unit})" for name in names],
        "slash": [f"Acc {name.upper()} / {unit}" for name in names],
        "units_row": list(names),
        "bare": list(names),
    }
    if dialect.header == "none":
        return []
    titles = forms[dialect.header]
    time_unit = {"epoch_ms": "ms"}.get(dialect.time, dialect.time)
    if dialect.time != "none":
        titles = [_time_title(dialect, time_unit), *titles]
    lines = [dialect.delimiter.join(titles)]
    if dialect.header == "units_row":
        units = [unit] * len(names)
        lines.append(dialect.delimiter.join(units if dialect.time == "none" else [time_unit, *units]))
    return lines


def _time_title(dialect: TextDialect, unit: str) -> str:
    if dialect.time == "iso":
        return "timestamp"
    shapes = {"suffix": f"time_{unit}", "brackets": f"Time [{unit}]", "parentheses": f"Time({unit})"}
    return shapes.get(dialect.header, f"Time / {unit}" if dialect.header == "slash" else "time")


def _time_columns(time_s: FloatArray, dialect: TextDialect) -> list[Column]:
    if dialect.time == "none":
        return []
    stamps = time_s + dialect.start_s
    if dialect.time == "iso":
        return [text_column(_iso_stamps(stamps, dialect))]
    factor = _TIME_FACTOR[dialect.time]
    counts = decimal_counts(stamps * factor, dialect.time_decimals)
    if dialect.time == "epoch_ms":
        epoch_ms = int(np.datetime64(dialect.epoch, "ms").astype(np.int64))
        counts += epoch_ms * 10**dialect.time_decimals
    return [decimal_column(counts, dialect.time_decimals, dialect.decimal)]


def _iso_stamps(stamps_s: FloatArray, dialect: TextDialect) -> npt.NDArray[np.bytes_]:
    micro = np.round(stamps_s * 1e6).astype("timedelta64[us]")
    return np.datetime_as_string(np.datetime64(dialect.epoch, "us") + micro, unit="us").astype("S")
