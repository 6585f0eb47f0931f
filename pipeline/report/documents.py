"""What a report is made from: the study's own files, their sentences and the spectra for the page."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from ..contracts import ThrumlineError


@dataclass(frozen=True, slots=True)
class ReportDocuments:
    """Everything the page shows. Lists stand exactly as in the JSON files beside the report.

    Attributes
    ----------
    study
        ``title``, ``baseline``, ``limit_percent``, ``limit_mg``, ``negligible_mg``, ``equivalence_percent``,
        ``confidence``, ``reading``, ``combination``, and ``question`` (free text); absent keys may be None.
    captures, readings, comparisons, over_platforms
        Entries of captures.json, readings.json and comparisons.json. A capture may carry ``fitness``
        (``Fitness.as_json``) for its level strip and cuts.
    sentences
        Verdict sentences, one a comparison or one a comparison that carries a verdict, in their order. May be
        left out where the comparisons bring their own as ``sentence``.
    notes
        Sentences about the study as a whole (looks paid for, rows set aside).
    spectra
        By capture id (or ``capture id/position``): ``frequency`` [Hz], ``amplitude`` [mg peak, rss], ``lines``
        ``[{frequency_hz, name, amplitude_mg}]``.
    order_spectra
        Likewise, of run-ups: ``order`` [cycles per revolution], ``amplitude`` [mg peak, rss], ``revolutions`` of a
        frame, ``lines`` ``[{order, amplitude_mg}]``, highest first.
    provenance
        ``command`` and any further plain facts (study hash, versions, recipe, archive).
    sections
        Bodies made by plugins: ``(heading, html)``; the host vouches for their HTML.
    """

    study: Mapping[str, Any]
    captures: Sequence[Mapping[str, Any]]
    readings: Sequence[Mapping[str, Any]]
    comparisons: Sequence[Mapping[str, Any]]
    over_platforms: Sequence[Mapping[str, Any]] = ()
    sentences: Sequence[str] = ()
    notes: Sequence[str] = ()
    spectra: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)
    order_spectra: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)
    provenance: Mapping[str, Any] = field(default_factory=dict)
    sections: Sequence[tuple[str, str]] = ()

    def __post_init__(self) -> None:
        carrying = sum(bool(item.get("carries_verdict")) for item in self.comparisons)
        if self.sentences and len(self.sentences) not in (len(self.comparisons), carrying):
            raise ReportError(
                "a verdict sentence for each comparison is wanted",
                found=f"{len(self.sentences)} sentences for {len(self.comparisons)} comparisons",
                allowed=f"{len(self.comparisons)} sentences, or {carrying} (those that carry a verdict), or none",
                todo="hand over one sentence a comparison, empty where there is nothing to say",
            )


class ReportError(ThrumlineError):
    """A report cannot be made from what was handed over, or cannot be written where it was asked for."""

    @classmethod
    def unwritable(cls, error: OSError) -> ReportError:
        """The folder cannot be written."""
        return cls(
            "the report is to be written", found=f"{error}", allowed="a folder that can be written",
            todo="choose another folder with --out",
        )  # fmt: skip
