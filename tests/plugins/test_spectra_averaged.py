"""Stages resample, spectrum and combine: schemas, segment length, products, refusals."""

import numpy as np
import pytest

from thrumline.pipeline.contracts import Block, ChainSchema, ChannelSpec, Context, Fitness, SchemaError, SignalSpec
from thrumline.plugins.axes_combined import Combine, CombineSettings
from thrumline.plugins.resample_uniform import Resample, ResampleSettings
from thrumline.plugins.spectra_averaged import Spectrum, SpectrumSettings, segment_length

AXES = tuple(ChannelSpec(a, "acceleration", "m s-2", "seat-rail", a) for a in "xyz")
BOLT = (ChannelSpec("b", "acceleration", "m s-2", "engine-side", "z"),)


def signal(rate=500.0, seconds=20.0, channels=AXES, uniform=True):
    return SignalSpec(channels, uniform, rate, seconds)


def tones(amplitudes, f=40.0, rate=500.0, seconds=20.0, phases=(0.1, 0.9, 2.0, 0.4)):
    t = np.arange(round(rate * seconds)) / rate
    return np.array([a * np.sin(2 * np.pi * f * t + p) for a, p in zip(amplitudes, phases)])


def spectra_of(values, spec, products=None, settings=None, cuts=()):
    accumulator = Spectrum(settings or SpectrumSettings()).open(spec, Context(spec), products or {})
    at = 0
    for part in np.split(values, sorted(cuts), axis=1):
        accumulator.accumulate(Block(part, 0, at, at / spec.rate_hz, spec.rate_hz))
        at += part.shape[1]
    return accumulator.finish()


@pytest.mark.parametrize(
    ("rate", "resolution", "shortest", "expected"),
    [
        (1000.0, 0.25, None, 4000),
        (1000.0, 0.25, 30.0, 4000),
        (1600.0, 0.25, 4.0, 6400),
        (200.0, 0.25, 1.0, 200),
        (200.0, 0.25, 0.995, 198),
        (1000.0, 0.25, 3.9, 3888),
    ],
)
def test_segment_takes_the_wanted_resolution_but_fits_the_shortest_stretch(rate, resolution, shortest, expected):
    assert segment_length(rate, resolution, shortest) == expected


@pytest.mark.parametrize("rate", [333.003, 104.264, 833.1, 1601.7])
def test_segment_at_odd_rates_is_even_and_at_least_as_fine_as_wanted(rate):
    length = segment_length(rate, 0.25, None)
    assert length % 2 == 0
    assert 0.24 < rate / length <= 0.25


def test_shortest_stretch_of_the_fitness_bounds_the_segment():
    fitness = Fitness("fit", stretches=((0.0, 8.0), (9.0, 11.5)))
    assert spectra_of(tones((1, 2, 3)), signal(), {"chosen": fitness}).segment_s <= 2.5


def test_stretch_too_short_for_any_spectrum_is_refused():
    with pytest.raises(SchemaError, match=r"stage spectrum: the shortest stretch; found 0\.02 s, 10 samples"):
        segment_length(500.0, 0.25, 0.02)


def test_product_says_what_it_is():
    spectra = spectra_of(tones((1, 2, 3)), signal(), cuts=(17, 3333))
    assert spectra.segment_s == 4.0
    assert spectra.overlap == 0.5
    assert spectra.n_segments == 9
    assert spectra.used_s == 20.0
    assert spectra.enbw_hz == pytest.approx(1.5 * 0.25)
    assert np.sqrt(spectra.auto[:, 160]) == pytest.approx([1, 2, 3], rel=1e-9)
    assert spectra.cross[1, 160] == pytest.approx(3 * np.exp(1.9j), rel=1e-9)


def test_cross_spectra_stay_within_a_position():
    spec = signal(channels=(*AXES[:2], *BOLT, AXES[2]))
    spectra = spectra_of(tones((1, 2, 3, 4)), spec)
    assert spectra.pairs == ((0, 1), (0, 3), (1, 3))


