"""Isolation, transfer estimates and rig stiffness against handbook formulas and closed forms."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from scipy import signal

from thrumline.pipeline.contracts import Block, ChannelSpec, Context, ReasonCode, SignalSpec
from thrumline.pipeline.kernels.isolation import (
    change_by_stiffness,
    natural_frequency_hz,
    transmissibility,
    transmissibility_by_loss_factor,
)
from thrumline.pipeline.kernels.stiffness import displacement_factor
from thrumline.pipeline.kernels.transfer import band_sums, transfer
from thrumline.plugins.metric_stiffness import StiffnessMetric, StiffnessSettings
from thrumline.plugins.spectra_averaged import Spectrum, SpectrumSettings

REFERENCE = json.loads((Path(__file__).parent / "reference_values.json").read_text())


@pytest.mark.external
@pytest.mark.parametrize(("key", "value"), sorted(REFERENCE["sdof_transmissibility"].items()))
def test_transmissibility_is_the_handbooks(key, value):
    """Source: Harris' Shock and Vibration Handbook ch. 30; Ogata, System Dynamics, eq. 9-14."""
    ratio, zeta = (float(part.split("=")[1]) for part in key.split(","))
    ratio = np.sqrt(2) if abs(ratio - 1.41421) < 1e-4 else ratio
    assert float(transmissibility(ratio, zeta)) == pytest.approx(value, rel=2e-6)


@pytest.mark.external
@pytest.mark.parametrize("zeta", [0.0, 0.05, 0.3, 1.0])
def test_every_curve_crosses_one_at_root_two(zeta):
    """Source: Ogata, System Dynamics, section 9-4: T = 1 at r = sqrt 2 whatever the damping."""
    assert float(transmissibility(np.sqrt(2), zeta)) == pytest.approx(1.0, abs=1e-12)


@pytest.mark.external
def test_eighty_percent_isolation_is_reached_at_root_six():
    """Source: Harris' Handbook ch. 30: undamped T = 0.2 at r = sqrt 6."""
    assert float(transmissibility(np.sqrt(6), 0.0)) == pytest.approx(0.2, rel=1e-12)


@pytest.mark.external
def test_loss_factor_form_agrees_with_viscous_at_resonance_only():
    """Structural damping: T(r = 1) with eta = 2 zeta equals the viscous value (Harris' Handbook ch. 30)."""
    assert float(transmissibility_by_loss_factor(1.0, 0.2)) == pytest.approx(float(transmissibility(1.0, 0.1)))
    assert float(transmissibility_by_loss_factor(5.0, 0.2)) < float(transmissibility(5.0, 0.1))


@pytest.mark.external
@pytest.mark.parametrize(("deflection_mm", "hz"), [(4.0, 7.8804), (1.0, 15.7609), (25.4, 3.1273)])
def test_natural_frequency_from_static_deflection(deflection_mm, hz):
    """Source: handbook rule f = 15.76 / sqrt(mm), 3.127 / sqrt(inch)."""
    assert natural_frequency_hz(deflection_mm * 1e-3) == pytest.approx(hz, rel=1e-4)


@pytest.mark.external
def test_worked_example_of_a_25_mm_spring_at_1500_rpm():
    """Source: published worked example: f_n 3.15 Hz, r 7.93, T 0.0206, 97.9 % with zeta 0.05."""
    natural = natural_frequency_hz(0.025)
    assert natural == pytest.approx(3.15, abs=0.005)
    assert 25.0 / natural == pytest.approx(7.93, abs=0.01)
    assert float(transmissibility(25.0 / natural, 0.05)) == pytest.approx(0.0206, abs=5e-5)


@pytest.mark.external
def test_a_firmer_part_by_an_eighth_passes_13_5_percent_more():
    """Derived: f_n 8.0 -> 8.5 Hz is +12.89 % stiffness; at 40 Hz undamped T 0.041667 -> 0.047292."""
    assert change_by_stiffness(40.0, 8.0, 100 * ((8.5 / 8.0) ** 2 - 1)) == pytest.approx(13.5, abs=0.01)


@pytest.mark.external
@pytest.mark.parametrize(("coherence", "n", "error"), [(0.9, 100, 0.0235702), (0.5, 13, 0.1961161)])
def test_random_error_of_a_transfer(coherence, n, error):
    """Source: Bendat, Piersol, Random Data, eq. 9.90."""
    found = transfer(np.array(1.0), np.array(1.0), np.array(np.sqrt(coherence) + 0j), n)
    assert float(found.coherence) == pytest.approx(coherence)
    assert float(found.random_error) == pytest.approx(error, abs=1e-6)


@pytest.mark.external
def test_transfer_and_coherence_agree_with_scipy():
    """scipy.signal csd, welch and coherence as the second route, Hann, 50 % overlap."""
    rng = np.random.default_rng(2)
    x = rng.standard_normal(60_000)
    y = signal.lfilter([0.3, 0.2], [1.0, -0.5], x) + 0.3 * rng.standard_normal(x.size)
    how = {"fs": 500.0, "nperseg": 1000, "noverlap": 500, "detrend": False}
    _, pxx = signal.welch(x, **how)
    _, pyy = signal.welch(y, **how)
    _, pxy = signal.csd(x, y, **how)
    _, coherence = signal.coherence(x, y, **how)
    found = transfer(pxx, pyy, pxy, 100)
    np.testing.assert_allclose(found.h1, pxy / pxx, rtol=1e-12)
    np.testing.assert_allclose(found.coherence, coherence, rtol=1e-9)
    assert np.all(np.abs(found.h1) <= np.abs(found.hv) * (1 + 1e-9))
    assert np.all(np.abs(found.hv) <= np.abs(found.h2) * (1 + 1e-9))


