"""Sound levels against IEC 61672-1: weighting tables, class 1 limits at the rate in use, tone bursts, calibrator practice."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from thrumline.pipeline.kernels.filter_fit import WeightedStream, filter_response
from thrumline.pipeline.kernels.sound import (
    TIME_CONSTANT_S,
    TimeWeighting,
    pole_frequencies,
    settling_s,
    sound_filter,
    sound_level,
    sound_weighting,
    summed_level,
)

pytestmark = pytest.mark.external

# Source: IEC 61672-1:2013, Table 3, from memory: nominal Hz, A dB, C dB, class 1 upper and lower limit dB
TABLE = [
    (10, -70.4, -14.3, 3.0, -np.inf), (12.5, -63.4, -11.2, 2.5, -np.inf), (16, -56.7, -8.5, 2.0, -4.0),
    (20, -50.5, -6.2, 2.0, -2.0), (25, -44.7, -4.4, 2.0, -1.5), (31.5, -39.4, -3.0, 1.5, -1.5),
    (40, -34.6, -2.0, 1.0, -1.0), (50, -30.2, -1.3, 1.0, -1.0), (63, -26.2, -0.8, 1.0, -1.0),
    (80, -22.5, -0.5, 1.0, -1.0), (100, -19.1, -0.3, 1.0, -1.0), (125, -16.1, -0.2, 1.0, -1.0),
    (160, -13.4, -0.1, 1.0, -1.0), (200, -10.9, 0.0, 1.0, -1.0), (250, -8.6, 0.0, 1.0, -1.0),
    (315, -6.6, 0.0, 1.0, -1.0), (400, -4.8, 0.0, 1.0, -1.0), (500, -3.2, 0.0, 1.0, -1.0),
    (630, -1.9, 0.0, 1.0, -1.0), (800, -0.8, 0.0, 1.0, -1.0), (1000, 0.0, 0.0, 0.7, -0.7),
    (1250, 0.6, 0.0, 1.0, -1.0), (1600, 1.0, -0.1, 1.0, -1.0), (2000, 1.2, -0.2, 1.0, -1.0),
    (2500, 1.3, -0.3, 1.0, -1.0), (3150, 1.2, -0.5, 1.0, -1.0), (4000, 1.0, -0.8, 1.0, -1.0),
    (5000, 0.5, -1.3, 1.5, -1.5), (6300, -0.1, -2.0, 1.5, -2.0), (8000, -1.1, -3.0, 1.5, -2.5),
    (10000, -2.5, -4.4, 2.0, -3.0), (12500, -4.3, -6.2, 2.0, -5.0), (16000, -6.6, -8.5, 2.5, -16.0),
    (20000, -9.3, -11.2, 3.0, -np.inf),
]  # fmt: skip
RATES = [1000, 2000, 8000, 22050, 44100, 48000, 51200, 192000]


def exact_hz(nominal):
    """The exact frequency of a nominal one: a power of ten by tenths (IEC 61260-1)."""
    return 10.0 ** (round(10 * np.log10(nominal)) / 10)


def in_db(response):
    return 20 * np.log10(np.abs(response))


@pytest.mark.parametrize("row", TABLE, ids=lambda row: f"{row[0]:g} Hz")
def test_the_analogue_response_rounds_to_the_standards_table(row):
    """A and C at every nominal frequency, to the tenth of a decibel the table prints (half a tenth of rounding)."""
    nominal, a, c, *_ = row
    assert in_db(sound_weighting(exact_hz(nominal), "A")) == pytest.approx(a, abs=0.0501)
    assert in_db(sound_weighting(exact_hz(nominal), "C")) == pytest.approx(c, abs=0.0501)


@pytest.mark.parametrize("fs", RATES)
@pytest.mark.parametrize("weighting", ["A", "C"])
def test_the_digital_filter_meets_class_1_at_the_rate_in_use(weighting, fs):
    """At every tabled frequency the rate lets through, and with three quarters of the tolerance left to the sensor."""
    design = sound_filter(weighting, fs)
    rows = [row for row in TABLE if exact_hz(row[0]) <= design.upper_hz]
    assert design.upper_hz == min(20000.0, 0.42 * fs)
    for nominal, a, c, upper, lower in rows:
        goal = sound_weighting(exact_hz(nominal), weighting)
        deviation = in_db(filter_response(design, exact_hz(nominal), fs)) - in_db(goal)
        assert lower / 4 <= deviation <= upper / 4, (nominal, a, c)


@pytest.mark.parametrize("fs", [1000, 2000, 8000, 16000, 32000])
def test_a_bilinear_filter_fails_class_1_where_the_fitted_one_does_not(fs):
    """The usual filter (scipy.signal.bilinear_zpk) bends the axis: over a limit near the top of the band."""
    f1, f2, f3, f4 = pole_frequencies()
    poles = -2 * np.pi * np.array([f1, f1, f2, f3, f4, f4])
    gain = 1 / np.abs(signal.freqs_zpk([0] * 4, poles, 1.0, [2 * np.pi * 1000])[1][0])
    bent = signal.zpk2sos(*signal.bilinear_zpk([0] * 4, poles, gain, fs))
    rows = [row for row in TABLE if exact_hz(row[0]) <= 0.42 * fs]
    found = in_db(signal.sosfreqz(bent, [exact_hz(row[0]) for row in rows], fs=fs)[1])
    assert any(not row[4] <= value - row[1] <= row[3] for row, value in zip(rows, found, strict=True))


def test_the_response_agrees_with_another_library():
    """scipy.signal.freqs_zpk of the same poles, normalised at 1 kHz."""
    f1, f2, f3, f4 = pole_frequencies()
    frequency = np.geomspace(1, 40000, 200)
    for weighting, poles, zeros in (("A", [f1, f1, f2, f3, f4, f4], 4), ("C", [f1, f1, f4, f4], 2)):
        at = 2 * np.pi * np.append(frequency, 1000.0)
        other = signal.freqs_zpk([0] * zeros, -2 * np.pi * np.array(poles), 1.0, at)[1]
        assert np.abs(sound_weighting(frequency, weighting)) == pytest.approx(np.abs(other[:-1] / other[-1]), rel=1e-12)


def test_the_digital_response_agrees_with_another_library():
    """scipy.signal.sosfreqz and freqz of the same sections and taps."""
    design, fs = sound_filter("A", 48000), 48000
    frequency = np.geomspace(10, 20000, 100)
    sections, taps = signal.sosfreqz(design.sos, frequency, fs=fs)[1], signal.freqz(design.numerator, 1, frequency, fs=fs)[1]
    assert filter_response(design, frequency, fs) == pytest.approx(sections * taps, rel=1e-9)


def test_the_pole_frequencies_are_the_ones_the_standard_prints():
    """Source: IEC 61672-1:2013, Annex E, from memory: 20.60, 107.7, 737.9 and 12 194 Hz."""
    assert pole_frequencies() == pytest.approx((20.60, 107.7, 737.9, 12194.0), abs=0.06 * np.array([1, 1, 1, 10]).max())


@pytest.mark.parametrize(("level", "pascal"), [(94.0, 1.0024), (114.0, 10.024), (0.0, 20e-6), (74.0, 0.10024)])
def test_a_calibrators_level_is_its_pressure(level, pascal):
    """Source: calibrator practice (IEC 60942): 94 dB is 1.0024 Pa rms, 114 dB ten times that."""
    assert sound_level(pascal**2) == pytest.approx(level, abs=0.0005)


def test_two_equal_sounds_are_three_decibels_more_than_one():
    """Source: energetic addition, common practice, no source: + 3.01 dB; a sound 10 dB lower adds 0.41 dB."""
    assert summed_level([60.0, 60.0]) == pytest.approx(63.01, abs=0.005)
    assert summed_level([60.0, 50.0]) == pytest.approx(60.41, abs=0.005)


# Source: IEC 61672-1:2013, Table 4, from memory: burst of 4 kHz, its greatest F or S level over the steady one, dB
BURSTS = [
    ("F", 1.0, 0.0), ("F", 0.5, -0.1), ("F", 0.2, -1.0), ("F", 0.1, -2.6), ("F", 0.05, -4.8), ("F", 0.02, -8.3),
    ("F", 0.01, -11.1), ("F", 0.005, -14.1), ("F", 0.002, -18.0), ("F", 0.001, -21.0), ("S", 1.0, -2.0),
    ("S", 0.5, -4.1), ("S", 0.2, -7.4), ("S", 0.1, -10.2), ("S", 0.05, -13.1), ("S", 0.02, -17.0),
]  # fmt: skip


@pytest.mark.parametrize(("speed", "seconds", "expected"), BURSTS)
def test_tone_bursts_reach_the_level_the_standard_tabulates(speed, seconds, expected):
    """Through the A filter and the time weighting, as a sound level meter is tested; the tightest limit is 0.5 dB."""
    fs = 48000
    n = round(seconds * fs)
    burst = np.concatenate([np.sin(2 * np.pi * 4000 * np.arange(n) / fs), np.zeros(100)])
    weighed = WeightedStream(sound_filter("A", fs), 1).push(burst[None])
    greatest = TimeWeighting(fs, TIME_CONSTANT_S[speed], 1).push(weighed**2).max()
    steady = 0.5 * np.abs(filter_response(sound_filter("A", fs), 4000.0, fs)) ** 2
    assert 10 * np.log10(greatest / steady) == pytest.approx(expected, abs=0.15)


@pytest.mark.parametrize(("speed", "db_per_s"), [("F", 34.7), ("S", 4.3)])
def test_a_sound_that_stops_decays_at_the_standards_rate(speed, db_per_s):
    """Source: IEC 61672-1:2013, clause 5.8, from memory: 34.7 dB/s for F and 4.3 dB/s for S."""
    fs = 8000
    squares = np.concatenate([np.ones(20 * fs), np.zeros(fs)])[None]
    averaged = 10 * np.log10(TimeWeighting(fs, TIME_CONSTANT_S[speed], 1).push(squares)[0, -fs:])
    assert (averaged[0] - averaged[-1]) * fs / (fs - 1) == pytest.approx(db_per_s, abs=0.05)


def test_a_filter_has_forgotten_its_start_after_the_stated_time():
    """A step of 100 Pa dies to under a part in 1e11 of itself within the settling time."""
    fs = 48000
    step = WeightedStream(sound_filter("A", fs), 1).push(np.full((1, fs), 100.0))
    assert np.abs(step[0, round(settling_s() * fs) :]).max() < 1e-9
