"""The study file: one question asked of one table of captures, read from TOML."""

from __future__ import annotations

import math
import re
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, ValidationError, field_validator, model_validator

from ..contracts import StudyError
from .decibels import DECIBEL, log_of_decibels
from .naming import listed, suggestion

_TOML_WAY = 'write key = value, texts in "quotes", numbers with a decimal point'
_BACKSLASH = "; a path with backslashes stands in single quotes, or write / instead"


class Study(BaseModel):
    """The question. Everything a verdict depends on stands here, before a capture is read."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False, str_strip_whitespace=True)

    title: str = Field(min_length=1, description="What the report is called.")
    captures: str = Field(min_length=1, description="Path of the captures table, relative to the study file.")
    baseline: str = Field(min_length=1, description="The part that percent changes are of.")
    limit_percent: float | None = Field(
        default=None, gt=-100.0, le=1000.0,
        description="Most the reading may rise over the baseline, percent, set by the company.",
    )  # fmt: skip
    limit_db: float | None = Field(
        default=None, gt=-60.0, le=60.0,
        description="Most a level of sound may rise over the baseline, decibels: a level has no percent.",
    )  # fmt: skip
    limit_mg: float | None = Field(
        default=None,
        gt=0.0,
        description="Most the candidate's own reading may be, milli-g; the stricter verdict holds.",
    )
    negligible_mg: float | None = Field(
        default=None,
        gt=0.0,
        description="Readings wholly below this, milli-g, are within limit: 0.4 to 0.6 cannot be felt.",
    )
    equivalence_percent: float | None = Field(
        default=None,
        gt=0.0,
        lt=100.0,
        description="Band of 'like the original', symmetric in the logarithm: 10 means 0.90 to 1/0.90.",
    )
    recipe: str = Field(default="idle", min_length=1, description="The chain that makes the readings.")
    confidence: float = Field(default=0.95, ge=0.5, lt=1.0, description="Of the two-sided interval.")
    minimum_duration_s: float = Field(
        default=30.0, gt=0.0, description="Steady seconds a capture needs: shorter ones scatter with the idle's wander."
    )
    reading: str = Field(default="firing_order", min_length=1, description="The reading the verdict rests on.")
    band_hz: tuple[float, float] | None = Field(
        default=None, description="Where 'highest_bin' looks, Hz; without it within 10 % of the nominal firing line."
    )
    combination: Literal["rss", "mean", "max", "principal", "weighted"] = Field(
        default="rss", description="How axes are combined; rss does not depend on how the sensor sits."
    )
    looks: int = Field(
        default=1,
        ge=1,
        le=100,
        description="How often this question is looked at in all; the doubt is shared out over them.",
    )
    stage: Mapping[str, Mapping[str, Any]] = Field(
        default_factory=dict, description="Settings of recipe stages that this study overrides: [stage.NAME]."
    )
    base_dir: Path = Field(default=Path(), description="Folder of the study file (filled in when it is read).")
    file: Path | None = Field(default=None, description="The study file (filled in when it is read).")

    @property
    def table_path(self) -> Path:
        """Where the captures table is."""
        written = self.base_dir / self.captures
        # a study written on another system may use backslashes
        return written if written.exists() else self.base_dir / self.captures.replace("\\", "/")

    @property
    def confidence_per_look(self) -> float:
        """Confidence of each look's interval when ``looks`` of them share the doubt (Bonferroni)."""
        return 1.0 - (1.0 - self.confidence) / self.looks

    def log_limit(self, unit: str) -> float | None:
        """The limit of a reading in this unit as log ratio; None where the study sets none for it."""
        if unit == DECIBEL:
            return None if self.limit_db is None else log_of_decibels(self.limit_db)
        return None if self.limit_percent is None else math.log1p(self.limit_percent / 100.0)

    @field_validator("captures")
    @classmethod
    def _path_without_controls(cls, value: str) -> str:
        if any(ord(letter) < 32 for letter in value):
            raise ValueError(f"a path; a backslash in double quotes became a control character{_BACKSLASH}")
        return value

    @model_validator(mode="after")
    def _some_limit(self) -> Self:
        if self.limit_percent is None and self.limit_db is None:
            raise ValueError(f"lacks {_LIMIT!r}")
        return self

    @model_validator(mode="after")
    def _band_in_order(self) -> Self:
        if self.band_hz is not None and not 0.0 <= self.band_hz[0] < self.band_hz[1]:
            low, high = sorted(self.band_hz)
            raise ValueError(
                f"band_hz needs two rising frequencies in Hz, found {list(self.band_hz)!r}"
                + (f"; write band_hz = [{low:g}, {high:g}]" if 0.0 <= low < high else "")
            )
        if self.limit_mg is not None and self.negligible_mg is not None and self.negligible_mg > self.limit_mg:
            raise ValueError(
                f"negligible_mg = {self.negligible_mg:g} stands above limit_mg = {self.limit_mg:g}: a reading "
                "could be too high and negligible at once"
            )
        return self


_LIMIT = "limit_percent"
_FILLED_IN = ("base_dir", "file")


