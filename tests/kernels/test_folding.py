"""Where components above half the rate show up, against sampling them."""

import numpy as np
import pytest

from thrumline.pipeline.kernels.folding import folded_hz, line_near_the_edge, orders_folding_onto


@pytest.mark.parametrize("frequency", [0.0, 30.0, 99.9, 100.0, 120.0, 199.0, 200.0, 260.0, 333.3, 1234.5])
def test_a_sampled_sine_shows_where_folding_says(frequency):
    """The highest bin of 50 s of samples at 200 Hz, bins 0.02 Hz wide."""
    time = np.arange(10_000) / 200.0
    spectrum = np.abs(np.fft.rfft(np.cos(2 * np.pi * frequency * time) * np.hanning(10_000)))
    assert np.fft.rfftfreq(10_000, 1 / 200.0)[np.argmax(spectrum)] == pytest.approx(
        float(folded_hz(frequency, 200.0)), abs=0.02
    )


def test_mains_hum_of_120_hz_shows_at_80_when_sampled_at_200():
    assert float(folded_hz(120.0, 200.0)) == 80.0


def test_a_line_near_a_quarter_of_the_rate_meets_its_own_third_and_fifth_multiple():
    """Both images lie four times the line's distance from the quarter away."""
    assert orders_folding_onto(50.2, 200.0, 1.0) == [(3, pytest.approx(150.6)), (5, pytest.approx(251.0))]
    assert orders_folding_onto(50.3, 200.0, 1.0) == []


def test_multiples_below_half_the_rate_and_far_images_are_no_guests():
    assert orders_folding_onto(24.0, 800.0, 1.0) == []
    assert orders_folding_onto(23.3, 100.0, 1.0) == []


LOW = np.arange(2.0, 98.0, 4.0)


def edge_line(density):
    return line_near_the_edge(np.asarray(density, dtype=float), LOW, LOW + 4.0, 200.0, 0.25, 5.0)


def test_a_line_near_the_edge_is_weighed_against_the_strongest():
    density = np.full(len(LOW), 1e-3)
    density[5], density[20] = 4.0, 1.0
    found = edge_line(density)
    assert (found.low_hz, found.high_hz) == (82.0, 86.0)
    assert found.share == pytest.approx(0.5)


def test_a_flat_floor_however_high_has_no_line_at_the_edge():
    density = np.full(len(LOW), 1.0)
    density[3] = 1.5
    assert edge_line(density) is None
    assert edge_line(np.zeros(len(LOW))) is None


def test_a_line_far_from_the_edge_is_none_at_the_edge():
    density = np.full(len(LOW), 1e-3)
    density[5] = 4.0
    assert edge_line(density) is None
