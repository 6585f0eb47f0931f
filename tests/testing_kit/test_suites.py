"""The shipped suites pass sound plugins and catch, by the right check, each of many unsound ones."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pytest
from pydantic import ConfigDict, Field
from scipy import signal as sp_signal

from thrumline.pipeline.contracts import (
    Accumulator,
    Block,
    BlockFlow,
    CaptureHead,
    ChainSchema,
    ChannelHead,
    Clock,
    Derivation,
    Estimator,
    GroupHead,
    Metric,
    ProductSpec,
    Reader,
    ReaderRefusal,
    Reading,
    Reason,
    ReasonCode,
    SchemaError,
    StageSettings,
    Transform,
)
from thrumline.pipeline.testing import (
    DerivationSuite,
    EstimatorSuite,
    IdleSpec,
    MetricSuite,
    ReaderExample,
    ReaderSuite,
    RefusedExample,
    TransformSuite,
    differences,
    example_of,
    idle_capture,
)
from thrumline.pipeline.testing.examples import awkward_cuts, cut_at, joined

EXAMPLE = example_of(idle_capture(IdleSpec(duration_s=6.0), 1), split_s=2.5)


def failed_checks(suite):
    """Names of the suite's checks that fail."""
    failed = set()
    for name in dir(suite):
        if name.startswith("test_"):
            try:
                getattr(suite, name)()
            except Exception:  # noqa: BLE001  any failure of a check counts
                failed.add(name)
    return failed


class LagSettings(StageSettings):
    pole: float = Field(0.9, description="how slowly the output follows", gt=0, lt=1)


class Lag(Transform[LagSettings]):
    """First-order lag that carries its state: exact under any cutting."""

    name = "lag"
    numeric_version = 1
    Settings = LagSettings

    def schema(self, incoming):
        return incoming

    def open(self, signal, context):
        return LagFlow(self.settings.pole, len(signal.channels))

    def halo_s(self, signal):
        return 300.0 / (signal.rate_hz or 800.0)


class LagFlow(BlockFlow):
    def __init__(self, pole, n_channel):
        self.pole, self.state, self.n = pole, np.zeros((n_channel, 1)), n_channel

    def push(self, block: Block) -> Iterable[Block]:
        out, self.state = sp_signal.lfilter([1 - self.pole], [1, -self.pole], block.values, zi=self.state)
        return [replace(block, values=out)]

    def flush(self):
        self.state = np.zeros((self.n, 1))
        return []


class LagSuite(TransformSuite):
    kind = Lag

    def stage(self):
        return self.kind(self.kind.Settings())

    def example(self):
        return EXAMPLE


class ForgetfulFlow(LagFlow):
    def push(self, block):
        self.state = np.zeros((self.n, 1))
        return super().push(block)


class LeakyFlow(LagFlow):
    def flush(self):
        return []


class DoublingFlow(LagFlow):
    def push(self, block):
        made = next(iter(super().push(block)))
        return [replace(made, values=np.repeat(made.values, 2, axis=-1), first=2 * made.first)]


class FasterFlow(LagFlow):
    def push(self, block):
        return [replace(b, rate_hz=2 * b.rate_hz) for b in super().push(block)]


class LateFlow(LagFlow):
    def push(self, block):
        return [replace(b, start_s=b.start_s + 5.0) for b in super().push(block)]


class BrokenNumbersFlow(LagFlow):
    def push(self, block):
        return [replace(b, values=b.values / 0.0) for b in super().push(block)]


def lag_with(flow, **attributes):
    def open_(self, signal, context):
        return flow(self.settings.pole, len(signal.channels))

    return type("LagVariant", (Lag,), {"open": open_, **attributes})


def unit_changed(self, incoming):
    channels = tuple(replace(channel, unit="g") for channel in incoming.signal.channels)
    return replace(incoming, signal=replace(incoming.signal, channels=channels))


def product_dropped(self, incoming):
    return ChainSchema(incoming.signal)


