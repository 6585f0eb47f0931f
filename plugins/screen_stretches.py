"""Stage ``stretches``: whether a capture is fit, why not, and which stretches of it are used."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from pydantic import Field

from ..pipeline.contracts import (
    ChainSchema,
    Context,
    Cut,
    Derivation,
    Fitness,
    Level,
    ProductSpec,
    Reason,
    ReasonCode,
    SchemaError,
    ScreenFacts,
    SpeedTrack,
    Stage,
    StageSettings,
    hookimpl,
    level_of,
)
from ..pipeline.contracts.signal import FloatArray
from ..pipeline.contracts.units import MILLI_G, STANDARD_GRAVITY
from ..pipeline.kernels.states import StateRule, TwoStates, two_states
from ..pipeline.kernels.static_vector import static_length
from ..pipeline.kernels.steadiness import Steadiness, steadiness, within
from ..pipeline.kernels.stretches import Interval, at_least, merged, total, without
from ..pipeline.kernels.stuck import hangs
from ..pipeline.kernels.transients import BurstRule, burst_frames, burst_scores, lull_frames


class StretchSettings(StageSettings):
    """Thresholds of fitness, each with its reason."""

    minimum_duration_s: float = Field(
        default=30.0, gt=0, description="Seconds of usable signal asked for: the trade's steady idle per capture."
    )
    shortest_stretch_s: float = Field(
        default=4.0,
        gt=0,
        description="A stretch below this does not count: 0.25 Hz resolution takes 4 s. Where less is asked in "
        "all, half of minimum_duration_s holds if that is less.",
    )
    marker_window_s: float = Field(
        default=15.0, ge=0, description="Taps count as markers in this first part; later ones are transients."
    )
    after_marker_s: float = Field(
        default=2.0, ge=0, description="Everything is cut up to this long after the last marker: hands off, settled."
    )
    before_transient_s: float = Field(
        default=0.5, ge=0, description="Cut before a transient: the movement that leads up to it."
    )
    after_transient_s: float = Field(
        default=1.0, ge=0, description="Cut after the level is back: what rings on below the threshold."
    )
    around_gap_s: float = Field(default=0.1, ge=0, description="Cut on each side of a gap: stamps there are unsure.")
    search_from_s: float = Field(
        default=5.0,
        ge=0,
        description="No search for markers and transients in shorter captures: too little to know the usual level.",
    )
    rise_scatters: float = Field(
        default=6.0, gt=0, description="Rise of a group of bands over its usual level, in its own robust scatters, "
        "that is an event: 300 simulated idles with 15,000 groups reach 4.8 by chance.",
    )  # fmt: skip
    rise_db: float = Field(
        default=2.5, gt=0, description="The same in dB over all bands away from the lines: nearly twice the power."
    )
    line_rise_db: float = Field(
        default=6.0, gt=0, description="The same in dB for bands that carry a line: twice its amplitude, far beyond "
        "an idle's modulation of a few percent.",
    )  # fmt: skip
    least_event_mg: float = Field(
        default=0.5, ge=0, description="Excess (rms over a quarter of a second, mg) not worth a cut: it cannot move "
        "a reading of some milli-g by a percent.",
    )  # fmt: skip
    wander_limit: float = Field(
        default=0.02, gt=0, description="Standard deviation of speed over its mean above which an idle is hunting."
    )
    clipped_share: float = Field(
        default=0.001, ge=0, description="Share of clipped samples above which a channel is clipped."
    )
    clipped_least: int = Field(default=5, ge=1, description="Clipped samples below which a channel is not clipped.")
    static_tolerance: float = Field(
        default=0.05, gt=0, description="Departure of the static vector from 1 g: offsets and sensitivities of good "
        "sensors stay within it, a wrong unit or a dead axis does not.",
    )  # fmt: skip
    stuck_s: float = Field(
        default=1.0, gt=0, description="Time on one value from which a channel that otherwise moves is stuck."
    )
    state_distance: float = Field(
        default=4.5, gt=0, description="Distance of two load states in scatters within them; a drift "
        "has 3.5, a sine 4.1.",
    )  # fmt: skip
    state_shortest_s: float = Field(default=10.0, gt=0, description="A load state lasts; shorter spells are none.")
    state_level_step: float = Field(
        default=0.15, gt=0, description="Relative step of level that makes two states: the limit a part is held to."
    )
    state_speed_step: float = Field(
        default=0.01, gt=0, description="Relative step of speed that makes two states: 1 % of speed is 2.5 % of level."
    )
    state_margin_s: float = Field(default=1.0, ge=0, description="Cut on both sides of a change of state.")


@dataclass
class _Findings:
    """What the checks gather while they go through one capture."""

    reasons: list[Reason] = field(default_factory=list)
    cuts: list[Cut] = field(default_factory=list)
    facts: dict[str, Any] = field(default_factory=dict)

    def cut(self, start_s: float, stop_s: float, code: ReasonCode, detail: str) -> None:
        self.cuts.append(Cut(float(start_s), float(stop_s), Reason(code, detail)))

    def say(self, code: ReasonCode, detail: str) -> None:
        self.reasons.append(Reason(code, detail))

    def intervals(self, *without_codes: ReasonCode) -> list[Interval]:
        return [(cut.start_s, cut.stop_s) for cut in self.cuts if cut.reason.code not in without_codes]


class StretchStage(Derivation[StretchSettings]):
    """Applies the rules of fitness to what the screen saw; its product is the capture's Fitness."""

    name = "stretches"
    numeric_version = 1
    makes = "stretches"
    selects = True
    Settings = StretchSettings
    uses_facts = ("start_s", "stop_s", "coupling")

    def schema(self, incoming: ChainSchema) -> ChainSchema:
        """Adds ``stretches`` and marks the samples as selected. Raises SchemaError without ``screen``."""
        if "screen" not in incoming.products:
            raise SchemaError(
                "stage 'stretches' decides from what stage 'screen' saw",
                found=f"products {sorted(incoming.products)}",
                allowed="a recipe with 'screen' before it",
                todo="put stage 'screen' at the head of the recipe",
            )
        made = incoming.plus(ProductSpec("stretches", ("stretch",), "s"))
        return ChainSchema(made.signal, made.products, selected=True)

    def derive(self, products: Mapping[str, Any], context: Context) -> Fitness:
        """The capture's fitness with all reasons, cuts, figures and the level strip."""
        return _Case(self.settings, products["screen"], products.get("track"), context).judge()


