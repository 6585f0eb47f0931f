"""The host: built once, handed to whoever needs it, never pickled, never called per block."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from difflib import get_close_matches
from importlib.metadata import EntryPoint
from types import MappingProxyType
from typing import Any, cast

from ..contracts import PluginError, Reader, ReportSection, Stage
from .discovery import Offer, SetAside, installed_entry_points, offers_of, without_clashes


@dataclass(frozen=True, slots=True)
class Host:
    """What is installed and usable, and what was set aside and why."""

    offers: tuple[Offer, ...]
    set_aside: tuple[SetAside, ...]

    @classmethod
    def discover(cls, points: Iterable[EntryPoint] | None = None) -> Host:
        """Load all plugins of the entry-point group (or the given points, for tests)."""
        loaded = [offers_of(point) for point in (installed_entry_points() if points is None else points)]
        kept, clashes = without_clashes(offer for offers, _ in loaded for offer in offers)
        broken = [aside for _, asides in loaded for aside in asides]
        return cls(tuple(kept), tuple(broken + clashes))

    @property
    def stages(self) -> Mapping[str, type[Stage[Any]]]:
        """Transforms, estimators, derivations and metrics by name."""
        return MappingProxyType({o.name: o.offered for o in self.offers if o.kind in {"stage", "metric"}})

    @property
    def readers(self) -> Mapping[str, type[Reader]]:
        """Readers by name."""
        return MappingProxyType({o.name: o.offered for o in self.offers if o.kind == "reader"})

    @property
    def reader_paths(self) -> dict[str, str]:
        """Reader name to ``module:Class``, for the reader child."""
        return {o.name: o.import_path for o in self.offers if o.kind == "reader"}

    @property
    def sections(self) -> tuple[type[ReportSection], ...]:
        """Report sections of plugins, in name order."""
        sections = [o for o in self.offers if o.kind == "report section"]
        return tuple(cast("type[ReportSection]", o.offered) for o in sorted(sections, key=lambda o: o.name))

    def reader(self, name: str) -> type[Reader]:
        """One reader. Raises PluginError naming the nearest one, or why it was set aside."""
        if name not in self.readers:
            raise self._unknown("reader", name, list(self.readers))
        return self.readers[name]

    def _unknown(self, kind: str, name: str, known: list[str]) -> PluginError:
        near = get_close_matches(name, known, n=1)
        aside = [a for a in self.set_aside if f"{name!r}" in a.cause or a.plugin == name]
        todo = f"it was set aside: {aside[0].cause}" if aside else "see `thrumline plugins`"
        hint = f"{', '.join(sorted(known))}" + (f" (nearest: {near[0]})" if near else "")
        return PluginError(f"{kind} {name!r} is not installed", allowed=hint, todo=todo)

    def fingerprint(self) -> str:
        """Hash of names, owners and numeric versions: two machines agree on numbers when these agree."""
        rows = sorted([o.kind, o.name, o.distribution, o.numeric_version] for o in self.offers)
        return hashlib.sha256(json.dumps(rows).encode()).hexdigest()[:16]

    def listing(self) -> list[dict[str, Any]]:
        """Plain rows for people and for ``--json``."""
        return [
            {
                "kind": o.kind, "name": o.name, "plugin": o.plugin, "distribution": o.distribution,
                "version": o.version, "numeric_version": o.numeric_version,
                "summary": (o.offered.__doc__ or "").strip().split("\n")[0],
            }
            for o in sorted(self.offers, key=lambda o: (o.kind, o.name))
        ]  # fmt: skip
