"""Handing a finished study to the report: documents, curves for the page, provenance."""

from __future__ import annotations

import hashlib
import platform
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from importlib.metadata import version
from pathlib import Path
from typing import Any

from ...storage import Archive
from ..host import Host
from ..report import ReportDocuments, write_page
from ..study import Outcome, Study
from .curves import Curves


@dataclass(frozen=True, slots=True)
class Pages:
    """Where the pages of one study go, and what beside the figures they tell."""

    study: Study
    study_file: Path
    out: Path
    archive: Archive
    host: Host
    curves: Curves
    command: str

    def written(
        self, outcome: Outcome, captures: Sequence[dict[str, Any]], readings: Sequence[dict[str, Any]]
    ) -> Path:
        """Write ``report.html``; returns the file."""
        documents = ReportDocuments(
            study=self.study.model_dump(mode="json"),
            captures=[self._with_strip(entry) for entry in captures],
            readings=list(readings),
            comparisons=[item.as_json() for item in outcome.comparisons],
            over_platforms=[item.as_json() for item in outcome.over_platforms],
            notes=list(outcome.notes),
            sentences=list(outcome.sentences),
            spectra=self._by_place(captures, self.curves.spectrum),
            order_spectra=self._by_place(captures, self.curves.order_spectrum),
            provenance=_provenance(self),
            sections=_sections(self.host, captures, readings, outcome),
        )
        return write_page(self.out, documents)

    def _with_strip(self, entry: dict[str, Any]) -> dict[str, Any]:
        if not entry["result_id"]:
            return entry
        return {**entry, "fitness": {**entry["fitness"], "levels": self.curves.levels(entry["result_id"])}}

    @staticmethod
    def _by_place(
        captures: Sequence[dict[str, Any]], found_in: Callable[[str, str], dict[str, Any] | None]
    ) -> dict[str, dict[str, Any]]:
        fit = [entry for entry in captures if entry["state"] == "fit" and entry["result_id"]]
        spectra = {
            f"{entry['capture_id']}/{entry['position']}": found_in(entry["result_id"], entry["position"])
            for entry in fit
        }
        return {key: found for key, found in spectra.items() if found is not None}


def _sections(host: Host, captures: Any, readings: Any, outcome: Outcome) -> list[tuple[str, str]]:
    """Sections of plugins, made from the same entries the files hold."""
    entries = {
        "captures": captures, "readings": readings, "comparisons": [item.as_json() for item in outcome.comparisons],
    }  # fmt: skip
    return [(section.heading, section().html(entries)) for section in host.sections]


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