@dataclass(frozen=True)
class _Case:
    """One capture before the rules."""

    settings: StretchSettings
    screen: ScreenFacts
    track: SpeedTrack | None
    context: Context
    found: _Findings = field(default_factory=_Findings)

    @property
    def span(self) -> Interval:
        """First and last instant of the capture; the last sample lasts one interval."""
        return self.context.span_s[0], self.context.span_s[1] + 1.0 / self.screen.extra["rate_hz"]

    @property
    def by_hand(self) -> bool:
        return self.context.facts.get("start_s") is not None or self.context.facts.get("stop_s") is not None

    def judge(self) -> Fitness:
        self._clipping()
        self._stuck()
        self._static()
        self._gaps()
        lasting = self._events()
        if not self._states():
            for start, stop in lasting:
                self._transient(start, stop, "a raised level")
        left, stretches = self._choose()
        self._wander(left)
        unfit = any(level_of(reason.code) is Level.UNFIT for reason in self.found.reasons)
        self.found.facts |= {"usable_s": total(stretches), "duration_s": self.span[1] - self.span[0]}
        return Fitness(
            state="unfit" if unfit else "fit",
            reasons=tuple(self.found.reasons),
            stretches=tuple(stretches),
            cuts=tuple(sorted(self.found.cuts, key=lambda cut: (cut.start_s, cut.stop_s))),
            facts=self.found.facts,
            levels=level_strip(self.screen, self.track),
        )

    def _names(self, channel: int) -> str:
        spec = self.screen.extra["channels"][channel]
        return ".".join(part for part in (spec.position, spec.axis or spec.name) if part)

    def _clipping(self) -> None:
        n, rule = self.screen.n_samples, self.settings
        shares = self.screen.n_clipped / max(n, 1)
        self.found.facts["clipped_share"] = {self._names(i): float(share) for i, share in enumerate(shares)}
        for i, count in enumerate(self.screen.n_clipped):
            if count >= rule.clipped_least and shares[i] > rule.clipped_share:
                self.found.say(
                    ReasonCode.CLIPPED,
                    f"channel {self._names(i)}: {count} of {n} samples ({100 * shares[i]:.2f} %) are held at its "
                    f"extreme, up to {self.screen.longest_clipped[i]} in a row; at most "
                    f"{100 * rule.clipped_share:g} % may be",
                )

    def _stuck(self) -> None:
        steps = self.screen.extra["step"]
        lively = _lively(self.screen)
        liveliest = float(np.max(lively / steps, initial=0.0))
        for i, longest_s in enumerate(self.screen.longest_stuck_s):
            # a channel without any change has no step of its own; its neighbours say whether one was due
            dead = not np.isfinite(steps[i]) and longest_s >= self.settings.search_from_s
            due = liveliest > 1.0 or not np.isfinite(steps).any()
            if (dead and due) or hangs(float(longest_s), float(lively[i]), float(steps[i]), self.settings.stuck_s):
                self.found.say(
                    ReasonCode.STUCK,
                    f"channel {self._names(i)} shows one value for {longest_s:.2f} s"
                    + ("" if dead else f" while it otherwise moves by {lively[i] / MILLI_G:.3g} mg rms")
                    + f"; at most {self.settings.stuck_s:g} s is taken",
                )

    def _static(self) -> None:
        if str(self.context.facts.get("coupling") or "").strip().lower() == "ac":
            return
        for position, triple in _triples(self.screen).items():
            length = static_length(self.screen.mean[triple], self.screen.std[triple])
            if length is None:
                continue
            in_g = length / STANDARD_GRAVITY
            self.found.facts.setdefault("static_g", {})[position] = in_g
            self.found.facts.setdefault("static_vector", {})[position] = [float(v) for v in self.screen.mean[triple]]
            if abs(in_g - 1.0) > self.settings.static_tolerance:
                self.found.say(
                    ReasonCode.STATIC_VECTOR,
                    f"the static vector{' at ' + position if position else ''} is {in_g:.4g} g long, wanted 1 g "
                    f"within {100 * self.settings.static_tolerance:g} %: {_guess(in_g)}",
                )

    def _gaps(self) -> None:
        margin = self.settings.around_gap_s
        for start, stop in self.context.gaps:
            self.found.cut(start - margin, stop + margin, ReasonCode.GAPS, f"no samples for {stop - start:.3g} s")
        self.found.facts["n_gaps"] = len(self.context.gaps)
        self.found.facts["gaps_s"] = float(sum(stop - start for start, stop in self.context.gaps))

    def _events(self) -> list[Interval]:
        """Cut markers, transients and lulls; give back what lasts long enough to be a load state."""
        span, rule = self.span, self.settings
        if span[1] - span[0] < rule.search_from_s:
            return []
        found, lulls = self._bursts()
        bursts, lasting = at_least(found, rule.state_shortest_s)[::-1]
        until = span[0] + rule.marker_window_s
        # a marker is over when the hand is off: what goes on to the end of the capture is none
        markers = [pair for pair in bursts if pair[0] < until and not self._open_ended(pair)]
        later = [pair for pair in bursts if pair not in markers]
        self.found.facts |= {"n_markers": len(markers), "n_transients": len(later), "n_lulls": len(lulls)}
        if markers and not self.by_hand:
            stop = max(pair[1] for pair in markers) + rule.after_marker_s
            self.found.cut(span[0], stop, ReasonCode.TRANSIENT, f"{len(markers)} marker(s), the last at "
                           f"{markers[-1][0]:.1f} s: everything up to {rule.after_marker_s:g} s after it")  # fmt: skip
        for start, stop in later:
            self._transient(start, stop, "a transient")
        for start, stop in lulls:
            self._transient(start, stop, "a lull (the level falls by more than 10 dB)")
        return lasting

    def _open_ended(self, event: Interval) -> bool:
        return event[1] - event[0] > 1.0 and self.span[1] - event[1] < 0.5

    def _transient(self, start: float, stop: float, what: str) -> None:
        rule = self.settings
        detail = f"{what} from {start:.1f} to {stop:.1f} s"
        if self.by_hand:
            first, last = self._wanted()
            if start < last and stop > first:
                self.found.say(ReasonCode.TRANSIENT, detail + " lies inside the stretch chosen by hand")
            return
        self.found.cut(start - rule.before_transient_s, stop + rule.after_transient_s, ReasonCode.TRANSIENT, detail)
        self.found.say(ReasonCode.TRANSIENT, detail + " was cut")

    def _bursts(self) -> tuple[list[Interval], list[Interval]]:
        """Bursts and lulls, (start, stop) in seconds."""
        extra = self.screen.extra
        valid = np.flatnonzero(np.isfinite(extra["bands"]).all(axis=(0, 2)))
        if valid.size < 8:
            return [], []
        widths = extra["band_high_hz"] - extra["band_low_hz"]
        steps = np.where(np.isfinite(extra["step"]), extra["step"], 0.0)
        floor = steps**2 / 12.0 / (extra["rate_hz"] / 2.0)
        rule = BurstRule(
            rise_db=self.settings.rise_db, rise_scatters=self.settings.rise_scatters,
            line_rise_db=self.settings.line_rise_db, least_rms=self.settings.least_event_mg * MILLI_G,
        )  # fmt: skip
        scores = burst_scores(extra["bands"][:, valid], widths, floor, rule)
        first_s, last_s = extra["cell_first_s"], extra["cell_last_s"]
        found = (
            [(float(first_s[valid[a]]), float(last_s[valid[b]])) for a, b in frames]
            for frames in (burst_frames(scores, rule), lull_frames(scores, rule))
        )
        return next(found), next(found)

    def _states(self) -> bool:
        """Cut all but the longest of two load states; True where there are two."""
        if self.by_hand:
            return False
        hidden = merged(self.found.intervals())
        for what, unit, times, values, step in self._series():
            values = np.where(within(times, hidden), np.nan, values)
            rule = StateRule(self.settings.state_distance, self.settings.state_shortest_s, step)
            states = two_states(times, values, rule)
            if states is not None:
                self._use_longest(states, what, unit)
                return True
        return False

    def _series(self) -> list[tuple[str, str, FloatArray, FloatArray, float]]:
        rule, track = self.settings, self.track
        series: list[tuple[str, str, FloatArray, FloatArray, float]] = []
        if track is not None and track.source != "none":
            series.append(("speed", "rpm", *_coarse(track.time_s, track.speed_hz * 60.0), rule.state_speed_step))
            line = track.line_level / MILLI_G
            series.append(("level of the line", "mg", *_coarse(track.time_s, line), rule.state_level_step))
        level = np.sqrt(np.sum(self.screen.level**2, axis=0)) / MILLI_G
        series.append(("level", "mg", *_coarse(self.screen.level_time_s, level), rule.state_level_step))
        return series

    def _use_longest(self, states: TwoStates, what: str, unit: str) -> None:
        used, other = states.longest()
        margin = self.settings.state_margin_s
        levels = (states.low_level, states.high_level)
        mine, theirs = levels if used is states.low else levels[::-1]
        detail = (
            f"two load states by {what}: {mine:.4g} {unit} for {total(used):.0f} s (used) and {theirs:.4g} {unit} "
            f"for {total(other):.0f} s"
        )
        first, last = self.span
        kept = [
            (start + (margin if start > first + 2 else 0.0), stop - (margin if stop < last - 2 else 0.0))
            for start, stop in used
        ]
        kept = [
            (first if start <= first + 2 else start, last if stop >= last - 2 else stop) for start, stop in kept
        ]
        for start, stop in without(self.span, kept):
            self.found.cut(start, stop, ReasonCode.TWO_STATES, detail)
        self.found.say(ReasonCode.TWO_STATES, detail)
        self.found.facts["states"] = {"by": what, "unit": unit, "used": mine, "other": theirs}

    def _wanted(self) -> Interval:
        start, stop = self.context.facts.get("start_s"), self.context.facts.get("stop_s")
        first, last = self.span
        return (first if start is None else max(first, start), last if stop is None else min(last, stop))

    def _choose(self) -> tuple[list[Interval], list[Interval]]:
        """(all that is left after cuts, the stretches of it that are long enough to count)."""
        rule = self.settings
        shortest = min(rule.shortest_stretch_s, rule.minimum_duration_s / 2.0)
        wanted = self._wanted()
        left = without(wanted, self.found.intervals()) if wanted[1] > wanted[0] else []
        stretches, _ = at_least(left, shortest)
        usable = total(stretches)
        # a part in 1e9, and one sample: n samples at a rate known to some digits last n / rate seconds
        if usable + 1e-9 * usable + 0.5 / self.screen.extra["rate_hz"] < rule.minimum_duration_s:
            whole, _ = at_least(without(wanted, self.found.intervals(ReasonCode.GAPS)), shortest)
            self._too_short(usable, total(whole), total(left))
        return left, stretches

    def _too_short(self, usable: float, without_gaps: float, left: float) -> None:
        wanted = self.settings.minimum_duration_s
        detail = f"{usable:.4g} s can be used, {wanted:g} s are asked for"
        if without_gaps >= wanted:
            n, lost = self.found.facts["n_gaps"], self.found.facts["gaps_s"]
            self.found.say(ReasonCode.GAPS, f"{detail}; without its {n} gaps ({lost:.4g} s) it would be enough")
            return
        if left - usable > 0.05:
            detail += f"; {left - usable:.3g} s more lie in stretches that are too short to count"
        self.found.say(ReasonCode.SHORT, detail)

    def _wander(self, left: Sequence[Interval]) -> None:
        track = self.track
        if track is None or track.source == "none":
            return
        inside = within(track.time_s, list(left))
        times, speed = _coarse(track.time_s, np.where(inside, track.speed_hz, np.nan), 0.5)
        steady = steadiness(times, speed, np.isfinite(speed))
        if steady is None:
            return
        self.found.facts |= _steady_facts(steady)
        if steady.wander > self.settings.wander_limit:
            self.found.say(
                ReasonCode.HUNTING,
                f"speed wanders by {100 * steady.wander:.2f} % (standard deviation) about "
                f"{60 * steady.mean:.0f} rpm over all that is left; at most {100 * self.settings.wander_limit:g} %",
            )


