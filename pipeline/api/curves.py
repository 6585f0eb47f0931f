"""Curves that a study's page draws of each result: level strips, spectra thinned for the page, order spectra."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from ...storage import Archive, StoreReader, Tree
from ..contracts.units import MILLI_G
from ..execution.results import SPECTRA_STORE, levels_of
from ..kernels import axes
from ..kernels.standing_orders import standing_orders

PAGE_POINTS = 1000
"""Points of one spectrum handed to the report: every bin of 0.25 Hz up to 250 Hz. The report thins further, by the
size of the study; thinned here, each capture would keep frequencies of its own and no two could be read at one."""

ByPosition = Mapping[str, dict[str, Any]]


@dataclass(frozen=True, slots=True)
class Drawn:
    """What is drawn of one result; spectra by position."""

    levels: Mapping[str, npt.NDArray[np.float64]]
    spectra: ByPosition
    order_spectra: ByPosition

    @classmethod
    def of(cls, tree: Tree | None) -> Drawn:
        """From a result in the archive; nothing where it holds no curves."""
        if tree is None or SPECTRA_STORE not in tree.stores:
            return cls({}, {}, {})
        store = tree.zarr(SPECTRA_STORE)
        levels = {name: np.round(values, 4) for name, values in levels_of(store).items()}
        return cls(levels, _spectra(tree, store), _order_spectra(store))


class Curves:
    """The curves of a run's results, each read from the archive once: ahead, or when a page asks.

    What was computed now is read as soon as it is told, while workers compute the next: at the end one core would read
    all of it, a millisecond each, and the others idle.
    """

    def __init__(self, archive: Archive) -> None:
        self._archive = archive
        self._drawn: dict[str, Drawn] = {}

    def read_ahead(self, result_id: str) -> None:
        """Read one result's curves now."""
        self._of(result_id)

    def levels(self, result_id: str) -> Mapping[str, npt.NDArray[np.float64]]:
        """The level strip by name, as ``Fitness.levels``."""
        return self._of(result_id).levels

    def spectrum(self, result_id: str, position: str) -> dict[str, Any] | None:
        """``frequency`` [Hz], ``amplitude`` [mg peak, rss] and ``lines`` of one position."""
        return self._of(result_id).spectra.get(position)

    def order_spectrum(self, result_id: str, position: str) -> dict[str, Any] | None:
        """``order``, ``amplitude`` [mg peak, rss], ``revolutions`` of a frame and ``lines`` of one position."""
        return self._of(result_id).order_spectra.get(position)

    def _of(self, result_id: str) -> Drawn:
        if result_id not in self._drawn:
            self._drawn[result_id] = Drawn.of(self._archive.tree("results", result_id))
        return self._drawn[result_id]


def _spectra(tree: Tree, store: StoreReader) -> ByPosition:
    """The rss amplitude spectrum of each position in mg, thinned keeping each bin group's peak."""
    if "auto" not in store.names:
        return {}
    frequency, auto = store.array("frequency").read_all(), store.array("auto").read_all()
    lines = tree.content["lines"]

    def of(position: str, chosen: Sequence[int]) -> dict[str, Any]:
        amplitude = axes.root_sum_square(auto[chosen]) / MILLI_G
        keep = _peaks_kept(amplitude, frequency)
        return {
            "frequency": np.round(frequency[keep], 4),
            "amplitude": np.round(amplitude[keep], 4),
            "lines": [_line(line) for line in lines if line["position"] == position][:8],
        }

    return _by_position((channel["position"] for channel in store.attrs["channels"]), of)


def _line(line: Mapping[str, Any]) -> dict[str, Any]:
    amplitude = float(axes.root_sum_square(np.square(line["amplitudes"])[:, None])[0] / MILLI_G)
    return {"frequency_hz": line["frequency_hz"], "name": line["name"], "amplitude_mg": amplitude}


def _order_spectra(store: StoreReader) -> ByPosition:
    """The rss order spectrum of each position in mg as a run-up keeps it, and the orders that stand out of it."""
    if "order_amplitude" not in store.names:
        return {}
    kept, order = store.array("order_amplitude"), store.array("order").read_all()
    squares = np.square(kept.read_all().astype(np.float64))

    def of(_: str, chosen: Sequence[int]) -> dict[str, Any]:
        amplitude = axes.root_sum_square(squares[chosen]) / MILLI_G
        # no order is at zero: each frame's mean was taken out
        lines = zip(*standing_orders(order, amplitude), strict=True)
        return {
            "order": order[1:],
            "amplitude": np.round(amplitude[1:], 4),
            "revolutions": int(kept.attrs["revolutions"]),
            "lines": [{"order": float(at), "amplitude_mg": float(height)} for at, height in lines][:8],
        }

    channels = kept.attrs["channels"]
    return _by_position((c["position"] if c["quantity"] == "acceleration" else None for c in channels), of)


def _by_position(
    positions: Iterable[str | None], of: Callable[[str, Sequence[int]], dict[str, Any]]
) -> dict[str, dict[str, Any]]:
    """What ``of`` makes of each position and the indices of its channels; ``positions`` one a channel, None to skip."""
    chosen: dict[str, list[int]] = {}
    for index, position in enumerate(positions):
        if position is not None:
            chosen.setdefault(position, []).append(index)
    return {position: of(position, indices) for position, indices in chosen.items()}


def _peaks_kept(amplitude: Any, frequency: Any) -> Any:
    """Indices of the greatest bin of each of PAGE_POINTS groups up to 250 Hz, so that no line is lost."""
    n = int(np.searchsorted(frequency, 250.0, side="right")) - 1
    if n < 1:
        return np.empty(0, dtype=int)
    if n <= PAGE_POINTS:
        return np.arange(1, n + 1)
    n_group = PAGE_POINTS
    starts = np.arange(n_group) * (n // n_group) + np.minimum(np.arange(n_group), n % n_group)
    group = np.searchsorted(starts, np.arange(n), side="right")
    return 1 + np.lexsort((-amplitude[1 : n + 1], group))[starts]
