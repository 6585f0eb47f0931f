"""Stage ``screen``: what it counts is what is there, in every channel, over gaps and cuts."""

import itertools
import tracemalloc
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from thrumline.pipeline.contracts import Block, ChainSchema, ChannelSpec, Context, SchemaError, SignalSpec
from thrumline.pipeline.contracts.signal import NativeCounts
from thrumline.pipeline.testing import differences
from thrumline.plugins.screen_samples import ScreenSettings, ScreenStage

RATE = 400.0


def signal_of(n_channel, full_scale=None, rate=RATE):
    axes = ("x", "y", "z")[:n_channel]
    channels = tuple(ChannelSpec(axis, "acceleration", "m s-2", "seat-rail", axis, full_scale) for axis in axes)
    return SignalSpec(channels, True, rate, None)


def screened(values, cuts=(), breaks=(), full_scale=None, parts=()):
    """Screen facts of samples cut into blocks at ``cuts``, with gaps at ``breaks``, merged at ``parts``."""
    signal = signal_of(len(values), full_scale)
    stage = ScreenStage(ScreenSettings())
    context = Context(signal, span_s=(0.0, values.shape[1] / RATE))
    edges = [0, *sorted(breaks), values.shape[1]]
    done = None
    accumulator = stage.open(signal, context, {})
    for run, (first, last) in enumerate(itertools.pairwise(edges)):
        inner = sorted({first, last, *(c for c in (*cuts, *parts) if first < c < last)})
        for a, b in itertools.pairwise(inner):
            if a in parts and a != first:
                done, accumulator = merged(done, accumulator), stage.open(signal, context, {})
            accumulator.accumulate(Block(values[:, a:b], run, a - first, a / RATE, RATE))
    return merged(done, accumulator).finish()


def merged(done, accumulator):
    if done is None:
        return accumulator
    done.merge(accumulator)
    return done


def some_samples(n=2600, seed=1):
    rng = np.random.default_rng(seed)
    values = np.round(rng.standard_normal((3, n)) * 4) / 8 + np.array([[0.2], [0.0], [9.8]])
    values[2, 700:760] = 12.5
    values[1, 300:420] = 0.125
    return values


def test_plain_statistics_are_those_of_all_samples():
    values = some_samples()
    facts = screened(values, breaks=(611, 1205))
    np.testing.assert_allclose(facts.mean, values.mean(axis=1), rtol=1e-12)
    np.testing.assert_allclose(facts.std, values.std(axis=1), rtol=1e-12)
    assert facts.greatest.tolist() == values.max(axis=1).tolist()
    assert facts.least.tolist() == values.min(axis=1).tolist()
    assert facts.n_samples == values.shape[1]
    assert facts.duration_s == pytest.approx(values.shape[1] / RATE)
    np.testing.assert_allclose(facts.extra["step"], 0.125, rtol=1e-12)


def test_clipped_and_stuck_are_counted_on_their_channels():
    facts = screened(some_samples(), full_scale=12.5)
    assert facts.n_clipped.tolist() == [0, 0, 60]
    assert facts.longest_clipped.tolist() == [0, 0, 60]
    assert facts.longest_stuck_s[1] >= 120 / RATE
    assert facts.longest_stuck_s[0] < 10 / RATE


@settings(max_examples=40, deadline=None)
@given(
    st.lists(st.integers(1, 2599), max_size=8),
    st.lists(st.sampled_from([50, 100, 700, 750, 1300]), max_size=2, unique=True),
)
def test_cutting_and_merging_anywhere_changes_nothing(cuts, parts):
    """Parts begin at multiples of the cell (50 samples here), inside the clipped and the stuck run too."""
    values = some_samples()
    assert not differences(screened(values), screened(values, cuts=cuts, parts=parts), 1e-12)


