"""Turning axes upright by gravity, and what tilt does to the mean of axes: on simulated captures that sit askew."""

import csv
from dataclasses import replace

import numpy as np
import pytest

from thrumline.pipeline.api import Spread, run_study
from thrumline.pipeline.contracts import Block, ChainSchema, ChannelSpec, Context, SchemaError, SignalSpec
from thrumline.pipeline.recipe import load_recipe
from thrumline.pipeline.testing import IdleSpec, TransformSuite, example_of, idle_capture
from thrumline.plugins.axes_upright import Upright

G = 9.80665
AXES = tuple(ChannelSpec(a, "acceleration", "m s-2", "seat rail", a) for a in "xyz")
SIGNAL = SignalSpec(AXES, uniform=True, rate_hz=400.0, duration_s=10.0)
SELECTED = ChainSchema(SIGNAL, selected=True)
TILTED = IdleSpec(
    duration_s=40, rate_hz=400, rpm=750, amplitude_mg=(0.0, 0.0, 9.0), floor_mg_rthz=0.02, tilt_deg=(5.0, 0.0), am=0.0,
    wander=0.0,
)  # fmt: skip


def stage():
    return Upright(Upright.Settings())


def turned(values, gravity, channels=AXES):
    signal = replace(SIGNAL, channels=channels)
    flow = stage().open(signal, Context(signal, gravity={"seat rail": gravity}))
    (block,) = flow.push(Block(np.asarray(values, dtype=float), 0, 0, 0.0, 400.0))
    return block.values


def test_a_tilted_vertical_motion_comes_back_onto_z():
    """Five degrees of roll: the motion along gravity is read by y and z, and by z alone after the turn."""
    up = np.array([0.0, np.sin(np.deg2rad(5)), np.cos(np.deg2rad(5))])
    motion = 0.1 * np.sin(np.arange(400) / 3.0)
    made = turned(up[:, None] * (G + motion), tuple(G * up))
    moved = made - G * up[:, None]
    assert moved[:2] == pytest.approx(0.0, abs=1e-12)
    assert moved[2] == pytest.approx(motion, abs=1e-12)


def test_rss_at_every_instant_is_kept_and_gravitys_share_stays_where_it_was():
    rng = np.random.default_rng(2)
    static = np.array([1.0, -2.0, 9.0])
    motion = rng.standard_normal((3, 500))
    made = turned(motion + static[:, None], tuple(static)) - static[:, None]
    assert np.sum(made**2, axis=0) == pytest.approx(np.sum(motion**2, axis=0), rel=1e-12)


def test_axes_are_taken_by_name_not_by_column():
    order = (2, 0, 1)
    rng = np.random.default_rng(3)
    values = rng.standard_normal((3, 50))
    static = (1.0, 2.0, 9.0)
    straight = turned(values, static)
    shuffled = turned(values[list(order)], static, tuple(AXES[i] for i in order))
    assert shuffled == pytest.approx(straight[list(order)], abs=1e-12)


def test_channels_say_that_they_were_turned_and_keep_unit_rate_and_axis():
    answer = stage().schema(SELECTED).signal
    assert all(channel.upright for channel in answer.channels)
    assert [replace(channel, upright=False) for channel in answer.channels] == list(AXES)
    assert (answer.rate_hz, answer.uniform) == (SIGNAL.rate_hz, SIGNAL.uniform)


def test_before_the_choice_of_stretches_and_without_three_axes_the_chain_is_refused():
    with pytest.raises(SchemaError, match="put upright after stretches"):
        stage().schema(ChainSchema(SIGNAL))
    with pytest.raises(SchemaError, match="acceleration on x, y and z"):
        stage().schema(ChainSchema(replace(SIGNAL, channels=AXES[:2]), selected=True))


def test_a_position_without_gravity_is_refused_not_left_askew():
    with pytest.raises(SchemaError, match="shows gravity"):
        stage().open(SIGNAL, Context(SIGNAL))