def test_noise_at_one_side_leaves_the_estimate_made_for_it_unbiased():
    """Noise at the reference: H2 right, H1 low; noise at the response: H1 right, H2 high."""
    auto, gain, noise = 4.0, 0.5, 1.0
    at_reference = transfer(np.array(auto + noise), np.array(gain**2 * auto), np.array(gain * auto + 0j), 50)
    assert abs(complex(at_reference.h2)) == pytest.approx(gain)
    assert abs(complex(at_reference.h1)) == pytest.approx(gain * auto / (auto + noise))
    at_response = transfer(np.array(auto), np.array(gain**2 * auto + noise), np.array(gain * auto + 0j), 50)
    assert abs(complex(at_response.h1)) == pytest.approx(gain)
    assert abs(complex(at_response.h2)) > gain


def test_total_least_squares_is_unbiased_by_equal_noise_on_both_sides():
    """The principal direction of the 2 x 2 matrix does not turn when the same is added to both diagonals."""
    auto, gain, noise = 4.0, 0.5, 1.0
    found = transfer(np.array(auto + noise), np.array(gain**2 * auto + noise), np.array(gain * auto + 0j), 50)
    assert abs(complex(found.hv)) == pytest.approx(gain)


def test_a_band_without_a_bin_is_refused_by_its_limits():
    """The message names the band and the distance of the bins."""
    with pytest.raises(ValueError, match=r"no bin between 1\.1 and 1\.2 Hz; bins lie 1 Hz apart"):
        band_sums(np.arange(10.0), 1.1, 1.2, np.ones(10))


def rig(motion, quantity, unit, force, rate_hz=1000.0, settings=None):
    """Force and motion through the spectrum stage and the metric."""
    spec = SignalSpec(
        (ChannelSpec("F", "force", "N", "rig"), ChannelSpec("m", quantity, unit, "rig")), True, rate_hz,
        force.size / rate_hz,
    )  # fmt: skip
    context = Context(spec, span_s=(0.0, force.size / rate_hz))
    work = Spectrum(SpectrumSettings(pairs="all", resolution_hz=0.5)).open(spec, context, {})
    work.accumulate(Block(np.stack([force, motion]), 0, 0, 0.0, rate_hz))
    return StiffnessMetric(settings or StiffnessSettings()).readings({"spectra": work.finish()}, context)


@pytest.mark.parametrize("hz", [5.0, 13.3, 40.0])
@pytest.mark.parametrize("quantity", ["displacement", "acceleration"])
def test_a_spring_with_loss_gives_its_stiffness_and_loss_angle(hz, quantity):
    """K = 300 kN/m with loss factor 0.2: F = |K| x advanced by atan 0.2; from displacement or acceleration."""
    t = np.arange(40_000) / 1000.0
    amplitude, stiffness, angle = 1e-4, 3e5 * np.sqrt(1 + 0.2**2), np.arctan(0.2)
    rng = np.random.default_rng(1)
    x = amplitude * np.sin(2 * np.pi * hz * t)
    force = 500.0 + stiffness * amplitude * np.sin(2 * np.pi * hz * t + angle) + 0.01 * rng.standard_normal(t.size)
    motion = x if quantity == "displacement" else x * -((2 * np.pi * hz) ** 2)
    motion = motion + 1e-9 * rng.standard_normal(t.size)
    readings = rig(motion, quantity, "m" if quantity == "displacement" else "m s-2", force)
    found = {r.reading: r for r in readings if r.frequency_hz == pytest.approx(hz, abs=0.5)}
    assert found["dynamic_stiffness"].value == pytest.approx(stiffness, rel=0.002)
    assert found["loss_angle"].value == pytest.approx(np.degrees(angle), abs=0.1)
    assert found["loss_factor"].value == pytest.approx(0.2, rel=0.01)
    assert found["dynamic_stiffness"].unit == "N/m"
    assert found["dynamic_stiffness"].extra["amplitude_m"] == pytest.approx(amplitude, rel=0.02)
    assert found["dynamic_stiffness"].extra["coherence"] > 0.999


def test_a_rig_at_rest_has_no_driven_line():
    """Noise alone: absent with no_line, not a stiffness of noise."""
    rng = np.random.default_rng(3)
    readings = rig(1e-9 * rng.standard_normal(40_000), "displacement", "m", rng.standard_normal(40_000))
    assert {r.absent.code for r in readings} == {ReasonCode.NO_LINE}
    assert all(r.value is None for r in readings)


def test_displacement_from_acceleration_needs_a_frequency():
    """Twice integrating a constant has no answer."""
    with pytest.raises(ValueError, match="above 0 Hz"):
        displacement_factor(0.0, "acceleration")
    with pytest.raises(ValueError, match="found 'velocity'"):
        displacement_factor(10.0, "velocity")
