"""Power and sample size: how many repeats would settle a question."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from scipy import optimize, stats

from .effects import t_quantile, welch_dof

MOST_REPEATS = 12
"""Above this many fittings a part a question counts as one that repeats cannot settle."""


def t_power(noncentrality: float, dof: float, alpha: float, *, two_sided: bool = True) -> float:
    """Chance that a t test rejects, given the noncentrality of its statistic.

    ``two_sided`` counts rejections in either direction; otherwise only those in the direction of the
    effect, still at the two-sided multiplier ``alpha / 2``.

    References
    ----------
    J. Cohen, Statistical Power Analysis for the Behavioral Sciences, 2nd ed., 1988, chapter 2.
    """
    critical = stats.t.isf(alpha / 2.0, dof)
    power = float(stats.nct.sf(critical, dof, abs(noncentrality)))
    if two_sided:
        power += float(stats.nct.cdf(-critical, dof, abs(noncentrality)))
    # the series of the noncentral t gives up far out in the tail, where the answer is certain
    return power if np.isfinite(power) else float(abs(noncentrality) > critical)


def paired_sample_size(effect: float, alpha: float = 0.05, power: float = 0.8) -> float:
    """Pairs (not rounded) for a two-sided paired t test; ``effect`` in standard deviations of differences."""
    return _solve(lambda n: t_power(effect * np.sqrt(n), n - 1.0, alpha) - power, effect)


def two_sample_size(effect: float, alpha: float = 0.05, power: float = 0.8) -> float:
    """Values a group (not rounded) for a two-sided t test of two groups; ``effect`` in standard deviations."""
    return _solve(lambda n: t_power(effect * np.sqrt(n / 2.0), 2.0 * n - 2.0, alpha) - power, effect)


def settling_power(distance: float, std_baseline: float, std_candidate: float, n: int, confidence: float) -> float:
    """Chance that the Welch interval of ``n`` repeats a part lies wholly on its side of a limit.

    Parameters
    ----------
    distance
        From the true log ratio to the limit (its sign does not matter).
    std_baseline, std_candidate
        Standard deviation of a repeat's logarithm, a part each.
    """
    variance = std_baseline**2 + std_candidate**2
    if variance <= 0.0:
        return float(distance != 0.0)
    dof = welch_dof(std_baseline**2, n, std_candidate**2, n)
    return t_power(distance / np.sqrt(variance / n), dof, 1.0 - confidence, two_sided=False)


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
    for n in range(2, MOST_REPEATS + 1):
        if settling_power(distance, std_baseline, std_candidate, n, confidence) >= power:
            return n
    return None


def repeats_to_bound(distance: float, std: float, confidence: float = 0.95, power: float = 0.8) -> int | None:
    """Fewest repeats of one part whose own mean settles a limit ``distance`` away (log); None above 12."""
    for n in range(2, MOST_REPEATS + 1):
        if std <= 0.0:
            return n if distance else None
        if t_power(distance * np.sqrt(n) / std, n - 1.0, 1.0 - confidence, two_sided=False) >= power:
            return n
    return None


def detectable_change(std: float, n: int, confidence: float = 0.95, power: float = 0.8) -> float:
    """Smallest true log ratio that ``n`` repeats a part tell from none, equal scatter ``std`` on both."""
    if std <= 0.0:
        return 0.0
    dof, scale = 2.0 * n - 2.0, std * np.sqrt(2.0 / n)
    top = 10.0 * t_quantile(confidence, dof)
    return float(scale * optimize.brentq(lambda x: t_power(x, dof, 1.0 - confidence) - power, 1e-6, top))


def _solve(shortfall: Callable[[float], float], effect: float) -> float:
    if effect == 0.0:
        raise ValueError("no number of values shows an effect of zero")
    return float(optimize.brentq(shortfall, 2.0 + 1e-9, 1e6, xtol=1e-9))