TRANSFORM_DEFECTS = [
    (lag_with(ForgetfulFlow), "test_cutting_the_input_anywhere_changes_nothing"),
    (lag_with(LeakyFlow), "test_one_run_leaves_no_trace_in_the_next"),
    (lag_with(DoublingFlow), "test_length_and_place_in_time_are_kept"),
    (lag_with(FasterFlow), "test_rate_is_that_of_the_schema"),
    (lag_with(LateFlow), "test_length_and_place_in_time_are_kept"),
    (lag_with(BrokenNumbersFlow), "test_finite_in_finite_out"),
    (lag_with(LagFlow, schema=unit_changed), "test_units_are_not_changed_silently"),
    (lag_with(LagFlow, halo_s=lambda self, signal: 0.0), "test_halo_is_enough"),
    (lag_with(LagFlow, name="two words"), "test_name_is_an_identifier_and_the_numeric_version_a_positive_integer"),
    (lag_with(LagFlow, numeric_version=1.5), "test_name_is_an_identifier_and_the_numeric_version_a_positive_integer"),
    (lag_with(LagFlow, uses_facts=("colour",)), "test_facts_are_columns_of_the_captures_table"),
]


def test_sound_transform_passes_everything():
    assert failed_checks(LagSuite()) == set()


@pytest.mark.filterwarnings("ignore::RuntimeWarning")
@pytest.mark.parametrize(("kind", "check"), TRANSFORM_DEFECTS, ids=lambda value: str(value)[-40:])
def test_unsound_transform_is_caught(kind, check):
    suite = LagSuite()
    suite.kind = kind
    assert check in failed_checks(suite)


def test_class_that_cannot_be_imported_fails_the_pickling_check():
    suite = LagSuite()
    suite.kind = lag_with(LagFlow)
    assert "test_class_and_stage_pickle" in failed_checks(suite)


def test_loose_or_silent_settings_are_caught():
    class Loose(StageSettings):
        model_config = ConfigDict(frozen=False, extra="ignore")
        pole: float = 0.9

    suite = LagSuite()
    suite.kind = lag_with(LagFlow, Settings=Loose)
    failed = failed_checks(suite)
    assert "test_settings_are_frozen_and_refuse_unknown_keys" in failed
    assert "test_every_setting_says_what_it_is_for" in failed


class PowerSettings(StageSettings):
    length: int = Field(200, description="samples in a frame")


class FramePower(Estimator[PowerSettings]):
    """Mean power of half-overlapping frames: framed on the run's own count."""

    name = "frame_power"
    numeric_version = 1
    Settings = PowerSettings
    makes = "power"

    def schema(self, incoming):
        return incoming.plus(ProductSpec("power", ("channel",), "(m s-2)**2"))

    def open(self, signal, context, products):
        return PowerSum(self.settings.length)

    def grid(self, signal, context, products):
        return self.settings.length, self.settings.length // 2


@dataclass(frozen=True)
class Power:
    n: int
    mean: np.ndarray


class PowerSum(Accumulator):
    def __init__(self, length):
        self.length, self.hop = length, length // 2
        self.tail, self.first, self.run = None, 0, None
        self.n, self.total = 0, 0.0

    def accumulate(self, block):
        if block.run != self.run:
            self.tail, self.first, self.run = None, block.first, block.run
        self.tail = block.values if self.tail is None else np.concatenate([self.tail, block.values], axis=-1)
        while self.tail.shape[-1] >= self.length:
            self.total = self.total + np.sum(self.tail[:, : self.length] ** 2, axis=-1)
            self.n += 1
            self.tail, self.first = self.tail[:, self.hop :], self.first + self.hop
        self.tail = self.tail.copy()

    def merge(self, other):
        self.n += other.n
        self.total = self.total + other.total
        self.tail, self.run = other.tail, other.run

    def finish(self):
        return Power(self.n, np.asarray(self.total) / max(self.n, 1))


class PowerSuite(EstimatorSuite):
    kind = FramePower

    def stage(self):
        return self.kind(self.kind.Settings())

    def example(self):
        return EXAMPLE


