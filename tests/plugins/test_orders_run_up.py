"""Orders through a run-up, where no band stands still: logged speed or tachometer, amplitude against speed."""

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from thrumline.pipeline.contracts import Aside, Block, ChannelSpec, Context, ReasonCode, SignalSpec
from thrumline.pipeline.contracts.units import MILLI_G
from thrumline.pipeline.testing import IdleSpec, idle_capture
from thrumline.plugins.metric_firing_order import FiringOrder, FiringOrderSettings
from thrumline.plugins.orders_tracked import OrdersSettings, OrdersTracked
from thrumline.plugins.track_speed import TrackSettings, TrackSpeed

RUN_UP = IdleSpec(
    duration_s=30.0, rate_hz=1600.0, rpm=700.0, run_to_rpm=3000.0, cylinders=4, am=0.0, wander=0.002, floor_mg_rthz=0.02,
    orders=((1.0, 1.5), (4.0, 3.0)),
)  # fmt: skip


def read(spec, *, logged=True, pieces=1, **orders):
    capture = idle_capture(spec, 2)
    specs = tuple(ChannelSpec(a, "acceleration", "m s-2", "seat rail", a) for a in "xyz")
    signal = SignalSpec(specs, uniform=True, rate_hz=spec.rate_hz, duration_s=spec.duration_s)
    times = np.arange(0.0, spec.duration_s, 0.05)
    asides = (Aside("rpm", "speed", "Hz", times, capture.speed_at(times)),) if logged else ()
    facts = {"cylinders": 4, "strokes": 4, "rpm": 700.0, "firing_order": None}
    context = Context(signal, facts=facts, asides=asides, span_s=(0.0, spec.duration_s))
    products = {"screen": type("Means", (), {"mean": capture.acceleration.mean(axis=-1)})()}
    edges = np.linspace(0, len(capture.time_s), pieces + 1).astype(int)
    for stage in (TrackSpeed(TrackSettings()), OrdersTracked(OrdersSettings(**orders))):
        accumulator = stage.open(signal, context, products)
        for a, b in pairwise(edges):
            block = Block(capture.acceleration[:, a:b], 0, int(a), float(capture.time_s[a]), spec.rate_hz)
            accumulator.accumulate(block)
        products[stage.makes] = accumulator.finish()
    return capture, products, FiringOrder(FiringOrderSettings()).readings(products, context)


def test_firing_order_reads_its_amplitude_through_the_run_up():
    """23 to 100 Hz in 30 s: rss within 1 %, named by the logged speed, no mark."""
    capture, _, (rss, _) = read(RUN_UP)
    true = np.sqrt(np.sum(capture.mean_amplitude() ** 2)) / MILLI_G
    assert rss.value == pytest.approx(true, rel=0.01)
    assert rss.line_name == "engine order 2"
    assert rss.marks == ()


def test_orders_along_the_run_up_are_given_against_speed():
    """Each step's amplitude within 5 % of the true one, speed rising from 700 to 3,000 rpm."""
    capture, products, _ = read(RUN_UP, orders=(4.0,))
    for order in (2.0, 4.0):
        at, speed, amplitude = products["orders"].extra["tracks"][order]
        true = np.sqrt(np.sum(capture.mean_amplitude(order) ** 2))
        inner = (at > 1.0) & (at < 29.0)
        assert np.max(np.abs(np.sqrt(np.sum(amplitude**2, axis=0))[inner] / true - 1.0)) < 0.05
        assert np.max(np.abs(speed - capture.speed_at(at))[inner]) < 0.1
        assert speed[-1] > 3.6 * speed[0]


def test_cutting_a_run_up_changes_nothing():
    _, whole, _ = read(RUN_UP)
    _, pieces, _ = read(RUN_UP, pieces=7)
    for one, other in zip(whole["orders"].amplitudes, pieces["orders"].amplitudes, strict=True):
        assert one.amplitude == pytest.approx(other.amplitude, rel=1e-9)


def test_half_order_of_a_run_up_is_read():
    spec = replace(RUN_UP, orders=((1.5, 2.0), (1.0, 1.5)))
    capture, products, _ = read(spec, orders=(1.5,))
    found = np.sqrt(sum(item.amplitude**2 for item in products["orders"].of(1.5)))
    assert found == pytest.approx(np.sqrt(np.sum(capture.mean_amplitude(1.5) ** 2)), rel=0.02)


def test_run_up_without_a_speed_channel_is_absent_with_a_reason():
    """The firing line leaves +-8 % of the nominal at once: no number is made up."""
    _, _, (rss, _) = read(RUN_UP, logged=False)
    assert rss.value is None
    assert rss.absent.code in (ReasonCode.NO_LINE, ReasonCode.NO_SPEED)