class TestUprightKeepsTheContractOfTransforms(TransformSuite):
    """Cutting, unit, rate and length: checked as any transform's are."""

    def stage(self):
        return stage()

    def example(self):
        made = example_of(idle_capture(TILTED, 5), split_s=20.0)
        position = made.signal.positions[0]
        context = replace(made.context, gravity={position: (0.0, G * np.sin(0.1), G * np.cos(0.1))})
        return replace(made, context=context, schema=replace(made.schema, selected=True))


@pytest.fixture(scope="module")
def studies(tmp_path_factory):
    """One capture upright and one with 5 degrees of roll, under the shipped recipe and under one with the stage.

    Of two lengths: samples that differ by a turn alone are one recording to the search for copies.
    """
    folder = tmp_path_factory.mktemp("upright")
    idle = load_recipe("idle")
    stages = list(idle.stages)
    stages.insert(stages.index("stretches") + 1, "upright")
    (folder / "turned.toml").write_text(
        f'name = "turned"\ntitle = "t"\nquantities = ["acceleration"]\nstages = {stages!r}\n'
        f"beside = {list(idle.beside)!r}\n"
        "[stage.spectrum]\nresolution_hz = 0.25\n"
    )
    rows = [("file", "platform", "part", "position", "condition", "repeat", "rpm", "cylinders", "unit")]
    for part, spec in (("original", replace(TILTED, tilt_deg=(0.0, 0.0), duration_s=41)), ("candidate-A", TILTED)):
        made = idle_capture(spec, 5)
        table = np.column_stack([made.time_s, *made.acceleration])
        np.savetxt(folder / f"{part}.csv", table, "%.7f", ",", header="t_s,x,y,z", comments="")
        rows.append((f"{part}.csv", "Dunlin 2.0", part, "seat rail", "idle-drive", 1, 750, 4, "m/s2"))
    with (folder / "captures.csv").open("w", newline="") as out:
        csv.writer(out).writerows(rows)
    found = {}
    for recipe in ("idle", "turned.toml"):
        study = folder / f"study-{recipe.partition('.')[0]}.toml"
        study.write_text(
            f'title = "t"\ncaptures = "captures.csv"\nbaseline = "original"\nlimit_percent = 15\nrecipe = "{recipe}"\n'
        )
        run = run_study(study, archive_dir=folder / "archive", spread=Spread(workers=1))
        assert {c["state"] for c in run.captures} == {"fit"}, [c["reasons"] for c in run.captures]
        found[recipe] = {(r["part"], r["reading"], r["combination"]): r for r in run.readings}
    return found


@pytest.mark.parametrize("reading", ["firing_order", "highest_bin"])
def test_the_mean_tells_the_tilt_and_what_it_would_be_upright(studies, reading):
    """Vertical motion, 5 degrees of roll: the mean of axes reads 8.3 % more, and says what it reads upright."""
    upright, askew = (studies["idle"][part, reading, "mean"] for part in ("original", "candidate-A"))
    assert askew["extra"]["tilt_deg"] == pytest.approx(5.0, abs=0.05)
    assert upright["extra"]["tilt_deg"] < 0.05
    assert askew["value"] / askew["extra"]["upright_mg"] == pytest.approx(1.083, abs=0.004)
    assert upright["value"] / upright["extra"]["upright_mg"] == pytest.approx(1.0, abs=0.004)


@pytest.mark.parametrize("reading", ["firing_order", "highest_bin"])
def test_the_stage_makes_the_mean_of_a_tilted_sensor_that_of_an_upright_one(studies, reading):
    for combination, allowed in (("mean", 0.01), ("rss", 0.003)):
        askew = studies["turned.toml"]["candidate-A", reading, combination]
        upright = studies["idle"]["original", reading, combination]
        assert askew["value"] == pytest.approx(upright["value"], rel=allowed), combination
        assert "upright_mg" not in askew["extra"]


def test_a_turned_line_stands_on_z_alone(studies):
    amplitudes = studies["turned.toml"]["candidate-A", "firing_order", "rss"]["extra"]["amplitudes_mg"]
    assert amplitudes[2] > 100 * max(amplitudes[:2])
