"""Whether a beat is made by one neighbour or by two at equal distances on either side of the line.

With ``x`` the neighbour above and ``y`` the one below, both over the line, ``log(1 + x exp(i b) + y exp(-i b))``
holds ``x exp(i b) + y exp(-i b)`` exactly but for terms of third order. Its real part, the beat of the amplitude,
tells only ``x + conj(y)``: two neighbours there may add up or cancel. Its imaginary part, the beat of the phase,
tells ``x - conj(y)``; both together tell the two apart. The phase needs no track of its own: whatever of the beat
the track has followed stands in the track's cycles and is added to what it left.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
ComplexArray = npt.NDArray[np.complex128]

AROUND_CELLS = np.concatenate([np.arange(-9, -2), np.arange(3, 10)])
"""Cells either side of a beat that tell the noise about it: outside a Hann window's own three, near enough that
the wander of the speed, which the phase shows in full, hardly slopes."""


STANDS_OUT = 4.0
"""The weaker side must be this many times the root of the noise power about it: one chance in ten million."""


@dataclass(frozen=True)
class Sides:
    """Squared share of the line's amplitude that stands on either side at one distance.

    ``square`` [shape=(2, n_channel)]: the stronger side, then the weaker, noise not removed; ``noise``
    [shape=(n_channel,)]: expected share of noise in each.
    """

    square: FloatArray
    noise: FloatArray

    def strongest(self, weight: FloatArray) -> float:
        """Squared share of the stronger side, channels counted by ``weight`` [shape=(n_channel,)]."""
        return float(weight @ self.square[0])

    def both(self, weight: FloatArray, strongest: float = 0.0) -> bool:
        """Whether the weaker side stands out too, channels counted by ``weight`` [shape=(n_channel,)].

        A strong neighbour, whose higher terms a band cuts off, leaves up to its third order on the other side and
        at multiples of its distance; ``strongest``: squared share of the strongest one in the band.
        """
        strong, weak = max(strongest, self.strongest(weight)), weight @ self.square[1]
        return bool(weak > max(strong**3, STANDS_OUT**2 * (weight @ self.noise)))


@dataclass(frozen=True)
class Stopped:
    """Line and neighbours of one run, stopped by the track, nothing beyond them in the band.

    ``values`` [complex, shape=(n_channel, n)]; ``time_s``, ``cycles`` [shape=(n,)]: instants, and the line's
    cycles by the track relative to any constant frequency.
    """

    values: ComplexArray
    time_s: FloatArray
    cycles: FloatArray


def sides(runs: list[Stopped], weight: FloatArray, away_hz: float, edge_s: float) -> Sides:
    """Neighbours on both sides of the line, ``away_hz`` from it at its mean speed, that follow its angle.

    Parameters
    ----------
    runs
        The line must be the strongest in them.
    weight
        Say of each channel in which side is the stronger [shape=(n_channel,)].
    edge_s
        Left out at either end of a run, where the band's filter rings.
    """
    spans = np.array([run.time_s[-1] - run.time_s[0] for run in runs])
    found = [_of_run(run, away_hz, edge_s) for run in runs]
    square, noise = (np.tensordot(spans / spans.sum(), np.stack(part), 1) for part in zip(*found, strict=True))
    return Sides(square if weight @ square[0] >= weight @ square[1] else square[::-1], noise)


def _of_run(run: Stopped, away_hz: float, edge_s: float) -> tuple[FloatArray, FloatArray]:
    """Squared shares above and below [shape=(2, n_channel)], and what noise adds to each [shape=(n_channel,)]."""
    at, cycles = run.time_s, run.cycles
    rate = (cycles[-1] - cycles[0]) / (at[-1] - at[0])
    turned = cycles - cycles[0] - rate * (at - at[0])
    grown = np.log(np.maximum(np.abs(run.values), 1e-300))
    phase = np.unwrap(np.angle(run.values), axis=-1) + 2.0 * np.pi * turned
    angle = at + turned / rate
    first, last = angle[0] + edge_s, angle[-1] - edge_s
    # summed over the angle where the samples stand: straight lines between them would take 3 % of a fast beat
    inner = (angle >= first) & (angle <= last)
    window = np.where(inner, np.sin(np.pi * (angle - first) / (last - first)) ** 2, 0.0) * np.gradient(angle)
    cells = np.concatenate([[0], AROUND_CELLS]) / (last - first)
    turns = np.exp(-2j * np.pi * (away_hz + cells)[:, None] * angle) * (2.0 * window / window.sum())
    of_growth, of_phase = (np.stack([turns @ _level(one) for one in part]) for part in (grown, phase))
    either = np.stack([np.abs(of_growth[:, 0] + sign * of_phase[:, 0]) ** 2 for sign in (1j, -1j)])
    around = np.mean(np.abs(of_growth[:, 1:]) ** 2 + np.abs(of_phase[:, 1:]) ** 2, axis=-1)
    return either / 4.0, around / 4.0


def _level(values: FloatArray) -> FloatArray:
    """Values less the straight line through them: a trend's leakage would count as noise."""
    at = np.linspace(-1.0, 1.0, values.size)
    left = values - values.mean()
    return np.asarray(left - at * (left @ at) / (at @ at))
