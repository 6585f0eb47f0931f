"""Handing a finished study to the report: documents, spectra thinned for the page, provenance."""

from __future__ import annotations

import hashlib
import platform
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from importlib.metadata import version
from pathlib import Path
from typing import Any

import numpy as np

from ...storage import Archive, Tree
from ..contracts.units import MILLI_G
from ..execution.results import SPECTRA_STORE, levels_of
from ..host import Host
from ..kernels import axes
from ..kernels.standing_orders import standing_orders
from ..report import ReportDocuments, write_report
from ..study import Outcome, Study

PAGE_POINTS = 1000
"""Points of one spectrum handed to the report: every bin of 0.25 Hz up to 250 Hz. The report thins further, by the
size of the study; thinned here, each capture would keep frequencies of its own and no two could be read at one."""


@dataclass(frozen=True, slots=True)
class Pages:
    """Where the pages of one study go, and what beside the figures they tell."""

    study: Study
    study_file: Path
    out: Path
    archive: Archive
    host: Host
    command: str

    def written(
        self, outcome: Outcome, captures: Sequence[dict[str, Any]], readings: Sequence[dict[str, Any]]
    ) -> list[Path]:
        """Write ``report.html`` and the tables beside it; returns the files."""
        results = {entry["result_id"] for entry in captures if entry["result_id"]}
        trees = {result: self.archive.tree("results", result) for result in results}
        documents = ReportDocuments(
            study=self.study.model_dump(mode="json"),
            captures=[_with_strip(trees.get(entry["result_id"]), entry) for entry in captures],
            readings=list(readings),
            comparisons=[item.as_json() for item in outcome.comparisons],
            over_platforms=[item.as_json() for item in outcome.over_platforms],
            notes=list(outcome.notes),
            sentences=list(outcome.sentences),
            spectra=_page_spectra(trees, captures, page_spectrum),
            order_spectra=_page_spectra(trees, captures, page_order_spectrum),
            provenance=_provenance(self),
            sections=_sections(self.host, captures, readings, outcome),
        )
        return list(write_report(self.out, documents))


def _sections(host: Host, captures: Any, readings: Any, outcome: Outcome) -> list[tuple[str, str]]:
    """Sections of plugins, made from the same entries the files hold."""
    entries = {
        "captures": captures, "readings": readings, "comparisons": [item.as_json() for item in outcome.comparisons],
    }  # fmt: skip
    return [(section.heading, section().html(entries)) for section in host.sections]


def _page_spectra(
    trees: Mapping[str, Tree | None],
    captures: Sequence[dict[str, Any]],
    found_in: Callable[[Tree | None, str], dict[str, Any] | None],
) -> dict[str, dict[str, Any]]:
    spectra: dict[str, dict[str, Any]] = {}
    for entry in captures:
        if entry["state"] == "fit" and entry["result_id"]:
            found = found_in(trees[entry["result_id"]], entry["position"])
            if found is not None:
                spectra[f"{entry['capture_id']}/{entry['position']}"] = found
    return spectra


def page_spectrum(tree: Tree | None, position: str) -> dict[str, Any] | None:
    """The rss amplitude spectrum of one position in mg, thinned keeping each bin group's peak."""
    if tree is None or not (tree.path / SPECTRA_STORE).exists():
        return None
    store = tree.zarr(SPECTRA_STORE)
    if "auto" not in store.names:
        return None
    chosen = [i for i, c in enumerate(store.attrs["channels"]) if c["position"] == position]
    frequency = store.array("frequency").read_all()
    amplitude = axes.root_sum_square(store.array("auto").read_all()[chosen]) / MILLI_G
    keep = _peaks_kept(amplitude, frequency)
    lines = [
        {"frequency_hz": line["frequency_hz"], "name": line["name"], "amplitude_mg": _rss_mg(line["amplitudes"])}
        for line in tree.content["lines"]
        if line["position"] == position
    ]
    return {
        "frequency": np.round(frequency[keep], 4),
        "amplitude": np.round(amplitude[keep], 4),
        "lines": lines[:8],
    }


def page_order_spectrum(tree: Tree | None, position: str) -> dict[str, Any] | None:
    """The rss order spectrum of one position in mg as a run-up keeps it, and the orders that stand out of it."""
    if tree is None or not (tree.path / SPECTRA_STORE / "order_amplitude").exists():
        return None
    store = tree.zarr(SPECTRA_STORE)
    kept = store.array("order_amplitude")
    channels = kept.attrs["channels"]
    chosen = [
        i for i, c in enumerate(channels) if c["position"] == position and c["quantity"] == "acceleration"
    ]
    if not chosen:
        return None
    order = store.array("order").read_all()
    amplitude = axes.root_sum_square(np.square(kept.read_all()[chosen].astype(np.float64))) / MILLI_G
    # no order is at zero: each frame's mean was taken out
    lines = zip(*standing_orders(order, amplitude), strict=True)
    return {
        "order": order[1:],
        "amplitude": np.round(amplitude[1:], 4),
        "revolutions": int(kept.attrs["revolutions"]),
        "lines": [{"order": float(at), "amplitude_mg": float(height)} for at, height in lines][:8],
    }


def _rss_mg(amplitudes: Sequence[float]) -> float:
    return float(axes.root_sum_square(np.square(amplitudes)[:, None])[0] / MILLI_G)


def _peaks_kept(amplitude: Any, frequency: Any) -> Any:
    """Indices of the greatest bin of each of PAGE_POINTS groups up to 250 Hz, so that no line is lost."""
    n = int(np.searchsorted(frequency, 250.0, side="right")) - 1
    if n < 1:
        return np.empty(0, dtype=int)
    n_group = min(PAGE_POINTS, n)
    starts = np.arange(n_group) * (n // n_group) + np.minimum(np.arange(n_group), n % n_group)
    group = np.searchsorted(starts, np.arange(n), side="right")
    return 1 + np.lexsort((-amplitude[1 : n + 1], group))[starts]


def _with_strip(tree: Tree | None, entry: dict[str, Any]) -> dict[str, Any]:
    if tree is None:
        return entry
    levels = {name: np.round(values, 4) for name, values in levels_of(tree).items()}
    return {**entry, "fitness": {**entry["fitness"], "levels": levels}}


def _provenance(pages: Pages) -> Mapping[str, Any]:
    libraries = ("thrumline", "numpy", "scipy", "xarray", "zarr", "dask")
    return {
        "command": pages.command or f"thrumline run {pages.study_file}",
        "study": str(pages.study_file),
        "study_sha256": hashlib.sha256(pages.study_file.read_bytes()).hexdigest(),
        "recipe": pages.study.recipe,
        "archive_id": pages.archive.id,
        "versions": {name: version(name) for name in libraries},
        "python": platform.python_version(),
        "plugins": pages.host.fingerprint(),
    }
