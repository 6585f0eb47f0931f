"""Orders on real recordings: a beam at published frequencies, and a car whose firing order does not stand out."""

from pathlib import Path

import numpy as np
import pytest

from thrumline.pipeline.contracts import Aside, Block, ChannelSpec, Context, ReasonCode, SignalSpec
from thrumline.pipeline.contracts.units import STANDARD_GRAVITY
from thrumline.plugins.metric_firing_order import FiringOrder, FiringOrderSettings
from thrumline.plugins.orders_tracked import OrdersSettings, OrdersTracked
from thrumline.plugins.track_speed import TrackSettings, TrackSpeed

CAPTURES = Path(__file__).parents[3] / "shared" / "captures"
BEAM = CAPTURES / "beam_shaker"
CAR = CAPTURES / "car_on_road"


def read(values, rate_hz, facts, asides=(), start_s=0.0):
    specs = tuple(ChannelSpec(f"c{i}", "acceleration", "m s-2", "seat rail", "xyz"[i]) for i in range(len(values)))
    signal = SignalSpec(specs, uniform=True, rate_hz=rate_hz, duration_s=values.shape[-1] / rate_hz)
    facts = {"strokes": 2, "firing_order": None, "cylinders": None, "rpm": None, **facts}
    context = Context(signal, facts=facts, asides=tuple(asides))
    products = {}
    for stage in (TrackSpeed(TrackSettings()), OrdersTracked(OrdersSettings())):
        accumulator = stage.open(signal, context, products)
        accumulator.accumulate(Block(values, 0, 0, start_s, rate_hz))
        products[stage.makes] = accumulator.finish()
    return FiringOrder(FiringOrderSettings()).readings(products, context)[0]


def beam(name, rate_hz):
    found = sorted(BEAM.glob(name)) if BEAM.exists() else []
    if not found:
        pytest.skip("the beam's recordings are not beside the repository")
    return np.loadtxt(found[0], delimiter=",", skiprows=1)[:, 3][None] * STANDARD_GRAVITY, rate_hz


# source of the frequencies: P. Chowdhury, A. Downey, J. D. Bakos, P. Conrad, "Dataset-4-univariate-signal-with-
# nonstationarity", Apr. 2021, section DATASET: sines of 100, 120 and 150 Hz; amplitudes measured on the same files
@pytest.mark.external
@pytest.mark.parametrize(("hertz", "g"), [(100.0, 0.0440), (120.0, 0.0511), (150.0, 0.0835)])
def test_beam_reads_its_published_frequencies_at_both_rates(hertz, g):
    """Taken for a line of order 1 with 3 % of error in the nominal speed: within 0.05 Hz; the rates agree in 2 %."""
    found = []
    for name, rate in (("*1*32*", 1600.0), ("*1*16*", 3200.0)):
        reading = read(*beam(name, rate), {"cylinders": 1, "rpm": hertz * 60.0 * 1.03})
        assert reading.frequency_hz == pytest.approx(hertz, abs=0.05)
        assert reading.value == pytest.approx(1000.0 * g, rel=0.02)
        found.append(reading.value)
    assert found[0] == pytest.approx(found[1], rel=0.02)


def car():
    if not (CAR / "engine_speed.csv").exists():
        pytest.skip("the car's recording is not beside the repository")
    t = np.load(CAR / "imu_accelerometer" / "t")
    values = np.load(CAR / "imu_accelerometer" / "value").T
    engine = np.loadtxt(CAR / "engine_speed.csv", delimiter=",", skiprows=1)
    return values, (t.size - 1) / (t[-1] - t[0]), t[0], engine


@pytest.mark.parametrize("cylinders", [4, 6])
def test_car_on_the_road_has_no_firing_line_at_its_median_speed(cylinders):
    """955 to 2,544 rpm in a minute: whatever is near the nominal frequency is not a line that stays."""
    values, rate, start_s, engine = car()
    facts = {"cylinders": cylinders, "strokes": 4, "rpm": float(np.median(engine[:, 1]))}
    reading = read(np.ascontiguousarray(values), rate, facts, start_s=start_s)
    assert reading.value is None
    assert reading.absent.code is ReasonCode.NO_LINE


def test_car_with_its_own_engine_speed_says_why_there_is_no_reading():
    """Order 2 passes half the sampling rate: refused with a reason, not folded into a number."""
    values, rate, start_s, engine = car()
    speed = Aside("engine speed", "speed", "Hz", engine[:, 0], engine[:, 1] / 60.0)
    facts = {"cylinders": 4, "strokes": 4, "rpm": 1480.0}
    reading = read(np.ascontiguousarray(values), rate, facts, [speed], start_s)
    assert reading.value is None
    assert "no band fits" in reading.absent.detail


def test_car_without_cylinders_has_no_speed():
    values, rate, start_s, _ = car()
    assert read(np.ascontiguousarray(values), rate, {}, start_s=start_s).absent.code is ReasonCode.NO_SPEED
