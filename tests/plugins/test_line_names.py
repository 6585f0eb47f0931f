"""Names of lines for engines whose firing order is no whole number, and for all others: one rule, by the engine's cycle."""

import numpy as np
import pytest

from thrumline.pipeline.contracts import CaptureHead, ChannelHead, Clock, GroupHead
from thrumline.pipeline.execution.chain import run_chain
from thrumline.pipeline.execution.samples import CaptureSamples, HeldArray
from thrumline.pipeline.host import Host
from thrumline.pipeline.recipe import bind, load_recipe
from thrumline.pipeline.testing import IdleSpec, idle_capture

RPM, RATE_HZ = 700.0, 1000.0
ACCESSORY = 1.37


def read(cylinders, strokes):
    """An idle of that engine with the orders its cycle allows and one accessory; the table's rpm is 2 % off."""
    firing = cylinders * 2.0 / strokes
    asked = (0.5, 1.0, 1.5, 2.0, 2.0 * firing) if strokes == 4 else (1.0, 2.0, 2.0 * firing)
    orders = tuple((order, 1.0) for order in sorted(set(asked)) if abs(order - firing) > 0.01)
    spec = IdleSpec(
        duration_s=36.0, rate_hz=RATE_HZ, rpm=RPM, cylinders=cylinders, strokes=strokes, amplitude_mg=(4.0, 3.0, 6.0),
        orders=orders, accessories=((firing * ACCESSORY, 1.0),),
    )  # fmt: skip
    capture = idle_capture(spec, cylinders + strokes)
    axes = tuple(ChannelHead(a, "acceleration", "m/s2", "m s-2", 1.0, position="seat rail", axis=a) for a in "xyz")
    clock = Clock(uniform=True, start_s=0.0, rate_hz=RATE_HZ)
    head = CaptureHead(0, "test", (GroupHead("g", axes, clock, capture.acceleration.shape[1], "float64"),))
    samples = CaptureSamples(head, {"g_counts": HeldArray(capture.acceleration)}, ["acceleration"])
    facts = {"cylinders": cylinders, "strokes": strokes, "rpm": 1.02 * RPM, "firing_order": None, "start_s": None,
             "stop_s": None, "coupling": "", "noise_density": ()}  # fmt: skip
    outcome = run_chain(bind(load_recipe("idle"), {}, Host.discover().stages), samples, facts)
    named = {line.frequency_hz * 60.0 / RPM: line.name for line in outcome.products["lines"].lines}
    reading = next(r for r in outcome.readings if r.reading == "firing_order" and r.combination == "rss")
    return firing, orders, named, reading


ENGINES = [(1, 4), (2, 4), (3, 4), (5, 4), (6, 4), (12, 4), (2, 2), (3, 2), (5, 2)]


@pytest.mark.parametrize(("cylinders", "strokes"), ENGINES)
def test_engine_orders_are_called_so_and_the_accessory_is_not(cylinders, strokes):
    """Three and five cylinders fire at 1.5 and 2.5: half and whole orders about them keep their own names."""
    firing, orders, named, reading = read(cylinders, strokes)
    assert reading.line_name in (f"engine order {firing:g}", "assumed from nominal speed")
    assert reading.frequency_hz == pytest.approx(firing * RPM / 60.0, rel=0.01)
    for order, _ in orders:
        found = [name for at, name in named.items() if abs(at - order) < 0.02 * order]
        assert found, (order, named)
        assert set(found) == {f"engine order {order:g}"}
    beside = {name for at, name in named.items() if abs(at - ACCESSORY * firing) < 0.01 * firing}
    assert beside == {"undecided"}


@pytest.mark.parametrize("cylinders", [4, 5, 6])
def test_a_firing_order_with_further_orders_is_confirmed(cylinders):
    """From 25 Hz on nothing else fits: the name rests on the line itself, not on the table's speed."""
    firing, _, _, reading = read(cylinders, 4)
    assert reading.line_name == f"engine order {firing:g}"
    assert np.isfinite(reading.value)
