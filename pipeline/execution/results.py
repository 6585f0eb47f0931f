"""Results in the archive: readings and fitness in the manifest, spectra and the level strip in a Zarr store."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import fields, replace
from functools import partial
from typing import Any

import numpy as np
import numpy.typing as npt

from ...storage import Archive, StoreReader, Tree
from ..contracts import ChannelSpec, Fitness, Line, Lines, OrderSpectrum, Reading, Spectra, SpeedMap
from .chain import ChainOutcome
from .orders import Done

SPECTRA_STORE = "spectra.zarr"
LEVELS = "strips"


def commit_result(
    archive: Archive, result_id: str, capture_id: str, outcome: ChainOutcome, made_by: Mapping[str, Any],
    run: Mapping[str, Any],
) -> Tree:  # fmt: skip
    """Write one result, whole or not at all. Losing a race against the same result is success.

    ``made_by`` is what names it beside its capture: ``channels`` seen, ``recipe`` stage by stage.
    """
    content = {
        "capture_id": capture_id,
        **made_by,
        "summary": {
            "fitness": {**outcome.fitness.as_json(), "levels": {}},
            "readings": [reading.as_json() for reading in outcome.readings],
        },
        "lines": _lines_json(outcome.products.get("lines")),
        "faults": dict(outcome.faults),
    }
    writers = _arrays_of(outcome)
    if not writers:
        return archive.put_small("results", result_id, content, dict(run))
    with archive.draft("results", result_id) as draft:
        store = draft.zarr(SPECTRA_STORE, packed=True)
        for write in writers:
            write(store)
        return draft.commit(content, dict(run))


def _arrays_of(outcome: ChainOutcome) -> list[Callable[[Any], None]]:
    """What writes each product that is arrays into the result's store."""
    writers: list[Callable[[Any], None]] = []
    for product in outcome.products.values():
        if isinstance(product, Spectra):
            writers.append(partial(_put_spectra, spectra=product))
        elif isinstance(product, SpeedMap) and product.absent is None:
            writers.append(partial(_put_speed_map, found=product))
        elif isinstance(product, OrderSpectrum) and product.absent is None:
            writers.append(partial(_put_order_spectrum, found=product))
    if outcome.fitness.levels:
        writers.append(partial(_put_levels, levels=outcome.fitness.levels))
    return writers


def levels_of(store: StoreReader) -> dict[str, npt.NDArray[np.float64]]:
    """The level strip that the spectra of a result hold, by name; empty where they hold none."""
    if LEVELS in store.names:
        array = store.array(LEVELS)
        return dict(zip(array.attrs["levels"], array.read_all(), strict=True))
    # results made before the strips shared an array
    strips = [name for name in store.names if name.startswith("strip_")]
    return {name.removeprefix("strip_"): store.array(name).read_all() for name in strips}


def summary_done(base: Done, summary: Mapping[str, Any]) -> Done:
    """An order's answer from a result's summary, as the catalogue holds it too."""
    readings = tuple(Reading.from_json(document) for document in summary["readings"])
    return replace(base, fitness=Fitness.from_json(summary["fitness"]), readings=readings)


def _put_spectra(store: Any, spectra: Spectra) -> None:
    unit = f"({spectra.channels[0].unit})2"
    store.put("frequency", spectra.frequency, dims=("frequency",), attrs={"units": "Hz"})
    store.put("auto", spectra.auto, dims=("channel", "frequency"), attrs={"units": unit, "scaling": "squared peak"})
    if len(spectra.pairs):
        store.put("cross", spectra.cross, dims=("pair", "frequency"), attrs={"units": unit, "scaling": "squared peak"})
    store.attrs.update(
        {
            "channels": [_channel_json(channel) for channel in spectra.channels],
            "pairs": [list(pair) for pair in spectra.pairs],
            "n_segments": spectra.n_segments, "n_effective": spectra.n_effective, "enbw_hz": spectra.enbw_hz,
            "window": spectra.window, "segment_s": spectra.segment_s, "overlap": spectra.overlap,
            "rate_hz": spectra.rate_hz, "used_s": spectra.used_s,
        }
    )  # fmt: skip


def _put_levels(store: Any, levels: Mapping[str, Any]) -> None:
    """All strips in one array: an array each would be a directory and two files each to bring to the device."""
    strips = np.asarray(list(levels.values()), dtype=np.float64)
    store.put(LEVELS, strips, dims=("level", "strip"), attrs={"levels": list(levels)})


def _put_speed_map(store: Any, found: SpeedMap) -> None:
    """Single precision: a map is looked at, and half the bytes show the same picture."""
    attrs = {
        "units": found.channels[0].unit, "detector": "peak", "frame_s": found.frame_s,
        "channels": [_channel_json(channel) for channel in found.channels],
    }  # fmt: skip
    amplitude = found.amplitude.astype(np.float32)
    store.put("map_amplitude", amplitude, dims=("channel", "map_speed", "map_frequency"), attrs=attrs)
    store.put("map_speed", found.speed_hz, dims=("map_speed",), attrs={"units": "Hz"})
    store.put("map_frequency", found.frequency, dims=("map_frequency",), attrs={"units": "Hz"})
    store.put("map_count", found.count, dims=("map_speed",), attrs={})


def _put_order_spectrum(store: Any, found: OrderSpectrum) -> None:
    """Amplitudes in single precision; orders whole, since half orders are looked up by their value."""
    attrs = {
        "units": found.channels[0].unit, "detector": "peak", "window": "hann", "revolutions": found.revolutions,
        "channels": [_channel_json(channel) for channel in found.channels],
    }  # fmt: skip
    store.put("order_amplitude", found.amplitude.astype(np.float32), dims=("channel", "order"), attrs=attrs)
    store.put("order", found.orders, dims=("order",), attrs={"units": "1"})
    store.put("order_count", found.count, dims=("order",), attrs={})


def _channel_json(channel: ChannelSpec) -> dict[str, Any]:
    return {name: getattr(channel, name) for name in _CHANNEL_FIELDS}


_CHANNEL_FIELDS = tuple(one.name for one in fields(ChannelSpec))


def _lines_json(lines: Lines | None) -> list[dict[str, Any]]:
    return [] if lines is None else [_line_json(line) for line in lines.lines]


def _line_json(line: Line) -> dict[str, Any]:
    return {
        "position": line.position, "frequency_hz": line.frequency_hz, "frequency_std_hz": line.frequency_std_hz,
        "amplitudes": [float(a) for a in line.amplitudes], "std": [float(s) for s in line.std],
        "name": line.name, "order": line.order, "marks": [mark.as_json() for mark in line.marks],
    }  # fmt: skip
