"""Axis combination against closed forms, numpy.linalg and scipy's rotations."""

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from thrumline.pipeline.kernels.axes import (
    largest_amplitude,
    mean_of_amplitudes,
    principal_amplitude,
    root_sum_square,
    rotated_matrix,
    rotation_to_vertical,
    spectral_matrix,
    tilt_between_deg,
)
from thrumline.pipeline.kernels.spectra import SpectralSum, SpectrumPlan

pytestmark = pytest.mark.external

CLOSED = "closed form"
ISO_8855 = "ISO 8855:2011, z up, right-handed"
PAIRS = ((0, 1), (0, 2), (1, 2))


def measured(values, fs=500.0):
    plan = SpectrumPlan(fs, 500, 250, pairs=PAIRS)
    sums = SpectralSum(plan, 3)
    sums.push(values)
    return sums.result()


def tones(amplitudes, phases, f=40.0, n=5000, fs=500.0):
    t = np.arange(n) / fs
    return np.array([a * np.sin(2 * np.pi * f * t + p) for a, p in zip(amplitudes, phases, strict=True)])


def test_three_four_twelve(published):
    """Line amplitudes 3, 4, 12: root of summed squares 13, mean 6.3333, largest 12."""
    auto = measured(tones((3, 4, 12), (0.1, 0.1, 0.1))).auto[:, 40:41]
    published("rss", root_sum_square(auto)[0], 13.0, CLOSED, rel=1e-9)
    published("mean of axis spectra", mean_of_amplitudes(auto)[0], 19 / 3, CLOSED, rel=1e-9)
    published("max", largest_amplitude(auto)[0], 12.0, CLOSED, rel=1e-9)


def test_tones_120_degrees_apart_do_not_cancel_in_spectra(published):
    """As time signals they average to nothing; the spectra's mean is A, their rss A sqrt(3)."""
    values = tones((2, 2, 2), (0, 2 * np.pi / 3, 4 * np.pi / 3))
    published("mean of time signals", np.abs(values.mean(axis=0)).max(), 0.0, CLOSED, abs=1e-12)
    auto = measured(values).auto[:, 40:41]
    published("mean of spectra", mean_of_amplitudes(auto)[0], 2.0, CLOSED, rel=1e-9)
    published("rss", root_sum_square(auto)[0], 2 * np.sqrt(3), CLOSED, rel=1e-9)


def test_combinations_but_principal_do_not_depend_on_phase():
    """Closed form: only the principal amplitude knows phases; in phase it equals the rss."""
    readings = []
    for phases in ((0, 0, 0), (0.3, 2.0, -1.1)):
        result = measured(tones((3, 4, 12), phases))
        auto = result.auto[:, 40:41]
        readings.append([f(auto)[0] for f in (root_sum_square, mean_of_amplitudes, largest_amplitude)])
    assert readings[0] == pytest.approx(readings[1], rel=1e-9)


def test_principal_amplitude_of_motion_along_one_line_is_its_rss(published):
    result = measured(tones((3, -4, 12), (0.4, 0.4, 0.4)))
    matrix = spectral_matrix(result.auto, PAIRS, result.cross)
    published("principal", principal_amplitude(matrix)[40], 13.0, CLOSED, rel=1e-9)


def test_principal_amplitude_of_a_circle_is_its_radius(published):
    """Two equal axes a quarter turn apart: eigenvalues are equal only with the third axis; radius sqrt(2) A."""
    result = measured(tones((5, 5, 0), (0.0, np.pi / 2, 0.0)))
    matrix = spectral_matrix(result.auto, PAIRS, result.cross)[40]
    expected = np.sqrt(np.linalg.svd(matrix, compute_uv=False)[0])
    published("principal", principal_amplitude(matrix[None])[0], expected, "numpy.linalg.svd", rel=1e-9)
    # one segment's matrix has rank one whatever the phases, so a steady ellipse keeps all its power in it
    published("principal", principal_amplitude(matrix[None])[0], 5 * np.sqrt(2), CLOSED, rel=1e-9)


def test_five_degrees_of_tilt_move_the_mean_and_not_the_rss(published):
    """Vertical motion, 5 degrees of tilt about the fore-aft axis: mean +8.3 %, rss unchanged."""
    turn = Rotation.from_euler("x", 5.0, degrees=True).as_matrix()
    auto = np.array([measured(m @ tones((0, 0, 3), (0, 0, 0))).auto[:, 40] for m in (np.eye(3), turn)])
    rise = mean_of_amplitudes(auto[1][:, None])[0] / mean_of_amplitudes(auto[0][:, None])[0] - 1
    published("rise of the mean", rise, np.cos(np.radians(5)) + np.sin(np.radians(5)) - 1, CLOSED, rel=1e-6)
    published("rise of the mean", rise, 0.083, CLOSED, abs=5e-4)
    published("rss", root_sum_square(auto[1][:, None])[0], 3.0, CLOSED, rel=1e-9)


@pytest.mark.parametrize("angles", [(5, 0, 0), (0, -30, 0), (40, 20, 0), (100, 10, 0), (180, 0, 0)])
def test_gravity_is_turned_upright_as_scipy_turns_it(angles, published):
    """The smallest rotation: scipy's align_vectors of one vector gives the same angle."""
    static = Rotation.from_euler("xyz", angles, degrees=True).as_matrix() @ np.array([0, 0, 9.81])
    rotation = rotation_to_vertical(static)
    published("static vector after", rotation @ static, [0, 0, 9.81], ISO_8855, abs=1e-9)
    published("right-handed", np.linalg.det(rotation), 1.0, ISO_8855, abs=1e-9)
    angle = np.degrees(Rotation.from_matrix(rotation).magnitude())
    expected = np.degrees(np.arccos(np.clip(static[2] / 9.81, -1, 1)))
    published("angle", angle, expected, "scipy.spatial.transform.Rotation", abs=1e-5)
    published("tilt", tilt_between_deg(static, [0, 0, 1]), expected, "scipy.spatial.transform.Rotation", abs=1e-5)


def test_rotating_the_matrix_is_rotating_the_signals(published):
    turn = Rotation.from_euler("xyz", (10, -35, 70), degrees=True).as_matrix()
    values = np.random.default_rng(5).standard_normal((3, 5000))
    before, after = measured(values), measured(turn @ values)
    found = rotated_matrix(spectral_matrix(before.auto, PAIRS, before.cross), turn)
    expected = spectral_matrix(after.auto, PAIRS, after.cross)
    published("turned matrix", found[5:-5].ravel(), expected[5:-5].ravel(), "scipy.spatial.transform.Rotation", abs=1e-12)
