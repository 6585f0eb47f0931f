"""Builders of plain entries as they stand in captures.json and readings.json."""

import math
from dataclasses import dataclass, field
from typing import Any

import pytest

from thrumline.pipeline.study import Study, compare


@dataclass
class Fleet:
    """Captures and readings put together one fitting at a time."""

    captures: list[dict[str, Any]] = field(default_factory=list)
    readings: list[dict[str, Any]] = field(default_factory=list)

    def take(self, part, value, repeat="1", *, state="fit", mean=None, absent=None, speed_hz=10.0, **labels):
        """One capture with ``rss`` = value, ``mean`` = 0.55 of it unless given; labels and facts by name."""
        file = f"c{len(self.captures):04d}.csv"
        said = {
            "platform": "Cormorant 4.8", "position": "seat-rail", "condition": "idle-drive", "placement": "",
            "take": "", "session": "", "specimen": "", "vehicle": "", **labels,
        }  # fmt: skip
        facts = {k: said.pop(k) for k in ("mount_temp_c", "coupling") if k in said}
        vector = said.pop("static", None)
        base = {"file": file, "capture_id": f"id-{file}", "part": part, "repeat": repeat, **said}
        fitness = {"facts": {"static_vector": {base["position"]: vector}} if vector else {}}
        self.captures.append({**base, "state": state, "reasons": [], "facts": facts, "fitness": fitness})
        shown = {"rss": value, "mean": mean if mean is not None or value is None else 0.55 * value}
        for reading in ("firing_order", "highest_bin"):
            for combination, figure in shown.items():
                self.readings.append(
                    {
                        **base, "reading": reading, "combination": combination, "value": None if absent else figure,
                        "unit": "mg", "detector": "peak", "order": None if reading == "highest_bin" else 4.0,
                        "frequency_hz": None if speed_hz is None else 4.0 * speed_hz, "absent": absent,
                        "std_uncertainty": 0.1, "marks": [],
                    }
                )  # fmt: skip
        return self

    def part(self, part, logs, base=5.0, **labels):
        """One fitting for each log deviation."""
        for number, log in enumerate(logs, start=1):
            self.take(part, base * math.exp(log), repeat=str(number), **labels)
        return self

    def answer(self, **keys):
        """The outcome of a study of these."""
        asked = {"title": "t", "captures": "c.csv", "baseline": "original", "limit_percent": 15.0, **keys}
        return compare(Study(**asked), self.readings, self.captures)


@pytest.fixture
def fleet():
    return Fleet()


@pytest.fixture
def new_fleet():
    return Fleet


def codes(comparison):
    return {str(reason.code) for reason in comparison.reasons}


@pytest.fixture(name="codes")
def codes_fixture():
    return codes
