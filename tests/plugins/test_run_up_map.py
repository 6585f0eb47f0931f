"""Run-ups: the map over speed, and the largest amplitude of an order with its speed; table to comparison."""

import csv
import re

import numpy as np
import pytest

from thrumline.pipeline.api import Spread, run_study
from thrumline.pipeline.contracts import (
    Block,
    ChainSchema,
    ChannelSpec,
    Context,
    OrderAmplitude,
    OrderSpectra,
    Reason,
    ReasonCode,
    SchemaError,
    SignalSpec,
)
from thrumline.pipeline.contracts.units import MILLI_G
from thrumline.pipeline.host import Host
from thrumline.pipeline.recipe import bind, load_recipe
from thrumline.pipeline.testing import IdleSpec, idle_capture
from thrumline.plugins.run_up_map import OrderPeak, OrderPeakSettings, SpeedMapSettings, SpeedMapStage

AXES = tuple(ChannelSpec(a, "acceleration", "m s-2", "seat rail", a) for a in "xyz")
SIGNAL = SignalSpec(AXES, uniform=True, rate_hz=800.0, duration_s=30.0)
CONTEXT = Context(SIGNAL, span_s=(0.0, 30.0))


def orders_with(amplitude, order=2.0, floor=1e-10, **more):
    """An order product whose track is this amplitude [shape=(3, n)] at 0.5 s steps from 700 to 3,000 rpm."""
    at = 0.25 + 0.5 * np.arange(amplitude.shape[-1])
    speed = np.linspace(700, 3000, at.size) / 60.0
    entries = tuple(OrderAmplitude(order, i, 0.01, 1e-4, floor, 60.0, 0.01) for i in range(3))
    tracks = {order: (at, speed, amplitude), **more}
    return OrderSpectra(entries, name="engine order 2", extra={"firing_order": order, "tracks": tracks})


def peak(amplitude, **settings):
    metric = OrderPeak(OrderPeakSettings(**settings))
    return {r.combination: r for r in metric.readings({"orders": orders_with(amplitude)}, CONTEXT)}


def test_peak_of_a_resonance_is_found_with_its_speed():
    """A resonance curve over 60 steps: rss of (1, 2, 2) is 3, mean 5/3; the speed within half a bin."""
    rpm = np.linspace(700, 3000, 60)
    curve = 1.0 / np.sqrt(1.0 + ((rpm - 1800.0) / 100.0) ** 2)
    found = peak(0.1 * np.array([[1.0], [2.0], [2.0]]) * curve)
    top = curve.max()
    assert found["rss"].value == pytest.approx(0.3 * top / MILLI_G, rel=0.02)
    assert found["mean"].value == pytest.approx(0.5 / 3.0 * top / MILLI_G, rel=0.02)
    assert abs(found["rss"].extra["speed_rpm"] - 1800.0) <= 50.0
    assert found["rss"].frequency_hz == pytest.approx(2.0 * found["rss"].extra["speed_rpm"] / 60.0)
    assert len(found["rss"].extra["curve_rpm"]) == len(found["rss"].extra["curve_mg"])


def test_ends_of_a_stretch_are_left_out():
    """A burst in the first and last second, where the band filter has signal on one side only, is no peak."""
    amplitude = np.full((3, 60), 0.01)
    amplitude[:, [0, 1, -2, -1]] = 1.0
    assert peak(amplitude)["rss"].value == pytest.approx(0.01 * np.sqrt(3.0) / MILLI_G, rel=1e-9)


def test_peak_of_nothing_is_no_line_with_a_bound():
    found = peak(np.full((3, 60), 1e-6))["rss"]
    assert found.value is None
    assert found.absent.code == ReasonCode.NO_LINE
    assert "below" in found.absent.detail


@pytest.mark.parametrize(("times_floor", "there"), [(2.9, False), (3.1, True)])
@pytest.mark.parametrize("combination", ["rss", "mean"])
def test_peak_is_held_against_the_noise_the_sensor_states(times_floor, there, combination):
    """100 micro-g per root hertz are 0.1 mg rms an axis in 1 Hz: sqrt(2) times it as a peak, sqrt(3) times that in rss."""
    axis_mg = 0.1 * np.sqrt(2.0)
    amplitude = np.full((3, 60), times_floor * axis_mg * MILLI_G)
    stated = Context(SIGNAL, facts={"noise_density": (("x", 100.0), ("y", 100.0), ("z", 100.0))}, span_s=(0.0, 30.0))
    metric = OrderPeak(OrderPeakSettings())
    made = {r.combination: r for r in metric.readings({"orders": orders_with(amplitude)}, stated)}[combination]
    assert peak(amplitude)[combination].value is not None
    assert made.extra["sensor_floor"] == pytest.approx(axis_mg * (np.sqrt(3.0) if combination == "rss" else 1.0))
    assert (made.value is not None) == there
    assert there or made.absent.code == ReasonCode.AT_FLOOR


