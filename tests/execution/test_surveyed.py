"""First passes that are known: a recipe that changes what stands after them is answered as if they were made again."""

from __future__ import annotations

from dataclasses import dataclass, fields, is_dataclass, replace

import numpy as np
import pytest

from thrumline.pipeline.api import Spread, run_study
from thrumline.pipeline.contracts import (
    CaptureHead,
    ChannelHead,
    Clock,
    Fitness,
    GroupHead,
    ReasonCode,
    SpeedTrack,
)
from thrumline.pipeline.execution.chain import run_chain
from thrumline.pipeline.execution.identity import RecipeSpelling
from thrumline.pipeline.execution.samples import CaptureSamples, HeldArray
from thrumline.pipeline.execution.spelt_products import Unspellable, read, spelt
from thrumline.pipeline.execution.surveyed import Survey
from thrumline.pipeline.host import Host
from thrumline.pipeline.recipe import bind, load_recipe
from thrumline.pipeline.study import load_study, read_captures_table
from thrumline.pipeline.testing import FleetSpec, IdleSpec, Slam, demo_fleet, idle_capture, write_fleet
from thrumline.plugins.screen_samples import ScreenStage
from thrumline.storage import Archive


def same(left, right, where="it"):
    """Equal in every type, field, digit and dtype; NaN equals NaN."""
    assert type(left) is type(right), where
    if isinstance(left, np.ndarray):
        assert left.dtype == right.dtype, where
        np.testing.assert_array_equal(left, right, strict=True)
    elif is_dataclass(left):
        for field in fields(left):
            same(getattr(left, field.name), getattr(right, field.name), f"{where}.{field.name}")
    elif isinstance(left, dict):
        assert list(left) == list(right), where
        for name in left:
            same(left[name], right[name], f"{where}[{name!r}]")
    elif isinstance(left, list | tuple):
        assert len(left) == len(right), where
        for n, (one, other) in enumerate(zip(left, right, strict=True)):
            same(one, other, f"{where}[{n}]")
    else:
        assert left == right or (left != left and right != right), where


class Memory:
    """Stands for the cache."""

    def __init__(self):
        self.kept, self.n_recalled = None, 0

    def recalled(self):
        self.n_recalled += self.kept is not None
        return None if self.kept is None else read(self.kept)

    def keep(self, products):
        self.kept = spelt(products)


CASES = {
    "calm": IdleSpec(duration_s=40, rate_hz=800, rpm=750, cylinders=4),
    "a slam, two stretches": IdleSpec(duration_s=60, rate_hz=800, rpm=750, cylinders=4, slam=Slam(30.0)),
    "no line": IdleSpec(duration_s=40, rate_hz=800, rpm=750, cylinders=4, amplitude_mg=(0.0, 0.0, 0.0)),
    "too short": IdleSpec(duration_s=3, rate_hz=800, rpm=750, cylinders=4),
}


def samples_of(spec, seed=3):
    """A simulated capture as counts."""
    counts = np.rint(np.asarray(idle_capture(spec, seed=seed).acceleration) / 1e-3).astype(np.int32)
    channels = tuple(ChannelHead(axis, "acceleration", "mm/s2", "m s-2", 1e-3, axis=axis) for axis in "xyz")
    clock = Clock(True, 0.25, spec.rate_hz)
    head = CaptureHead(0, "test", (GroupHead("g0", channels, clock, counts.shape[1], "int32"),))
    return CaptureSamples(head, {"g0_counts": HeldArray(counts)}, ["acceleration"])


def chain(recipe, spec, memory, overrides=None):
    """One recipe over one capture."""
    bound = bind(load_recipe(recipe), overrides or {}, Host.discover().stages)
    facts = {"cylinders": 4, "rpm": 750.0, "coupling": ""}
    return run_chain(bound, samples_of(spec), {name: facts.get(name) for name in bound.uses_facts}, None, memory)


