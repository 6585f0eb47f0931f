"""One neighbour or two at equal distances: told by the beats of amplitude and phase together, against closed forms."""

import numpy as np
import pytest

from thrumline.pipeline.kernels.order_tracking import BandPlan, order_energy
from thrumline.pipeline.kernels.sidebands import Stopped, sides
from thrumline.pipeline.kernels.stopped_orders import StoppedRun

RATE, SPAN_S, AWAY_HZ = 32.0, 40.0, 3.0
EACH = np.full(3, 1.0 / 3.0)


def line_with(above, below, noise=0.005, followed=0.0, seed=3):
    """A line of amplitude 1 on three channels whose speed sweeps by a fiftieth, with neighbours on either side.

    ``above``, ``below``: complex share of either; the track holds ``followed`` of the beat of the phase.
    """
    rng = np.random.default_rng(seed)
    at = np.arange(int(RATE * SPAN_S)) / RATE
    swept = 0.3 * np.sin(2.0 * np.pi * at / SPAN_S)
    beat = 2.0 * np.pi * AWAY_HZ * (at + swept / 60.0)
    made = 1.0 + above * np.exp(1j * beat) + below * np.exp(-1j * beat)
    track = swept + followed * np.angle(made) / (2.0 * np.pi)
    floor = noise * (rng.standard_normal((3, at.size)) + 1j * rng.standard_normal((3, at.size)))
    values = made * np.exp(2j * np.pi * (swept - track)) + floor
    return values, at, 60.0 * at + track


@pytest.mark.parametrize("followed", [0.0, 0.5])
@pytest.mark.parametrize(("above", "below"), [(0.2, -0.2), (0.15, 0.1j), (0.05, 0.12 - 0.1j), (0.2, 0.2)])
def test_shares_of_a_pair_are_read_whatever_its_phases_and_whatever_the_track_followed(above, below, followed):
    """Antiphase leaves no beat of the amplitude; terms of third order are under a twentieth of the square here."""
    found = sides([Stopped(*line_with(above, below, followed=followed))], EACH, AWAY_HZ, 0.5)
    wanted = sorted([abs(above) ** 2, abs(below) ** 2], reverse=True)
    assert found.both(EACH)
    assert found.square.mean(axis=-1) == pytest.approx(wanted, rel=0.12)


@pytest.mark.parametrize("seed", range(20))
@pytest.mark.parametrize("share", [0.1, 0.3, 0.6])
def test_one_neighbour_is_no_pair(share, seed):
    found = sides([Stopped(*line_with(share, 0.0, followed=0.3, seed=seed))], EACH, AWAY_HZ, 0.5)
    assert not found.both(EACH)
    assert found.square[0].mean() == pytest.approx(share**2, rel=0.05)


@pytest.mark.parametrize("phase", [0.0, 1.0, 2.0, 2.9])
def test_line_between_two_neighbours_is_read_without_them(phase):
    """By the amplitude's beat alone it reads up to 3.9 % high (phase 3) or, in phase, low."""
    runs = [StoppedRun(*line_with(0.2, 0.2 * np.exp(1j * phase)))]
    energy = order_energy(runs, BandPlan(RATE, 5.0, 6.0, 15.0, 5.0))
    amplitude = np.sqrt(energy.square)
    assert amplitude == pytest.approx(np.ones(3), rel=0.006)
    # what the pair changes may as well be the line's own: it stands in the uncertainty
    assert np.all(np.sqrt(energy.square_variance(amplitude)) >= 2.0 * np.abs(energy.square - 1.0))