def test_without_orders_the_reading_is_absent_with_their_reason():
    absent = OrderSpectra((), absent=Reason(ReasonCode.NO_SPEED, "no speed"))
    for reading in OrderPeak(OrderPeakSettings()).readings({"orders": absent}, CONTEXT):
        assert reading.absent == absent.absent


def test_an_order_that_was_not_read_is_absent_and_those_read_are_named():
    (rss, _) = OrderPeak(OrderPeakSettings(order=6.0)).readings({"orders": orders_with(np.ones((3, 60)))}, CONTEXT)
    assert "order 6 was not read; read were 2" in rss.absent.detail


@pytest.mark.parametrize(
    ("stage", "said"),
    [
        (SpeedMapStage(SpeedMapSettings()), "'speed_map' needs the product 'track'"),
        (OrderPeak(OrderPeakSettings()), "'order_peak' needs the product 'orders'"),
    ],
)
def test_a_chain_without_what_a_stage_needs_is_refused_before_any_sample(stage, said):
    with pytest.raises(SchemaError, match=said):
        stage.schema(ChainSchema(SIGNAL))


def test_the_map_changes_neither_unit_nor_rate_nor_length():
    schema = bind(load_recipe("run-up"), {}, Host.discover().stages).check(SIGNAL)
    assert schema.signal == SIGNAL
    assert schema.products["speed_map"].unit == "m s-2"


SPEC = IdleSpec(
    duration_s=30.0, rate_hz=800.0, rpm=800.0, run_to_rpm=2600.0, cylinders=4, am=0.0, wander=0.002,
    floor_mg_rthz=0.01, orders=((0.5, 1.0), (1.0, 1.5), (4.0, 3.0)),
)  # fmt: skip


@pytest.fixture(scope="module")
def tried(tmp_path_factory):
    """The candidate is 1.3 times the original, half orders and all; speed is logged in the same file."""
    folder = tmp_path_factory.mktemp("run-up")
    rows, made = [], {}
    for number, (part, factor) in enumerate((("original", 1.0), ("candidate-A", 1.3))):
        made[part] = idle_capture(SPEC, 7 + number)
        gravity = made[part].acceleration.mean(axis=1, keepdims=True)
        values = gravity + factor * (made[part].acceleration - gravity)
        table = np.column_stack([made[part].time_s, *values, 60.0 * made[part].speed_hz])
        header = "time_s,x_m/s2,y_m/s2,z_m/s2,crank_rpm"
        np.savetxt(folder / f"{part}.csv", table, delimiter=",", header=header, comments="", fmt="%.7f")
        rows.append((f"{part}.csv", "Heron 2.0", part, "seat rail", "run-up neutral", 1, 4))
    with (folder / "captures.csv").open("w", newline="") as out:
        head = ("file", "platform", "part", "position", "condition", "repeat", "cylinders")
        csv.writer(out).writerows([head, *rows])
    path = folder / "study.toml"
    path.write_text(
        'title = "t"\ncaptures = "captures.csv"\nbaseline = "original"\nlimit_percent = 15\n'
        'recipe = "run-up"\nreading = "order_peak"\n'
    )
    return run_study(path, archive_dir=folder / "archive", spread=Spread(workers=1)), made, folder


def test_orders_and_half_orders_of_a_run_up_are_read_from_the_file(tried):
    """Constant amplitudes: the largest bin is within 5 % of the true rss for orders 0.5, 1, 2 and 4."""
    run, made, _ = tried
    assert {c["state"] for c in run.captures} == {"fit"}, [c["reasons"] for c in run.captures]
    found = {
        (r["part"], r["order"]): r for r in run.readings if r["reading"] == "order_peak" and r["combination"] == "rss"
    }
    assert {order for _, order in found} == {0.5, 1.0, 2.0, 4.0}
    for (part, order), reading in found.items():
        factor = 1.0 if part == "original" else 1.3
        true = factor * np.sqrt(np.sum(made[part].mean_amplitude(order) ** 2)) / MILLI_G
        assert reading["value"] == pytest.approx(true, rel=0.05), (part, order)
        assert reading["line_name"] == f"engine order {order:g}"


def test_the_firing_order_alone_carries_the_comparison(tried):
    """+30 % from the firing order; other orders of the same capture are no further takes."""
    run, _, _ = tried
    (carrying,) = [c for c in run.comparisons if c["carries_verdict"]]
    assert carrying["percent_change"] == pytest.approx(30.0, abs=3.0)
    assert (carrying["n_baseline"], carrying["n_candidate"]) == (1, 1)


