"""Invented platforms, named after birds, and how their engines feel at the seat rail."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

_BIRDS = (
    "Cormorant", "Dunlin", "Wheatear", "Avocet", "Bittern", "Chough", "Dipper", "Eider", "Fulmar", "Gannet",
    "Heron", "Ibis", "Jackdaw", "Kestrel", "Lapwing", "Merlin", "Nuthatch", "Osprey", "Plover", "Quail",
    "Redstart", "Siskin", "Turnstone", "Umbrette", "Vireo", "Whimbrel", "Yellowhammer", "Bunting", "Crake",
    "Dotterel", "Egret", "Fieldfare", "Grebe", "Hoopoe", "Jacana", "Kittiwake", "Linnet", "Martin", "Nightjar",
    "Ouzel", "Pipit", "Rail", "Sandpiper", "Teal", "Wagtail", "Wryneck", "Shelduck", "Pochard", "Curlew", "Knot",
)  # fmt: skip
_LITRES = {3: 1.2, 4: 2.0, 5: 2.5, 6: 3.5, 8: 4.8}


@dataclass(frozen=True, slots=True)
class PlatformSpec:
    """One vehicle model and engine: idle speed, cylinders, and the original part's lines at the seat rail.

    ``amplitude_mg`` is the firing line per axis (peak). As shares of it: ``half``, the whole or half order
    next to half the firing order; ``crank``, order 1 (unbalance); ``twice``, twice the firing order.
    ``accessory`` is the ratio and mg of a belt-driven line.
    """

    name: str
    rpm: float
    cylinders: int
    amplitude_mg: tuple[float, float, float]
    strokes: int = 4
    half: float = 0.18
    crank: float = 0.12
    twice: float = 0.35
    accessory: tuple[float, float] = (2.63, 0.5)
    floor_mg_rthz: float = 0.12

    @property
    def order(self) -> float:
        """The firing order of an evenly firing engine."""
        return self.cylinders / 2.0 if self.strokes == 4 else float(self.cylinders)

    @property
    def orders(self) -> tuple[tuple[float, float], ...]:
        """Further engine orders and their shares of the firing line: multiples of 1/2, each once."""
        shares = {1.0: self.crank, 2.0 * self.order: self.twice}
        shares[max(math.floor(self.order) / 2.0, 0.5)] = self.half
        return tuple(sorted((order, share) for order, share in shares.items() if order != self.order))

    @property
    def short(self) -> str:
        """The name as it stands in file names."""
        return self.name.lower().replace(" ", "-").replace(".", "_")


DEMO_PLATFORMS = (
    PlatformSpec("Cormorant 4.8", 640.0, 8, (2.6, 4.1, 7.4), accessory=(2.63, 0.6)),
    PlatformSpec("Dunlin 2.0", 780.0, 4, (5.2, 3.0, 9.6), accessory=(1.41, 0.7)),
    PlatformSpec("Wheatear 3.5", 690.0, 6, (3.3, 3.8, 6.1), accessory=(2.17, 0.5)),
)
"""The three platforms of the demo."""


def invented_platforms(n: int, seed: int) -> tuple[PlatformSpec, ...]:
    """``n`` different platforms, the demo's first, the others drawn from the seed."""
    rng = np.random.default_rng([seed, 811])
    made = list(DEMO_PLATFORMS[:n])
    while len(made) < n:
        made.append(_drawn(len(made), rng))
    return tuple(made)


def _drawn(place: int, rng: np.random.Generator) -> PlatformSpec:
    cylinders = int(rng.choice(list(_LITRES)))
    generation = place // len(_BIRDS)
    bird = _BIRDS[place % len(_BIRDS)] + (f" mark {generation + 1}" if generation else "")
    low, high = {3: (820, 950), 4: (700, 850), 5: (700, 820), 6: (620, 760), 8: (560, 700)}[cylinders]
    share = rng.uniform(0.35, 1.0, 3)
    peak = float(np.exp(rng.uniform(np.log(4.0), np.log(14.0))))
    x, y, z = (round(float(value), 2) for value in peak * share / share.max())
    return PlatformSpec(
        name=f"{bird} {_LITRES[cylinders]}",
        rpm=float(round(rng.uniform(low, high), -1)),
        cylinders=cylinders,
        amplitude_mg=(x, y, z),
        half=round(float(rng.uniform(0.05, 0.25)), 2),
        crank=round(float(rng.uniform(0.05, 0.25)), 2),
        twice=round(float(rng.uniform(0.15, 0.5)), 2),
        accessory=(round(float(rng.uniform(1.31, 1.39)), 3), round(float(rng.uniform(0.2, 0.8)), 2)),
        floor_mg_rthz=round(float(rng.uniform(0.05, 0.2)), 3),
    )
