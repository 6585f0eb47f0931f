"""Names of lines for engines of 1 to 12 cylinders, two and four strokes: odd counts fire at half orders."""

import numpy as np
import pytest

from thrumline.pipeline.contracts import Block, ChannelSpec, Context, Fitness, SignalSpec, SpeedTrack
from thrumline.pipeline.kernels.order_bands import confirming_orders, firing_order
from thrumline.plugins.orders_tracked import OrdersSettings
from thrumline.plugins.peaks_lines import FindLines, LinesSettings
from thrumline.plugins.spectra_averaged import Spectrum, SpectrumSettings

RATE, SECONDS, SPEED_HZ = 800.0, 30.0, 10.03
AXES = tuple(ChannelSpec(a, "acceleration", "m s-2", "seat-rail", a) for a in "xyz")
SIGNAL = SignalSpec(AXES, True, RATE, SECONDS)
TIME = np.arange(round(RATE * SECONDS)) / RATE
ENGINES = [(cylinders, strokes) for strokes in (4, 2) for cylinders in range(1, 13)]


def named(orders, firing, strokes, *, source="line", ratios=None):
    """Name by order of the lines of a shaft at 10.03 revolutions a second, in noise."""
    tone = sum(size * np.cos(2 * np.pi * order * SPEED_HZ * TIME + order) for order, size in orders.items())
    noise = 0.01 * np.random.default_rng(6).standard_normal((3, TIME.size))
    gathered = Spectrum(SpectrumSettings()).open(SIGNAL, Context(SIGNAL), {})
    gathered.accumulate(Block(noise + np.array([1.0, 0.6, 0.3])[:, None] * tone, 0, 0, 0.0, RATE))
    at = np.arange(0, SECONDS, 0.25)
    ones = np.ones(at.size)
    track = SpeedTrack(at, SPEED_HZ * ones, ones, source, firing if source == "line" else None, ones, ones)
    products = {
        "spectra": gathered.finish(), "fitness": Fitness("fit", stretches=((0.0, SECONDS),)), "track": track,
    }  # fmt: skip
    stage = FindLines(LinesSettings(accessory_ratios=ratios or {}))
    lines = stage.derive(products, Context(SIGNAL, {"strokes": strokes})).lines
    return {min(orders, key=lambda k: abs(k * SPEED_HZ - line.frequency_hz)): line.name for line in lines}


@pytest.mark.parametrize(("cylinders", "strokes"), ENGINES)
def test_firing_line_twice_it_and_the_revolution_carry_their_own_orders(cylinders, strokes):
    """Also where the firing order is 1.5 or 2.5: its line is not taken for a half order of a neighbour's."""
    firing = firing_order(cylinders, strokes, None)
    orders = {firing: 1.0, 2 * firing: 0.3, 1.0: 0.2, 2.0: 0.2, 3.0: 0.1}
    assert named(orders, firing, strokes) == {order: f"engine order {order:g}" for order in orders}


@pytest.mark.parametrize(("cylinders", "strokes"), ENGINES)
def test_half_the_firing_order_is_an_engine_order_only_on_whole_cycles(cylinders, strokes):
    """Half of 1.5 is 0.75, and no engine turns so: the line stays undecided, and confirms nothing."""
    firing = firing_order(cylinders, strokes, None)
    step = 1.0 if strokes == 2 else 0.5
    half = 0.5 * firing
    found = named({firing: 1.0, half: 0.3}, firing, strokes, source="tachometer" if half < 0.5 else "logged")
    whole = abs(half / step - round(half / step)) < 1e-9
    assert found[half] == (f"engine order {half:g}" if whole else "undecided")


@pytest.mark.parametrize(("cylinders", "strokes"), ENGINES)
def test_orders_that_may_confirm_are_whole_cycles_and_not_the_firing_order(cylinders, strokes):
    firing, own = firing_order(cylinders, strokes, None), OrdersSettings()
    step = 1.0 if strokes == 2 else 0.5
    may = confirming_orders(firing, own.confirming_multiples, own.confirming_orders, strokes)
    assert firing not in may
    assert all((order / step).is_integer() for order in may)
    # a single cylinder has no order below its firing order, and only twice it is tried
    assert len(may) >= (2 if cylinders > 1 else 1)


@pytest.mark.parametrize(("cylinders", "strokes"), ENGINES)
def test_an_engine_order_is_not_called_after_an_accessory_of_nearly_its_ratio(cylinders, strokes):
    """Pulley ratios are known to a percent: the firing line stays the engine's beside a ratio 0.3 % off."""
    firing = firing_order(cylinders, strokes, None)
    found = named({firing: 1.0}, firing, strokes, source="tachometer", ratios={"pump": 1.003 * firing})
    assert found == {firing: f"engine order {firing:g}"}


@pytest.mark.parametrize(("cylinders", "strokes"), ENGINES)
def test_an_accessory_is_not_called_an_engine_order(cylinders, strokes):
    """A ratio an eighth of a turn above the firing order is 1.25 Hz away: some bins."""
    firing = firing_order(cylinders, strokes, None)
    ratio = firing + 0.125
    found = named({firing: 1.0, ratio: 0.3}, firing, strokes, source="tachometer", ratios={"pump": ratio})
    assert found == {firing: f"engine order {firing:g}", ratio: f"accessory order {ratio:.6g} (pump)"}