def test_the_map_is_kept_with_the_result_and_shows_the_order(tried):
    """In every speed bin of the stored map the largest cell of z is order 2, within a cell; at most 200 by 400."""
    from thrumline.storage import Archive

    run, _, folder = tried
    with Archive.open(folder / "archive", role="reader") as archive:
        store = archive.tree("results", run.readings[0]["result_id"]).zarr("spectra.zarr")
        amplitude, speed, frequency, count = (
            store.array(f"map_{name}").read_all() for name in ("amplitude", "speed", "frequency", "count")
        )
    assert amplitude.shape == (3, speed.size, frequency.size)
    assert speed.size <= 201
    assert frequency.size <= 400
    filled = np.flatnonzero(count > 0)
    assert filled.size > 30
    for number in filled:
        assert abs(frequency[np.nanargmax(amplitude[2, number])] - 2.0 * speed[number]) <= 4.0


def test_the_order_spectrum_is_kept_with_the_result_and_reads_each_order(tried):
    """Amplitudes are steady over the run: half order, first, second and fourth within 5 % of the true ones on z."""
    from thrumline.storage import Archive

    run, made, folder = tried
    result = next(r["result_id"] for r in run.readings if r["part"] == "original")
    with Archive.open(folder / "archive", role="reader") as archive:
        store = archive.tree("results", result).zarr("spectra.zarr")
        amplitude, order, count = (
            store.array(name).read_all() for name in ("order_amplitude", "order", "order_count")
        )
    assert amplitude.shape == (3, order.size)
    assert order[-1] == 12.0
    # at 800 Hz the twelfth order is reached at the low speeds only
    assert count[0] > 5 * count[-1] > 0
    assert np.all(np.diff(count) <= 0)
    for wanted in (0.5, 1.0, 2.0, 4.0):
        true = made["original"].mean_amplitude(wanted)[2]
        assert amplitude[2, np.flatnonzero(order == wanted)[0]] == pytest.approx(true, rel=0.05), wanted
    between = np.abs(order - 3.0) < 0.3
    assert amplitude[2, between].max() < 0.1 * made["original"].mean_amplitude(2.0)[2]


def test_the_report_shows_the_order_spectrum_and_what_stands_out_of_it(tried):
    """Stated amplitudes 0.5: 1, 1: 1.5, 4: 3 mg and the firing order; told are true rss values, times 1.3, within 5 %."""
    _, made, folder = tried
    page = next(folder.rglob("report.html")).read_text()
    (label,) = re.findall(r'aria-label="(Order spectrum of [^"]*)"', page)
    assert label.startswith("Order spectrum of candidate-A, repeat 1, over original: order 2 ")
    told = dict(re.findall(r"order ([\d.]+) at ([\d.]+) mg", label))
    assert set(told) == {"2", "4", "1"}
    for order, size in told.items():
        true = 1.3 * np.sqrt(np.sum(made["candidate-A"].mean_amplitude(float(order)) ** 2)) / MILLI_G
        assert float(size) == pytest.approx(true, rel=0.05), order
    (rows,) = re.findall(r"Orders behind the order spectra of Heron 2\.0.*?</details>", page)
    assert len(re.findall(r"order 0\.5: ", rows)) == 2


def test_map_without_a_speed_is_empty_with_a_reason():
    from thrumline.pipeline.contracts import SpeedTrack

    none = np.empty(0)
    track = SpeedTrack(none, none, none, "none", None, none, none, reason=Reason(ReasonCode.NO_SPEED, "why"))
    made = SpeedMapStage(SpeedMapSettings()).open(SIGNAL, CONTEXT, {"track": track})
    made.accumulate(Block(np.zeros((3, 4000)), 0, 0, 0.0, 800.0))
    assert made.finish().absent.detail == "why"


def test_coast_down_is_read_as_well_as_run_up():
    """The map's bins rise in speed whichever way the engine went: the same signal backwards gives the same map."""
    t = np.arange(24000) / 800.0
    signal = SignalSpec(AXES[:1], uniform=True, rate_hz=800.0, duration_s=30.0)
    turns = 12.0 * t + 0.5 * t**2
    values = np.sin(4.0 * np.pi * turns)[None]
    maps = []
    for way in (1, -1):
        from thrumline.pipeline.contracts import SpeedTrack

        speed = (12.0 + t)[::40][::way]
        track = SpeedTrack(t[::40], speed, np.ones(600), "logged", 2.0, np.zeros(600), np.zeros(600))
        stage = SpeedMapStage(SpeedMapSettings()).open(signal, Context(signal), {"track": track})
        stage.accumulate(Block(values[:, ::way].copy(), 0, 0, 0.0, 800.0))
        maps.append(stage.finish())
    inner = slice(1, -1)
    np.testing.assert_allclose(maps[0].amplitude[:, inner], maps[1].amplitude[:, inner], atol=0.2)
    assert np.nanmean(np.abs(maps[0].amplitude - maps[1].amplitude)) < 0.01


