"""Finding plugins by their entry points, each loaded in its own try: one broken plugin is a row in a table."""

from __future__ import annotations

import inspect
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from importlib.metadata import EntryPoint, entry_points
from typing import Any

import pluggy

from ..contracts import ENTRY_POINT_GROUP, PROJECT, Metric, PluginError, Reader, ReportSection, Stage
from ..contracts import hookspecs as _hookspecs

KINDS: dict[str, tuple[str, type]] = {
    "reader": ("register_readers", Reader),
    "stage": ("register_stages", Stage),
    "metric": ("register_metrics", Metric),
    "report section": ("register_report_sections", ReportSection),
}
"""What a plugin may hand over: kind, hook, and the contract its classes keep."""


@dataclass(frozen=True, slots=True)
class Offer:
    """One class handed over by one plugin."""

    kind: str
    name: str
    offered: type
    plugin: str
    distribution: str
    version: str

    @property
    def import_path(self) -> str:
        """``module:Class``, so that another process can import it without a host."""
        return f"{self.offered.__module__}:{self.offered.__qualname__}"

    @property
    def numeric_version(self) -> int | None:
        """The integer that enters identities; report sections have none."""
        return getattr(self.offered, "numeric_version", None)


@dataclass(frozen=True, slots=True)
class SetAside:
    """A plugin, or one of its offers, that is not used, and why."""

    plugin: str
    distribution: str
    version: str
    cause: str


def installed_entry_points() -> list[EntryPoint]:
    """All entry points of the group, in an order that does not depend on the path."""
    points = entry_points(group=ENTRY_POINT_GROUP)
    # a distribution reads its whole metadata each time it is asked for its name
    owners = {owner: _owner(point) for owner, point in {id(point.dist): point for point in points}.items()}
    return sorted(points, key=lambda point: (owners[id(point.dist)], point.name))


def offers_of(point: EntryPoint) -> tuple[list[Offer], list[SetAside]]:
    """Load one plugin and collect what it hands over; nothing it does can stop the others."""
    source = (point.name, _owner(point), _version(point))
    try:
        plugin = point.load()
        manager = _verified(plugin, point.name)
        offers = [offer for kind in KINDS for offer in _collect(manager, kind, source)]
    except Exception as error:  # noqa: BLE001  a stranger's module may raise anything
        cause = f"{type(error).__name__}: {error}"
        return [], [SetAside(*source, cause)]
    return offers, []


def without_clashes(offers: Iterable[Offer]) -> tuple[list[Offer], list[SetAside]]:
    """Names claimed once. A name claimed twice is refused to all who claim it, naming them all."""
    claims: dict[tuple[str, str], list[Offer]] = {}
    for offer in offers:
        claims.setdefault(_namespace(offer), []).append(offer)
    kept = [group[0] for group in claims.values() if len(group) == 1]
    aside = [_clash(offer, group) for group in claims.values() if len(group) > 1 for offer in group]
    return kept, aside


def _namespace(offer: Offer) -> tuple[str, str]:
    """Metrics are stages of a recipe too, so the two share their names."""
    return ("stage" if offer.kind == "metric" else offer.kind, offer.name)


def _clash(offer: Offer, group: Sequence[Offer]) -> SetAside:
    rivals = ", ".join(sorted(f"{rival.distribution} ({rival.plugin})" for rival in group if rival is not offer))
    cause = f"{offer.kind} {offer.name!r} is also claimed by {rivals}; neither is used until one is removed"
    return SetAside(offer.plugin, offer.distribution, offer.version, cause)


def _verified(plugin: object, name: str) -> pluggy.PluginManager:
    """A manager of its own for each plugin, so that a raising hook loses only its own results.

    pluggy lets a misspelt hook through until ``check_pending``; it is called here for each plugin alone.
    """
    manager = pluggy.PluginManager(PROJECT)
    manager.add_hookspecs(_hookspecs)
    manager.register(plugin, name=name)
    manager.check_pending()
    return manager


Source = tuple[str, str, str]
"""A plugin's name, its distribution and that one's version."""


def _collect(manager: pluggy.PluginManager, kind: str, source: Source) -> list[Offer]:
    hook_name, contract = KINDS[kind]
    hook: Callable[[], list[Sequence[Any]]] = getattr(manager.hook, hook_name)
    classes = [offered for handed in hook() for offered in handed]
    return [_checked(offered, kind, contract, source) for offered in classes]


def _checked(offered: Any, kind: str, contract: type, source: Source) -> Offer:
    asked = f"plugin {source[0]!r} hands over a {kind}"
    if not (inspect.isclass(offered) and issubclass(offered, contract)):
        raise PluginError(asked, found=repr(offered), allowed=f"a subclass of {contract.__name__}")
    if inspect.isabstract(offered):
        missing = ", ".join(sorted(getattr(offered, "__abstractmethods__", ())))
        raise PluginError(asked, found=f"{offered.__qualname__} without {missing}", todo="write these methods")
    name = getattr(offered, "name", None)
    if not isinstance(name, str) or not name.isidentifier():
        raise PluginError(asked, found=f"name {name!r}", allowed="a short identifier in lower case")
    version = getattr(offered, "numeric_version", 1)
    if not isinstance(version, int):
        raise PluginError(asked, found=f"numeric_version {version!r}", allowed="an integer")
    return Offer(kind, name, offered, *source)


def _owner(point: EntryPoint) -> str:
    return point.dist.name if point.dist is not None else "unknown distribution"


def _version(point: EntryPoint) -> str:
    return point.dist.version if point.dist is not None else ""
