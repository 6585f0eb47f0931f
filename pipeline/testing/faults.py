"""Faults as they happen at a test, planted on purpose, and what has to become of each."""

from __future__ import annotations

from dataclasses import replace
from typing import Literal

import numpy as np

from .simulator import IdleSpec, SimulatedCapture, Slam
from .writer import TextDialect, capture_text

FaultKind = Literal["clipped", "gaps", "short", "hunting", "empty", "not_numeric", "slam"]

FAULTS: dict[FaultKind, tuple[str, str]] = {
    "clipped": ("unfit", "clipped"),
    "gaps": ("unfit", "gaps"),
    "short": ("unfit", "short"),
    "hunting": ("unfit", "hunting"),
    "empty": ("refused", "empty"),
    "not_numeric": ("refused", "not_numeric"),
    "slam": ("fit", "transient"),
}
"""State and reason code each fault has to end in, for captures of 40 s or more where 30 s are asked."""


def faulty_spec(spec: IdleSpec, kind: FaultKind) -> IdleSpec:
    """The capture's spec with one fault; kinds that are made in the file leave it as it is."""
    if kind == "clipped":
        static = 9.80665 if spec.gravity else 0.0
        swing = float(max(spec.amplitude_mg)) * 9.80665e-3
        return replace(spec, full_scale=static + 0.6 * swing)
    if kind == "short":
        return replace(spec, duration_s=0.45 * spec.duration_s)
    if kind == "hunting":
        return replace(spec, hunt=(0.045, 7.0))
    if kind == "slam":
        return replace(spec, slam=Slam(at_s=0.55 * spec.duration_s))
    return spec


def holes(duration_s: float) -> tuple[tuple[float, float], ...]:
    """Five losses of 2 s each, 5.5 s apart: what is left between them is too short a stretch to use."""
    starts = 0.24 * duration_s + 5.5 * np.arange(5)
    return tuple((float(start), float(start) + 2.0) for start in np.round(starts, 1))


def faulty_text(capture: SimulatedCapture, dialect: TextDialect, kind: FaultKind) -> bytes:
    """The file's bytes with the fault in the text: no rows at all, or a word where a number belongs."""
    whole = capture_text(capture, dialect)
    plain = dialect.encoding.removesuffix("-sig")
    text = whole.decode(plain)
    lines = text.splitlines(keepends=True)
    n_head = len(lines) - capture.acceleration.shape[1]
    if kind == "empty":
        return "".join(lines[:n_head]).encode(plain)
    cells = lines[len(lines) // 2].split(dialect.delimiter)
    cells[-1] = "overload" + dialect.line_end
    lines[len(lines) // 2] = dialect.delimiter.join(cells)
    return "".join(lines).encode(plain)
