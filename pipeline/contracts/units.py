"""Units as loggers write them, and the factor to SI; milli-g is the trade's unit and never milligram."""

from __future__ import annotations

import re
from dataclasses import dataclass

STANDARD_GRAVITY = 9.80665
"""m s-2, exact (CGPM 3, 1901)."""

MILLI_G = STANDARD_GRAVITY / 1000.0
"""m s-2 in one milli-g."""


@dataclass(frozen=True, slots=True)
class Unit:
    """A unit that was recognised: quantity, canonical spelling and factor to the SI unit."""

    quantity: str
    name: str
    to_si: float
    si: str


_FAMILIES: dict[str, tuple[str, dict[str, tuple[float, tuple[str, ...]]]]] = {
    "acceleration": (
        "m s-2",
        {
            "g": (STANDARD_GRAVITY, ("g", "gn", "g0", "gravity", "g-force", "g force")),
            "mg": (MILLI_G, ("mg", "milli-g", "millig", "milli g", "m-g", "mgn")),
            "ug": (MILLI_G / 1000.0, ("ug", "micro-g", "microg", "micro g")),
            "m/s2": (
                1.0,
                (
                    "m/s2", "m/s/s", "ms-2", "m s-2", "m s^-2", "ms^-2", "m*s^-2", "m*s-2", "m/s^2", "m/s**2",
                    "mps2", "ms2", "m/ss", "m/(s2)", "m/(s^2)", "m/sec2", "m/sec^2", "m/sec/sec", "m.s-2", "m.s^-2",
                    "meter/s2", "meters/s2", "metre/s2",
                ),
            ),
            "mm/s2": (
                1e-3,
                ("mm/s2", "mm/s/s", "mm s-2", "mm s^-2", "mm/s^2", "mmps2", "mm/sec2", "mm/sec/sec", "mm/sec^2"),
            ),
            "cm/s2": (
                1e-2,
                ("cm/s2", "cm/s/s", "cm/s^2", "cm s-2", "cm s^-2", "gal", "cm/sec2", "cm/sec/sec", "cm/sec^2"),
            ),
            "ft/s2": (0.3048, ("ft/s2", "ft/s^2", "ft/s/s", "ft/sec2")),
        },
    ),
    "time": (
        "s",
        {
            "s": (1.0, ("s", "sec", "secs", "second", "seconds")),
            "ms": (1e-3, ("ms", "msec", "millisecond", "milliseconds", "millis")),
            "us": (1e-6, ("us", "usec", "microsecond", "microseconds", "micros")),
            "ns": (1e-9, ("ns", "nsec", "nanosecond", "nanoseconds")),
            "min": (60.0, ("min", "minutes")),
        },
    ),
    "speed": (
        "Hz",
        {
            "rpm": (1.0 / 60.0, ("rpm", "1/min", "min-1", "min^-1", "r/min", "rev/min", "u/min", "upm")),
            "rps": (1.0, ("rps", "rev/s", "r/s", "u/s")),
        },
    ),
    "temperature": ("degC", {"degC": (1.0, ("degc", "c", "celsius", "deg c"))}),
    "force": (
        "N",
        {"N": (1.0, ("n", "newton")), "kN": (1e3, ("kn",)), "lbf": (4.4482216152605, ("lbf", "lb"))},
    ),
    "displacement": ("m", {"m": (1.0, ("m",)), "mm": (1e-3, ("mm",)), "um": (1e-6, ("um", "micron"))}),
    "voltage": ("V", {"V": (1.0, ("v", "volt", "volts")), "mV": (1e-3, ("mv",))}),
    "pressure": (
        "Pa",
        {
            "Pa": (1.0, ("pa", "pascal", "n/m2", "n/m^2")),
            "mPa": (1e-3, ("millipascal",)),  # MPa folds to the same letters, so neither is taken
            "uPa": (1e-6, ("upa", "micropascal")),
            "kPa": (1e3, ("kpa",)),
            "bar": (1e5, ("bar",)),
        },
    ),
    "counts": ("1", {"counts": (1.0, ("counts", "count", "lsb", "digits", "raw", "adc", "adc counts", "cts"))}),
}

SOUND_UNITS = ("Pa", "mPa", "uPa")
"""Units of pressure a microphone is written in; the larger ones are of air in a pipe, a boost, a brake line."""

_BY_SPELLING: dict[str, Unit] = {
    spelling: Unit(quantity, name, factor, si)
    for quantity, (si, members) in _FAMILIES.items()
    for name, (factor, spellings) in members.items()
    for spelling in spellings
}


def plain_spelling(text: str) -> str:
    """The text folded so that usual ways of writing one unit meet: case, superscripts, dots, brackets."""
    folded = text.strip().strip("[](){}").strip()
    folded = folded.replace("²", "2").replace("⁻", "-").replace("µ", "u").replace("μ", "u").replace("·", " ")
    folded = folded.replace("°", "deg")
    folded = re.sub(r"\s+", " ", folded).lower()
    return re.sub(r"\s*([/^*])\s*", r"\1", folded)


def known_unit(text: str, quantity: str | None = None) -> Unit | None:
    """The unit this text spells, or None; with ``quantity`` only a unit of that quantity counts."""
    unit = _BY_SPELLING.get(plain_spelling(text))
    if unit is not None and quantity is not None and unit.quantity != quantity:
        return None
    return unit


def unit_names(quantity: str) -> tuple[str, ...]:
    """Canonical names of one quantity's units, for messages."""
    return tuple(_FAMILIES[quantity][1])
