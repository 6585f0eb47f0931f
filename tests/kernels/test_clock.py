"""Clocks: rate, gaps, uniform or not, from stamps as loggers write them."""

import dataclasses

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from thrumline.pipeline.kernels.clock import ClockGauge, clock_fit


def jittery(n, seed=1):
    """A software-timed logger: whole milliseconds, 3 ms apart on the whole, some reads late."""
    rng = np.random.default_rng(seed)
    ideal = np.arange(n) * 1000 / 333
    late = np.where(rng.random(n) < 0.2, rng.uniform(0, 2.2, n), 0.0)
    return np.floor(ideal + late).astype(np.int64)


def test_uniform_stamps_give_rate_and_start():
    fit = clock_fit(-3.5 + np.arange(5000) / 800.0)
    assert fit.rate_hz == pytest.approx(800.0, rel=1e-12)
    assert fit.uniform
    assert fit.steady
    assert fit.start_s == -3.5
    assert fit.gaps == ()
    assert fit.duration_s == pytest.approx(5000 / 800.0, rel=1e-9)


def test_stamps_rounded_to_six_decimals_are_uniform():
    """3200 Hz in whole microseconds: steps alternate 312 and 313 and mean one grid."""
    fit = clock_fit(np.round(np.arange(60_000) / 3200.0, 6))
    assert fit.uniform
    assert fit.rate_hz == 3200.0
    assert fit.resolution_s == pytest.approx(1e-6)


def test_whole_milliseconds_of_a_333_hertz_grid_are_uniform_and_late_reads_are_not():
    """Truncation alone fits a grid within its own resolution; reads that come late do not, yet the rate is steady."""
    cut = clock_fit(np.floor(np.arange(10_000) * 1000 / 333).astype(np.int64), tick_s=1e-3)
    late = clock_fit(jittery(10_000), tick_s=1e-3)
    assert cut.uniform
    assert not late.uniform
    assert late.steady
    assert late.gaps == ()
    for fit in (cut, late):
        assert fit.rate_hz == pytest.approx(333.0, abs=5 * max(fit.rate_std_hz, 1e-4))


def test_coarse_stamps_repeat_and_still_tell_the_rate():
    """3200 Hz under whole-millisecond stamps: two thirds repeat, the rate is right to 1e-5."""
    fit = clock_fit(np.floor(np.arange(30_000) / 3.2).astype(np.int64), tick_s=1e-3)
    assert fit.uniform
    assert fit.rate_hz == pytest.approx(3200.0, rel=1e-5)
    assert fit.n_repeated == 30_000 - 9375


def test_stamps_too_coarse_for_the_record_are_not_called_uniform():
    """Whole seconds over ten seconds say nothing of a 200 Hz clock."""
    assert not clock_fit(np.floor(np.arange(2000) / 200.0).astype(np.int64), tick_s=1.0).uniform


@pytest.mark.parametrize("lost", [1, 3, 2000])
def test_lost_samples_are_one_gap_and_leave_the_rate_alone(lost):
    stamps = np.delete(np.arange(30_000) / 1000.0, np.arange(12_000, 12_000 + lost))
    fit = clock_fit(stamps)
    assert np.array(fit.gaps) == pytest.approx(np.array([(11.999, 12.0 + lost / 1000.0)]))
    assert fit.gap_at == (12_000,)
    assert fit.rate_hz == pytest.approx(1000.0, rel=1e-9)
    assert fit.uniform
    assert fit.duration_s == pytest.approx((30_000 - lost) / 1000.0, rel=1e-6)


def test_gaps_of_a_jittery_clock_are_found_and_jitter_is_not_called_one():
    """Holes of 12 to 16 ms among steps of 1 to 6 ms."""
    stamps = jittery(4000)
    holes = np.arange(200, 4000, 500)
    for hole in holes:
        stamps[hole:] += 11
    fit = clock_fit(stamps, tick_s=1e-3)
    assert fit.gap_at == tuple(holes)
    assert fit.rate_hz == pytest.approx(333.0, rel=1e-3)


def test_dropped_sample_under_whole_millisecond_stamps_is_a_gap():
    """333 Hz: steps of 3 and 4 ms, a lost sample makes 6 or 7."""
    stamps = np.floor(np.arange(5000) * 1000 / 333).astype(np.int64)
    assert clock_fit(np.delete(stamps, 1700), tick_s=1e-3).gap_at == (1700,)


