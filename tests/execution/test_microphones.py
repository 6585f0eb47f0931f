"""Microphones from the table to the chain: which channels are heard, where they stand, on which clock, and which are not."""

from __future__ import annotations

import pickle
from dataclasses import replace

import numpy as np
import pytest

from thrumline.pipeline.contracts import (
    AxisSource,
    CaptureHead,
    ChannelHead,
    ChannelMapping,
    Clock,
    GroupHead,
    ReaderRefusal,
    ReasonCode,
    RecipeError,
    RowError,
)
from thrumline.pipeline.execution.chain import run_chain
from thrumline.pipeline.execution.intake import head_facts
from thrumline.pipeline.execution.samples import CaptureSamples, HeldArray
from thrumline.pipeline.host import Host
from thrumline.pipeline.recipe import Recipe, bind, load_recipe
from thrumline.pipeline.study.table_rows import axes_from_text, row_from_cells
from thrumline.pipeline.testing import GatheringSink, GivenFile
from thrumline.plugins.ingest_text import TextReader

FACTS = {"cylinders": 4, "strokes": 4, "rpm": 750.0, "firing_order": None, "start_s": None, "stop_s": None,
         "coupling": "", "noise_density": ()}  # fmt: skip
FELT_HZ, SECONDS = 500.0, 34.0
TONE = 0.1


@pytest.fixture(scope="module")
def idle():
    return bind(load_recipe("idle"), {}, Host.discover().stages)


def felt(rng):
    t = np.arange(round(FELT_HZ * SECONDS)) / FELT_HZ
    waves = [0.2 * np.sin(2 * np.pi * 25.0 * t + k) + 0.1 * np.sin(np.pi * 25.0 * t) for k in range(3)]
    return np.array(waves) + np.array([[0.0], [0.0], [9.80665]]) + rng.normal(0.0, 0.01, (3, t.size))


def heard(rng, rate_hz, size=1.0):
    t = np.arange(round(rate_hz * SECONDS)) / rate_hz
    return size * (TONE * np.sin(2 * np.pi * 25.0 * t) + rng.normal(0.0, 0.02, t.size))[None]


def axes_at(position):
    return tuple(ChannelHead(a, "acceleration", "m/s2", "m s-2", 1.0, position=position, axis=a) for a in "xyz")


def microphone(unit="Pa", scale=1.0, **more):
    return ChannelHead("mic", "pressure", unit, "Pa", scale, **more)


def capture(groups, quantity="acceleration"):
    """A capture of groups of (channels, rate, values), held in memory."""
    heads = tuple(
        GroupHead(f"g{k}", channels, Clock(uniform=True, start_s=0.0, rate_hz=rate), values.shape[1], str(values.dtype))
        for k, (channels, rate, values) in enumerate(groups)
    )
    arrays = {f"g{k}_counts": HeldArray(values) for k, (_, _, values) in enumerate(groups)}
    return CaptureSamples(CaptureHead(0, "test", heads), arrays, [quantity])


def one_clock(pressure, *, rate_hz=FELT_HZ, channel=None):
    """Accelerations held at 500 Hz and a microphone in a group of its own."""
    rng = np.random.default_rng(5)
    return capture([(axes_at("seat rail"), FELT_HZ, felt(rng)), ((channel or microphone(),), rate_hz, pressure)])


def levels(outcome):
    return {r.reading: r for r in outcome.readings if r.unit == "dB" and not r.extra.get("beside")}


def test_a_microphone_on_a_clock_of_its_own_is_heard_at_its_own_rate(idle):
    """Accelerations at 500 Hz, sound at 8 kHz: the order's level is that of its 0.1 Pa, the band reaches 3.36 kHz."""
    sound = heard(np.random.default_rng(1), 8000.0)
    found = levels(run_chain(idle, one_clock(sound, rate_hz=8000.0), FACTS))
    assert found["order_level"].value == pytest.approx(10 * np.log10(TONE**2 / 2 / 20e-6**2), abs=0.03)
    assert found["laeq"].extra["band_hz"] == [10.0, 3360.0]
    assert {reading.position for reading in found.values()} == {"seat rail"}


def test_accelerations_do_not_notice_a_microphone(idle):
    """Same readings, products and stretches, to the last bit."""
    alone = capture([(axes_at("seat rail"), FELT_HZ, felt(np.random.default_rng(5)))])
    sound = heard(np.random.default_rng(1), 8000.0)
    with_sound, without = (run_chain(idle, samples, FACTS) for samples in (one_clock(sound, rate_hz=8000.0), alone))
    assert without.readings == tuple(r for r in with_sound.readings if r.unit != "dB")
    assert without.fitness == with_sound.fitness
    assert set(with_sound.products) - set(without.products) == {"sound_sums", "sound_orders"}
    np.testing.assert_array_equal(without.products["spectra"].auto, with_sound.products["spectra"].auto)


def test_a_recipe_that_does_not_listen_pays_nothing_for_a_microphone(idle):
    """Without ``beside`` the same stages are refused at once, naming what to add."""
    recipe = load_recipe("idle").model_copy(update={"beside": ()})
    with pytest.raises(RecipeError, match=r"stage 'sound' acts on pressure.*beside = \['pressure'\]"):
        bind(recipe, {}, Host.discover().stages)


