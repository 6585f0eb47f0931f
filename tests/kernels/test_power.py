"""Power: how many repeats would settle a limit; held against simulation, not against itself."""

import numpy as np
import pytest

from thrumline.pipeline.kernels import effects, power


def settled_share(rng, distance, std_b, std_c, n, n_trials=3000):
    """Share of simulated Welch intervals that lie wholly beyond a limit ``distance`` below the truth."""
    hits = 0
    for _ in range(n_trials):
        b, c = np.exp(std_b * rng.standard_normal(n)), np.exp(distance + std_c * rng.standard_normal(n))
        hits += effects.log_ratio(b, c).low > 0.0
    return hits / n_trials


@pytest.mark.parametrize(("std_b", "std_c", "n"), [(0.03, 0.03, 4), (0.02, 0.05, 6), (0.01, 0.02, 2)])
def test_settling_power_is_the_share_of_simulated_studies_that_settle(std_b, std_c, n):
    """2,500 trials scatter by 1 %; the figure with 2 n - 2 degrees of freedom would be 4 % too high at n = 4."""
    rng = np.random.default_rng(7)
    said = power.settling_power(0.06, std_b, std_c, n, 0.95)
    assert settled_share(rng, 0.06, std_b, std_c, n, 2500) == pytest.approx(said, abs=0.025)


@pytest.mark.nightly
@pytest.mark.parametrize(("std_b", "std_c", "n"), [(0.03, 0.03, 3), (0.02, 0.05, 6), (0.01, 0.03, 2), (0.06, 0.03, 12)])
def test_settling_power_holds_to_one_percent(std_b, std_c, n):
    rng = np.random.default_rng(8)
    said = power.settling_power(0.06, std_b, std_c, n, 0.95)
    assert settled_share(rng, 0.06, std_b, std_c, n, 20000) == pytest.approx(said, abs=0.01)


def test_an_equal_scatter_has_the_beta_average_of_the_plain_power():
    """At equal variances the statistic is t with 2 n - 2 degrees of freedom: integrate the critical value numerically."""
    from scipy import integrate, stats

    n, std, distance = 4, 0.03, 0.06
    ncp = distance / (std * np.sqrt(2 / n))

    def inside(b):
        critical = stats.t.isf(0.025, 3 / (b**2 + (1 - b) ** 2))
        return stats.beta.pdf(b, 1.5, 1.5) * stats.nct.sf(critical, 6, ncp)

    assert power.settling_power(distance, std, std, n, 0.95) == pytest.approx(integrate.quad(inside, 0, 1)[0], abs=1e-6)


def test_repeats_to_settle_is_the_first_number_that_reaches_the_power():
    needed = power.repeats_to_settle(0.06, 0.03, 0.03)
    assert power.settling_power(0.06, 0.03, 0.03, needed, 0.95) >= 0.8
    assert power.settling_power(0.06, 0.03, 0.03, needed - 1, 0.95) < 0.8


def test_a_truth_on_the_limit_is_never_settled():
    assert power.repeats_to_settle(0.0, 0.03, 0.03) is None


def test_above_twelve_there_is_no_number():
    """12 repeats reach 80 % at some distance; a little nearer to the limit nothing does."""
    distances = np.linspace(0.02, 0.08, 200)
    needed = [power.repeats_to_settle(d, 0.03, 0.03) for d in distances]
    assert needed[0] is None
    assert max(n for n in needed if n is not None) == 12


def test_more_scatter_never_needs_fewer_repeats():
    needed = [power.repeats_to_settle(0.08, s, s) or 99 for s in (0.005, 0.01, 0.02, 0.04, 0.08)]
    assert needed == sorted(needed)


def test_side_of_the_limit_does_not_matter():
    assert power.repeats_to_settle(-0.06, 0.03, 0.02) == power.repeats_to_settle(0.06, 0.03, 0.02)


def test_no_scatter_needs_two_repeats():
    assert power.repeats_to_settle(0.01, 0.0, 0.0) == 2
    assert power.repeats_to_bound(0.01, 0.0) == 2


def test_bounding_one_part_is_the_one_sample_test():
    """Distance of d standard deviations against t power with n - 1 degrees of freedom, d sqrt(n)."""
    needed = power.repeats_to_bound(0.05, 0.03)
    reached = [power.t_power(0.05 / 0.03 * np.sqrt(n), n - 1, 0.05, two_sided=False) for n in (needed - 1, needed)]
    assert reached[0] < 0.8 <= reached[1]


def test_certain_cases_do_not_come_back_as_nothing():
    """The series of the noncentral t gives NaN far out; the answer there is certain."""
    assert power.t_power(1e4, 3.0, 0.05) == pytest.approx(1.0)


def test_detectable_change_is_found_again_by_its_power():
    change = power.detectable_change(0.03, 4)
    assert power.t_power(change / (0.03 * np.sqrt(2 / 4)), 6, 0.05) == pytest.approx(0.8, abs=1e-9)


def test_no_sample_shows_an_effect_of_zero():
    with pytest.raises(ValueError, match="effect of zero"):
        power.paired_sample_size(0.0)
