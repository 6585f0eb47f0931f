"""Power and sample size: how many repeats would settle a question."""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache

import numpy as np
import numpy.typing as npt
from scipy import special

from .effects import t_quantile
from .roots import brent_root

MOST_REPEATS = 12
"""Above this many fittings a part a question counts as one that repeats cannot settle."""

_NODES = 32
"""Quadrature nodes: the chance is then good to 1e-6 for every number of repeats up to 12."""


def t_power(noncentrality: float, dof: float, alpha: float, *, two_sided: bool = True) -> float:
    """Chance that a t test rejects, given the noncentrality of its statistic.

    ``two_sided`` counts rejections in either direction; otherwise only those in the direction of the
    effect, still at the two-sided multiplier ``alpha / 2``.

    References
    ----------
    J. Cohen, Statistical Power Analysis for the Behavioral Sciences, 2nd ed., 1988, chapter 2.
    """
    critical = -special.stdtrit(dof, alpha / 2.0)
    power = float(1.0 - special.nctdtr(dof, abs(noncentrality), critical))
    if two_sided:
        power += float(special.nctdtr(dof, abs(noncentrality), -critical))
    # the series of the noncentral t gives up far out in the tail, where the answer is certain
    return power if np.isfinite(power) else float(abs(noncentrality) > critical)


def paired_sample_size(effect: float, alpha: float = 0.05, power: float = 0.8) -> float:
    """Pairs (not rounded) for a two-sided paired t test; ``effect`` in standard deviations of differences."""
    return _solve(lambda n: t_power(effect * np.sqrt(n), n - 1.0, alpha) - power, effect)


def two_sample_size(effect: float, alpha: float = 0.05, power: float = 0.8) -> float:
    """Values a group (not rounded) for a two-sided t test of two groups; ``effect`` in standard deviations."""
    return _solve(lambda n: t_power(effect * np.sqrt(n / 2.0), 2.0 * n - 2.0, alpha) - power, effect)


def settling_power(distance: float, std_baseline: float, std_candidate: float, n: int, confidence: float) -> float:
    """Chance that the Welch interval of ``n`` repeats a part lies wholly on its side of a limit; exact.

    The Welch degrees of freedom are themselves estimated: with few repeats that costs some 5 % of power, so
    it is averaged over the share that one sample variance has in the sum of both (a beta law), given which
    the statistic is a scaled noncentral t with 2 n - 2 degrees of freedom.

    Parameters
    ----------
    distance
        From the true log ratio to the limit (its sign does not matter).
    std_baseline, std_candidate
        Standard deviation of a repeat's logarithm, a part each.
    n
        At least 2.

    References
    ----------
    Derived here from the independence of a chi-square ratio and sum; held against simulation in the tests.
    """
    var_b, var_c, nu = std_baseline**2, std_candidate**2, n - 1.0
    total = var_b + var_c
    if total <= 0.0:
        return float(distance != 0.0)
    nodes, weights = _beta_nodes(nu / 2.0 - 1.0)
    share_b, share_c = var_b * (1.0 + nodes) / 2.0, var_c * (1.0 - nodes) / 2.0
    scatter = share_b + share_c
    dof = nu * scatter**2 / (share_b**2 + share_c**2)
    critical = -special.stdtrit(dof, (1.0 - confidence) / 2.0) * np.sqrt(2.0 * scatter / total)
    noncentrality = abs(distance) / np.sqrt(total / n)
    beyond = 1.0 - special.nctdtr(2.0 * nu, noncentrality, critical)
    # the series of the noncentral t gives up far out in the tail, where the answer is certain
    beyond = np.where(np.isfinite(beyond), beyond, noncentrality > critical)
    return float((weights * beyond).sum())


@lru_cache(maxsize=MOST_REPEATS)
def _beta_nodes(exponent: float) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """Gauss nodes and weights [shape=(_NODES,)] for the weight (1 - x**2)**exponent, of sum 1; read-only."""
    nodes, weights = special.roots_jacobi(_NODES, exponent, exponent)
    weights = weights / weights.sum()
    nodes.flags.writeable = weights.flags.writeable = False
    return nodes, weights


def repeats_to_settle(
    distance: float,
    std_baseline: float,
    std_candidate: float,
    confidence: float = 0.95,
    power: float = 0.8,
) -> int | None:
    """Fewest repeats a part, in total, that settle a limit with the wanted power; None above 12.

    The truth is taken to be the present estimate, ``distance`` away from the limit in the logarithm.
    """

    def enough(n: int) -> bool:
        return settling_power(distance, std_baseline, std_candidate, n, confidence) >= power

    return _fewest(enough)


def repeats_to_bound(distance: float, std: float, confidence: float = 0.95, power: float = 0.8) -> int | None:
    """Fewest repeats of one part whose own mean settles a limit ``distance`` away (log); None above 12."""
    if std <= 0.0:
        return 2 if distance else None

    def enough(n: int) -> bool:
        return t_power(distance * np.sqrt(n) / std, n - 1.0, 1.0 - confidence, two_sided=False) >= power

    return _fewest(enough)


def detectable_change(std: float, n: int, confidence: float = 0.95, power: float = 0.8) -> float:
    """Smallest true log ratio that ``n`` repeats a part tell from none, equal scatter ``std`` on both."""
    if std <= 0.0:
        return 0.0
    dof, scale = 2.0 * n - 2.0, std * np.sqrt(2.0 / n)
    top = 10.0 * t_quantile(confidence, dof)
    return float(scale * brent_root(lambda x: t_power(x, dof, 1.0 - confidence) - power, 1e-6, top))


def _fewest(enough: Callable[[int], bool]) -> int | None:
    """Smallest number from 2 to the most that is enough, by halving: more repeats never have less power."""
    low, high = 2, MOST_REPEATS
    if not enough(high):
        return None
    while low < high:
        middle = (low + high) // 2
        low, high = (low, middle) if enough(middle) else (middle + 1, high)
    return low


def _solve(shortfall: Callable[[float], float], effect: float) -> float:
    if effect == 0.0:
        raise ValueError("no number of values shows an effect of zero")
    return brent_root(shortfall, 2.0 + 1e-9, 1e6, xtol=1e-9)
