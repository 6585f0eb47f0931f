"""How often the screen is wrong: false events on calm idles, missed taps and slams, over many simulated captures.

Engine kinds, wander 0.1 to 1.5 %, modulation up to 6 %, floors from a good sensor's to a phone's, converters from
none to 4 mg a code. The default run takes a sample, the nightly one hundreds.
"""

from dataclasses import replace

import numpy as np
import pytest

from thrumline.pipeline.contracts import SpeedTrack
from thrumline.pipeline.testing import IdleSpec, Slam, example_of, idle_capture
from thrumline.plugins.screen_samples import ScreenSettings, ScreenStage
from thrumline.plugins.screen_stretches import StretchSettings, StretchStage

ENGINES = (
    IdleSpec(cylinders=4, rpm=700.0, orders=((1.0, 1.0), (4.0, 3.0), (6.0, 1.0)), accessories=((1.27, 1.5),)),
    IdleSpec(cylinders=6, rpm=650.0, orders=((0.5, 0.4), (1.5, 0.7), (6.0, 2.0)), fixed=((24.7, 1.0),)),
    IdleSpec(cylinders=8, rpm=600.0, orders=((2.0, 1.0), (8.0, 2.0), (12.0, 1.5))),
    IdleSpec(cylinders=3, rpm=850.0, orders=((0.5, 1.0), (3.0, 3.0), (1.0, 2.0))),
    IdleSpec(cylinders=1, strokes=2, rpm=1500.0),
)
FLOORS = (0.02, 0.05, 0.12, 0.4)
STEPS = (None, None, 0.0005, 0.0024, 0.0096, 0.02, 0.04)


def drawn(number, rng, floors=FLOORS):
    """One idle out of the population."""
    return replace(
        ENGINES[number % len(ENGINES)],
        wander=rng.uniform(0.001, 0.015),
        am=rng.uniform(0.0, 0.06),
        am_time_s=float(rng.choice([0.2, 0.4, 1.0])),
        rate_hz=float(rng.choice([200.0, 500.0, 800.0, 1600.0])),
        floor_mg_rthz=float(rng.choice(floors)),
        floor_corner_hz=float(rng.choice([0.0, 0.0, 20.0])),
        duration_s=float(rng.choice([32.0, 42.0, 90.0])),
        step=STEPS[rng.integers(len(STEPS))],
        amplitude_mg=tuple(rng.uniform(0.6, 15.0) * np.array([0.4, 0.3, 1.0])),
    )


def judged(spec, seed):
    """Fitness, and its codes but for what may be: folding, a planted event, and a wander that really is over 2 %.

    At 1.5 % one capture in a hundred wanders by more than 2 % in its own 30 s: that one is rightly unfit.
    """
    capture = idle_capture(spec, seed)
    example = example_of(capture, {}).after(ScreenStage(ScreenSettings()))
    at = np.arange(0.25, capture.time_s[-1], 0.5)
    level = np.interp(at, capture.time_s, capture.gain) * np.linalg.norm(capture.line().amplitude) / np.sqrt(2)
    track = SpeedTrack(at, capture.speed_at(at), np.ones(len(at)), "line", spec.order, level, 0.01 * np.ones(len(at)))
    fitness = StretchStage(StretchSettings()).derive({**example.products, "track": track}, example.context)
    hunts = np.std(capture.speed_hz) > 0.0195 * np.mean(capture.speed_hz)
    wrong = {str(reason.code) for reason in fitness.reasons} - {"aliased", "transient", *(["hunting"] if hunts else [])}
    return fitness, wrong


def false_events(n, seed):
    """Captures of calm idles that were cut, flagged (but for folding) or found unfit."""
    rng = np.random.default_rng(seed)
    wrong = []
    for number in range(n):
        spec = drawn(number, rng)
        fitness, codes = judged(spec, number)
        if fitness.cuts or codes:
            wrong.append((spec, fitness.reasons, fitness.cuts))
    return wrong


def found_share(n, seed, **event):
    """Share of captures in which exactly the planted event was cut and nothing else found."""
    rng = np.random.default_rng(seed)
    found = 0
    for number in range(n):
        spec = replace(drawn(number, rng, floors=FLOORS[:3]), duration_s=50.0)
        at_s = float(rng.uniform(20.0, 45.0))
        if "slam_mg" in event:
            spec = replace(spec, slam=Slam(at_s, event["slam_mg"], float(rng.uniform(0.3, 1.0))))
        else:
            ring_hz = spec.firing_hz if event["ring_hz"] == "line" else event["ring_hz"]
            spec = replace(
                spec, taps_s=(at_s,), tap_mg=event["tap_mg"], tap_ring_hz=ring_hz, tap_decay_s=event["decay_s"]
            )
        fitness, codes = judged(spec, number)
        cuts = [cut for cut in fitness.cuts if cut.start_s < at_s < cut.stop_s]
        found += len(cuts) == len(fitness.cuts) == 1 and not codes
    return found / n


EVENTS = [
    {"slam_mg": 30.0},
    {"slam_mg": 80.0},
    {"tap_mg": 40.0, "ring_hz": 85.0, "decay_s": 0.04},
    {"tap_mg": 50.0, "ring_hz": "line", "decay_s": 0.15},
]


def test_calm_idles_have_no_events():
    assert false_events(30, seed=101) == []


@pytest.mark.parametrize("event", EVENTS, ids=str)
def test_taps_and_slams_of_tens_of_milli_g_are_found(event):
    assert found_share(10, seed=202, **event) == 1.0


@pytest.mark.nightly
def test_hundreds_of_calm_idles_have_no_events():
    """At most one in two hundred would do; one was seen in 600, a wander that looks like a step of speed."""
    assert len(false_events(600, seed=303)) <= 3


@pytest.mark.nightly
@pytest.mark.parametrize("event", EVENTS, ids=str)
def test_of_hundreds_of_taps_and_slams_hardly_one_is_missed(event):
    assert found_share(150, seed=404, **event) >= 0.98
