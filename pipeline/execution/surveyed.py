"""What the first pass over a capture came to, kept for recipes that change only what stands after it.

Whoever tries another resolution or another limit need not have the same samples screened, decimated and followed
once more. The name says all that it follows from: the capture, the channels, the stages up to the choice of
stretches with numbers, settings and facts used. It lies in the archive's cache, where losing it costs that pass.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from ...storage import Archive
from ..recipe import BoundRecipe
from .identity import SpeltRecipe
from .spelt_products import Unspellable, read, spelt

FORMAT = 1
"""Raised when products of the same numeric versions are spelt otherwise."""

LARGEST = 1 << 20
"""More bytes than this are not kept: hours of a long capture, whose survey is a small share of its work."""


@dataclass(frozen=True, slots=True)
class Survey:
    """Where one capture's first pass under one recipe is kept, and what it makes."""

    archive: Archive
    name: str
    makes: frozenset[str]

    @classmethod
    def of(cls, archive: Archive, capture_id: str, recipe: BoundRecipe, said: SpeltRecipe) -> Survey | None:
        """The survey of a capture; None where the recipe chooses no stretches, so that there is no first pass.

        ``said`` is what the recipe says under the facts of the capture's row.
        """
        if recipe.choice < 0:
            return None
        first = recipe.choice + 1
        makes = frozenset(made for stage in recipe.stages[:first] if (made := getattr(stage, "makes", None)))
        return cls(archive, said.of_first(first, capture_id, FORMAT), makes)

    def recalled(self) -> dict[str, Any] | None:
        """All products of the first pass, exactly as it made them; None where they are not there."""
        data = self.archive.cache.get(self.name)
        try:
            products = None if data is None else read(data)
        except (ValueError, KeyError, TypeError):
            return None
        return products if products is not None and products.keys() == self.makes else None

    def keep(self, products: Mapping[str, Any]) -> None:
        """Keep them for the next recipe, where that is possible: a stranger's own types are not."""
        if products.keys() != self.makes:
            return
        try:
            data = spelt(products)
        except Unspellable:
            return
        if len(data) <= LARGEST:
            self.archive.cache.put(self.name, data)
