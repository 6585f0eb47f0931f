"""The order spectrum: orders of a run-up on equal steps of angle, whatever the speed does and however it is cut."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from scipy import signal as sps
from scipy.interpolate import make_interp_spline

from thrumline.pipeline.contracts import (
    Block,
    ChainSchema,
    ChannelSpec,
    Context,
    Reason,
    ReasonCode,
    RecipeError,
    SchemaError,
    SignalSpec,
    SpeedTrack,
)
from thrumline.pipeline.host import Host
from thrumline.pipeline.recipe import bind, load_recipe
from thrumline.plugins.order_spectrum import OrderSpectrumSettings, OrderSpectrumStage

RATE = 1600.0
AXES = tuple(ChannelSpec(a, "acceleration", "m s-2", "seat rail", a) for a in "xy")
SECONDS = 30.0
SIGNAL = SignalSpec(AXES, uniform=True, rate_hz=RATE, duration_s=SECONDS)
CONTEXT = Context(SIGNAL, span_s=(0.0, SECONDS))
AT = np.arange(round(SECONDS * RATE)) / RATE


def sweep(first_hz, last_hz):
    """Turns at the samples of a speed that rises evenly, and a track of it at every quarter of a second."""
    turns = first_hz * AT + 0.5 * (last_hz - first_hz) / SECONDS * AT**2
    at = np.arange(0.125, SECONDS, 0.25)
    none = np.zeros(at.size)
    speed = first_hz + (last_hz - first_hz) / SECONDS * at
    return turns, SpeedTrack(at, speed, np.ones(at.size), "tachometer", None, none, none)


TRIPLED, TRACK = sweep(12.0, 36.0)
"""A run-up from 720 to 2,160 rpm."""


def motion(turns, orders):
    """Two axes, the second half the first, gravity on both."""
    wave = sum(peak * np.cos(2 * np.pi * order * turns + order) for order, peak in orders.items())
    return np.vstack([wave, 0.5 * wave]) + 9.8


def read(values, track=TRACK, cuts=(), stage=None, signal=SIGNAL):
    """The product, from blocks cut anywhere."""
    stage = stage or OrderSpectrumStage(OrderSpectrumSettings())
    accumulator = stage.open(signal, CONTEXT, {"track": track})
    edges = [0, *cuts, values.shape[1]]
    for first, stop in pairwise(edges):
        accumulator.accumulate(Block(values[:, first:stop], 0, first, first / RATE, RATE))
    return accumulator.finish()


def amplitude_at(found, order):
    return found.amplitude[:, np.flatnonzero(np.abs(found.orders - order) < 1e-9)[0]]


def test_orders_of_a_run_up_that_triples_its_speed_are_read_within_a_percent():
    """Closed form: 0.5, 1 and 2.5 of known peaks; in a spectrum over time each is smeared over an octave and a half."""
    found = read(motion(TRIPLED, {0.5: 0.2, 1.0: 0.5, 2.5: 1.5}))
    for order, peak in ((0.5, 0.2), (1.0, 0.5), (2.5, 1.5)):
        assert amplitude_at(found, order) == pytest.approx([peak, 0.5 * peak], rel=0.01)
    assert amplitude_at(found, 1.75) == pytest.approx([0.0, 0.0], abs=1e-3)


@pytest.mark.parametrize("phase", [0.0, 1.5, 3.0])
def test_orders_two_parts_in_the_revolutions_apart_are_two_lines(phase):
    """Hann at a distance of two cells is zero, at one cell a half: two lines of 1 read 1, and where the frames' phases
    differ the cell between them reads the root of two quarters, 3 dB below either.
    """
    found = read(motion(TRIPLED, {2.0: 1.0}) + motion(TRIPLED + phase / 13.0, {2.0 + 2 / 32: 1.0}))
    assert np.diff(found.orders) == pytest.approx(1 / 32)
    first, between, second = (amplitude_at(found, 2.0 + n / 32)[0] for n in (0, 1, 2))
    assert (first, second) == (pytest.approx(1.0, rel=0.01), pytest.approx(1.0, rel=0.01))
    assert between == pytest.approx(np.sqrt(0.5), rel=0.05)


def test_orders_four_parts_in_the_revolutions_apart_have_nothing_between_them():
    found = read(motion(TRIPLED, {2.0: 1.0, 2.0 + 4 / 32: 1.0}))
    first, between, second = (amplitude_at(found, 2.0 + n / 32)[0] for n in (0, 2, 4))
    assert (first, second) == (pytest.approx(1.0, rel=0.01), pytest.approx(1.0, rel=0.01))
    assert between < 0.01
    more = read(motion(TRIPLED, {2.0: 1.0}), stage=OrderSpectrumStage(OrderSpectrumSettings(revolutions=64)))
    assert np.diff(more.orders) == pytest.approx(1 / 64)


def test_cutting_the_blocks_anywhere_changes_nothing():
    rng = np.random.default_rng(5)
    values = motion(TRIPLED, {1.0: 0.5}) + rng.normal(0, 0.1, (2, AT.size))
    whole = read(values)
    for _ in range(5):
        cuts = sorted(rng.choice(AT.size, 7, replace=False))
        parts = read(values, cuts=cuts)
        assert np.allclose(parts.amplitude, whole.amplitude, rtol=1e-12, atol=0.0, equal_nan=True)
        assert (parts.count == whole.count).all()


def test_orders_the_rate_does_not_reach_are_no_numbers():
    """At 72 revolutions a second a quarter of 1.6 kHz is order 5.5: beyond it no frame tells, above all not a zero."""
    turns, track = sweep(60.0, 72.0)
    found = read(motion(turns, {2.0: 1.0}), track)
    assert amplitude_at(found, 2.0)[0] == pytest.approx(1.0, rel=0.01)
    known = np.isfinite(found.amplitude[0])
    assert found.orders[known].max() == pytest.approx(0.25 * RATE / 60.0, rel=0.03)
    assert found.count[~known].sum() == 0
    assert found.count[0] > found.count[known][-1]


def test_a_lost_speed_leaves_its_frames_out():
    """Two seconds without a speed in the middle of the run, and noise there that no frame may take in."""
    values = motion(TRIPLED, {2.0: 1.0})
    lost = (TRACK.time_s > 14.0) & (TRACK.time_s < 16.0)
    values[:, (AT > 14.1) & (AT < 15.9)] = 100.0
    speed = np.where(lost, np.nan, TRACK.speed_hz)
    none = np.zeros(speed.size)
    found = read(values, SpeedTrack(TRACK.time_s, speed, none + 1.0, "tachometer", None, none, none))
    assert amplitude_at(found, 2.0)[0] == pytest.approx(1.0, rel=0.01)
    assert amplitude_at(found, 3.0)[0] < 1e-2
    assert 0 < found.count[0] < read(motion(TRIPLED, {2.0: 1.0})).count[0]


def test_without_a_speed_the_spectrum_is_absent_with_the_reason():
    none = np.empty(0)
    reason = Reason(ReasonCode.NO_SPEED, "no tachometer, no line")
    found = read(motion(TRIPLED, {1.0: 1.0}), SpeedTrack(none, none, none, "none", None, none, none, reason))
    assert found.absent == reason
    assert found.amplitude.shape == (2, 0)


def test_a_stretch_of_too_few_revolutions_has_no_spectrum():
    values = motion(TRIPLED, {1.0: 1.0})[:, : round(1.5 * RATE)]
    found = read(values)
    assert found.absent.code == ReasonCode.NO_SPEED
    assert "32 revolutions" in found.absent.detail


def test_a_chain_without_a_track_is_refused_before_any_sample():
    with pytest.raises(SchemaError, match="'order_spectrum' needs the product 'track'"):
        OrderSpectrumStage(OrderSpectrumSettings()).schema(ChainSchema(SIGNAL))


def test_half_a_cycle_of_revolutions_is_refused():
    """Half orders would stand between cells."""
    with pytest.raises(RecipeError, match="33 revolutions are no whole engine cycles"):
        bind(load_recipe("run-up"), {"order_spectrum": {"revolutions": 33}}, Host.discover().stages)


def test_the_stage_changes_neither_unit_nor_rate_nor_length():
    schema = bind(load_recipe("run-up"), {}, Host.discover().stages).check(SIGNAL)
    assert schema.signal == SIGNAL
    assert schema.products["order_spectrum"].unit == "m s-2"


@pytest.mark.external
@pytest.mark.parametrize("order", [0.5, 2.0, 2.65625, 6.0])
def test_amplitudes_agree_with_scipys_spline_and_welch(order):
    """Source: scipy.interpolate.make_interp_spline (k=5) and scipy.signal.welch (Hann, scaling 'spectrum') over the
    whole run on the angle; within 1 %.
    """
    values = motion(TRIPLED, {order: 0.7}) + np.random.default_rng(3).normal(0, 0.02, (2, AT.size))
    per_revolution = 64
    angles = np.arange(0, int(TRIPLED[-1] * per_revolution)) / per_revolution
    instants = (-12.0 + np.sqrt(12.0**2 + 4 * 0.4 * angles)) / (2 * 0.4)
    on_angle = make_interp_spline(AT, values[0], k=5)(instants)
    orders, power = sps.welch(on_angle, per_revolution, nperseg=32 * per_revolution, scaling="spectrum")
    theirs = np.sqrt(2.0 * power[np.flatnonzero(np.isclose(orders, order))[0]])
    assert amplitude_at(read(values), order)[0] == pytest.approx(theirs, rel=0.01)