@pytest.mark.parametrize(
    ("recipe", "changed"),
    [
        ("idle", {"spectrum": {"resolution_hz": 0.5}}), ("ride", {"spectrum": {"resolution_hz": 0.5}}),
        ("run-up", {"orders": {"orders": [0.5, 1.0]}}),
    ],
)  # fmt: skip
@pytest.mark.parametrize("case", CASES)
def test_a_known_first_pass_gives_what_a_new_one_gives(case, recipe, changed):
    """Every product, reading and reason to the last digit, with another setting than it was made under."""
    memory = Memory()
    chain(recipe, CASES[case], memory)
    known, anew = chain(recipe, CASES[case], memory, changed), chain(recipe, CASES[case], None, changed)
    assert memory.n_recalled == 1
    assert (known.recalled, anew.recalled) == (True, False)
    same(known.fitness, anew.fitness, "fitness")
    same(known.readings, anew.readings, "readings")
    same(dict(known.products), dict(anew.products), "products")


def test_a_first_pass_that_is_known_is_not_made(monkeypatch):
    """No sample reaches the screen: what is to be saved is the pass, not its end."""
    memory = Memory()
    chain("idle", CASES["calm"], memory)
    monkeypatch.setattr(ScreenStage, "open", lambda *_: pytest.fail("the screen was opened"))
    assert chain("idle", CASES["calm"], memory, {"orders": {"orders": [1.0]}}).fitness.state == "fit"


@dataclass(frozen=True, slots=True)
class Strange:
    """A product the contracts do not define."""

    value: float = 1.0


@pytest.mark.parametrize("value", [Strange(), {"a": Strange()}, object(), np.array(["text"]), np.array([None]), {1, 2}])
def test_what_the_contracts_do_not_define_is_not_spelt(value):
    """Reading it back would need a stranger's code."""
    with pytest.raises(Unspellable):
        spelt({"p": value})


@pytest.mark.parametrize(
    "value",
    [
        0, -1, True, None, "ä\x00", 0.1, float("inf"), -0.0, [], (), {}, {"a": (1, [2.5, {"b": None}])}, {3: 4.0},
        ReasonCode.CLIPPED, Fitness("fit", stretches=((0.0, 1.5),), facts={"a": np.float64(3.0), "n": np.int64(2)}),
        np.arange(6.0).reshape(2, 3).T, np.arange(24, dtype=np.int16).reshape(2, 3, 4)[:, ::2, ::-1], np.empty((0, 3)),
        np.array(3.5), np.array([1 + 2j]), np.array([True, False]), np.float32(0.1), np.bool_(True),
        [np.arange(3.0), np.arange(2)], [*np.linspace(0, 1, 40).tolist(), float("nan"), -0.0], [1.0] * 20 + [1],
    ],
    ids=repr,
)  # fmt: skip
def test_values_come_back_as_they_were(value):
    """Types, digits, signs of zero, empty arrays; and an array lies in memory as it lay."""
    (found,) = read(spelt({"p": value})).values()
    same(found, value)
    if isinstance(value, float) and value == 0.0:
        assert np.signbit(found) == np.signbit(value)
    if isinstance(value, np.ndarray) and value.size:
        assert np.argsort(found.strides).tolist() == np.argsort(np.abs(value.strides)).tolist()
        found[...] = 0  # whoever gets a product may write into it, as into a fresh one


