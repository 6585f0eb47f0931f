"""The zoom: amplitude and phase of tones, what it keeps out, the block rule, and a second route."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import signal

from thrumline.pipeline.kernels.zoom import Zoom, baseband, zoom_plan
from thrumline.pipeline.kernels.zoomed_runs import ZoomedRuns

RATE = 800.0
PLAN = zoom_plan(RATE, (40.0, 80.0), (5.0, 8.0))


def tone(frequency, amplitude=1.0, phase=0.0, n=8000):
    return amplitude * np.cos(2 * np.pi * frequency * np.arange(n) / RATE + phase)[None]


def instants(plan, n_out):
    return plan.delay_s + np.arange(n_out) * plan.hop / plan.rate_hz


@pytest.mark.parametrize(("band", "frequency"), [(0, 35.0), (0, 40.0), (0, 43.3), (0, 45.0), (1, 72.0), (1, 88.0)])
def test_tone_in_the_band_keeps_amplitude_and_phase(band, frequency):
    """A cos(2 pi f t + p) becomes A exp(j (2 pi (f - centre) t + p)) anywhere in the pass band."""
    out = baseband(PLAN, tone(frequency, 3.0, 0.7))[band, 0]
    t = instants(PLAN, out.size)
    expected = 3.0 * np.exp(1j * (2 * np.pi * (frequency - PLAN.centers_hz[band]) * t + 0.7))
    assert np.max(np.abs(out - expected)) < 3.0 * 1e-4


@pytest.mark.parametrize("frequency", [0.5, 10.0, 25.0, 58.0, 120.0, 240.0, 399.0])
def test_what_would_fold_into_the_band_is_80_db_down(frequency):
    """Whatever survives from outside either lies beyond the pass band of the output or is gone."""
    out = baseband(PLAN, tone(frequency))[0, 0]
    spectrum = np.abs(np.fft.fft(out * np.hanning(out.size))) / np.hanning(out.size).sum()
    offset = np.abs(np.fft.fftfreq(out.size, 1 / PLAN.out_rate_hz))
    assert spectrum[offset <= 5.0].max() < 1e-4


def test_gravity_leaves_nothing():
    """A constant of 1 g vanishes to rounding: the filter has a zero at 0 Hz."""
    assert np.max(np.abs(baseband(PLAN, np.full((1, 4000), 9.80665)))) < 1e-12


def test_low_centres_keep_gravity_out_and_their_own_amplitude():
    """A 4 Hz line under 1 g: the transition ends before 0 Hz."""
    plan = zoom_plan(RATE, (4.0,), (1.8,))
    n = 24000
    values = 9.80665 + tone(4.5, 0.01, n=n)
    out = baseband(plan, values)[0, 0]
    assert np.max(np.abs(np.abs(out) - 0.01)) < 1e-5


@given(st.lists(st.integers(1, 900), min_size=1, max_size=12), st.integers(0, 2**31))
@settings(max_examples=25, deadline=None)
def test_cutting_the_input_anywhere_changes_nothing(lengths, seed):
    """The block rule, 1e-12 of the largest value."""
    values = np.random.default_rng(seed).standard_normal((2, sum(lengths)))
    whole = baseband(PLAN, values)
    zoom, parts, at = Zoom(PLAN, 2), [], 0
    for length in lengths:
        parts.append(zoom.push(values[:, at : at + length]))
        at += length
    together = np.concatenate(parts, axis=-1)
    assert together.shape == whole.shape
    assert np.all(np.abs(together - whole) <= 1e-12 * np.max(np.abs(whole), initial=1.0))


def test_number_of_outputs_is_as_announced():
    for n in (0, PLAN.length - 1, PLAN.length, PLAN.length + PLAN.hop, 5000):
        assert baseband(PLAN, np.zeros((1, n))).shape[-1] == PLAN.n_out(n)


def test_parts_on_the_grid_merge_to_the_whole():
    """Two workers, the second starting on the grid inside the first one's overlap; sums of hops included."""
    values = np.random.default_rng(7).standard_normal((3, 6000)) + 9.8
    whole = ZoomedRuns(PLAN, 3)
    whole.push(0, 0, values)
    start = 120 * PLAN.hop
    first, second = ZoomedRuns(PLAN, 3), ZoomedRuns(PLAN, 3)
    first.push(0, 0, values[:, : start + PLAN.length - PLAN.hop])
    second.push(0, start, values[:, start:])
    first.merge(second)
    a, b = whole.rest()[0][1], first.rest()[0][1]
    assert (a.first, a.start, a.stop) == (b.first, b.start, b.stop)
    for name in ("baseband", "hop_sum", "hop_square"):
        left, right = getattr(a, name), getattr(b, name)
        assert left.shape == right.shape
        assert np.max(np.abs(left - right)) <= 1e-12 * np.max(np.abs(left))


