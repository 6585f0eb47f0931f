"""Effect of a change and its interval: log ratio, percent of the baseline, Fieller, delta method.

Repeats are independent fresh fittings: 1-D arrays, one value a repeat, any positive amplitude unit.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt
from scipy import special

FloatArray = npt.NDArray[np.float64]


class Effect(NamedTuple):
    """An estimate, its standard error and degrees of freedom, and a two-sided interval."""

    estimate: float
    std_error: float
    dof: float
    low: float
    high: float


class Summary(NamedTuple):
    """Mean, standard deviation (n - 1) and size of one sample."""

    mean: float
    std: float
    n: int


def sample_summary(values: npt.ArrayLike) -> Summary:
    """Mean, standard deviation (n - 1 in the denominator; 0 for a single value) and size.

    Parameters
    ----------
    values
        [shape=(n,), any unit]

    Raises
    ------
    ValueError
        If there is no value, or one is not finite.
    """
    array = np.asarray(values, dtype=np.float64).ravel()
    if array.size == 0 or not np.all(np.isfinite(array)):
        raise ValueError(f"a summary needs finite values, found {array!r}")
    std = float(array.std(ddof=1)) if array.size > 1 else 0.0
    return Summary(float(array.mean()), std, int(array.size))


def welch_dof(var_a: float, n_a: float, var_b: float, n_b: float) -> float:
    """Effective degrees of freedom of the difference of two means with unequal variances.

    Both variances zero gives ``n_a + n_b - 2``: the difference is then exact whatever the quantile.

    References
    ----------
    B. L. Welch, Biometrika 34, 28-35, 1947; F. E. Satterthwaite, Biometrics Bull. 2, 110-114, 1946.
    """
    part_a, part_b = var_a / n_a, var_b / n_b
    total = part_a + part_b
    if total <= 0.0:
        return n_a + n_b - 2.0
    # shares, not squares of the variances, so that tiny variances do not underflow
    share_a, share_b = part_a / total, part_b / total
    return float(1.0 / (share_a**2 / (n_a - 1.0) + share_b**2 / (n_b - 1.0)))


def mean_difference(minuend: Summary, subtrahend: Summary, confidence: float = 0.95) -> Effect:
    """Difference of two means with its Welch-Satterthwaite t interval, from summaries.

    Parameters
    ----------
    minuend, subtrahend
        At least two values each.
    confidence
        Two-sided, between 0 and 1.

    Raises
    ------
    ValueError
        If a side has fewer than two values, or the confidence is outside (0, 1).

    Examples
    --------
    >>> e = mean_difference(Summary(20.14458, 6.41470, 249), Summary(30.48101, 6.10771, 79))
    >>> round(e.estimate / e.std_error, 3), round(e.dof, 2)
    (-12.946, 136.87)
    """
    _check_confidence(confidence)
    if min(minuend.n, subtrahend.n) < 2:
        raise ValueError(f"an interval needs two values a side, found {minuend.n} and {subtrahend.n}")
    var_a, var_b = minuend.std**2, subtrahend.std**2
    std_error = float(np.sqrt(var_a / minuend.n + var_b / subtrahend.n))
    dof = welch_dof(var_a, minuend.n, var_b, subtrahend.n)
    return t_interval(minuend.mean - subtrahend.mean, std_error, dof, confidence)


def t_interval(estimate: float, std_error: float, dof: float, confidence: float) -> Effect:
    """Two-sided t interval about an estimate; infinite ``dof`` gives the normal interval."""
    _check_confidence(confidence)
    half = t_quantile(confidence, dof) * std_error
    return Effect(float(estimate), float(std_error), float(dof), float(estimate - half), float(estimate + half))


def t_quantile(confidence: float, dof: float) -> float:
    """Two-sided t multiplier for a confidence (2.2281 for 95 % and 10 degrees of freedom)."""
    # the bare function: the distribution object costs 300 times as much a call, and a fleet asks thousands of times
    return float(special.stdtrit(dof, 0.5 + confidence / 2.0))


def log_ratio(baseline: npt.ArrayLike, candidate: npt.ArrayLike, confidence: float = 0.95) -> Effect:
    """Natural logarithm of candidate over baseline (geometric means) with its Welch interval.

    The logarithm makes the effect symmetric: exchanging the sides only changes its sign.

    Parameters
    ----------
    baseline, candidate
        [shape=(n_repeat,), amplitude > 0]

    Raises
    ------
    ValueError
        If a value is not positive or a side has fewer than two.
    """
    return mean_difference(
        sample_summary(_logs(candidate)), sample_summary(_logs(baseline)), confidence
    )


def geometric_mean(values: npt.ArrayLike) -> float:
    """Geometric mean of positive values [shape=(n,)], in their unit."""
    return float(np.exp(_logs(values).mean()))


def geometric_mean_interval(values: npt.ArrayLike, confidence: float = 0.95) -> Effect:
    """Log of the geometric mean with its one-sample t interval (n - 1 degrees of freedom).

    Raises
    ------
    ValueError
        If a value is not positive or there are fewer than two.
    """
    summary = sample_summary(_logs(values))
    if summary.n < 2:
        raise ValueError(f"an interval needs two values, found {summary.n}")
    return t_interval(summary.mean, summary.std / np.sqrt(summary.n), summary.n - 1.0, confidence)


def percent_change(log_ratio_value: float) -> float:
    """Percent of the baseline that a log ratio stands for: 100 (e^x - 1).

    Examples
    --------
    >>> round(percent_change(np.log(3.5 / 4.0)), 9)
    -12.5
    """
    return float(100.0 * np.expm1(log_ratio_value))


def log_of_percent(percent: float) -> float:
    """Log ratio of a percent change; the inverse of :func:`percent_change`.

    Raises
    ------
    ValueError
        At or below -100 percent, which no positive amplitude can reach.
    """
    if percent <= -100.0:
        raise ValueError(f"a change must be above -100 percent, found {percent!r}")
    return float(np.log1p(percent / 100.0))


def fieller_interval(
    numerator: float, denominator: float, variances: tuple[float, float], multiplier: float, covariance: float = 0.0
) -> tuple[float, float] | None:
    """Limits of the ratio numerator / denominator, or None where no finite interval exists.

    Parameters
    ----------
    variances
        Of the numerator's and of the denominator's estimate (squared standard errors).
    multiplier
        t quantile for the wanted confidence.
    covariance
        Of the two estimates (paired runs).

    Returns
    -------
    tuple or None
        ``(low, high)`` of the ratio. None when denominator**2 <= t**2 var(denominator): the denominator
        is then not told apart from zero and the set is not an interval.

    References
    ----------
    E. C. Fieller, J. R. Stat. Soc. B 16, 175-185, 1954.
    """
    var_n, var_d = variances
    t2 = multiplier**2
    leading = denominator**2 - t2 * var_d
    if leading <= 0.0:
        return None
    middle = numerator * denominator - t2 * covariance
    last = numerator**2 - t2 * var_n
    # negative only through an impossible covariance or rounding where the interval is a point
    root = np.sqrt(max(middle**2 - leading * last, 0.0))
    return float((middle - root) / leading), float((middle + root) / leading)


def delta_ratio_interval(
    numerator: float, denominator: float, variances: tuple[float, float], multiplier: float, covariance: float = 0.0
) -> tuple[float, float]:
    """Limits of the ratio from first-order propagation, symmetric about the estimate.

    References
    ----------
    JCGM 100:2008, equation (13), applied to a quotient.
    """
    var_n, var_d = variances
    ratio = numerator / denominator
    relative = var_n / numerator**2 + var_d / denominator**2 - 2.0 * covariance / (numerator * denominator)
    half = multiplier * abs(ratio) * np.sqrt(relative)
    return float(ratio - half), float(ratio + half)


def _logs(values: npt.ArrayLike) -> FloatArray:
    array = np.asarray(values, dtype=np.float64).ravel()
    if array.size == 0 or not np.all(array > 0.0) or not np.all(np.isfinite(array)):
        raise ValueError(f"a log ratio needs positive finite values, found {array!r}")
    return np.log(array)


def _check_confidence(confidence: float) -> None:
    if not 0.0 < confidence < 1.0:
        raise ValueError(f"confidence must lie between 0 and 1, found {confidence!r}")
