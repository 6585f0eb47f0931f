"""Clipped samples: runs of equal values at a channel's extreme, told apart from a coarse converter.

A clipped sample lies in a run of three or more equal values at the channel's extreme or at a stated full
scale. Such runs also come about honestly: a slow or quiet signal seen through a coarse converter rests on its
highest code. Two things tell them apart. A limiter piles samples up *on one code*: the codes just below are
passed through quickly. A smooth crest of a quantised signal spends, by its parabola, 1 : 0.41 : 0.32 of its
time on its three highest codes, so its extreme holds at most 2.5 times what the next code holds. And where
consecutive samples hardly ever agree elsewhere, three equal ones on the extreme are no accident.

A signal near half the sampling rate meets its limit without ever staying there for three samples. Where the
pile on the extreme is beyond any doubt, its single samples count too.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import lru_cache
from itertools import pairwise
from typing import Any

import numpy as np
import numpy.typing as npt

from .run_lengths import BoolArray, RunTally, tally_of_places

FloatArray = npt.NDArray[np.float64]
AnyArray = npt.NDArray[Any]

SHORTEST_RUN = 3
"""Equal values in a row that count as clipped (two agree by chance in any converter of limited width)."""

CODES_KEPT = 4
"""The extreme and the three codes below it."""

GROUP = 256
"""Samples looked at by their extreme alone until it is known which of them may hold one of these codes."""


@dataclass(frozen=True, slots=True)
class ExtremeCount:
    """What one side of one channel shows: ``codes`` (greatest first) with how often each was seen.

    ``runs`` tallies the runs on ``codes[0]``.
    """

    codes: tuple[float, ...] = ()
    seen: tuple[int, ...] = ()
    runs: RunTally = field(default_factory=lambda: RunTally(SHORTEST_RUN))

    def then(self, later: ExtremeCount, *, joined: bool = True) -> ExtremeCount:
        """Both stretches as one; exact, since a code once pushed out by greater ones cannot come back."""
        if not self.codes or not later.codes:
            return self if self.codes else later
        both: dict[float, int] = dict(zip(self.codes, self.seen, strict=True))
        for code, count in zip(later.codes, later.seen, strict=True):
            both[code] = both.get(code, 0) + count
        codes = tuple(sorted(both, reverse=True)[:CODES_KEPT])
        ours = self.runs if self.codes[0] == codes[0] else RunTally(SHORTEST_RUN, self.runs.n)
        theirs = later.runs if later.codes[0] == codes[0] else RunTally(SHORTEST_RUN, later.runs.n)
        return ExtremeCount(codes, tuple(both[code] for code in codes), ours.then(theirs, joined=joined))


def extreme_count(values: AnyArray, known: ExtremeCount | None = None, *, lower: bool = False) -> ExtremeCount:
    """Count of the upper extreme of one stretch [shape=(n,)], of values or of native counts.

    With ``lower`` that of the lower extreme, as the upper one of the negated values. ``known`` (what came before)
    only saves work: codes below its lowest kept one need no counting.
    """
    # groups of samples by their own extremes: all but a few of them are done with by that
    tops = (np.minimum if lower else np.maximum).reduceat(values, _group_starts(len(values)))
    extreme = tops.min() if lower else tops.max()
    greatest = -float(extreme) if lower else float(extreme)
    if known is not None and len(known.codes) == CODES_KEPT:
        if greatest < known.codes[-1]:
            # nothing here reaches the codes that matter; the stretch's own maximum keeps the length right
            return ExtremeCount((greatest,), (0,), RunTally(SHORTEST_RUN, len(values)))
        limit = known.codes[-1]
    else:
        limit = _limit(values, tops, lower=lower)
    places = _places_beyond(values, tops, limit, lower=lower)
    rest = values[places]
    codes, seen = _top_codes(rest, lower=lower)
    return ExtremeCount(codes, seen, tally_of_places(places[rest == extreme], len(values), SHORTEST_RUN))


@lru_cache(maxsize=8)
def _group_starts(n: int) -> npt.NDArray[np.int64]:
    starts = np.arange(0, n, GROUP)
    starts.setflags(write=False)
    return starts


def _limit(values: AnyArray, tops: AnyArray, *, lower: bool) -> float:
    """A code that the fourth highest of all does not lie below: the fourth of any part of the samples will do."""
    for some in (tops, values[:: max(1, len(values) // 512)]):
        codes, _ = _top_codes(some, lower=lower)
        if len(codes) == CODES_KEPT:
            return codes[-1]
    return -float(values.max()) if lower else float(values.min())


def _places_beyond(values: AnyArray, tops: AnyArray, limit: float, *, lower: bool) -> npt.NDArray[np.int64]:
    """Indices, in order, of the samples at a code or beyond it."""
    near = np.flatnonzero(_reach(tops, limit, lower=lower))
    if 8 * near.size > tops.size:
        return np.flatnonzero(_reach(values, limit, lower=lower))
    places = (GROUP * near[:, None] + np.arange(GROUP)).ravel()
    if near[-1] == tops.size - 1:
        places = places[: places.size - (tops.size * GROUP - len(values))]
    return places[_reach(values[places], limit, lower=lower)]


def _top_codes(values: AnyArray, *, lower: bool) -> tuple[tuple[float, ...], tuple[int, ...]]:
    """The highest distinct codes, greatest first (with ``lower`` negated, least first), and how often each is there."""
    ordered = np.sort(values)
    if not lower:
        ordered = ordered[::-1]
    # numpy's own count of distinct values takes longer over its arguments than over so few numbers
    lasts = np.flatnonzero(ordered[1:] != ordered[:-1])[:CODES_KEPT].tolist()
    if len(lasts) < CODES_KEPT:
        lasts.append(ordered.size - 1)
    codes = tuple(-float(ordered[at]) if lower else float(ordered[at]) for at in lasts)
    return codes, tuple(at - before for before, at in pairwise([-1, *lasts]))


def _reach(values: AnyArray, code: float, *, lower: bool) -> BoolArray:
    """Which samples lie at a code or beyond it; integers are compared as integers, which is several times as fast."""
    limit = -code if lower else code
    whole = int(limit) if values.dtype.kind in "iu" else limit
    return np.asarray(values <= whole if lower else values >= whole, dtype=np.bool_)


def at_full_scale(values: FloatArray, full_scale: float) -> BoolArray:
    """Samples at or beyond the stated full scale [shape like values]; a part in 1e9 covers rounding."""
    return np.asarray(np.abs(values) >= abs(full_scale) * (1.0 - 1e-9), dtype=np.bool_)


@dataclass(frozen=True, slots=True)
class ClipRule:
    """When a run on the extreme is clipping and not a coarse converter at work.

    ``pile_up``: samples on the extreme per sample on any of the next three codes (a smooth crest reaches
    2.5; 5 leaves room for chance). ``fewest_codes``: a channel spanning fewer codes than this is quiet, and
    no limiter sits within so few codes of its rest. ``fine_share``: share of consecutive equal samples
    elsewhere below which the converter counts as fine; then every run counts. ``fine_codes``: codes the
    channel must span for that. ``lone_pile_up`` and ``lone_least``: the same ratio and the least number of
    samples on the extreme from which they count without lying in runs.
    """

    pile_up: float = 5.0
    fewest_codes: float = 16.0
    fine_share: float = 0.01
    fine_codes: float = 64.0
    lone_pile_up: float = 10.0
    lone_least: int = 10


def clipped_samples(
    count: ExtremeCount, n_equal: int, step: float, spread: float, rule: ClipRule
) -> tuple[int, int]:
    """Samples of one side that are clipped, and the longest run of them; (0, 0) where none are.

    ``n_equal``: samples that equal the one before; ``step``: least difference between samples; ``spread``:
    greatest minus least value (all of the whole channel).
    """
    n_runs, span = count.runs.total, spread / step if step > 0.0 else 0.0
    if not count.seen or span < rule.fewest_codes:
        return 0, 0
    n, longest, below = count.seen[0], count.runs.greatest, max(count.seen[1:], default=0)
    wide = span >= rule.fine_codes
    if wide and n_runs < 0.25 * n and n >= max(rule.lone_least, rule.lone_pile_up * below):
        return n, longest
    if n_runs == 0:
        return 0, 0
    fine = wide and max(n_equal - n_runs, 0) <= rule.fine_share * count.runs.n
    # one more than the codes below hold: a crest of 5 samples between single ones on the next code is chance
    return (n_runs, longest) if fine or n_runs >= rule.pile_up * (below + 1) else (0, 0)


def least_difference(*counts: ExtremeCount) -> float:
    """Least distance of neighbouring codes among those kept (inf where fewer than two are)."""
    gaps = [a - b for count in counts for a, b in pairwise(count.codes)]
    return min(gaps, default=float("inf"))