def _steady_facts(steady: Steadiness) -> dict[str, float]:
    return {
        "speed_rpm": 60.0 * steady.mean,
        "wander_percent": 100.0 * steady.wander,
        "drift_percent": 100.0 * steady.drift,
    }


def _lively(screen: ScreenFacts) -> FloatArray:
    """Level of each channel in its livelier cells [shape=(n_channel,), rms]."""
    if not screen.level.shape[1]:
        return np.zeros(len(screen.level))
    return np.asarray(np.quantile(screen.level, 0.9, axis=1))


def _triples(screen: ScreenFacts) -> dict[str, list[int]]:
    """Channel indices in the order x, y, z for every position that has exactly these three."""
    by_position: dict[str, dict[str, int]] = {}
    for i, spec in enumerate(screen.extra["channels"]):
        by_position.setdefault(spec.position, {})[spec.axis.lower()] = i
    return {
        position: [axes[axis] for axis in "xyz"]
        for position, axes in by_position.items()
        if set(axes) == {"x", "y", "z"}
    }


def _guess(in_g: float) -> str:
    """What a static vector of this length may come from."""
    known = {STANDARD_GRAVITY: "written in m/s2 and read as g", 1 / STANDARD_GRAVITY: "written in g and read as m/s2",
             1e3: "written in milli-g and read as g", 1e-3: "written in g and read as milli-g"}  # fmt: skip
    for factor, words in known.items():
        if abs(in_g / factor - 1.0) < 0.1:
            return f"as if {words}"
    return "a wrong unit or scale, a dead or swapped channel"


