"""The next test: which runs in which order, and what they would settle."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from ..contracts import Comparison
from ..kernels import effects, power
from .comparing import Outcome
from .sentences import in_words, number_word
from .study_file import Study

FIRST_REPEATS = 3
"""Where scatter is not known yet: the fewest fittings whose interval is not twice as wide as it need be."""

_FIRST_NEEDED = ("takes_only", "single_repeat", "no_capture", "not_comparable")


@dataclass(frozen=True, slots=True)
class Run:
    """One fitting of the plan. ``note`` says what is special about it."""

    number: int
    part: str
    note: str = ""


@dataclass(frozen=True, slots=True)
class PlatformPlan:
    """Runs on one platform, in order, and the questions they answer.

    ``more`` holds the further fittings a part; the runs may hold more of the baseline, which starts every
    round and ends the session. ``not_settled`` are questions that fittings will not answer, with the reason.
    """

    platform: str
    runs: tuple[Run, ...]
    more: Mapping[str, int]
    why: tuple[str, ...]
    not_settled: tuple[str, ...] = ()
    looks: int = 1
    """What ``looks`` in the study file must be when these runs are judged together with the earlier ones."""


def plan_next(study: Study, outcome: Outcome) -> tuple[PlatformPlan, ...]:
    """What to measure next on each platform with a question that is not answered yet.

    One fitting serves all positions and conditions of its platform, so the largest need counts.
    """
    platforms: dict[str, list[Comparison]] = {}
    for c in outcome.verdicts:
        platforms.setdefault(c.platform, []).append(c)
    plans = [_platform_plan(study, platform, members) for platform, members in platforms.items()]
    return tuple(plan for plan in plans if plan.runs or plan.not_settled)


def fresh_plan(
    study: Study, platform: str, candidates: Sequence[str], repeats: int = FIRST_REPEATS, scatter_percent: float = 3.0
) -> PlatformPlan:
    """A first test of some candidates on one platform, and the change it would show.

    ``scatter_percent`` is the standard deviation of a reading between fittings; 3 % is usual.
    """
    std = effects.log_of_percent(scatter_percent)
    change = effects.percent_change(power.detectable_change(std, repeats, study.confidence_per_look))
    why = (
        f"{number_word(repeats)} repeats a part tell a change of {change:.0f} % from none in four studies of five, if "
        f"fittings scatter by {scatter_percent:g} %"
    )
    more = {study.baseline: repeats, **dict.fromkeys(candidates, repeats)}
    return PlatformPlan(platform, run_order(study.baseline, more), more, (why,), looks=study.looks)


def run_order(baseline: str, more: Mapping[str, int]) -> tuple[Run, ...]:
    """Fittings in an order in which drift cancels: each round begins with the baseline, candidates go forth
    and back in turn, and the baseline refitted ends the plan.

    ``more`` holds the fittings wanted a part; the baseline gets at least one a round and one at the end.
    """
    left = {part: n for part, n in more.items() if part != baseline and n > 0}
    rounds = max([*left.values(), more.get(baseline, 0) - 1, 0])
    if rounds == 0:
        return ()
    parts: list[str] = []
    for turn in range(rounds):
        wanted = [part for part, n in left.items() if n > turn]
        parts += [baseline, *(wanted if turn % 2 == 0 else reversed(wanted))]
    parts.append(baseline)
    last = len(parts)
    return tuple(
        Run(number, part, "baseline refitted: shows drift over the whole plan" if number == last else "")
        for number, part in enumerate(parts, start=1)
    )


def _platform_plan(study: Study, platform: str, members: Sequence[Comparison]) -> PlatformPlan:
    more: dict[str, int] = {}
    why: list[str] = []
    not_settled: list[str] = []
    for c in members:
        wanted = _wanted(c)
        what = f"{c.candidate}, {in_words(c.condition)}, {in_words(c.position)}"
        if wanted is None:
            reason = _hopeless(c)
            not_settled += [f"{what}: {reason}"] if reason else []
            continue
        why.append(f"{what}: {_purpose(c, wanted)}")
        for part, need in ((c.baseline, wanted - c.n_baseline), (c.candidate, wanted - c.n_candidate)):
            more[part] = max(more.get(part, 0), need, _least(c))
    runs = run_order(study.baseline, more)
    return PlatformPlan(platform, runs, more, tuple(why), tuple(not_settled), study.looks + bool(runs))


def _wanted(c: Comparison) -> int | None:
    """Repeats a part in total that the question needs, or None where it is answered or hopeless."""
    codes = {str(reason.code) for reason in c.reasons}
    if "at_floor" in codes or "orientation" in codes:
        return None
    if c.verdict == "open":
        return c.repeats_needed
    if c.verdict in ("indicative", "no_verdict") and codes & {*_FIRST_NEEDED, "one_session"}:
        return max(FIRST_REPEATS, min(c.n_baseline, c.n_candidate))
    return None


def _least(c: Comparison) -> int:
    """Fittings needed whatever was measured before: both parts in one session, at one speed."""
    codes = {str(reason.code) for reason in c.reasons}
    if "not_comparable" in codes:
        return FIRST_REPEATS
    return 2 if "one_session" in codes else 0


def _purpose(c: Comparison, wanted: int) -> str:
    codes = {str(reason.code) for reason in c.reasons}
    if c.verdict == "open":
        return f"open; {number_word(wanted)} repeats a part would settle it with 80 % power"
    if "not_comparable" in codes:
        return "speeds were too far apart; measure both parts again at one speed"
    if "one_session" in codes:
        return "part and session cannot be told apart; fit both parts in one session"
    return f"no scatter known yet; {number_word(wanted)} repeats a part give an interval"


def _hopeless(c: Comparison) -> str:
    codes = {str(reason.code) for reason in c.reasons}
    if "at_floor" in codes:
        return "the reading lies at the floor; a quieter sensor or place would be needed, not repeats"
    if "orientation" in codes:
        return "axis combinations contradict each other; fix the sensor in one direction for both parts"
    if c.verdict == "open":
        return "cannot be settled by repeats: the estimate lies too near to the limit for its scatter"
    return ""
