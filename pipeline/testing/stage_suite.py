"""What every stage keeps, whatever it does; the suites for transforms, estimators and metrics build on it.

An author subclasses one suite as ``class TestMyStage(TransformSuite)``, writes ``stage`` and ``example``,
and inherits every check. The suites are plain classes: any runner that calls ``test_*`` methods will do.
"""

from __future__ import annotations

import json
import pickle
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import fields, replace
from typing import Any

from pydantic import ValidationError

from ..contracts import CaptureRow, ChainSchema, SchemaError, Stage, StageSettings
from .agreement import differences
from .examples import StageExample


class StageSuite:
    """Checks common to all stages.

    Write ``stage`` and ``example``; ``needs`` lists the products the stage cannot do without, and
    ``refused`` gives schemas it has to turn down.
    """

    needs: tuple[str, ...] = ()

    def stage(self) -> Stage[Any]:
        """A fresh stage as a recipe would make it."""
        raise NotImplementedError("write stage(): a fresh stage with usual settings")

    def example(self) -> StageExample:
        """What the stage is tried on."""
        raise NotImplementedError("write example(): see thrumline.pipeline.testing.example_of")

    def refused(self) -> Sequence[ChainSchema]:
        """Schemas on which the stage cannot work."""
        return ()

    def test_name_is_an_identifier_and_the_numeric_version_a_positive_integer(self) -> None:
        """A recipe names the stage; an archive trusts the version."""
        stage = self.stage()
        assert stage.name.isidentifier(), f"{stage.name!r} cannot stand in a recipe"
        assert type(stage.numeric_version) is int, f"numeric_version is {stage.numeric_version!r}"
        assert stage.numeric_version >= 1

    def test_class_and_stage_pickle(self) -> None:
        """Workers get classes and settings by pickle."""
        stage = self.stage()
        assert pickle.loads(pickle.dumps(type(stage))) is type(stage)  # noqa: S301
        again = pickle.loads(pickle.dumps(stage))  # noqa: S301
        assert again.settings == stage.settings

    def test_settings_are_frozen_and_refuse_unknown_keys(self) -> None:
        """A setting that is misspelt must not pass as the default."""
        kind = self.stage().Settings
        assert issubclass(kind, StageSettings)
        assert kind.model_config.get("frozen") is True, "settings can be changed after they were checked"
        with suppress(ValidationError):
            taken = kind.model_validate({"no_such_setting_anywhere": 1})
            raise AssertionError(f"an unknown setting was taken: {taken}")

    def test_settings_round_trip_through_plain_json(self) -> None:
        """Settings are part of a result's identity: JSON must hold them whole."""
        settings = self.stage().settings
        plain = json.loads(json.dumps(settings.model_dump(mode="json"), allow_nan=False))
        assert type(settings).model_validate(plain) == settings

    def test_every_setting_says_what_it_is_for(self) -> None:
        """Each setting carries a description with its reason."""
        silent = [name for name, info in self.stage().Settings.model_fields.items() if not info.description]
        assert not silent, f"settings without a description: {silent}"

    def test_facts_are_columns_of_the_captures_table(self) -> None:
        """Only declared facts enter the identity, so they have to exist."""
        known = {field.name for field in fields(CaptureRow)}
        unknown = sorted(set(self.stage().uses_facts) - known)
        assert not unknown, f"uses_facts names {unknown}"

    def test_schema_answer_keeps_what_was_there(self) -> None:
        """Products made before stay on offer, and asking twice gives the same answer."""
        incoming = self.example().schema
        answer = self.stage().schema(incoming)
        assert set(incoming.products) <= set(answer.products), "products of earlier stages were dropped"
        assert self.stage().schema(incoming) == answer

    def test_schema_can_be_answered_before_a_file_was_read(self) -> None:
        """A recipe is checked with the rate still unknown."""
        incoming = self.example().schema
        unknown = replace(incoming, signal=replace(incoming.signal, rate_hz=None, duration_s=None))
        self.stage().schema(unknown)

    def test_each_needed_product_is_asked_for_by_name(self) -> None:
        """Without a product it needs the stage refuses, naming itself and the product."""
        incoming = self.example().schema
        for missing in self.needs:
            left = {name: spec for name, spec in incoming.products.items() if name != missing}
            message = self._refusal(replace(incoming, products=left))
            assert missing in message, f"the refusal does not name {missing!r}: {message}"

    def test_schemas_it_cannot_work_on_are_refused_with_its_name(self) -> None:
        """A chain that cannot work is refused before a sample is read."""
        for schema in self.refused():
            self._refusal(schema)

    def test_example_is_not_changed_by_the_stage(self) -> None:
        """The other stages see the same products and samples."""
        example = self.example()
        before = pickle.loads(pickle.dumps((example.runs, dict(example.products))))  # noqa: S301
        self.exercised(self.stage(), example)
        changed = differences(before, (example.runs, dict(example.products)), 0.0, "example")
        assert not changed, f"the stage changed its input: {changed}"

    def exercised(self, stage: Any, example: StageExample) -> Any:
        """Run the stage once over the example; each kind of stage has its own way."""
        raise NotImplementedError

    def _refusal(self, schema: ChainSchema) -> str:
        stage = self.stage()
        message = ""
        try:
            stage.schema(schema)
        except SchemaError as error:
            message = str(error)
        assert message, f"stage {stage.name!r} took a schema it cannot work on: {schema}"
        assert stage.name in message, f"the refusal does not name the stage: {message}"
        return message