class PerBlock(PowerSum):
    """Frames start anew with every block."""

    def accumulate(self, block):
        self.run = None
        super().accumulate(block)


class LosesOthers(PowerSum):
    def merge(self, other):
        pass


class KeepsAll(PowerSum):
    def accumulate(self, block):
        self.kept = [*getattr(self, "kept", []), block.values.copy()]
        super().accumulate(block)


class CannotTravel(PowerSum):
    def __init__(self, length):
        super().__init__(length)
        self.callback = lambda: None


class Meddles(PowerSum):
    def accumulate(self, block):
        block.values.setflags(write=True)
        block.values *= 2.0
        super().accumulate(block)


def power_with(accumulator, **attributes):
    def open_(self, signal, context, products):
        return accumulator(self.settings.length)

    return type("PowerVariant", (FramePower,), {"open": open_, **attributes})


@pytest.mark.parametrize(
    ("kind", "check"),
    [
        (power_with(PerBlock), "test_cutting_the_input_anywhere_changes_nothing"),
        (power_with(LosesOthers), "test_parts_of_one_run_merge_to_the_whole"),
        (power_with(KeepsAll), "test_memory_does_not_grow_with_the_samples"),
        (power_with(CannotTravel), "test_parts_survive_the_way_between_workers"),
        (power_with(PowerSum, grid=lambda *_: (1, 1)), "test_parts_of_one_run_merge_to_the_whole"),
        (power_with(PowerSum, makes="other"), "test_product_is_announced_by_the_schema"),
        (
            power_with(PowerSum, schema=lambda self, s: s.plus(ProductSpec("power", (), "")).plus()
                       if s.signal.rate_hz is None else replace(s.plus(ProductSpec("power", (), "")),
                       signal=s.signal.with_rate(1.0, uniform=True))),
            "test_signal_passes_an_estimator_unchanged",
        ),
    ],
    ids=["per-block", "lossy-merge", "hoarding", "cannot-travel", "wrong-grid", "wrong-name", "rate-changed"],
)  # fmt: skip
def test_unsound_estimator_is_caught(kind, check):
    suite = PowerSuite()
    suite.kind = kind
    assert check in failed_checks(suite)


def test_sound_estimator_passes_everything():
    assert failed_checks(PowerSuite()) == set()


def test_meddling_with_the_input_is_caught():
    """Samples are handed over read-only; forcing them open shows as a fault or as a changed example."""
    suite = PowerSuite()
    suite.kind = power_with(Meddles)
    assert failed_checks(suite) >= {"test_cutting_the_input_anywhere_changes_nothing"} or (
        "test_example_is_not_changed_by_the_stage" in failed_checks(suite)
    )


class RootPower(Derivation[StageSettings]):
    name = "root_power"
    numeric_version = 1
    makes = "root"

    def schema(self, incoming):
        if "power" not in incoming.products:
            raise SchemaError("stage 'root_power' needs product 'power'", found=str(sorted(incoming.products)))
        return incoming.plus(ProductSpec("root", ("channel",), "m s-2"))

    def derive(self, products: Mapping[str, Any], context):
        return np.sqrt(products["power"].mean)


class RootSuite(DerivationSuite):
    kind = RootPower
    needs = ("power",)

    def stage(self):
        return self.kind(self.kind.Settings())

    def example(self):
        return EXAMPLE.after(FramePower(PowerSettings()))


class Restless(RootPower):
    def derive(self, products, context):
        return np.sqrt(products["power"].mean) + np.random.default_rng().standard_normal()


class Overwrites(RootPower):
    def derive(self, products, context):
        products["power"].mean[:] = 0.0
        return products["power"].mean


class NeedsNothing(RootPower):
    def schema(self, incoming):
        return incoming.plus(ProductSpec("root", ("channel",), "m s-2"))


class SelectsInSilence(RootPower):
    selects = True


def test_sound_derivation_passes_everything():
    assert failed_checks(RootSuite()) == set()