def test_backward_and_repeated_stamps_are_counted():
    stamps = np.arange(1000) / 100.0
    stamps[500] = stamps[499]
    stamps[700] -= 0.03
    fit = clock_fit(stamps)
    assert (fit.n_repeated, fit.n_backward) == (1, 1)
    assert not fit.uniform
    assert not fit.steady
    assert fit.rate_hz == pytest.approx(100.0, rel=1e-4)


def test_epoch_milliseconds_keep_their_resolution():
    """1.7e12 ms as integers lose nothing; as float seconds they are still a grid."""
    ticks = 1_700_000_000_000 + np.arange(30_000)
    whole, as_float = clock_fit(ticks, tick_s=1e-3), clock_fit(ticks / 1000.0)
    for fit in (whole, as_float):
        assert fit.uniform
        assert fit.rate_hz == pytest.approx(1000.0, rel=1e-9)


def test_drift_of_the_rate_is_not_uniform():
    """A clock that gains 100 ppm over the record leaves any grid by many samples."""
    t = np.arange(30_000) / 1000.0
    assert not clock_fit(t * (1 + 1e-4 * t / 30.0)).uniform


def test_stated_rate_uncertainty_covers_the_error():
    """White jitter of 0.1 ms on 1000 Hz: normalised errors of 200 clocks have a standard deviation of 1."""
    rng = np.random.default_rng(2)
    errors = []
    for _ in range(200):
        fit = clock_fit(np.arange(3000) / 1000.0 + 1e-4 * rng.standard_normal(3000))
        errors.append((fit.rate_hz - 1000.0) / fit.rate_std_hz)
    assert 0.85 < np.std(errors) < 1.15


@settings(deadline=None, max_examples=15)
@given(cuts=st.lists(st.integers(1, 9999), max_size=8))
def test_pushing_in_any_portions_gives_the_same_figures(cuts):
    stamps = np.delete(jittery(10_020), np.arange(6000, 6020))
    gauge = ClockGauge(1e-3)
    for part in np.split(stamps, sorted(cuts)):
        gauge.push(part)
    assert gauge.fit() == clock_fit(stamps, 1e-3)


@pytest.mark.parametrize("cut", [1, 777, 4096, 5000, 9999])
def test_two_workers_find_what_one_finds(cut):
    """Rate and figures to rounding, gaps exactly, wherever the column is cut."""
    stamps = np.delete(jittery(10_020), np.arange(6000, 6020))
    first, second = ClockGauge(1e-3), ClockGauge(1e-3)
    first.push(stamps[:cut])
    second.push(stamps[cut:])
    first.merge(second)
    one, other = clock_fit(stamps, 1e-3), first.fit()
    assert np.array(other.gaps) == pytest.approx(np.array(one.gaps))
    assert other.gap_at == one.gap_at
    for name, rel in (("rate_hz", 1e-9), ("start_s", 1e-12), ("stop_s", 1e-12), ("jitter_s", 1e-9), ("rate_std_hz", 1e-9)):
        assert getattr(other, name) == pytest.approx(getattr(one, name), rel=rel), name
    assert (other.n, other.n_repeated, other.uniform) == (one.n, one.n_repeated, one.uniform)


def test_memory_stays_small():
    """A million stamps leave some 250 pieces."""
    gauge = ClockGauge()
    gauge.push(np.arange(1_000_000) / 1000.0)
    assert len(gauge._pieces) < 300


@pytest.mark.parametrize(
    ("stamps", "message"),
    [
        ([1.0], "at least 2 stamps, found 1"),
        ([1.0, 1.0, 1.0], "none of the 3 stamps advances"),
        ([0.0, 1.0, np.nan, 2.0], "stamp 2 is not finite"),
        ([3.0, 2.0, 1.0, 1.5, 0.0], "do not advance on the whole"),
    ],
)
def test_columns_that_are_no_clock_are_refused(stamps, message):
    with pytest.raises(ValueError, match=message):
        clock_fit(np.array(stamps))


def test_a_fit_is_a_plain_record():
    assert {f.name for f in dataclasses.fields(clock_fit(np.arange(10.0)))} >= {"rate_hz", "gaps", "uniform"}


def test_jitter_of_a_long_record_is_not_rounding():
    """Three hours at 100 Hz: a grid has no jitter, and 10 microseconds of it are seen as such."""
    t = np.arange(1_000_000) / 100.0
    assert clock_fit(t).jitter_s < 1e-9
    shaken = clock_fit(t + 1e-5 * np.random.default_rng(5).standard_normal(t.size))
    assert shaken.jitter_s == pytest.approx(1e-5, rel=0.01)
