"""What a column of time stamps says about the clock: rate, jitter, gaps, and whether it is uniform.

The stamps are reduced chunk by chunk (aligned to the first stamp, so cutting changes nothing) to pieces
between steps that might be gaps; what is a gap is decided at the end, when the usual step is known. Runs
between gaps share one rate and keep their own offsets: least squares of stamp against sample number.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Any, Self

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]

CHUNK = 4096
GAP_STEPS = 1.48
"""A step is a gap when it exceeds the 95th percentile of the steps by this factor: a clean clock that loses
one sample steps by 2, and whole-millisecond stamps of a 333 Hz logger (3, 3, 4) by 6 or 7 against 4."""
CANDIDATE_STEPS = 1.2
UNIFORM_STEPS = 1e-5
"""Departures this small against a step cannot be seen: -90 dB of a component at the Nyquist frequency."""
STEADY_STEPS = 0.5
"""Rms departure in steps up to which the rate is called steady."""
COARSE_RATE = 1e-3
"""Stamps coarser than this part of the record cannot say its rate."""
LOG_BINS_PER_E = 400.0
"""Steps are counted in logarithmic bins of 0.25 %."""
MOST_DECIMALS = 9


@dataclass(frozen=True, slots=True)
class ClockFit:
    """Figures of a clock. Times in the stamps' own seconds.

    ``rate_hz`` is the common rate within runs and ``rate_std_hz`` its standard uncertainty; ``usual_step_s`` the
    median of the steps that advance (to 0.3 %); ``jitter_s`` rms and ``departure_s`` half the range of the
    stamps about the fitted grid; ``resolution_s`` the smallest difference the stamps can show; ``gaps`` [stamp
    before, stamp after] with ``gap_at`` the number of the sample after each. ``uniform``: every stamp fits a
    grid of this rate within its own resolution. ``steady``: rms departure below half a step and no stamp runs
    backward.
    """

    n: int
    start_s: float
    stop_s: float
    rate_hz: float
    rate_std_hz: float
    usual_step_s: float
    resolution_s: float
    jitter_s: float
    departure_s: float
    gaps: tuple[tuple[float, float], ...]
    gap_at: tuple[int, ...]
    n_repeated: int
    n_backward: int
    uniform: bool
    steady: bool

    @property
    def duration_s(self) -> float:
        """Time covered by samples, each standing for one step: gaps are not counted."""
        return self.stop_s - self.start_s - sum(b - a for a, b in self.gaps) + (len(self.gaps) + 1) / self.rate_hz


@dataclass(slots=True)
class _Piece:
    """Stamps between two steps that might be gaps: moments of sample number k and of what stamps leave of a grid
    of the gauge's own step, r, about their means (times themselves would cancel in long records); outermost points.
    """

    n: int
    mean_k: float
    mean_r: float
    s_kk: float
    s_kr: float
    s_rr: float
    points: FloatArray
    """[shape=(4, 2), (sample number, seconds)] first, last, and the extremes about the piece's own line."""
    opening: float
    """The step that led here (0 at the very start)."""
    before: float

    def joined(self, other: _Piece) -> _Piece:
        n = self.n + other.n
        dk, dr = other.mean_k - self.mean_k, other.mean_r - self.mean_r
        share = self.n * other.n / n
        return _Piece(
            n, self.mean_k + dk * other.n / n, self.mean_r + dr * other.n / n,
            self.s_kk + other.s_kk + dk * dk * share, self.s_kr + other.s_kr + dk * dr * share,
            self.s_rr + other.s_rr + dr * dr * share, np.concatenate([self.points, other.points]),
            self.opening, self.before,
        )  # fmt: skip