def test_a_study_of_sound_alone_makes_its_signal_of_microphones():
    """A recipe about pressure: the same stages act on the signal itself."""
    recipe = Recipe(name="sound", title="t", quantities=("pressure",), stages=("resample", "sound", "sound_level"))
    bound = bind(recipe, {}, Host.discover().stages)
    sound = ((microphone(position="cabin"),), 8000.0, heard(np.random.default_rng(1), 8000.0))
    found = levels(run_chain(bound, capture([sound], "pressure"), {}))
    assert found["laeq"].position == "cabin"
    assert found["laeq"].value > 40.0


def faulty(kind):
    """A pressure that no level may be told of."""
    sound = heard(np.random.default_rng(1), 4000.0)
    if kind == "clipped":
        return np.clip(sound, -0.08, 0.08)
    if kind == "stuck":
        return np.where(np.arange(sound.shape[1]) // 4000 == 12, 0.05, sound)
    if kind == "static":
        return sound + 101_325.0
    return np.zeros_like(sound)


@pytest.mark.parametrize(
    ("kind", "code", "words"),
    [
        ("clipped", ReasonCode.CLIPPED, "a level would read low"), ("stuck", ReasonCode.STUCK, "shows one value for 1"),
        ("static", ReasonCode.UNKNOWN_UNIT, "a mean of 1.013e+05 Pa"), ("dead", ReasonCode.STUCK, "shows one value"),
    ],
)  # fmt: skip
def test_a_faulty_microphone_gives_a_reason_and_costs_the_accelerations_nothing(idle, kind, code, words):
    outcome = run_chain(idle, one_clock(faulty(kind), rate_hz=4000.0), FACTS)
    assert outcome.fitness.state == "fit"
    assert next(r for r in outcome.readings if r.reading == "firing_order").value > 0
    for name in ("laeq", "lceq", "laf_max", "order_level"):
        found = levels(outcome)[name]
        assert (found.value, found.absent.code) == (None, code), name
        assert words in found.absent.detail


def test_a_rate_that_hardly_holds_sound_gives_orders_and_no_weighted_level(idle):
    """500 Hz reach 210 Hz: an order at 25 Hz is in the record, what an ear hears best is not."""
    outcome = run_chain(idle, one_clock(heard(np.random.default_rng(1), FELT_HZ)), FACTS)
    found = levels(outcome)
    assert found["order_level"].value == pytest.approx(70.97, abs=0.05)
    assert found["laeq"].absent.code is ReasonCode.UNRESOLVED
    assert "hold sound up to 210 Hz; 800 Hz are wanted" in found["laeq"].absent.detail


def test_a_boost_or_brake_pressure_is_no_microphone(idle):
    """Told by its unit: kPa and bar are of air in a pipe; none of them gives a level."""
    for unit, scale in (("kPa", 1e3), ("bar", 1e5)):
        samples = one_clock(heard(np.random.default_rng(1), 4000.0), rate_hz=4000.0, channel=microphone(unit, scale))
        assert not levels(run_chain(idle, samples, FACTS))
    declared = replace(microphone("kPa", 1e3), axis="p", position="cabin")
    samples = one_clock(1e-3 * heard(np.random.default_rng(1), 4000.0), rate_hz=4000.0, channel=declared)
    assert levels(run_chain(idle, samples, FACTS))["order_level"].value == pytest.approx(70.97, abs=0.05)


def test_a_microphone_without_a_place_among_several_is_called_microphone():
    """With one position it stands there; with two it can be neither, and its own cell is in the captures file."""
    values = np.zeros((7, 100))
    two = capture([((*axes_at("engine side"), *axes_at("body side"), microphone()), 1000.0, values)])
    assert two.beside(["pressure"]).signal.channels[0].position == "microphone"
    assert head_facts(two.head)["positions"] == ["body side", "engine side", "microphone"]
    one = capture([((*axes_at("seat rail"), microphone()), 1000.0, values[:4])])
    assert one.beside(["pressure"]).signal.channels[0].position == "seat rail"
    assert head_facts(one.head)["positions"] == ["seat rail"]


def test_channels_beside_are_their_own_rows_of_a_shared_array():
    """In x, mic, y, z the microphone's samples are the second row's."""
    x, y, z = axes_at("seat rail")
    values = np.arange(4.0)[:, None] + np.zeros((4, 200))
    samples = capture([((x, microphone(scale=2.0), y, z), 1000.0, values)])
    beside = samples.beside(["pressure"])
    assert [b.values[0, 0] for b in beside.blocks(beside.runs[0], 0)] == [2.0]
    assert [b.values[:, 0].tolist() for b in samples.blocks(samples.runs[0], 0)] == [[0.0, 2.0, 3.0]]
    assert samples.beside(["force"]) is None


def read(folder, text, mapping=None):
    path = folder / "original"
    path.write_text(text)
    (head,) = TextReader().read(GivenFile(path, "capture.csv"), mapping or ChannelMapping(), GatheringSink())
    return {c.name.split(" ")[0]: c for group in head.groups for c in group.channels}


def rows(header):
    lines = [f"{k * 0.001:.3f},0.1,0.2,9.8,{0.01 * (k % 7):.3f}" for k in range(50)]
    return "\n".join([header, *lines]) + "\n"


@pytest.mark.parametrize("label", ["mic (Pa)", "Schalldruck [Pa]", "sound pressure/Pa", "p_cabin (µPa)"])
def test_a_column_in_pascal_is_a_sound_pressure(tmp_path, label):
    (channel,) = [c for c in read(tmp_path, rows(f"time (s),x (m/s2),y (m/s2),z (m/s2),{label}")).values()
                  if c.quantity == "pressure"]  # fmt: skip
    assert channel.si == "Pa"
    assert channel.scale == pytest.approx(1e-3 * (1e-6 if "µ" in label else 1.0))


def test_megapascal_and_millipascal_are_told_apart_by_neither(tmp_path):
    """Folded they are the same letters, a factor of a thousand million apart: no guess is made."""
    for label in ("mPa", "MPa"):
        found = read(tmp_path, rows(f"time (s),x (m/s2),y (m/s2),z (m/s2),mic ({label})"))
        assert not [c for c in found.values() if c.quantity == "pressure"]


def test_axes_name_a_microphone_and_its_place(tmp_path):
    """``driver's ear.p=+c4``, from the cell to the channel."""
    axes = axes_from_text("seat rail.x=+c1 seat rail.y=+c2 seat rail.z=+c3 driver's ear.p=-c4")
    assert axes[3] == AxisSource("driver's ear", "p", 4, -1)
    found = read(tmp_path, rows("time (s),x (m/s2),y (m/s2),z (m/s2),mic (Pa)"), ChannelMapping(axes=axes))
    assert (found["mic"].position, found["mic"].axis, found["mic"].quantity) == ("driver's ear", "p", "pressure")
    assert found["mic"].scale < 0
    assert AxisSource.from_text(axes[3].as_text()) == axes[3]


def test_a_microphone_written_in_volts_needs_its_sensitivity(tmp_path):
    """50 mV/Pa is 20 Pa in a volt; without it the unit is asked for."""
    axes = axes_from_text("x=+c1 y=+c2 z=+c3 p=+c4")
    mapping = ChannelMapping(position="seat rail", axes=axes, sensitivity=(("p", 20.0),))
    text = rows("time (s),x (m/s2),y (m/s2),z (m/s2),mic (mV)")
    channel = read(tmp_path, text, mapping)["mic"]
    assert (channel.si, channel.quantity) == ("Pa", "pressure")
    assert channel.scale == pytest.approx(20.0 * 1e-3 * 1e-3)
    with pytest.raises(ReaderRefusal, match="pascals in one volt") as refused:
        read(tmp_path, text, replace(mapping, sensitivity=()))
    assert refused.value.reason.code is ReasonCode.UNKNOWN_UNIT


CELLS = {"file": "a.csv", "platform": "p", "part": "original", "position": "seat rail", "condition": "idle", "repeat": "1"}


def test_the_table_takes_a_microphones_sensitivity_beside_those_of_the_axes():
    row = row_from_cells(2, {**CELLS, "axes": "x=+c1 p=+c2", "sensitivity": "x=1.02 p=20"})
    assert dict(row.mapping.sensitivity) == {"x": 1.02, "p": 20.0}
    for text in ("p=0", "p=1e9", "x=20"):
        with pytest.raises(RowError):
            row_from_cells(2, {**CELLS, "sensitivity": text})


def test_a_noise_density_is_of_axes_only():
    with pytest.raises(RowError, match="noise_density"):
        row_from_cells(2, {**CELLS, "noise_density": "x=120 y=120 p=180"})


@pytest.mark.parametrize("n_parts", [2, 5])
def test_a_long_capture_is_heard_in_parts_that_merge_to_the_whole(idle, n_parts):
    """As spread over workers: each part starts its filters anew, a second or more before what it counts."""
    samples = one_clock(heard(np.random.default_rng(1), 4000.0), rate_hz=4000.0)
    counted = []

    def run_pass(number, whole, _):
        counting = samples.n_samples if number < 2 else round(4000.0 * SECONDS)
        parts = whole.parts(-(-counting // n_parts))
        counted.append((number, len(parts)))
        merged, *rest = [pickle.loads(pickle.dumps(whole.run([part]))) for part in parts]
        for later in rest:
            for mine, other in zip(merged, later, strict=True):
                mine.take_over(other)
        return merged

    whole, parted = run_chain(idle, samples, FACTS), run_chain(idle, samples, FACTS, run_pass)
    assert dict(counted)[2] >= n_parts
    assert parted.faults == {}
    one, other = levels(whole), levels(parted)
    for name, reading in one.items():
        assert other[name].value == pytest.approx(reading.value, rel=1e-11 if name != "order_level" else 1e-9), name
    for name in ("laeq", "lceq"):
        assert other[name].std_uncertainty == pytest.approx(one[name].std_uncertainty, rel=1e-9), name