def load_study(path: Path) -> Study:
    """The study in a TOML file.

    Raises
    ------
    StudyError
        If the file is missing, is no TOML, has unknown keys (naming the nearest known one), lacks a key, or
        holds a value that is not allowed.
    """
    path = Path(path)
    document = _toml(path)
    _refuse_unknown_keys(document, path)
    try:
        return Study.model_validate({**document, "base_dir": path.parent, "file": path})
    except ValidationError as error:
        raise _as_study_error(error, document, path) from None


def question_keys() -> dict[str, str]:
    """The keys a study file may hold, each with what it means, for help pages."""
    return {
        name: field.description or "" for name, field in Study.model_fields.items() if name not in _FILLED_IN
    }


def _toml(path: Path) -> dict[str, Any]:
    try:
        text = path.read_bytes().decode("utf-8-sig")
        return tomllib.loads(text)
    except FileNotFoundError:
        near = suggestion(path.name, [p.name for p in path.parent.glob("*.toml")]) if path.parent.is_dir() else ""
        raise StudyError(
            f"study file {str(path)!r} wanted", found="no such file", todo=near or "check the path"
        ) from None
    except IsADirectoryError:
        raise StudyError(
            f"study file {str(path)!r} wanted", found="a folder", todo="name the .toml file in it"
        ) from None
    except UnicodeDecodeError as error:
        raise StudyError(
            f"study file {path.name!r} wanted as UTF-8 text", found=f"byte {error.object[error.start]:#04x} at "
            f"{error.start}", todo="save it as UTF-8",
        ) from None  # fmt: skip
    except tomllib.TOMLDecodeError as error:
        line, way = _stumbling_line(text)
        raise StudyError(
            f"study file {path.name!r} wanted as TOML", found=f"{error}{line}", todo=way or _way_out(path, text)
        ) from None


def _way_out(path: Path, text: str) -> str:
    if path.suffix.lower() != ".toml":
        return "name the study's .toml file; the table of captures is named in it as `captures`"
    return _TOML_WAY + (_BACKSLASH if "\\" in text else "")


def _stumbling_line(text: str) -> tuple[str, str]:
    """The line a person most likely stumbled over, and how to write it: decimal comma, text without quotes."""
    for number, line in enumerate(text.splitlines(), start=1):
        key, equals, value = line.partition("=")
        value = value.split("#")[0].strip()
        if not equals or not value or value[0] in "[{\"'" or _is_toml(value):
            continue
        name, pointed, alone = key.strip(), value.replace(",", "."), value.rstrip("% ")
        where = f" (line {number}: {name} = {value})"
        if _is_toml(pointed):
            return where, f"write {name} = {pointed} with a decimal point"
        if _is_toml(alone):
            return where, f"write {name} = {alone}, the number alone"
        return where, f'write texts in quotes: {name} = "{value}"'
    return "", ""


def _is_toml(value: str) -> bool:
    try:
        tomllib.loads(f"x = {value}")
    except tomllib.TOMLDecodeError:
        return False
    return True


def _refuse_unknown_keys(document: Mapping[str, Any], path: Path) -> None:
    known = list(question_keys())
    for key, value in document.items():
        if key in known:
            continue
        near = suggestion(key, known)
        if not near and isinstance(value, Mapping):
            near = f"settings of a stage stand under [stage.{key}]"
        raise StudyError(
            f"study file {path.name!r}: key {key!r} is not known", allowed=", ".join(known),
            todo=near or "remove it",
        )  # fmt: skip


def _as_study_error(error: ValidationError, document: Mapping[str, Any], path: Path) -> StudyError:
    first = error.errors()[0]
    lacking = [str(item["loc"][0]) for item in error.errors() if item["type"] == "missing"]
    if _LIMIT not in document and "limit_db" not in document:
        # where it stood among the keys that every study needs
        lacking.insert(sum(name in ("title", "captures", "baseline") for name in lacking), _LIMIT)
    key = ".".join(str(part) for part in first["loc"])
    top = str(first["loc"][0]) if first["loc"] else ""
    meaning = question_keys().get(top, "")
    if first["type"] == "missing" or (lacking and not key):
        return StudyError(
            f"study file {path.name!r} lacks {listed(lacking)}", found=f"keys {listed(document)}",
            todo="; ".join(f"{name}: {question_keys()[name]}" for name in lacking),
        )  # fmt: skip
    if not key:
        return StudyError(f"study file {path.name!r}: {first['msg'].removeprefix('Value error, ')}")
    allowed = first["msg"].removeprefix("Input should be ").removeprefix("Value error, ")
    return StudyError(
        f"study file {path.name!r}: {key} ({meaning.rstrip('.')})",
        found=repr(first["input"]), allowed=allowed.removesuffix(", unable to parse string as a number"),
        todo=_hint(top, first["input"]),
    )  # fmt: skip


def _hint(key: str, value: object) -> str:
    """How the value was probably meant."""
    if key == "confidence" and isinstance(value, int | float) and 50 <= value < 100:
        return f"write {value / 100:g}"
    number = re.fullmatch(r"\s*([+-]?\d+(?:[.,]\d+)?)\s*\D*", value) if isinstance(value, str) else None
    return f"write the number alone: {key} = {number[1].replace(',', '.')}" if number else ""
