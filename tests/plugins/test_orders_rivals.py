"""Two lines within the search: the firing line is the one whose further orders say so, not the stronger one."""

from dataclasses import replace

import numpy as np
import pytest

from thrumline.pipeline.contracts import Block, ChannelSpec, Context, ReasonCode, SignalSpec
from thrumline.pipeline.contracts.units import MILLI_G
from thrumline.pipeline.testing import IdleSpec, idle_capture
from thrumline.plugins.metric_firing_order import FiringOrder, FiringOrderSettings
from thrumline.plugins.orders_tracked import OrdersSettings, OrdersTracked
from thrumline.plugins.track_speed import TrackSettings, TrackSpeed

WITH_ORDERS = IdleSpec(
    duration_s=36.0, rpm=600.0, cylinders=8, amplitude_mg=(2.0, 1.5, 4.0), am=0.0,
    orders=((2.0, 1.0), (8.0, 1.5)),
)  # fmt: skip


def read(spec, rpm=605.0, pieces=((0.0, None),)):
    capture = idle_capture(spec, 12)
    specs = tuple(ChannelSpec(a, "acceleration", "m s-2", "seat rail", a) for a in "xyz")
    signal = SignalSpec(specs, uniform=True, rate_hz=spec.rate_hz, duration_s=spec.duration_s)
    context = Context(signal, facts={"cylinders": 8, "strokes": 4, "rpm": rpm, "firing_order": None})
    products = {}
    for stage in (TrackSpeed(TrackSettings()), OrdersTracked(OrdersSettings())):
        accumulator = stage.open(signal, context, products)
        for number, piece in enumerate(pieces):
            part = capture.within(*piece)
            values = capture.acceleration[:, part]
            accumulator.accumulate(Block(values, number, 0, float(capture.time_s[part][0]), spec.rate_hz))
        products[stage.makes] = accumulator.finish()
    return capture, products, FiringOrder(FiringOrderSettings()).readings(products, context)[0]


@pytest.mark.parametrize("rival", [{"fixed": ((42.3, 7.0),)}, {"accessories": ((3.8, 7.0),)}])
def test_stronger_line_that_nothing_confirms_gives_way_to_the_firing_line(rival):
    """A hum or an accessory 1.75 times as strong as the firing line, 2 Hz from it: the firing line is read."""
    capture, _, reading = read(replace(WITH_ORDERS, **rival))
    true = np.sqrt(np.sum(capture.mean_amplitude() ** 2)) / MILLI_G
    assert reading.frequency_hz == pytest.approx(4.0 * capture.mean_speed_hz(), abs=0.02)
    assert reading.value == pytest.approx(true, rel=0.01)
    assert reading.line_name == "engine order 4"


def test_same_over_two_runs():
    """The rival's track goes on through a gap."""
    capture, _, reading = read(replace(WITH_ORDERS, fixed=((42.3, 7.0),)), pieces=((0.0, 17.0), (18.0, None)))
    assert reading.frequency_hz == pytest.approx(4.0 * capture.mean_speed_hz(), abs=0.03)


def test_two_lines_that_nothing_tells_apart_are_marked():
    """Without further orders the stronger one is read, marked unresolved, and both frequencies are said."""
    _, _, reading = read(replace(WITH_ORDERS, orders=(), fixed=((42.3, 7.0),)))
    assert reading.line_name == "assumed from nominal speed"
    assert ReasonCode.UNRESOLVED in {mark.code for mark in reading.marks}
    assert "could be the firing line as well" in reading.marks[-1].detail
    assert "42.3" in reading.marks[-1].detail


def test_weak_further_line_is_no_rival():
    """A hum at a quarter of the firing line's amplitude: no second track, no mark."""
    _, products, reading = read(replace(WITH_ORDERS, orders=(), fixed=((42.3, 1.0),)))
    assert "rival" not in products["track"].extra
    assert reading.marks == ()


def test_stronger_line_beyond_the_search_gives_way():
    """The strongest line of the room beyond +-8 % is not the firing line: the one inside is read."""
    capture, _, reading = read(replace(WITH_ORDERS, orders=(), fixed=((44.6, 7.0),)), rpm=600.0)
    assert reading.frequency_hz == pytest.approx(4.0 * capture.mean_speed_hz(), abs=0.02)
