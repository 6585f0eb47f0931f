"""The cheapest path: against every path there is, and by few cells against all of them."""

import itertools

import numpy as np
import pytest

from thrumline.pipeline.kernels import cheapest_path as kernel


def gains(seed, n_frame, n_bin, strength):
    """Noise of three channels, and a line of this strength that wanders through it."""
    rng = np.random.default_rng(seed)
    at = np.clip(0.5 * n_bin + np.cumsum(rng.standard_normal(n_frame)), 0, n_bin - 1)
    line = strength * np.exp(-0.5 * ((np.arange(n_bin) - at[:, None]) / 0.8) ** 2)
    return 3.0 * np.sqrt(rng.gamma(3.0, size=(n_frame, n_bin))) + line


@pytest.mark.parametrize("strength", [0.0, 5.0, 100.0])
@pytest.mark.parametrize("seed", range(5))
def test_no_path_of_all_gathers_more(seed, strength):
    gain = gains(seed, 5, 6, strength)

    def worth(path):
        steps = np.diff(path)
        return -np.inf if np.any(np.abs(steps) > 2) else gain[np.arange(5), path].sum() - 2.0 * np.sum(steps**2)

    best = max(worth(np.array(path)) for path in itertools.product(range(6), repeat=5))
    assert worth(kernel.cheapest_path(gain, 2)) == pytest.approx(best, rel=1e-12)


@pytest.mark.parametrize("strength", [30.0, 300.0])
@pytest.mark.parametrize("seed", range(20))
def test_a_strong_line_s_path_needs_few_cells_and_is_the_same(seed, strength):
    """Cells left aside cannot be on the best path: through all cells it is no other."""
    gain = gains(seed, 60, 40, strength)
    through_all = kernel._path_through_all(gain, 6)
    np.testing.assert_array_equal(kernel.cheapest_path(gain, 6), through_all)
    worth = kernel._worth_a_look(gain, 6)
    assert worth is not None
    np.testing.assert_array_equal(kernel._path_through(gain, worth, 6), through_all)
    assert strength < 300.0 or np.count_nonzero(worth) <= kernel.FEW_CELLS * 60