def test_sums_of_hops_are_those_of_the_samples():
    values = np.random.default_rng(8).standard_normal((1, 10 * PLAN.hop + 3))
    zoomed = ZoomedRuns(PLAN, 1)
    zoomed.push(0, 0, values[:, :17])
    zoomed.push(0, 17, values[:, 17:])
    rows = values[:, : 10 * PLAN.hop].reshape(1, 10, PLAN.hop)
    run = zoomed.rest()[0][1]
    assert np.allclose(run.hop_sum, rows.sum(-1), rtol=0, atol=1e-12)
    assert np.allclose(run.hop_square, (rows**2).sum(-1), rtol=1e-12)


def collected(zoomed):
    """Parts that were handed out and what was left, by their first frame."""
    return sorted((part for _, part in zoomed.ready() + zoomed.rest()), key=lambda part: part.first)


def test_parts_of_a_long_record_do_not_depend_on_the_cutting_or_the_workers():
    """Parts of 25 frames: from one push, from many, and from two workers, the same frames, sums and spans."""
    values = np.random.default_rng(9).standard_normal((2, 7000))
    at_once = ZoomedRuns(PLAN, 2, 25)
    at_once.push(0, 0, values)
    bit_by_bit, parts, at = ZoomedRuns(PLAN, 2, 25), [], 0
    for n in (500, 1, 2333, 40, 4126):
        bit_by_bit.push(0, at, values[:, at : at + n])
        parts += [part for _, part in bit_by_bit.ready()]
        at += n
    parts = sorted(parts + collected(bit_by_bit), key=lambda part: part.first)
    start = 110 * PLAN.hop
    one, other = ZoomedRuns(PLAN, 2, 25), ZoomedRuns(PLAN, 2, 25)
    one.push(0, 0, values[:, : start + PLAN.length - PLAN.hop])
    other.push(0, start, values[:, start:])
    early = [part for worker in (one, other) for _, part in worker.ready()]
    one.merge(other)
    merged = sorted(early + collected(one), key=lambda part: part.first)
    expected = collected(at_once)
    assert len(expected) > 4
    for found in (parts, merged):
        assert [(p.first, p.start, p.stop, p.n_out) for p in found] == [
            (p.first, p.start, p.stop, p.n_out) for p in expected
        ]
        for a, b in zip(found, expected, strict=True):
            assert np.allclose(a.baseband, b.baseband, rtol=0, atol=1e-12)
            shared = range(max(a.first_hop, b.first_hop), b.stop // PLAN.hop)
            for hop in shared:
                assert np.allclose(a.hop_sum[:, hop - a.first_hop], b.hop_sum[:, hop - b.first_hop], atol=1e-11)


def test_parts_follow_each_other_without_a_hole():
    values = np.random.default_rng(10).standard_normal((1, 7000))
    zoomed = ZoomedRuns(PLAN, 1, 25)
    zoomed.push(0, 0, values)
    parts = collected(zoomed)
    assert parts[0].start == 0
    assert parts[-1].stop == 7000
    assert [part.stop for part in parts[:-1]] == [part.start for part in parts[1:]]


@pytest.mark.external
def test_agrees_with_mixing_and_a_general_fir_routine():
    """Second route, scipy.signal: mix to 0 Hz, low-pass with the same taps, take every hop-th value."""
    values = np.random.default_rng(3).standard_normal((1, 6000))
    plan = zoom_plan(RATE, (60.0,), (6.0,))
    n = np.arange(values.shape[-1])
    mixed = values[0] * np.exp(-2j * np.pi * 60.0 * n / RATE)
    low = plan.taps[0] * np.exp(2j * np.pi * 60.0 / RATE * np.arange(plan.length))
    filtered = signal.lfilter(low[::-1], 1.0, mixed)[plan.length - 1 :: plan.hop]
    assert np.max(np.abs(filtered - baseband(plan, values)[0, 0])) < 1e-12


def test_band_beyond_the_rate_is_refused():
    with pytest.raises(ValueError, match="between 0 and half the rate"):
        zoom_plan(RATE, (398.0,), (5.0,))


def test_band_that_reaches_gravity_is_refused():
    with pytest.raises(ValueError, match="between 0 and half the rate"):
        zoom_plan(RATE, (4.0,), (4.0,))


def test_empty_band_is_refused():
    with pytest.raises(ValueError, match="must be > 0"):
        zoom_plan(RATE, (40.0,), (0.0,))


def test_part_off_the_grid_is_refused():
    with pytest.raises(ValueError, match="on the grid"):
        Zoom(PLAN, 1, first=PLAN.hop + 1)
