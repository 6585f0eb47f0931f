"""Natural cubic spline through a few hundred points, and its integral: what a path of speed needs of one.

A general spline routine costs a third of a second to import in every process, and half a millisecond a spline.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]


class NaturalSpline:
    """Cubic through points whose second derivative is continuous, and nothing at both ends.

    Parameters
    ----------
    at
        Knots, rising [shape=(n,)], at least two.
    values
        What the spline takes there [shape=(n,)].

    Notes
    -----
    The second derivatives at the knots solve a tridiagonal system; between two knots the cubic is theirs. The
    first and the last cubic go on beyond the ends.

    References
    ----------
    C. de Boor, "A Practical Guide to Splines", 1978, chapter IV.

    Examples
    --------
    >>> line = NaturalSpline(np.array([0.0, 1.0, 3.0]), np.array([1.0, 3.0, 7.0]))
    >>> line(np.array([0.5, 2.0])).tolist(), line.integral(np.array([3.0])).tolist()
    ([2.0, 5.0], [12.0])
    """

    def __init__(self, at: FloatArray, values: FloatArray) -> None:
        step = np.diff(at)
        slope = np.diff(values) / step
        bend = np.zeros(at.size)
        bend[1:-1] = _tridiagonal((step[:-1] + step[1:]) / 3.0, step[1:-1] / 6.0, np.diff(slope))
        self._at = at
        # of each piece, by powers of the distance from its left knot
        self._terms = np.stack([
            values[:-1], slope - step * (2.0 * bend[:-1] + bend[1:]) / 6.0, 0.5 * bend[:-1],
            np.diff(bend) / (6.0 * step),
        ])  # fmt: skip
        pieces = step * (values[:-1] + values[1:]) / 2.0 - step**3 * (bend[:-1] + bend[1:]) / 24.0
        self._before = np.concatenate([[0.0], np.cumsum(pieces[:-1])])

    def __call__(self, where: FloatArray) -> FloatArray:
        """The spline [shape of ``where``]."""
        piece, x = self._placed(where)
        a, b, c, d = self._terms[:, piece]
        return np.asarray(a + x * (b + x * (c + x * d)))

    def integral(self, where: FloatArray) -> FloatArray:
        """Its integral from the first knot on [shape of ``where``]."""
        piece, x = self._placed(where)
        a, b, c, d = self._terms[:, piece]
        return np.asarray(self._before[piece] + x * (a + x * (b / 2.0 + x * (c / 3.0 + x * d / 4.0))))

    def _placed(self, where: FloatArray) -> tuple[npt.NDArray[np.intp], FloatArray]:
        # for whole numbers numpy's clip asks for their limits, at the price of the search itself
        piece = np.minimum(np.maximum(np.searchsorted(self._at, where, side="right") - 1, 0), self._at.size - 2)
        return piece, where - self._at[piece]


def _tridiagonal(diagonal: FloatArray, beside: FloatArray, right: FloatArray) -> FloatArray:
    """Solution of a symmetric tridiagonal system whose diagonal outweighs what is beside it (Thomas)."""
    if diagonal.size == 0:
        return right
    pivot, carried = diagonal.tolist(), right.tolist()
    off = beside.tolist()
    # plain numbers: a few hundred steps that wait for one another take numpy ten times as long
    for k, own in enumerate(off):
        share = own / pivot[k]
        pivot[k + 1] -= share * own
        carried[k + 1] -= share * carried[k]
    carried[-1] /= pivot[-1]
    for k in range(len(off) - 1, -1, -1):
        carried[k] = (carried[k] - off[k] * carried[k + 1]) / pivot[k]
    return np.array(carried)