def test_products_of_other_fields_are_not_read():
    """A product that got a new field since is the old one no more, unless the field has a default."""
    nothing = np.empty(0)
    data = spelt({"track": SpeedTrack(nothing, nothing, nothing, "none", None, nothing, nothing)})
    with pytest.raises(TypeError):
        read(data.replace(b'"speed_hz"', b'"speed_xy"'))
    with pytest.raises((ValueError, KeyError, TypeError)):
        read(data[: len(data) // 2])


@pytest.fixture(scope="module")
def asked(tmp_path_factory):
    """A study, its first row, and an empty archive."""
    folder = tmp_path_factory.mktemp("named")
    study = load_study(write_fleet(folder, replace(demo_fleet(), duration_s=1.0), 3))
    with Archive.open(folder / "archive", role="coordinator", create=True) as archive:
        yield archive, read_captures_table(study.table_path).rows[0]


def test_a_survey_is_named_by_all_it_follows_from_and_by_nothing_else(asked):
    """Capture, channels, facts used, and each setting and numeric version up to the choice; what stands after is free."""
    archive, row = asked
    stages = Host.discover().stages

    def with_settings(**overrides):
        return bind(load_recipe("idle"), overrides, stages)

    recipe = with_settings()

    def name(capture="ab" * 16, recipe=recipe, row=row):
        return Survey.of(archive, capture, recipe, RecipeSpelling(recipe).of(row)).name

    class Newer(ScreenStage):
        numeric_version = ScreenStage.numeric_version + 1

    others = [
        name(capture="cd" * 16),
        name(recipe=replace(recipe, quantities=("acceleration", "force"))),
        name(row=replace(row, rpm=(row.rpm or 700.0) + 1.0)),
        name(row=replace(row, cylinders=(row.cylinders or 4) + 1)),
        name(recipe=with_settings(stretches={"minimum_duration_s": 21.0})),
        name(recipe=with_settings(screen={"cell_s": 0.2})),
        name(recipe=with_settings(resample={"highest_hz": 500.0})),
        name(recipe=with_settings(track={"sweep_rpm": [600, 900]})),
        name(recipe=bind(load_recipe("idle"), {}, {**stages, "screen": Newer})),
    ]
    assert len({name(), *others}) == len(others) + 1
    assert name(recipe=with_settings(spectrum={"resolution_hz": 0.5}, orders={"orders": [2.0]})) == name()
    assert name(recipe=replace(recipe, stages=recipe.stages[:-3])) == name()


def test_a_recipe_without_a_choice_has_no_first_pass(asked):
    """A rig's file is used whole."""
    archive, row = asked
    recipe = bind(load_recipe("rig-stiffness"), {}, Host.discover().stages)
    assert Survey.of(archive, "ab" * 16, recipe, RecipeSpelling(recipe).of(row)) is None


def contents(archive_dir):
    """What the newest results say, without when and where they were made."""
    with Archive.open(archive_dir, role="reader") as archive:
        return {identity: archive.tree("results", identity).content_sha256 for identity in archive.ids("results")}


def test_a_study_with_a_changed_recipe_is_the_same_with_and_without_the_cache(tmp_path, monkeypatch):
    """From file to results: in an archive that knows the first passes, in one whose cache is damaged, in a fresh one."""
    spec = FleetSpec(platforms=demo_fleet().platforms[:1], parts=("original", "candidate-A"), repeats=2, duration_s=25.0)
    study = write_fleet(tmp_path / "fleet", spec, 3)
    changed = study.with_name("changed.toml")
    changed.write_text(study.read_text() + "\n[stage.spectrum]\nresolution_hz = 0.5\n")

    def run(file, name):
        return run_study(file, archive_dir=tmp_path / name, out_dir=tmp_path / f"{name}-out", spread=Spread(workers=1))

    run(study, "knows")
    run(study, "damaged")
    entries = [path for path in (tmp_path / "damaged" / "catalog" / "cache").rglob("*") if path.is_file()]
    assert len(entries) == 4
    for path in entries:
        path.chmod(0o644)
        path.write_bytes(path.read_bytes()[:-1])
    run(changed, "damaged")
    run(changed, "fresh")
    monkeypatch.setattr(ScreenStage, "open", lambda *_: pytest.fail("the screen was opened"))
    run(changed, "knows")
    assert contents(tmp_path / "fresh").items() <= contents(tmp_path / "knows").items()
    assert contents(tmp_path / "knows") == contents(tmp_path / "damaged")
    assert len(contents(tmp_path / "fresh")) == 4
    with Archive.open(tmp_path / "knows", role="reader") as archive:
        told = [archive.tree("results", identity).run.get("survey") for identity in archive.ids("results")]
    assert sorted(told, key=str) == [None] * 4 + ["recalled"] * 4