class ClockGauge:
    """Gathers stamps in any portions; ``fit`` tells what they show.

    Parameters
    ----------
    tick_s
        Seconds per tick when the stamps are whole ticks; None when they are seconds, and their resolution is
        found from the decimals they use.

    Examples
    --------
    >>> gauge = ClockGauge()
    >>> gauge.push(np.arange(1000) / 500.0)
    >>> fit = gauge.fit()
    >>> round(fit.rate_hz, 6), fit.uniform
    (500.0, True)
    """

    def __init__(self, tick_s: float | None = None) -> None:
        self.tick_s = tick_s
        self._waiting: list[npt.NDArray[Any]] = []
        self._n_waiting = 0
        self._origin: Any = None
        self._last: float | None = None
        self._n = 0
        self._decimals = 0
        self._pieces: list[_Piece] = []
        self._histogram: dict[int, int] = {}
        self._n_repeated = self._n_backward = 0
        self._greatest = 0.0
        self._step = 0.0

    def push(self, stamps: npt.NDArray[Any]) -> None:
        """Take further stamps [shape=(n,), ticks or seconds].

        Raises
        ------
        ValueError
            A stamp is not finite.
        """
        if stamps.size and not np.all(np.isfinite(stamps)):
            msg = f"stamp {self._n + self._n_waiting + int(np.argmin(np.isfinite(stamps)))} is not finite"
            raise ValueError(msg)
        self._waiting.append(np.asarray(stamps))
        self._n_waiting += stamps.size
        if self._n_waiting >= CHUNK:
            everything = np.concatenate(self._waiting)
            whole = everything.size // CHUNK * CHUNK
            for start in range(0, whole, CHUNK):
                self._reduce(everything[start : start + CHUNK])
            self._waiting = [everything[whole:].copy()]
            self._n_waiting = everything.size - whole

    def merge(self, other: Self) -> None:
        """Take over what was gathered from later stamps of the same column."""
        self._settle()
        other._settle()
        if not other._n:
            return
        if not self._n:
            self.__dict__.update(other.__dict__)
            return
        if self._n == 1:
            # one stamp has no step of its own, and fits any
            self._step = other._step
        shift = self._seconds_between(other._origin)
        first = other._pieces[0].points[0, 1] + shift
        assert self._last is not None
        step = first - self._last
        self._count(np.array([step]))
        for piece in other._pieces:
            points = piece.points + np.array([float(self._n), shift])
            # the same stamps about this gauge's own step
            slope = other._step - self._step
            moved = _Piece(
                piece.n, piece.mean_k + self._n,
                piece.mean_r + slope * piece.mean_k + shift - self._step * self._n,
                piece.s_kk, piece.s_kr + slope * piece.s_kk,
                piece.s_rr + 2.0 * slope * piece.s_kr + slope**2 * piece.s_kk,
                points, piece.opening, piece.before + shift,
            )  # fmt: skip
            self._pieces.append(moved)
        lead = self._pieces[len(self._pieces) - len(other._pieces)]
        lead.opening, lead.before = step, self._last
        for key, count in other._histogram.items():
            self._histogram[key] = self._histogram.get(key, 0) + count
        self._n_repeated += other._n_repeated
        self._n_backward += other._n_backward
        self._greatest = max(self._greatest, other._greatest)
        self._decimals = max(self._decimals, other._decimals)
        assert other._last is not None
        self._last = other._last + shift
        self._n += other._n

    def fit(self) -> ClockFit:
        """What the stamps so far show.

        Raises
        ------
        ValueError
            Fewer than two stamps, or stamps that never advance.
        """
        self._settle()
        if self._n < 2:
            msg = f"a clock needs at least 2 stamps, found {self._n}"
            raise ValueError(msg)
        if not self._histogram:
            msg = f"none of the {self._n} stamps advances"
            raise ValueError(msg)
        if self._n_backward > 0.5 * (self._n - 1):
            msg = f"the {self._n} stamps do not advance on the whole: {self._n_backward} run backward"
            raise ValueError(msg)
        limit = GAP_STEPS * self._step_quantile(0.95)
        runs, opened = self._runs(limit)
        return self._fitted(runs, opened)

    def _settle(self) -> None:
        if self._n_waiting:
            self._reduce(np.concatenate(self._waiting))
            self._waiting, self._n_waiting = [], 0

    def _seconds_between(self, later: Any) -> float:
        difference = later - self._origin
        return float(difference) * (self.tick_s if self.tick_s is not None else 1.0)

    def _reduce(self, stamps: npt.NDArray[Any]) -> None:
        if self._origin is None:
            self._origin = stamps[0]
        if self.tick_s is None:
            self._decimals = _decimals(stamps, self._decimals)
            self._greatest = max(self._greatest, float(np.max(np.abs(stamps))))
            seconds = np.asarray(stamps - self._origin, dtype=np.float64)
        else:
            seconds = np.asarray(stamps - self._origin, dtype=np.float64) * self.tick_s
        if self._last is None and seconds.size > 1:
            self._step = float(seconds[-1] - seconds[0]) / (seconds.size - 1)
        opening = [] if self._last is None else [seconds[0] - self._last]
        steps = np.concatenate([opening, np.diff(seconds)])
        self._count(steps)
        self._split(seconds, steps)
        self._last = float(seconds[-1])
        self._n += seconds.size

    def _count(self, steps: FloatArray) -> None:
        forward = _forward(steps)
        if forward.size < steps.size:
            self._n_repeated += int(np.sum(steps == 0.0))
            self._n_backward += int(np.sum(steps < 0.0))
        if not forward.size:
            return
        # the logarithm rises with the step: where the ends share a bin, all steps do
        least, most = _bins(np.array([forward.min(), forward.max()])).tolist()
        bins = {least: forward.size} if least == most else _histogram(_bins(forward))
        for key, count in bins.items():
            self._histogram[key] = self._histogram.get(key, 0) + count

    def _split(self, seconds: FloatArray, steps: FloatArray) -> None:
        forward = _forward(steps)
        limit = np.inf
        if forward.size:
            # no quantile is less than the least: most clocks have no step that is so much longer
            limit = CANDIDATE_STEPS * float(forward.min())
            if max(float(steps.max()), -float(steps.min())) > limit:
                limit = CANDIDATE_STEPS * float(np.quantile(forward, 0.95))
        offset = seconds.size - steps.size
        cuts = np.flatnonzero(np.abs(steps) > limit) + offset
        edges = np.unique(np.concatenate([[0], cuts, [seconds.size]]).astype(np.int64))
        for start, stop in pairwise(edges):
            part = seconds[start:stop]
            before = float(seconds[start - 1]) if start else (self._last if self._last is not None else 0.0)
            step = float(part[0] - before) if (start or self._last is not None) else 0.0
            self._pieces.append(_piece(part, self._n + int(start), self._step, step, before))

    def _step_quantile(self, share: float) -> float:
        keys = np.array(sorted(self._histogram))
        counts = np.cumsum([self._histogram[int(key)] for key in keys])
        key = keys[int(np.searchsorted(counts, share * counts[-1]))]
        return float(np.exp(key / LOG_BINS_PER_E))

    def _runs(self, limit: float) -> tuple[list[_Piece], list[tuple[float, float, int]]]:
        runs, opened = [self._pieces[0]], []
        for piece in self._pieces[1:]:
            if abs(piece.opening) > limit:
                runs.append(piece)
                if piece.opening > 0.0:
                    at = piece.points[0]
                    opened.append((piece.before, float(at[1]), int(at[0])))
            else:
                runs[-1] = runs[-1].joined(piece)
        return runs, opened

    def _fitted(self, runs: list[_Piece], opened: list[tuple[float, float, int]]) -> ClockFit:
        s_kk = sum(run.s_kk for run in runs)
        slope = sum(run.s_kr for run in runs) / s_kk if s_kk > 0.0 else -self._step
        step = self._step + slope
        if step <= 0.0:
            msg = f"the {self._n} stamps do not advance on the whole"
            raise ValueError(msg)
        left = sum(run.s_rr - 2.0 * slope * run.s_kr + slope * slope * run.s_kk for run in runs)
        freedom = max(self._n - len(runs) - 1, 1)
        jitter = float(np.sqrt(max(left, 0.0) / freedom))
        departure = max(_departure(run, self._step, slope) for run in runs)
        resolution = self._resolution()
        covered = sum(run.n for run in runs) * step
        own = max(0.55 * resolution, UNIFORM_STEPS * step)
        uniform = departure <= own and resolution <= COARSE_RATE * covered and self._n_backward == 0
        rate = _tidy(1.0 / step, resolution / covered) if uniform else 1.0 / step
        zero = float(self._origin) * (self.tick_s if self.tick_s is not None else 1.0)
        assert self._last is not None
        return ClockFit(
            n=self._n,
            start_s=zero,
            stop_s=zero + self._last,
            rate_hz=rate,
            rate_std_hz=float(max(jitter, resolution / np.sqrt(12.0)) / np.sqrt(s_kk) / step**2),
            usual_step_s=self._step_quantile(0.5),
            resolution_s=resolution,
            jitter_s=jitter,
            departure_s=departure,
            gaps=tuple((zero + a, zero + b) for a, b, _ in opened),
            gap_at=tuple(at for _, _, at in opened),
            n_repeated=self._n_repeated,
            n_backward=self._n_backward,
            uniform=uniform,
            steady=jitter <= max(STEADY_STEPS * step, resolution) and self._n_backward == 0,
        )

    def _resolution(self) -> float:
        if self.tick_s is not None:
            return self.tick_s
        spacing = float(np.spacing(self._greatest)) * 4.0
        return spacing if self._decimals > MOST_DECIMALS else max(10.0**-self._decimals, spacing)


