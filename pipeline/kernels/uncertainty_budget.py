"""Uncertainty budget: components with their degrees of freedom, combined and expanded."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from .effects import t_quantile


class Budget(NamedTuple):
    """Combined standard uncertainty (unit of the components) and effective degrees of freedom."""

    combined: float
    dof: float

    def expanded(self, confidence: float = 0.95, *, truncate: bool = False) -> float:
        """Half width of the interval; ``truncate`` rounds the degrees of freedom down as G.4.1 note 1 allows."""
        dof = max(1.0, float(np.floor(self.dof))) if truncate and np.isfinite(self.dof) else self.dof
        return self.combined * t_quantile(confidence, dof)


def combined_uncertainty(components: npt.ArrayLike, dof: npt.ArrayLike) -> Budget:
    """Root sum of squares of uncorrelated components and Welch-Satterthwaite degrees of freedom.

    Parameters
    ----------
    components
        [shape=(m,)] standard uncertainties already multiplied by their sensitivity, one unit.
    dof
        [shape=(m,)] degrees of freedom, infinite where the component is known exactly.

    Raises
    ------
    ValueError
        For no components, negative ones, or degrees of freedom that are not positive.

    References
    ----------
    JCGM 100:2008, equations (10) and (G.2b).
    """
    u, nu = np.broadcast_arrays(np.asarray(components, dtype=np.float64), np.asarray(dof, dtype=np.float64))
    if u.size == 0 or np.any(u < 0.0) or not np.all(nu > 0.0):
        raise ValueError("a budget needs non-negative components with positive degrees of freedom")
    combined = float(np.sqrt((u**2).sum()))
    if combined == 0.0:
        return Budget(0.0, float("inf"))
    spread = float(((u / combined) ** 4 / nu).sum())
    return Budget(combined, 1.0 / spread if spread > 0.0 else float("inf"))
