"""The firing line of a run-up, found between the speeds it began and ended with, and refused where it is not there."""

import numpy as np
import pytest

from thrumline.pipeline.contracts import Block, ChannelSpec, Context, ReasonCode, SettingsError, SignalSpec
from thrumline.pipeline.testing import IdleSpec, idle_capture
from thrumline.plugins.track_speed import TrackSettings, TrackSpeed

AXES = tuple(ChannelSpec(a, "acceleration", "m s-2", "seat rail", a) for a in "xyz")
FLOOR_MG = 0.1
BASE = {
    "duration_s": 20.0, "rate_hz": 1000.0, "rpm": 1000.0, "run_to_rpm": 5000.0, "cylinders": 4, "wander": 0.004,
    "amplitude_mg": (5.0, 5.0, 5.0), "floor_mg_rthz": FLOOR_MG, "orders": ((1.5, 0.5), (1.0, 0.8)),
}  # fmt: skip


def followed(capture, cylinders, sweep_rpm, duration_s=20.0):
    """The track without any speed but the two ends."""
    signal = SignalSpec(AXES, uniform=True, rate_hz=1000.0, duration_s=duration_s)
    facts = {"cylinders": cylinders, "strokes": 4, "rpm": None, "firing_order": None}
    stage = TrackSpeed(TrackSettings(sweep_rpm=sweep_rpm))
    opened = stage.open(signal, Context(signal, facts=facts, span_s=(0.0, duration_s)), {})
    opened.accumulate(Block(capture.acceleration, start_s=0.0, rate_hz=1000.0, run=0, first=0))
    return opened.finish()


def simulated(seed, **changes):
    return idle_capture(IdleSpec(**{**BASE, **changes}), seed)


def errors(capture, track):
    return track.speed_hz / capture.speed_at(track.time_s) - 1.0


def drawn(seed):
    """3, 4 or 6 cylinders, 20 to 40 dB, half of them up, half with an accessory up to half as large."""
    rng = np.random.default_rng(seed)
    cylinders = int(rng.choice([3, 4, 6]))
    ends = (1000.0, 5000.0) if seed % 4 < 2 else (4500.0, 900.0) if seed % 4 == 3 else (5000.0, 1000.0)
    rss = np.sqrt(6.0 * FLOOR_MG**2 * 10.0 ** (rng.choice([20.0, 30.0, 40.0]) / 10.0))
    shape = rng.uniform(0.3, 1.0, 3)
    shape /= np.sqrt(np.sum(shape**2))
    ratio = 0.5 * cylinders * (1.0 + rng.choice([-1, 1]) * rng.uniform(0.05, 0.3))
    beside = ((ratio, rss * shape.max() * rng.uniform(0.1, 0.5)),) if seed % 2 else ()
    orders = ((0.5, 0.1 * rss), (1.0, 0.2 * rss), (float(cylinders), 0.3 * rss))
    capture = simulated(
        seed, rpm=ends[0], run_to_rpm=ends[1], cylinders=cylinders, amplitude_mg=tuple(rss * shape),
        accessories=beside, orders=orders,
    )  # fmt: skip
    return capture, followed(capture, cylinders, ends)


def assert_right(capture, track, rms=0.01):
    """Within 1 % rms over the whole, ends included, and 3 % off for no more than 4 % of the time, 10 % nowhere."""
    assert track.reason is None
    assert track.source == "line"
    off = errors(capture, track)
    assert np.isfinite(off).mean() > 0.93
    assert np.sqrt(np.nanmean(off**2)) < rms
    assert np.nanmean(np.abs(off) > 0.03) < 0.04
    assert np.nanmax(np.abs(off)) < 0.1


@pytest.mark.parametrize("seed", range(8))
def test_a_sweep_is_followed_from_its_two_ends_alone(seed):
    assert_right(*drawn(seed))


@pytest.mark.nightly
@pytest.mark.parametrize("seed", range(100, 180))
def test_no_sweep_of_many_is_followed_wrongly(seed):
    """It may be refused, but a speed that is told is right."""
    capture, track = drawn(seed)
    if track.reason is None:
        assert_right(capture, track)


def test_a_stronger_order_is_not_followed_for_part_of_the_way():
    """Twice the firing order at 1.6 times its amplitude, half orders at 0.6 and 0.8 of it: right, or refused."""
    told = 0
    for seed in range(4):
        capture = simulated(seed, orders=((4.0, 8.0), (0.5, 3.0), (2.5, 4.0)))
        track = followed(capture, 4, (1000.0, 5000.0))
        if track.reason is None:
            assert_right(capture, track)
            told += 1
    assert told >= 2


def test_lines_that_stand_still_are_no_way_across_the_sweep():
    """Mains hum as strong as the line, in its way."""
    capture = simulated(5, fixed=((75.0, 5.0), (120.0, 3.0)))
    assert_right(capture, followed(capture, 4, (1000.0, 5000.0)))


def test_a_sweep_that_is_quick_is_followed_as_well():
    """Its first and last frame are a tenth of the way: 2 % rms with them."""
    capture = simulated(6, duration_s=6.0)
    assert_right(capture, followed(capture, 4, (1000.0, 5000.0), 6.0), rms=0.02)


@pytest.mark.parametrize(
    ("changes", "told"),
    [
        ({"amplitude_mg": (0.0, 0.0, 0.0), "orders": ()}, (1000.0, 5000.0)),
        ({"amplitude_mg": (0.0, 0.0, 0.0), "orders": (), "fixed": ((75.0, 5.0), (120.0, 3.0))}, (1000.0, 5000.0)),
        ({"run_to_rpm": None}, (1000.0, 5000.0)),
        ({}, (700.0, 3000.0)),
        ({}, (5000.0, 1000.0)),
    ],
    ids=["no line", "fixed lines only", "no sweep", "ends of another sweep", "the other way"],
)
@pytest.mark.parametrize("seed", range(3))
def test_what_is_no_such_sweep_is_refused_with_figures(changes, told, seed):
    track = followed(simulated(seed, **changes), 4, told)
    assert track.source == "none"
    assert track.reason.code == ReasonCode.NO_LINE
    assert "Hz without being lost" in track.reason.detail
    assert not np.isfinite(track.speed_hz).any()


@pytest.mark.parametrize("told", [(0.0, 3000.0), (1000.0, 1200.0), (-1.0, 500.0)])
def test_two_speeds_that_make_no_sweep_are_refused_before_any_sample(told):
    with pytest.raises(SettingsError, match="sweep_rpm"):
        followed(simulated(0, duration_s=4.0), 4, told, 4.0)