def clock_fit(stamps: npt.NDArray[Any], tick_s: float | None = None) -> ClockFit:
    """The clock behind a whole column of stamps; see ``ClockGauge``."""
    gauge = ClockGauge(tick_s)
    gauge.push(stamps)
    return gauge.fit()


def _forward(steps: FloatArray) -> FloatArray:
    return steps if steps.size and steps.min() > 0.0 else steps[steps > 0.0]


def _bins(steps: FloatArray) -> npt.NDArray[np.int64]:
    return np.rint(np.log(steps) * LOG_BINS_PER_E).astype(np.int64)


def _histogram(keys: npt.NDArray[np.int64]) -> dict[int, int]:
    """How often each key is there, of which there is at least one, in order."""
    least = int(keys.min())
    if int(keys.max()) - least > keys.size:
        distinct, counts = np.unique(keys, return_counts=True)
        return dict(zip(distinct.tolist(), counts.tolist(), strict=True))
    # steps of a clock are much the same: counting them takes no sorting
    found = np.bincount(keys - least)
    distinct = np.flatnonzero(found)
    return dict(zip((distinct + least).tolist(), found[distinct].tolist(), strict=True))


def _piece(seconds: FloatArray, first: int, grid_s: float, opening: float, before: float) -> _Piece:
    k = np.arange(seconds.size, dtype=np.float64)
    rest = seconds - grid_s * (first + k)
    mean_k, mean_r = 0.5 * (seconds.size - 1), float(np.mean(rest))
    dk, dr = k - mean_k, rest - mean_r
    s_kk, s_kr, s_rr = float(dk @ dk), float(dk @ dr), float(dr @ dr)
    departure = dr - (s_kr / s_kk if s_kk > 0.0 else 0.0) * dk
    shown = np.array([0, seconds.size - 1, int(np.argmin(departure)), int(np.argmax(departure))])
    points = np.stack([first + k[shown], seconds[shown]], axis=1)
    return _Piece(seconds.size, first + mean_k, mean_r, s_kk, s_kr, s_rr, points, opening, before)


