"""Captures and spectra out of the archive as labelled xarray datasets."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from ...storage import Archive
from ..contracts import SettingsError
from ..execution.intake import open_capture as _taken
from ..execution.results import SPECTRA_STORE
from ..execution.samples import CaptureSamples

if TYPE_CHECKING:
    import xarray as xr


def open_capture(archive_dir: Path | str, capture_id: str) -> xr.Dataset:
    """One capture as ``acceleration(channel, time)`` in m s-2, with position and axis per channel.

    Other quantities stand as variables of their own on their own clocks. Raises SettingsError for an id
    the archive does not hold.
    """
    import numpy as np
    import xarray as xr

    with Archive.open(Path(archive_dir), role="reader") as archive:
        taken = _taken(archive, capture_id)
        if taken is None:
            raise SettingsError(f"capture {capture_id!r} in {archive_dir}", found="no such capture", todo="archive ls")
        quantities = list(dict.fromkeys(c.quantity for c in taken.head.groups[0].channels))
        main = "acceleration" if "acceleration" in quantities else quantities[0]
        samples = CaptureSamples(taken.head, taken.arrays, [main])
        blocks = [block.values for run in samples.runs for block in samples.blocks(run, 0)]
        times = np.array([samples.time_at(i) for i in range(samples.n_samples)])
        signal = samples.signal
        data = xr.Dataset(
            {main: (("channel", "time"), np.concatenate(blocks, axis=1), {"units": signal.channels[0].unit})},
            coords={
                "channel": [c.name for c in signal.channels],
                "position": ("channel", [c.position for c in signal.channels]),
                "axis": ("channel", [c.axis for c in signal.channels]),
                "time": ("time", times, {"units": "s"}),
            },
            attrs={
                "Conventions": "CF-1.11", "capture_id": capture_id, "sample_rate_hz": signal.rate_hz,
                "uniform": int(signal.uniform), "original_sha256": taken.original,
            },
        )  # fmt: skip
        for aside in samples.asides:
            name = f"time_{aside.name}"
            data[aside.name] = ((name,), aside.values, {"units": aside.unit, "quantity": aside.quantity})
            data = data.assign_coords({name: (name, aside.times_s, {"units": "s"})})
    return data


def open_spectra(archive_dir: Path | str, result_id: str) -> xr.Dataset:
    """Averaged auto and cross spectra of one result, on ``frequency``. Raises SettingsError."""
    import xarray as xr
    from zarr.storage import ZipStore

    with Archive.open(Path(archive_dir), role="reader") as archive:
        tree = archive.tree("results", result_id)
        if tree is None or SPECTRA_STORE not in tree.stores:
            raise SettingsError(f"spectra of result {result_id!r} in {archive_dir}", found="none", todo="archive ls")
        place = tree.place_of(SPECTRA_STORE)
        store = ZipStore(place, mode="r") if place.is_file() else place
        data: xr.Dataset = xr.open_zarr(store, consolidated=False).load()
    return data.set_coords("frequency") if "frequency" in data else data
