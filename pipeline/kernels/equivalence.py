"""Equivalence by two one-sided tests: claimed only when the whole interval lies inside a stated band."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt
from scipy import special

from .effects import Effect, Summary, log_ratio, mean_difference, t_interval


class Equivalence(NamedTuple):
    """Two one-sided tests: statistics and p values against the lower and upper bound, and the verdict.

    ``low`` and ``high`` are the limits of the two-sided interval at ``1 - 2 alpha``.
    """

    t_lower: float
    t_upper: float
    p_lower: float
    p_upper: float
    dof: float
    low: float
    high: float
    equivalent: bool


def two_one_sided_tests(effect: Effect, bounds: tuple[float, float], alpha: float = 0.05) -> Equivalence:
    """Tests of an effect against a lower and an upper bound, each one-sided at ``alpha``.

    Parameters
    ----------
    effect
        Estimate with standard error and degrees of freedom (its own interval is not used).
    bounds
        ``(lower, upper)`` in the unit of the effect, lower < upper.

    Raises
    ------
    ValueError
        If the bounds are not in order.

    References
    ----------
    D. J. Schuirmann, J. Pharmacokinet. Biopharm. 15, 657-680, 1987.
    """
    lower, upper = bounds
    if not lower < upper:
        raise ValueError(f"the lower bound must lie below the upper, found {bounds!r}")
    interval = t_interval(effect.estimate, effect.std_error, effect.dof, 1.0 - 2.0 * alpha)
    t_lower = _statistic(effect.estimate - lower, effect.std_error)
    t_upper = _statistic(effect.estimate - upper, effect.std_error)
    return Equivalence(
        t_lower, t_upper, float(special.stdtr(effect.dof, -t_lower)), float(special.stdtr(effect.dof, t_upper)),
        effect.dof, interval.low, interval.high, bool(lower < interval.low and interval.high < upper),
    )  # fmt: skip


def independent_equivalence(
    first: Summary, second: Summary, bounds: tuple[float, float], alpha: float = 0.05
) -> Equivalence:
    """Equivalence of two independent means (Welch), in their raw unit, from summaries."""
    return two_one_sided_tests(mean_difference(first, second), bounds, alpha)


def paired_equivalence(
    first: Summary, second: Summary, correlation: float, bounds: tuple[float, float], alpha: float = 0.05
) -> Equivalence:
    """Equivalence of two means measured in pairs, from summaries and the correlation of the pairs.

    Raises
    ------
    ValueError
        If the two sizes differ.
    """
    if first.n != second.n:
        raise ValueError(f"pairs need equal sizes, found {first.n} and {second.n}")
    variance = first.std**2 + second.std**2 - 2.0 * correlation * first.std * second.std
    effect = t_interval(
        first.mean - second.mean, float(np.sqrt(variance / first.n)), first.n - 1.0, 1.0 - 2.0 * alpha
    )
    return two_one_sided_tests(effect, bounds, alpha)


def ratio_equivalence(
    baseline: npt.ArrayLike, candidate: npt.ArrayLike, band_percent: float, alpha: float = 0.05
) -> Equivalence:
    """Equivalence of candidate and baseline within a band symmetric in the logarithm.

    Statistics and limits are log ratios. Shapes (n_repeat,), at least two repeats a side.
    """
    return two_one_sided_tests(log_ratio(baseline, candidate), log_band(band_percent), alpha)


def log_band(percent: float) -> tuple[float, float]:
    """Band symmetric in the logarithm that a percentage names: 10 gives 0.90 ... 1/0.90 as log ratios.

    Raises
    ------
    ValueError
        Outside 0 to 100 percent.

    Examples
    --------
    >>> [round(float(np.exp(x)), 4) for x in log_band(10.0)]
    [0.9, 1.1111]
    """
    if not 0.0 < percent < 100.0:
        raise ValueError(f"a band must lie between 0 and 100 percent, found {percent!r}")
    upper = float(-np.log1p(-percent / 100.0))
    return -upper, upper


def _statistic(distance: float, std_error: float) -> float:
    if std_error > 0.0:
        return float(distance / std_error)
    # identical repeats: the estimate is exact and lies on one side of the bound or on it
    return float(np.sign(distance)) * np.inf if distance else 0.0