def test_a_gap_parts_cells_and_runs():
    values = some_samples()
    values[2] = 9.8 + 0.1 * np.sin(np.arange(2600))
    values[2, 100:104] = 12.5
    assert screened(values).n_clipped[2] == 4
    assert screened(values, breaks=(102,)).n_clipped[2] == 0
    facts = screened(values, breaks=(1010,))
    assert np.isnan(facts.extra["bands"]).any(axis=(0, 2)).sum() >= 2


def test_a_steady_sine_reads_its_level_in_every_cell_and_its_power_in_the_bands():
    """Peak A has level A / sqrt 2, and the bands' densities times their widths add up to A**2 / 2."""
    time = np.arange(4000) / RATE
    facts = screened(0.6 * np.cos(2 * np.pi * 40.0 * time)[None] + 9.8)
    np.testing.assert_allclose(facts.level, 0.6 / np.sqrt(2), rtol=1e-9)
    np.testing.assert_allclose(facts.peak, 0.6, rtol=1e-9)
    widths = facts.extra["band_high_hz"] - facts.extra["band_low_hz"]
    power = np.nansum(facts.extra["bands"][0, 5] * widths)
    assert power == pytest.approx(0.18, rel=1e-5)


def test_white_noise_reads_its_density_in_every_band():
    density = 2e-6
    noise = np.random.default_rng(3).standard_normal((1, 400_000)) * np.sqrt(density * RATE / 2)
    bands = np.nanmean(screened(noise).extra["bands"][0], axis=0)
    np.testing.assert_allclose(bands[1:-1], density, rtol=0.06)


@pytest.mark.external
def test_band_densities_agree_with_another_librarys_averaged_periodogram():
    """Oracle: scipy.signal.welch, same frames (periodic Hann, half overlap, mean removed)."""
    from scipy.signal import get_window, welch

    rng = np.random.default_rng(4)
    values = np.cumsum(rng.standard_normal(8000))[None] * 0.01
    facts = screened(values)
    frequency, density = welch(values[0], RATE, get_window("hann", 100), 100, 50, detrend="constant")
    ours = np.nanmean(facts.extra["bands"][0], axis=0)
    low = facts.extra["band_low_hz"]
    for band, hertz in enumerate(frequency[1:-1]):
        if hertz < 150:
            assert low[band] == pytest.approx(hertz - 2.0)
            assert ours[band] == pytest.approx(density[band + 1], rel=1e-5)


def test_instants_of_cells_follow_the_stamps():
    signal = replace(signal_of(1), uniform=False)
    times = 100.0 + np.arange(500) / RATE
    accumulator = ScreenStage(ScreenSettings()).open(signal, Context(signal, span_s=(100.0, 101.25)), {})
    accumulator.accumulate(Block(np.zeros((1, 500)), 0, 0, 100.0, RATE, times))
    facts = accumulator.finish()
    assert facts.level_time_s[0] == pytest.approx(times[:50].mean())
    assert facts.extra["cell_last_s"][0] == pytest.approx(times[49])


def test_a_record_of_hours_gets_longer_cells_instead_of_more():
    stage, signal = ScreenStage(ScreenSettings(most_cells=1000)), signal_of(3)
    length, hop = stage.grid(replace(signal, duration_s=36_000.0), Context(signal), {})
    assert (length, hop) == (14_400, 14_400)
    nine = replace(signal, duration_s=36_000.0, channels=signal.channels * 3)
    assert stage.grid(nine, Context(nine), {})[1] == 3 * 14_400


@pytest.mark.parametrize(
    ("channel", "found"),
    [(ChannelSpec("u", "voltage", "V"), "voltage in 'V'"), (ChannelSpec("a", "acceleration", "g"), "'g'")],
)
def test_other_quantities_and_units_are_refused_before_a_sample_is_read(channel, found):
    with pytest.raises(SchemaError, match="acceleration in m s-2") as caught:
        ScreenStage(ScreenSettings()).schema(ChainSchema(SignalSpec((channel,), True, None)))
    assert found in str(caught.value)
    assert "captures table" in str(caught.value)


