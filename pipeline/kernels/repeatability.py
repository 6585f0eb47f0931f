"""Repeatability and reproducibility: scatter within and between groups of readings (one-way layout)."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
from scipy import special


class OneWay(NamedTuple):
    """One-way analysis of variance: sums of squares, degrees of freedom, F and its p value."""

    ss_between: float
    ss_within: float
    dof_between: int
    dof_within: int
    f: float
    p: float


class Precision(NamedTuple):
    """Standard deviations of the standard's s_r (within), s_L (between groups) and s_R (both together)."""

    mean: float
    within: float
    between: float
    reproducibility: float

    @property
    def repeatability_limit(self) -> float:
        """2.8 s_r: two readings of one group differ by more once in twenty."""
        return 2.8 * self.within

    @property
    def reproducibility_limit(self) -> float:
        """2.8 s_R: readings of two groups differ by more once in twenty."""
        return 2.8 * self.reproducibility


def one_way(groups: Sequence[npt.ArrayLike]) -> OneWay:
    """One-way analysis of variance of groups [each shape=(n_i,)], sizes may differ.

    Raises
    ------
    ValueError
        For fewer than two groups, an empty one, or no repetition within any group.
    """
    arrays = [np.asarray(group, dtype=np.float64).ravel() for group in groups]
    n = sum(array.size for array in arrays)
    k = len(arrays)
    if k < 2 or min(array.size for array in arrays) < 1 or n <= k:
        raise ValueError(f"needs two groups and repetition within them, found sizes {[a.size for a in arrays]}")
    grand = sum(float(array.sum()) for array in arrays) / n
    between = sum(array.size * (float(array.mean()) - grand) ** 2 for array in arrays)
    within = sum(float(((array - array.mean()) ** 2).sum()) for array in arrays)
    f = (between / (k - 1)) / (within / (n - k)) if within > 0.0 else float("inf")
    return OneWay(between, within, k - 1, n - k, f, float(special.fdtrc(k - 1, n - k, f)))


def precision(groups: Sequence[npt.ArrayLike]) -> Precision:
    """Repeatability and reproducibility standard deviations; a negative between-group variance counts as 0.

    References
    ----------
    ISO 5725-2:2019, 7.4.5: s_L**2 = (MS_between - s_r**2) / n_bar, s_R**2 = s_r**2 + s_L**2.
    """
    table = one_way(groups)
    sizes = np.array([np.asarray(group).size for group in groups], dtype=np.float64)
    n = sizes.sum()
    n_bar = (n - (sizes**2).sum() / n) / table.dof_between
    within = table.ss_within / table.dof_within
    between = max(0.0, (table.ss_between / table.dof_between - within) / n_bar)
    mean = sum(float(np.sum(np.asarray(group, dtype=np.float64))) for group in groups) / n
    return Precision(float(mean), float(np.sqrt(within)), float(np.sqrt(between)), float(np.sqrt(within + between)))