def _coarse(time_s: FloatArray, values: FloatArray, bin_s: float = 1.0) -> tuple[FloatArray, FloatArray]:
    """Means over bins of ``bin_s`` (NaN where a bin is empty), so a finer track's noise is no wander."""
    if len(time_s) == 0:
        return time_s, values
    at = np.floor((time_s - time_s[0]) / bin_s + 1e-9).astype(np.int64)
    known = np.isfinite(values)
    n = int(at[-1]) + 1
    counts = np.bincount(at[known], minlength=n)
    sums = np.bincount(at[known], weights=values[known], minlength=n)
    means = np.full(n, np.nan)
    np.divide(sums, counts, out=means, where=counts > 0)
    return time_s[0] + (np.arange(n) + 0.5) * bin_s, means


def level_strip(screen: ScreenFacts, track: SpeedTrack | None, most: int = 600) -> dict[str, list[float | None]]:
    """At most ``most`` points of level (rms over all channels, mg) and speed (rpm) for a screen."""
    n = screen.level.shape[1]
    if n == 0:
        return {"time_s": [], "level_mg": [], "speed_rpm": []}
    per = -(-n // most)
    starts = np.arange(0, n, per)
    counts = np.diff(np.append(starts, n))
    power = np.add.reduceat(np.sum(screen.level**2, axis=0), starts) / counts
    times = np.add.reduceat(screen.level_time_s, starts) / counts
    speed: list[float | None] = [None] * len(times)
    if track is not None and track.source != "none" and np.isfinite(track.speed_hz).sum() > 1:
        rpm = np.interp(times, track.time_s, track.speed_hz * 60.0)
        speed = [round(float(v), 2) if np.isfinite(v) else None for v in rpm]
    return {
        "time_s": [round(float(t), 4) for t in times],
        "level_mg": [float(f"{v:.5g}") for v in np.sqrt(power) / MILLI_G],
        "speed_rpm": speed,
    }


@hookimpl
def register_stages() -> list[type[Stage[Any]]]:
    """The stage of this module."""
    return [StretchStage]