def test_single_precision_differs_in_the_seventh_digit_only():
    values = np.random.default_rng(1).standard_normal((3, 10_000))
    double = spectra_of(values, signal())
    single = spectra_of(values, signal(), settings=SpectrumSettings(precision="single"))
    assert single.auto[:, 2:] == pytest.approx(double.auto[:, 2:], rel=2e-6)
    assert np.any(single.auto != double.auto)


def test_uneven_clock_is_refused_before_a_sample_is_read():
    with pytest.raises(SchemaError, match=r"stage spectrum: field uniform .* put the stage resample before it"):
        Spectrum(SpectrumSettings()).schema(ChainSchema(signal(uniform=False)))


def test_resolution_beyond_the_rate_is_refused():
    with pytest.raises(SchemaError, match=r"resolution_hz; found 40 Hz; allowed: at most 31.25 Hz at a rate of 500 Hz"):
        Spectrum(SpectrumSettings(resolution_hz=40.0)).schema(ChainSchema(signal()))


def test_record_without_one_whole_segment_is_refused():
    stage = Spectrum(SpectrumSettings())
    accumulator = stage.open(signal(seconds=None), Context(signal()), {})
    accumulator.accumulate(Block(tones((1, 2, 3))[:, :300], 0, 0, 0.0, 500.0))
    with pytest.raises(SchemaError, match="a stretch as long as one segment; found none; allowed: at least 4 s"):
        accumulator.finish()


def test_unknown_window_is_refused_by_the_settings():
    with pytest.raises(ValueError, match="unknown window 'boxy'"):
        SpectrumSettings(window="boxy")
    assert SpectrumSettings(window=(0.5, 0.5)).window == (0.5, 0.5)


def test_combinations_of_three_four_twelve():
    """rss 13, mean 19/3, max 12; in phase the principal axis is the rss."""
    values = tones((3, 4, 12), phases=(0.5, 0.5, 0.5))
    combined = Combine(CombineSettings()).derive({"spectra": spectra_of(values, signal())}, Context(signal()))
    read = {name: spectrum[160] for (_, name), spectrum in combined.amplitude.items()}
    assert read == pytest.approx({"rss": 13.0, "mean": 19 / 3, "max": 12.0, "principal": 13.0}, rel=1e-9)


def test_positions_are_combined_apart_and_other_quantities_not_at_all():
    force = ChannelSpec("f", "force", "N", "engine-side", "z")
    spec = signal(channels=(*AXES, *BOLT, force))
    values = tones((3, 4, 12, 5, 100), phases=(0,) * 5)
    combined = Combine(CombineSettings()).derive({"spectra": spectra_of(values, spec)}, Context(spec))
    assert combined.amplitude["seat-rail", "rss"][160] == pytest.approx(13.0)
    assert combined.amplitude["engine-side", "rss"][160] == pytest.approx(5.0)


def test_peak_hold_spectra_have_no_principal_axis():
    """They keep no phase."""
    spectra = spectra_of(tones((3, 4, 12)), signal(), settings=SpectrumSettings(averaging="peak-hold"))
    combined = Combine(CombineSettings()).derive({"spectra": spectra}, Context(signal()))
    assert {name for _, name in combined.amplitude} == {"rss", "mean", "max"}


def test_combine_without_spectra_is_refused():
    with pytest.raises(SchemaError, match="stage combine: product spectra; found no product"):
        Combine(CombineSettings()).schema(ChainSchema(signal()))


def pushed(stage, spec, values, times=None, cuts=(), rate=500.0):
    flow = stage.open(spec, Context(spec))
    made, at = [], 0
    for part in np.split(values, sorted(cuts), axis=1):
        stop = at + part.shape[1]
        stamps = None if times is None else times[at:stop]
        made += flow.push(Block(part, 0, at, at / rate if stamps is None else float(stamps[0]), rate, stamps))
        at = stop
    return [*made, *flow.flush()]


