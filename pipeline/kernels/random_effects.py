"""What holds over several platforms: common effect, heterogeneity, random effects, prediction.

``y`` [shape=(k,)] are effects (log ratios) of k platforms, ``v`` [shape=(k,)] their variances.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from .effects import Effect, t_interval, t_quantile
from .roots import brent_root

FloatArray = npt.NDArray[np.float64]


class Pooled(NamedTuple):
    """A pooled effect with its standard error (variances taken as known) and the tau squared used."""

    effect: float
    std_error: float
    tau2: float


class Heterogeneity(NamedTuple):
    """Cochran's Q, its degrees of freedom, and I squared in percent (floored at 0)."""

    q: float
    dof: int
    i2: float


def pooled_effect(y: npt.ArrayLike, v: npt.ArrayLike, tau2: float = 0.0) -> Pooled:
    """Inverse-variance mean with weights 1 / (v + tau2); ``tau2 = 0`` is the common effect.

    Raises
    ------
    ValueError
        If shapes differ, fewer than two effects, a variance is not positive, or tau2 is negative.
    """
    effects, variances = _checked(y, v)
    if tau2 < 0.0:
        raise ValueError(f"tau squared cannot be negative, found {tau2!r}")
    weights = 1.0 / (variances + tau2)
    total = weights.sum()
    return Pooled(float((weights * effects).sum() / total), float(np.sqrt(1.0 / total)), float(tau2))


def heterogeneity(y: npt.ArrayLike, v: npt.ArrayLike) -> Heterogeneity:
    """Cochran's Q about the common effect, and I squared = 100 (Q - df) / Q.

    References
    ----------
    J. P. T. Higgins, S. G. Thompson, Stat. Med. 21, 1539-1558, 2002.
    """
    effects, variances = _checked(y, v)
    q = generalised_q(effects, variances, 0.0)
    dof = effects.size - 1
    return Heterogeneity(q, dof, float(100.0 * max(0.0, (q - dof) / q)) if q > 0.0 else 0.0)


def generalised_q(y: npt.ArrayLike, v: npt.ArrayLike, tau2: float) -> float:
    """Weighted sum of squares about the pooled effect with weights 1 / (v + tau2)."""
    effects, variances = _checked(y, v)
    weights = 1.0 / (variances + tau2)
    centre = (weights * effects).sum() / weights.sum()
    return float((weights * (effects - centre) ** 2).sum())


def dersimonian_laird_tau2(y: npt.ArrayLike, v: npt.ArrayLike) -> float:
    """Moment estimate of the between-platform variance, floored at 0.

    References
    ----------
    R. DerSimonian, N. Laird, Control. Clin. Trials 7, 177-188, 1986.
    """
    effects, variances = _checked(y, v)
    weights = 1.0 / variances
    scale = weights.sum() - (weights**2).sum() / weights.sum()
    return float(max(0.0, (generalised_q(effects, variances, 0.0) - (effects.size - 1)) / scale))


def paule_mandel_tau2(y: npt.ArrayLike, v: npt.ArrayLike) -> float:
    """The tau squared at which the generalised Q equals k - 1, floored at 0.

    References
    ----------
    R. C. Paule, J. Mandel, J. Res. Natl. Bur. Stand. 87, 377-385, 1982.
    """
    effects, variances = _checked(y, v)
    wanted = effects.size - 1
    if generalised_q(effects, variances, 0.0) <= wanted:
        return 0.0
    top = _ceiling(effects, variances)
    found = brent_root(lambda t: generalised_q(effects, variances, t) - wanted, 0.0, top, xtol=1e-15, rtol=1e-14)
    return float(found)


def reml_tau2(y: npt.ArrayLike, v: npt.ArrayLike) -> float:
    """Restricted maximum likelihood estimate of the between-platform variance, floored at 0.

    References
    ----------
    S. W. Raudenbush, in: The Handbook of Research Synthesis and Meta-Analysis, 2nd ed., 2009, eq. 16.22.
    """
    return _likelihood_tau2(y, v, restricted=True)