def test_a_screen_after_the_choice_of_stretches_is_refused():
    with pytest.raises(SchemaError, match="whole capture"):
        ScreenStage(ScreenSettings()).schema(ChainSchema(signal_of(3), selected=True))


def test_the_schema_keeps_signal_unit_and_rate():
    before = ChainSchema(signal_of(3))
    after = ScreenStage(ScreenSettings()).schema(before)
    assert after.signal == before.signal
    assert after.products["screen"].unit == "m s-2"


def test_memory_held_is_a_small_share_of_the_samples_pushed():
    """What stays alive, not only what pickles: a view of a block's instants would hold all of them."""
    signal = replace(signal_of(3, rate=6400.0), duration_s=4000.0)
    accumulator = ScreenStage(ScreenSettings()).open(signal, Context(signal), {})
    block = np.random.default_rng(5).standard_normal((3, 64_000))
    accumulator.accumulate(Block(block, 0, 0, 0.0, 6400.0))
    tracemalloc.start()
    before = tracemalloc.get_traced_memory()[0]
    for number in range(1, 41):
        accumulator.accumulate(Block(block, 0, 64_000 * number, 10.0 * number, 6400.0))
    held = tracemalloc.get_traced_memory()[0] - before
    tracemalloc.stop()
    assert held < 0.1 * 40 * block.nbytes


def counted(counts, scale, offset, cuts=(), full_scale=None):
    """Screen facts of the same samples as counts with a scale and an offset per channel, cut into blocks."""
    signal = signal_of(len(counts), full_scale)
    scale, offset = np.array(scale)[:, None], np.array(offset)[:, None]
    accumulator = ScreenStage(ScreenSettings()).open(signal, Context(signal, span_s=(0.0, counts.shape[1] / RATE)), {})
    for a, b in itertools.pairwise(sorted({0, counts.shape[1], *cuts})):
        piece = counts[:, a:b]
        native = NativeCounts(piece, scale, offset)
        accumulator.accumulate(Block(piece * scale + offset, 0, a, a / RATE, RATE, native=native))
    return accumulator.finish()


@pytest.mark.parametrize("dtype", [np.int16, np.int32])
@pytest.mark.parametrize("cuts", [(), (7, 1311, 1312, 2000)])
def test_counts_and_values_say_the_same(dtype, cuts):
    """Whatever the scale, turned over and shifted scales included; bands are kept in single precision."""
    scale, offset = [0.004, -0.01, 0.0005], [0.0, 3.0, -9.8]
    counts = np.round(np.random.default_rng(5).standard_normal((3, 2600)) * 900).astype(dtype)
    counts[0, 200:260], counts[1, 900:980], counts[2, 1500:1900] = 3500, 3600, 77
    values = counts * np.array(scale)[:, None] + np.array(offset)[:, None]
    facts, wanted = counted(counts, scale, offset, cuts, full_scale=14.0), screened(values, full_scale=14.0)
    for name in ("n_clipped", "longest_clipped", "longest_stuck_s", "n_samples"):
        np.testing.assert_array_equal(getattr(facts, name), getattr(wanted, name))
    for name in ("mean", "std", "least", "greatest", "level", "peak", "level_time_s"):
        np.testing.assert_allclose(getattr(facts, name), getattr(wanted, name), rtol=1e-12, atol=1e-13)
    for name in ("n_equal", "at_greatest", "at_least"):
        np.testing.assert_array_equal(facts.extra[name], wanted.extra[name])
    np.testing.assert_allclose(facts.extra["step"], wanted.extra["step"], rtol=1e-10)
    np.testing.assert_allclose(facts.extra["bands"], wanted.extra["bands"], rtol=2e-4, atol=1e-8)
    assert counted(counts, scale, offset, cuts).n_clipped.tolist() == [60, 80, 0]