def test_uniform_clock_passes_untouched():
    """The very same blocks."""
    stage = Resample(ResampleSettings())
    block = Block(tones((1, 2, 3)), 0, 0, 0.0, 500.0)
    flow = stage.open(signal(), Context(signal()))
    assert list(flow.push(block)) == [block]
    assert stage.halo_s(signal()) == 0.0
    assert stage.schema(ChainSchema(signal())).signal == signal()


def test_uneven_clock_comes_out_uniform_at_its_own_rate_with_its_lines():
    rng = np.random.default_rng(2)
    times = 100.0 + (np.arange(10_000) + rng.uniform(-0.2, 0.2, 10_000)) / 500.0
    values = np.array([np.sin(2 * np.pi * 40 * times), np.cos(2 * np.pi * 151.3 * times)])
    spec = signal(uniform=False, channels=AXES[:2])
    stage = Resample(ResampleSettings())
    blocks = pushed(stage, spec, values, times, cuts=(1000, 1001, 7000))
    joined = np.concatenate([b.values for b in blocks], axis=1)
    t = times[0] + np.arange(joined.shape[1]) / 500.0
    assert joined[:, 80:-80] == pytest.approx(
        np.array([np.sin(2 * np.pi * 40 * t), np.cos(2 * np.pi * 151.3 * t)])[:, 80:-80], abs=1e-4
    )
    assert stage.schema(ChainSchema(spec)).signal.uniform
    assert [b.first for b in blocks] == np.cumsum([0, *[b.n for b in blocks[:-1]]]).tolist()
    assert all(b.times_s is None for b in blocks)
    assert blocks[-1].start_s == pytest.approx(times[0] + blocks[-1].first / 500.0)


@pytest.mark.parametrize("uniform", [True, False])
def test_rate_asked_for_is_the_rate_that_comes_out(uniform):
    spec = signal(uniform=uniform)
    times = None if uniform else np.arange(10_000) / 500.0
    stage = Resample(ResampleSettings(rate_hz=200.0))
    blocks = pushed(stage, spec, tones((1, 2, 3)), times, cuts=(4000,))
    joined = np.concatenate([b.values for b in blocks], axis=1)
    t = np.arange(joined.shape[1]) / 200.0
    assert joined.shape[1] == 4000
    assert joined[1, 100:-100] == pytest.approx(2 * np.sin(2 * np.pi * 40 * t + 0.9)[100:-100], abs=1e-3)
    assert stage.schema(ChainSchema(spec)).signal.rate_hz == 200.0
    assert {b.rate_hz for b in blocks} == {200.0}


def test_new_run_starts_afresh():
    """What is left of the first run comes out before the second, each on its own clock."""
    flow = Resample(ResampleSettings(rate_hz=250.0)).open(signal(), Context(signal()))
    values = tones((1, 2, 3))
    made = [*flow.push(Block(values[:, :1000], 0, 0, 0.0, 500.0)), *flow.push(Block(values[:, 3000:4000], 1, 0, 6.0, 500.0))]
    made += flow.flush()
    for run, start in ((0, 0.0), (1, 6.0)):
        mine = [b for b in made if b.run == run]
        assert sum(b.n for b in mine) == 500
        assert mine[0].start_s == start


def test_unknown_rate_is_refused_when_the_pass_begins():
    spec = signal(rate=None, uniform=False)
    with pytest.raises(SchemaError, match=r"stage resample: field rate_hz .* give sample_rate_hz"):
        Resample(ResampleSettings()).open(spec, Context(spec))


@pytest.mark.parametrize("stage", [Spectrum(SpectrumSettings()), Resample(ResampleSettings()), Combine(CombineSettings())])
def test_no_stage_changes_unit_or_channels(stage):
    """The schema after it holds the channels before it, units included."""
    before = ChainSchema(signal())
    if stage.name == "combine":
        before = Spectrum(SpectrumSettings()).schema(before)
    after = stage.schema(before)
    assert after.signal.channels == before.signal.channels
    assert after.signal.duration_s == before.signal.duration_s
    assert set(after.products) >= set(before.products)
