"""Calibration of a sensor from its own files; what comes out goes into the captures table."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from ..contracts import ChannelMapping, SettingsError
from ..contracts.labels import SOUND_AXIS
from ..execution.samples import CaptureSamples
from ..kernels.calibration import AXES, tone_factor, turn_over
from ..kernels.signal_fit import tone_amplitude
from ..kernels.sound import REFERENCE_PRESSURE
from .captures import ReadFile, read_files

MOST_TONE = 1 << 18
"""Samples of a tone that are fitted: five seconds at 48 kHz are plenty for a level."""


@dataclass(frozen=True, slots=True)
class Lying:
    """One static position: a file, and a stretch of it in seconds of its own clock (None = all of it)."""

    file: Path
    stretch: tuple[float, float] | None = None


@dataclass(frozen=True, slots=True)
class Calibration:
    """What to write into the captures table, and how well it is known."""

    sensitivity: dict[str, float]
    sensitivity_std: dict[str, float]
    offset: dict[str, float]
    notes: Sequence[str] = ()

    @property
    def cells(self) -> dict[str, str]:
        """Cells of the captures table: columns ``sensitivity`` and ``offset``."""
        cells = {"sensitivity": _cell(self.sensitivity)}
        return {**cells, "offset": _cell(self.offset)} if self.offset else cells

    def as_json(self) -> dict[str, Any]:
        """The form ``calibrate --json`` prints."""
        return {
            "schema": 1, "sensitivity": self.sensitivity, "sensitivity_std": self.sensitivity_std,
            "offset": self.offset, "cells": self.cells, "notes": list(self.notes),
        }  # fmt: skip


def _cell(values: dict[str, float]) -> str:
    return " ".join(f"{axis}={value:.6g}" for axis, value in values.items())


def calibrate_by_gravity(positions: Sequence[Lying], mapping: ChannelMapping) -> Calibration:
    """Sensitivity and offset from six static positions, in any order.

    Raises ReaderRefusal for a file, SettingsError for positions that do not make a turn-over.
    """
    if len(positions) != 6:
        found = f"{len(positions)} positions"
        raise SettingsError("six static positions, each axis once up and once down", found=found)
    once = list(dict.fromkeys(lying.file for lying in positions))
    samples = {file: _samples(read) for file, read in zip(once, read_files(once, mapping), strict=True)}
    measured = [_static(lying, samples[lying.file]) for lying in positions]
    try:
        turned = turn_over(np.array([m for m, _ in measured]), np.array([s for _, s in measured]))
    except ValueError as error:
        raise SettingsError("a six-position turn-over", found=str(error), todo="lay the sensor again") from error
    notes = [
        f"axis {axis} lay {tilt:.2f} degrees off (laying and cross sensitivity together)"
        for axis, tilt in zip(AXES, turned.tilt_deg, strict=True)
    ]
    notes.append(f"corrected static vectors miss 1 g by at most {turned.largest_residual / 9.80665e-3:.2f} mg")
    return Calibration(
        _by_axis(turned.factor), _by_axis(turned.factor_std), _by_axis(turned.offset), tuple(notes)
    )


def calibrate_by_tone(
    file: Path, mapping: ChannelMapping, *, axis: str, frequency_hz: float, level: float, detector: str
) -> Calibration:
    """Sensitivity of one axis from a shaker tone of known level (m s-2, ``peak`` or ``rms``), or of a microphone.

    Axis ``p`` is a microphone under a sound calibrator; detector ``dB`` gives its level re 20 micropascal. Its
    sensitivity is the pascals in one unit of what the file writes, whatever that is.

    Raises ReaderRefusal, or SettingsError for an axis the file lacks or a tone that is not there.
    """
    sound = axis == SOUND_AXIS
    if sound != (detector == "dB"):
        raise SettingsError(
            f"the level of a tone on axis {axis!r}", found=f"detector {detector!r}",
            allowed="dB for a microphone (axis p), peak or rms in m s-2 for x, y, z",
        )  # fmt: skip
    if sound:
        mapping = replace(mapping, sensitivity=((SOUND_AXIS, 1.0),))
    values, rate_hz = _axis_values(file, mapping, axis)
    values, unit = values[:MOST_TONE], "Pa" if sound else "m s-2"
    peak, std = tone_amplitude(values, rate_hz, frequency_hz)
    if peak < 5.0 * std:
        raise SettingsError(
            f"a tone at {frequency_hz:g} Hz on axis {axis}", found=f"{peak:.3g} ± {std:.2g} {unit} peak",
            todo="check frequency and axis",
        )  # fmt: skip
    scale = 1.0 if detector == "peak" else np.sqrt(0.5)
    stated = REFERENCE_PRESSURE * 10.0 ** (level / 20.0) if sound else level
    factor, factor_std = tone_factor(peak * scale, std * scale, stated)
    note = f"measured {peak * scale:.6g} {unit} {detector} at {frequency_hz:g} Hz, stated {level:g}"
    if sound:
        said = f"stated {level:g} dB, {stated:.5g} Pa"
        note = f"measured {peak * scale:.6g} rms as written at {frequency_hz:g} Hz, {said}"
    return Calibration({axis: factor}, {axis: factor_std}, {}, (note,))


def _by_axis(values: Any) -> dict[str, float]:
    return {axis: float(value) for axis, value in zip(AXES, values, strict=True)}


def _samples(read: ReadFile, quantity: str = "acceleration") -> CaptureSamples:
    return CaptureSamples(read.heads[0], read.sink.arrays(read.heads[0].index), [quantity])


def _static(lying: Lying, samples: CaptureSamples) -> tuple[Any, Any]:
    """Means of x, y, z and their standard uncertainty from the scatter of half-second means."""
    values = np.concatenate([block.values for run in samples.runs for block in samples.blocks(run, 0)], axis=1)
    order = {channel.axis: i for i, channel in enumerate(samples.signal.channels)}
    if set(AXES) - set(order):
        raise SettingsError(f"{lying.file.name}: axes x, y, z", found=", ".join(order), todo="give --axes")
    if lying.stretch is not None:
        first, last = (samples.index_at(instant) for instant in lying.stretch)
        values = values[:, first:last]
    rate_hz = samples.signal.rate_hz or 1.0
    n_piece = max(1, round(0.5 * rate_hz))
    if values.shape[1] < 4 * n_piece:
        raise SettingsError(f"{lying.file.name}: 2 s of rest", found=f"{values.shape[1] / rate_hz:.2f} s")
    values = values[[order[axis] for axis in AXES]]
    pieces = values[:, : values.shape[1] // n_piece * n_piece].reshape(3, -1, n_piece).mean(axis=2)
    return values.mean(axis=1), pieces.std(axis=1, ddof=1) / np.sqrt(pieces.shape[1])


def _axis_values(file: Path, mapping: ChannelMapping, axis: str) -> tuple[Any, float]:
    samples = _samples(read_files([file], mapping)[0], "pressure" if axis == SOUND_AXIS else "acceleration")
    chosen = [i for i, channel in enumerate(samples.signal.channels) if channel.axis == axis]
    if axis == SOUND_AXIS and not chosen and len(samples.signal.channels) == 1:
        chosen = [0]  # the only pressure of the file needs no --axes
    if not chosen:
        found = ", ".join(channel.axis for channel in samples.signal.channels)
        raise SettingsError(f"{file.name}: axis {axis!r}", found=found, todo="give --axes or another --axis")
    blocks = [block.values[chosen[0]] for run in samples.runs[:1] for block in samples.blocks(run, 0)]
    return np.concatenate(blocks), samples.signal.rate_hz or 1.0
