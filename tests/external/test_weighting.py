"""Human weighting against ISO 2631-1: the table of factors, the filters at the rate in use, closed forms."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from scipy import signal

from thrumline.pipeline.contracts import Block, ChannelSpec, Context, SignalSpec
from thrumline.pipeline.kernels.filter_fit import WeightedStream
from thrumline.pipeline.kernels.weighting import (
    ExposureGauge,
    analogue_response,
    weighting_filter,
)
from thrumline.plugins.weighting_human import (
    CAUTION,
    ExposureMetric,
    ExposureSettings,
    WeightedSettings,
    WeightedStage,
)

pytestmark = pytest.mark.external
WBV = json.loads((Path(__file__).parent / "reference_values.json").read_text())["wbv"]
# Source of the factors: ISO 2631-1:1997 Table 3 (Wk, Wd, Wf) and Table 4 (Wc)


def table_rows():
    """(weighting, nominal Hz, factor x 1000) of every printed entry, the one known slip (Wd at 10 Hz) left out."""
    return [
        (name, row["nominal_Hz"], row["factor_x1000"])
        for name, rows in WBV["table"].items()
        for row in rows
        if row["factor_x1000"] and not (name == "Wd" and row["nominal_Hz"] == 10)
    ]


def test_the_table_is_there():
    """A check that cannot fail would be one over no rows."""
    assert len(table_rows()) > 100


@pytest.mark.parametrize("weighting", ["Wk", "Wd", "Wc", "Wf"])
def test_analogue_response_gives_the_standards_table(weighting):
    """Every factor at its nominal frequency within 1 % (the table is rounded to three digits)."""
    for name, nominal, factor in table_rows():
        if name == weighting:
            assert abs(analogue_response(nominal, name)) * 1000 == pytest.approx(factor, rel=0.01), nominal


@pytest.mark.parametrize("fs", [200, 250, 400, 500, 1000, 1600, 6400, 51200])
@pytest.mark.parametrize("weighting", ["Wk", "Wd", "Wc"])
def test_digital_filter_keeps_to_the_table_at_the_rate_in_use(weighting, fs):
    """Within 1 % over 0.5 to 80 Hz at every rate (a bilinear filter is 14 % off at 80 Hz and 500 Hz)."""
    design = weighting_filter(weighting, fs)
    frequency = np.geomspace(0.5, 80.0, 200)
    _, recursive = signal.sosfreqz(design.sos, 2 * np.pi * frequency / fs)
    taps = np.exp(-2j * np.pi * np.outer(frequency, np.arange(len(design.numerator))) / fs) @ design.numerator
    ratio = np.abs(recursive * taps) / np.abs(analogue_response(frequency, weighting))
    assert np.max(np.abs(ratio - 1)) < 0.01


def test_plain_bilinear_filter_would_fail_this_check():
    """REFERENCE: -13.9 % for Wk at 80 Hz and 500 Hz sampling, the reason for the fitted numerator."""
    from thrumline.pipeline.kernels.weighting import _analogue_zpk

    zeros, poles, gain = _analogue_zpk("Wk")
    b, a = signal.bilinear(*signal.zpk2tf(zeros, poles, gain), fs=500)
    _, response = signal.freqz(b, a, 2 * np.pi * np.array([40.0, 63.0, 80.0]) / 500)
    found = 100 * (np.abs(response) / np.abs(analogue_response([40.0, 63.0, 80.0], "Wk")) - 1)
    assert found == pytest.approx([-2.3, -6.9, -13.9], abs=0.15)


def test_five_milli_g_at_40_hz_weighs_what_the_standard_says():
    """Wk(40 Hz) = 0.31440: 5 milli-g rms -> 0.049033 m/s2 -> 0.015416 m/s2 (derived from Table A.1)."""
    assert 5 * 9.80665e-3 * abs(analogue_response(40.0, "Wk")) == pytest.approx(0.015416, rel=1e-4)


def weighed(values, fs, **settings):
    """Run both stages over one run of z samples and return the readings by name (rss)."""
    spec = SignalSpec((ChannelSpec("z", "acceleration", "m s-2", axis="z"),), True, fs, values.size / fs)
    context = Context(spec)
    work = WeightedStage(WeightedSettings(**settings)).open(spec, context, {})
    for start in range(0, values.size, 4096):
        work.accumulate(Block(values[None, start : start + 4096], 0, start, start / fs, fs))
    readings = ExposureMetric(ExposureSettings()).readings({"exposure_sums": work.finish()}, context)
    return {r.reading: r for r in readings if r.combination == "rss"}


def test_steady_sine_gives_rms_mtvv_and_dose_of_the_closed_forms():
    """Sine of weighted peak A: rms A/sqrt 2, MTVV the same, VDV = (3/8)^(1/4) A T^(1/4)."""
    fs, n = 1000.0, 60_000
    values = 0.2 * np.sin(2 * np.pi * 40.0 * np.arange(n) / fs)
    found = weighed(values, fs, settle_s=5.0)
    peak = 0.2 * abs(analogue_response(40.0, "Wk"))
    assert found["weighted_rms"].value == pytest.approx(peak / np.sqrt(2), rel=0.002)
    assert found["mtvv"].value == pytest.approx(peak / np.sqrt(2), rel=0.002)
    assert found["vdv"].value == pytest.approx(0.7825423 * peak * 55.0**0.25, rel=0.002)
    assert found["weighted_rms"].extra["crest_factor"] == pytest.approx(np.sqrt(2), rel=0.002)
    assert found["weighted_rms"].extra["basic_method_is_enough"]
    assert not found["weighted_rms"].extra["report_extra_measures"]


def test_gaussian_noise_dose_is_the_closed_form():
    """Gaussian weighted signal: VDV = 3^(1/4) rms T^(1/4) = 1.316074 rms T^(1/4)."""
    gauge = ExposureGauge(1000.0, 1)
    noise = np.random.default_rng(4).standard_normal((1, 400_000))
    gauge.push(noise)
    assert gauge.vdv()[0] / (gauge.rms()[0] * 400.0**0.25) == pytest.approx(1.316074, rel=0.005)


def test_a_shock_calls_for_the_extra_measures():
    """ISO 2631-1, 6.3.3: MTVV over 1.5 times the rms, or VDV over 1.75 rms T^(1/4)."""
    fs = 500.0
    values = 0.02 * np.sin(2 * np.pi * 20 * np.arange(30_000) / fs)
    values[15_000:15_100] += 3.0 * np.sin(2 * np.pi * 10 * np.arange(100) / fs)
    extra = weighed(values, fs)["weighted_rms"].extra
    assert extra["report_extra_measures"]
    assert extra["crest_factor"] > 9
    assert not extra["basic_method_is_enough"]


def test_every_weighted_value_carries_the_caution():
    """The wording stands with each value."""
    found = weighed(np.sin(np.arange(20_000) / 5.0), 500.0)
    assert all(reading.extra["caution"] == CAUTION for reading in found.values())
    assert "not at the seat surface" in CAUTION
    assert "Not a medical or legal assessment" in CAUTION


@pytest.mark.parametrize("cuts", [[1], [7, 8, 5000], [24, 4096, 9999]])
def test_cutting_the_record_anywhere_changes_nothing(cuts):
    """The block rule: filter and sums carry their state; 1e-12 relative."""
    fs = 400.0
    values = np.random.default_rng(1).standard_normal((2, 12_000))
    whole, pieces = WeightedStream(weighting_filter("Wk", fs), 2), WeightedStream(weighting_filter("Wk", fs), 2)
    gauge, gauge_pieces = ExposureGauge(fs, 2), ExposureGauge(fs, 2)
    gauge.push(whole.push(values))
    for a, b in zip([0, *cuts], [*cuts, values.shape[1]], strict=True):
        gauge_pieces.push(pieces.push(values[:, a:b]))
    for name in ("rms", "mtvv", "vdv"):
        np.testing.assert_allclose(getattr(gauge_pieces, name)(), getattr(gauge, name)(), rtol=1e-12)


@pytest.mark.parametrize("weighting", ["Wk"])
def test_a_fifth_order_approximation_of_the_literature_agrees_in_shape(weighting):
    """Source: Zuo, Nayfeh, J. Sound Vib. 265 (2003): within 5 % of Wk from 0.5 to 31.5 Hz, +7.9 % at 40 Hz."""
    frequency = np.geomspace(0.5, 31.5, 60)
    _, h = signal.freqs([87.72, 1138, 11336, 5452, 5509], [1, 92.6854, 2549.83, 25969, 81057, 79783],
                        2 * np.pi * np.append(frequency, 40.0))  # fmt: skip
    ratio = np.abs(h) / np.abs(analogue_response(np.append(frequency, 40.0), weighting))
    assert np.max(np.abs(ratio[:-1] - 1)) < 0.05
    assert ratio[-1] == pytest.approx(1.079, abs=0.003)
