"""The root of a function between two bounds."""

from __future__ import annotations

from collections.abc import Callable

from scipy.optimize import brentq


def brent_root(
    function: Callable[[float], float], low: float, high: float, *, xtol: float = 2e-12, rtol: float = 9e-16
) -> float:
    """Where ``function`` changes its sign between ``low`` and ``high`` (Brent's method).

    >>> round(brent_root(lambda x: x * x - 2.0, 0.0, 2.0), 9)
    1.414213562

    Raises
    ------
    ValueError
        The same sign at both bounds.
    """
    return float(brentq(function, low, high, xtol=xtol, rtol=rtol))
