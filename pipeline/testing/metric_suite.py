"""Conformance of derivations and metrics: products in, a product or honest readings out."""

from __future__ import annotations

import json
import math
import pickle
from collections.abc import Sequence
from typing import Any

from ..contracts import Derivation, Metric, Reading
from .agreement import differences
from .examples import StageExample
from .stage_suite import StageSuite

DETECTORS = ("peak", "rms", "peak-to-peak")
"""What an amplitude in milli-g may say of itself; other levels name their own measure, ratios need none."""


class DerivationSuite(StageSuite):
    """Checks for a derivation; write ``stage``, ``example`` (with products) and ``needs``."""

    def stage(self) -> Derivation[Any]:
        """A fresh derivation."""
        raise NotImplementedError("write stage()")

    def exercised(self, stage: Any, example: StageExample) -> Any:
        """One derivation."""
        return stage.derive(example.products, example.context)

    def test_product_is_announced_by_the_schema(self) -> None:
        """``makes`` is a name the schema offers afterwards, and not one taken before."""
        stage, incoming = self.stage(), self.example().schema
        assert stage.makes in stage.schema(incoming).products
        assert stage.makes not in incoming.products

    def test_choice_of_stretches_is_announced(self) -> None:
        """Only a stage that selects turns the schema to selected, and it always does."""
        stage, incoming = self.stage(), self.example().schema
        assert stage.schema(incoming).selected == (stage.selects or incoming.selected)

    def test_same_products_give_the_same_answer(self) -> None:
        """Nothing but products, context and settings enters."""
        first = self.exercised(self.stage(), self.example())
        second = self.exercised(self.stage(), self.example())
        assert not differences(first, second, 0.0)

    def test_product_pickles_whole(self) -> None:
        """Products travel between processes."""
        made = self.exercised(self.stage(), self.example())
        assert not differences(made, pickle.loads(pickle.dumps(made)), 0.0)  # noqa: S301


class MetricSuite(StageSuite):
    """Checks for a metric; write ``stage``, ``example`` (with products) and ``needs``."""

    def stage(self) -> Metric[Any]:
        """A fresh metric."""
        raise NotImplementedError("write stage()")

    def exercised(self, stage: Any, example: StageExample) -> Any:
        """One set of readings."""
        return stage.readings(example.products, example.context)

    def readings(self) -> Sequence[Reading]:
        """The readings of the example."""
        example = self.example()
        return self.stage().readings(example.products, example.context)

    def test_schema_passes_a_metric_unchanged(self) -> None:
        """A metric adds readings, not products or samples."""
        incoming = self.example().schema
        assert self.stage().schema(incoming) == incoming

    def test_reading_names_are_the_announced_ones(self) -> None:
        """A study may ask for what the class lists, and gets nothing else."""
        announced = self.stage().reading_names
        assert announced, "reading_names is empty"
        assert {reading.reading for reading in self.readings()} <= set(announced)

    def test_every_position_has_its_readings(self) -> None:
        """A position without a value gets an absent reading, not silence; a reference position is spoken for."""
        readings = self.readings()
        covered = {(r.reading, at) for r in readings for at in (r.position, r.reference_position)}
        wanted = {(name, at) for name in self.stage().reading_names for at in self.example().signal.positions}
        assert wanted <= covered, f"nothing is said of {sorted(wanted - covered)}"

    def test_no_reading_stands_twice(self) -> None:
        """Reading, position, combination, order and reference tell readings apart."""
        keys = [(r.reading, r.position, r.combination, r.order, r.reference_position) for r in self.readings()]
        assert len(set(keys)) == len(keys), f"twice: {sorted(map(str, keys))}"

    def test_value_is_missing_exactly_when_a_reason_stands(self) -> None:
        """No value without a unit, no gap without a reason, no NaN."""
        for reading in self.readings():
            assert (reading.value is None) == (reading.absent is not None), f"{reading}"
            if reading.value is not None:
                assert math.isfinite(reading.value), f"{reading}"
                assert reading.unit, f"{reading} has no unit"

    def test_uncertainty_is_a_size(self) -> None:
        """Standard uncertainties are finite and not negative; an absent reading has none."""
        for reading in self.readings():
            std = reading.std_uncertainty
            assert std is None or (math.isfinite(std) and std >= 0.0), f"{reading}"
            assert not (reading.value is None and std is not None), f"{reading}"

    def test_detector_and_combination_are_named(self) -> None:
        """Every amplitude says peak, rms or peak-to-peak; every reading says how axes were combined."""
        for reading in self.readings():
            assert reading.unit != "mg" or reading.detector in DETECTORS, f"{reading}"
            assert reading.kind != "level" or reading.detector, f"{reading} does not say how it was detected"
            assert reading.combination, f"{reading}"

    def test_readings_round_trip_through_json(self) -> None:
        """The archive keeps readings as JSON without NaN."""
        for reading in self.readings():
            text = json.dumps(reading.as_json(), allow_nan=False)
            again = Reading.from_json(json.loads(text))
            assert again.as_json() == reading.as_json()

    def test_same_products_give_the_same_readings(self) -> None:
        """Nothing but products, context and settings enters."""
        assert not differences(list(self.readings()), list(self.readings()), 0.0)
