"""Moderated variances: a platform's few repeats borrow scatter from the whole fleet (empirical Bayes)."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt
from scipy import special

from .roots import brent_root

FloatArray = npt.NDArray[np.float64]


class VariancePrior(NamedTuple):
    """The fleet's scatter: prior variance and how many degrees of freedom it is worth (may be infinite)."""

    variance: float
    dof: float


def variance_prior(variances: npt.ArrayLike, dof: npt.ArrayLike) -> VariancePrior:
    """Scaled inverse chi-square prior of sample variances, by moments of their logarithms.

    Parameters
    ----------
    variances
        [shape=(m,)] sample variances; those below what chance gives once in a thousand (at most 1e-3 of
        the median) are lifted to it: repeats that happen to agree are no evidence of perfection, and
        their logarithm would outvote all others.
    dof
        [shape=(m,)] degrees of freedom, at least 1 each.

    Returns
    -------
    VariancePrior
        Infinite ``dof`` when the variances scatter no more than one common variance would make them;
        then the pooled variance.

    Raises
    ------
    ValueError
        For no variance, a negative one, degrees of freedom below 1, or all variances zero.

    References
    ----------
    G. K. Smyth, Stat. Appl. Genet. Mol. Biol. 3(1), article 3, 2004, section 6.2.
    """
    s2, d = np.broadcast_arrays(np.asarray(variances, dtype=np.float64), np.asarray(dof, dtype=np.float64))
    if s2.size == 0 or np.any(s2 < 0.0) or np.any(d < 1.0) or not np.any(s2 > 0.0):
        raise ValueError("a prior needs non-negative variances, not all zero, with at least 1 degree of freedom")
    pooled = float((d * s2).sum() / d.sum())
    if s2.size < 3:
        # two points do not tell a spread of variances from chance
        return VariancePrior(pooled, float("inf"))
    once_in_a_thousand = np.minimum(special.chdtri(d, 0.999) / d, 1e-3)
    lifted = np.maximum(s2, once_in_a_thousand * float(np.median(s2[s2 > 0.0])))
    centred = np.log(lifted) - special.digamma(d / 2.0) + np.log(d / 2.0)
    excess = float(centred.var(ddof=1) - special.polygamma(1, d / 2.0).mean())
    if excess <= 0.0:
        return VariancePrior(pooled, float("inf"))
    prior_dof = 2.0 * inverse_trigamma(excess)
    shift = special.digamma(prior_dof / 2.0) - np.log(prior_dof / 2.0)
    return VariancePrior(float(np.exp(centred.mean() + shift)), prior_dof)


def moderated_variance(variances: npt.ArrayLike, dof: npt.ArrayLike, prior: VariancePrior) -> FloatArray:
    """Posterior variances [shape=(m,)]: the weighted mean of own and prior variance by degrees of freedom."""
    s2, d = np.asarray(variances, dtype=np.float64), np.asarray(dof, dtype=np.float64)
    if np.isinf(prior.dof):
        return np.full(np.broadcast_shapes(s2.shape, d.shape), prior.variance)
    return np.asarray((prior.dof * prior.variance + d * s2) / (prior.dof + d), dtype=np.float64)


def inverse_trigamma(value: float) -> float:
    """The x at which the trigamma function takes a positive value.

    Examples
    --------
    >>> round(inverse_trigamma(np.pi**2 / 6), 9)
    1.0
    """
    if value <= 0.0:
        raise ValueError(f"the trigamma function is positive, found {value!r}")
    # trigamma lies between 1/x and 1/x + 1/x**2, which brackets its inverse
    low = 0.5 / value
    high = (1.0 + np.sqrt(1.0 + 4.0 * value)) / (2.0 * value) + 1.0 / np.sqrt(value)
    return brent_root(lambda x: special.polygamma(1, x) - value, low, high, xtol=1e-14, rtol=1e-13)