@pytest.mark.parametrize(
    ("kind", "check"),
    [
        (Restless, "test_same_products_give_the_same_answer"),
        (Overwrites, "test_example_is_not_changed_by_the_stage"),
        (NeedsNothing, "test_each_needed_product_is_asked_for_by_name"),
        (SelectsInSilence, "test_choice_of_stretches_is_announced"),
    ],
)
def test_unsound_derivation_is_caught(kind, check):
    suite = RootSuite()
    suite.kind = kind
    assert check in failed_checks(suite)


class Loudness(Metric[StageSettings]):
    name = "loudness"
    numeric_version = 1
    reading_names = ("loudness",)

    def schema(self, incoming):
        return incoming

    def readings(self, products, context):
        value = float(np.linalg.norm(products["power"].mean) ** 0.5)
        return [Reading("loudness", at, "rss", "m s-2", "rms", value, 0.1) for at in context.signal.positions]


class LoudnessSuite(MetricSuite):
    kind = Loudness

    def stage(self):
        return self.kind(self.kind.Settings())

    def example(self):
        return EXAMPLE.after(FramePower(PowerSettings()))


def loudness_with(**changes):
    def readings(self, products, context):
        return [replace(reading, **changes) for reading in Loudness.readings(self, products, context)]

    return type("LoudnessVariant", (Loudness,), {"readings": readings})


def test_sound_metric_passes_everything():
    assert failed_checks(LoudnessSuite()) == set()


@pytest.mark.parametrize(
    ("changes", "check"),
    [
        ({"value": None}, "test_value_is_missing_exactly_when_a_reason_stands"),
        ({"absent": Reason(ReasonCode.NO_LINE, "")}, "test_value_is_missing_exactly_when_a_reason_stands"),
        ({"value": float("nan")}, "test_readings_round_trip_through_json"),
        ({"std_uncertainty": -0.1}, "test_uncertainty_is_a_size"),
        ({"detector": "loud", "unit": "mg"}, "test_detector_and_combination_are_named"),
        ({"detector": ""}, "test_detector_and_combination_are_named"),
        ({"combination": ""}, "test_detector_and_combination_are_named"),
        ({"unit": ""}, "test_value_is_missing_exactly_when_a_reason_stands"),
        ({"reading": "other"}, "test_reading_names_are_the_announced_ones"),
        ({"position": "moon"}, "test_every_position_has_its_readings"),
    ],
    ids=str,
)
def test_unsound_metric_is_caught(changes, check):
    suite = LoudnessSuite()
    suite.kind = loudness_with(**changes)
    assert check in failed_checks(suite)


class Lines(Reader):
    """A toy format: first line ``toy RATE N``, then one number a line in m s-2."""

    name = "toy"
    numeric_version = 1

    def sniff(self, head, name):
        return 0.9 if head.startswith(b"toy ") else 0.0

    def read(self, source, mapping, sink):
        try:
            first, *rest = source.path.read_text("ascii").split("\n")
            word, rate, n = first.split(" ")
            numbers = np.array([float(line) for line in rest[:-1]])
            good = word == "toy" and rest[-1] == "" and len(numbers) == int(n) and float(rate) > 0
        except ValueError as error:
            raise ReaderRefusal(ReasonCode.UNREADABLE, "a toy file", found=str(error)) from error
        if not good or not np.all(np.isfinite(numbers)):
            raise ReaderRefusal(ReasonCode.NON_FINITE, "a toy file of finite numbers", found="other")
        sink.begin(0)
        sink.samples("main", numbers[None, :])
        channel = ChannelHead("a", "acceleration", "m/s2", "m s-2", 1.0)
        clock = Clock(uniform=True, start_s=0.0, rate_hz=float(rate))
        return [CaptureHead(0, "toy", (GroupHead("main", (channel,), clock, len(numbers), "float64"),))]


NUMBERS = np.array([[0.25, -1.5, 3.0, 0.125]])
TOY = b"toy 8 4\n0.25\n-1.5\n3.0\n0.125\n"