def _departure(run: _Piece, grid_s: float, slope: float) -> float:
    """Half the range of a run's stamps about its line, given by its slope over the gauge's own step."""
    left = run.points[:, 1] - grid_s * run.points[:, 0] - run.mean_r - slope * (run.points[:, 0] - run.mean_k)
    return 0.5 * float(np.ptp(left))


def _decimals(stamps: npt.NDArray[Any], least: int) -> int:
    """Decimals needed to write all stamps, at least ``least``; more than MOST_DECIMALS means "all of them"."""
    values = np.asarray(stamps, dtype=np.float64)
    for decimals in range(least, MOST_DECIMALS + 1):
        scaled = values * 10.0**decimals
        slack = 4.0 * np.spacing(np.max(np.abs(scaled)))
        if slack > 0.01:
            break
        if np.all(np.abs(scaled - np.rint(scaled)) <= slack):
            return decimals
    return MOST_DECIMALS + 1


def _tidy(rate_hz: float, relative: float) -> float:
    """The whole number of Hz, or of microseconds a step, that the stamps cannot tell from this rate."""
    slack = max(relative, 1e-12)
    for candidate in (float(round(rate_hz)), 1e6 / max(round(1e6 / rate_hz), 1)):
        if candidate > 0.0 and abs(candidate / rate_hz - 1.0) <= slack:
            return candidate
    return rate_hz