def ml_tau2(y: npt.ArrayLike, v: npt.ArrayLike) -> float:
    """Maximum likelihood estimate of the between-platform variance, floored at 0 (biased low)."""
    return _likelihood_tau2(y, v, restricted=False)


def hartung_knapp(
    y: npt.ArrayLike, v: npt.ArrayLike, tau2: float, confidence: float = 0.95, *, floored: bool = False
) -> Effect:
    """Random-effects mean with the Hartung-Knapp standard error and t interval on k - 1 degrees of freedom.

    ``floored`` keeps the standard error from falling below the one with known variances.

    References
    ----------
    J. Hartung, G. Knapp, Stat. Med. 20, 3875-3889, 2001.
    """
    effects, variances = _checked(y, v)
    pooled = pooled_effect(effects, variances, tau2)
    dof = effects.size - 1
    stretch = generalised_q(effects, variances, tau2) / dof
    if floored:
        stretch = max(stretch, 1.0)
    return t_interval(pooled.effect, pooled.std_error * float(np.sqrt(stretch)), dof, confidence)


def prediction_interval(
    effect: float, std_error: float, tau2: float, k: int, confidence: float = 0.95
) -> tuple[float, float]:
    """Where the true effect of a new platform would lie: t with k - 2 degrees of freedom.

    Raises
    ------
    ValueError
        For fewer than three platforms.

    References
    ----------
    J. P. T. Higgins, S. G. Thompson, D. J. Spiegelhalter, J. R. Stat. Soc. A 172, 137-159, 2009, eq. 12.
    """
    if k < 3:
        raise ValueError(f"a prediction needs three platforms, found {k}")
    half = t_quantile(confidence, k - 2.0) * float(np.sqrt(tau2 + std_error**2))
    return float(effect - half), float(effect + half)


def _likelihood_tau2(y: npt.ArrayLike, v: npt.ArrayLike, *, restricted: bool) -> float:
    effects, variances = _checked(y, v)

    def deviance(tau2: FloatArray) -> FloatArray:
        total = variances + tau2[:, np.newaxis]
        weights = 1.0 / total
        mass = weights.sum(axis=1)
        centre = (weights * effects).sum(axis=1) / mass
        spread = (weights * (effects - centre[:, np.newaxis]) ** 2).sum(axis=1)
        return np.asarray(np.log(total).sum(axis=1) + spread + (np.log(mass) if restricted else 0.0))

    def score(tau2: float) -> float:
        weights = 1.0 / (variances + tau2)
        centre = (weights * effects).sum() / weights.sum()
        value = (weights**2 * (effects - centre) ** 2).sum() - weights.sum()
        return float(value + ((weights**2).sum() / weights.sum() if restricted else 0.0))

    # the likelihood can have more than one hump: find the best on a grid first, then its stationary point
    grid = np.concatenate(([0.0], np.geomspace(1e-6, 1.0, 121) * _ceiling(effects, variances)))
    best = int(np.argmin(deviance(grid)))
    low, high = float(grid[max(best - 1, 0)]), float(grid[min(best + 1, grid.size - 1)])
    if score(low) <= 0.0:
        return low if best else 0.0
    if score(high) >= 0.0:
        return high
    return brent_root(score, low, high, xtol=1e-15, rtol=1e-14)


def _ceiling(effects: FloatArray, variances: FloatArray) -> float:
    # Q(tau2) < spread / tau2, so beyond the total squared spread no estimating equation has a root
    spread = float(((effects - effects.mean()) ** 2).sum())
    return 2.0 * spread + float(variances.max())


def _checked(y: npt.ArrayLike, v: npt.ArrayLike) -> tuple[FloatArray, FloatArray]:
    effects, variances = np.asarray(y, dtype=np.float64), np.asarray(v, dtype=np.float64)
    if effects.ndim != 1 or effects.shape != variances.shape or effects.size < 2:
        raise ValueError(f"effects and variances need one shape (k >= 2,), found {effects.shape}, {variances.shape}")
    if not np.all(np.isfinite(effects)) or not np.all(variances > 0.0):
        raise ValueError("effects must be finite and variances positive")
    return effects, variances