class ToySuite(ReaderSuite):
    kind = Lines
    truncation_keeps = False

    def reader(self):
        return self.kind()

    def files(self):
        return [ReaderExample("a.toy", TOY, NUMBERS, np.arange(4) / 8.0)]

    def refused(self):
        return [
            RefusedExample("b.toy", b"toy 8 1\nmany\n", ReasonCode.UNREADABLE),
            RefusedExample("c.toy", b"toy 8 1\nnan\n", ReasonCode.NON_FINITE),
        ]


class Doubles(Lines):
    def read(self, source, mapping, sink):
        class Louder:
            begin = sink.begin

            def samples(self, group, counts):
                sink.samples(group, 2 * counts)

        return super().read(source, mapping, Louder())


class Claims(Lines):
    def sniff(self, head, name):
        return 0.9


class Miscounts(Lines):
    def read(self, source, mapping, sink):
        head = super().read(source, mapping, sink)[0]
        return [replace(head, groups=(replace(head.groups[0], n_samples=3),))]


class OtherClock(Lines):
    def read(self, source, mapping, sink):
        head = super().read(source, mapping, sink)[0]
        group = replace(head.groups[0], clock=replace(head.groups[0].clock, rate_hz=9.0))
        return [replace(head, groups=(group,))]


class Escapes(Lines):
    def read(self, source, mapping, sink):
        source.path.read_text("ascii").split("\n")[3]
        return super().read(source, mapping, sink)


class Guesses(Lines):
    """Takes what it can read of a damaged file."""

    def read(self, source, mapping, sink):
        text = source.path.read_bytes().decode("latin-1").split("\n")[1:]
        numbers = np.array([float(t) if t.replace(".", "").replace("-", "").isdigit() else 0.0 for t in text])
        sink.begin(0)
        sink.samples("main", numbers[None, :-1])
        channel = ChannelHead("a", "acceleration", "m/s2", "m s-2", 1.0)
        clock = Clock(uniform=True, start_s=0.0, rate_hz=8.0)
        return [CaptureHead(0, "toy", (GroupHead("main", (channel,), clock, len(numbers) - 1, "float64"),))]


def test_sound_reader_passes_everything():
    assert failed_checks(ToySuite()) == set()


@pytest.mark.parametrize(
    ("kind", "check"),
    [
        (Doubles, "test_samples_are_exactly_those_in_the_file"),
        (Claims, "test_sniffing_is_sure_of_own_files_and_calm_about_others"),
        (Miscounts, "test_heads_agree_with_what_went_into_the_sink"),
        (OtherClock, "test_clock_is_that_of_the_file"),
        (Escapes, "test_damage_ends_in_a_typed_refusal_or_in_readable_samples"),
        (Guesses, "test_a_file_cut_short_is_refused_or_read_as_far_as_it_goes"),
        (Guesses, "test_files_that_cannot_be_trusted_are_refused_with_their_code"),
    ],
)
def test_unsound_reader_is_caught(kind, check):
    suite = ToySuite()
    suite.kind = kind
    assert check in failed_checks(suite)


def test_differences_are_named_by_their_place():
    first = {"a": Power(3, np.array([1.0, 2.0]))}
    assert differences(first, {"a": Power(3, np.array([1.0, 2.0 + 1e-13]))}) == []
    assert differences(first, {"a": Power(3, np.array([1.0, 2.0 + 1e-9]))})[0].startswith("product['a'].mean")
    assert differences(first, {"a": Power(4, np.array([1.0, 2.0]))}) == ["product['a'].n: 3 against 4"]
    assert differences(np.array([np.nan, 1.0]), np.array([np.nan, 1.0])) == []
    assert differences(np.array([np.nan, 1.0]), np.array([1.0, np.nan])) != []
    assert differences((1.0, "a"), (1.0, "b")) == ["product[1]: 'a' against 'b'"]
    assert differences([1], [1, 2]) == ["product: 1 entries against 2"]


def test_cut_pieces_put_together_are_the_run():
    run = EXAMPLE.runs[1]
    for cuts in awkward_cuts(run.n, 3):
        assert not differences(run, joined(cut_at(run, cuts)), 1e-15)
