"""Stage ``stretches``: whether a capture is fit, why not, and which stretches of it are used."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import lru_cache
from math import isfinite
from typing import Any

import numpy as np

from ..pipeline.contracts import (
    ChainSchema,
    Context,
    Derivation,
    Fitness,
    Level,
    ProductSpec,
    ReasonCode,
    SchemaError,
    ScreenFacts,
    SpeedTrack,
    Stage,
    hookimpl,
    level_of,
)
from ..pipeline.contracts.signal import FloatArray
from ..pipeline.contracts.units import MILLI_G
from ..pipeline.kernels.level_strip import chosen_cells, thinned_level
from ..pipeline.kernels.states import StateRule, TwoStates, two_states
from ..pipeline.kernels.steadiness import Steadiness, binned_means, steadiness, within
from ..pipeline.kernels.stretches import Interval, at_least, merged, total, without
from ..pipeline.kernels.transients import BurstRule, burst_frames, burst_scores, line_bands, lull_frames
from .screen_stretches_channels import ChannelChecks, Findings
from .screen_stretches_settings import StretchSettings


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
    found: Findings = field(default_factory=Findings)

    @property
    def span(self) -> Interval:
        """First and last instant of the capture; the last sample lasts one interval."""
        return self.context.span_s[0], self.context.span_s[1] + 1.0 / self.screen.extra["rate_hz"]

    @property
    def by_hand(self) -> bool:
        return self.context.facts.get("start_s") is not None or self.context.facts.get("stop_s") is not None

    def judge(self) -> Fitness:
        ChannelChecks(self.settings, self.screen, self.track, self.context, self.found).run()
        self._gaps()
        lasting = self._events()
        if not self._states():
            for start, stop in lasting:
                self._transient(start, stop, "a raised level")
        left, stretches = self._choose()
        self._wander(left)
        first, last = self.span
        cuts = [replace(cut, start_s=max(cut.start_s, first), stop_s=min(cut.stop_s, last)) for cut in self.found.cuts]
        unfit = any(level_of(reason.code) is Level.UNFIT for reason in self.found.reasons)
        self.found.facts |= {
            "usable_s": total(stretches),
            "duration_s": self.span[1] - self.span[0],
            "fingerprint": fingerprint(self.screen),
        }
        return Fitness(
            state="unfit" if unfit else "fit",
            reasons=tuple(self.found.reasons),
            stretches=tuple(stretches),
            cuts=tuple(sorted(cuts, key=lambda cut: (cut.start_s, cut.stop_s))),
            facts=self.found.facts,
            levels=level_strip(self.screen, self.track),
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
        may_be = [] if self.by_hand else bursts
        markers = [pair for pair in may_be if pair[0] < until and not self._open_ended(pair)]
        later = [pair for pair in bursts if pair not in markers]
        self.found.facts |= {"n_markers": len(markers), "n_transients": len(later), "n_lulls": len(lulls)}
        if markers:
            stop = max(pair[1] for pair in markers) + rule.after_marker_s
            self.found.cut(span[0], stop, ReasonCode.TRANSIENT, _markers_said(markers) +
                           f": everything up to {rule.after_marker_s:g} s after it")  # fmt: skip
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
        valid = np.flatnonzero(extra["framed"])
        if valid.size < 8:
            return [], []
        widths = extra["band_high_hz"] - extra["band_low_hz"]
        rule = BurstRule(
            rise_db=self.settings.rise_db, rise_scatters=self.settings.rise_scatters,
            line_rise_db=self.settings.line_rise_db, least_rms=self.settings.least_event_mg * MILLI_G,
        )  # fmt: skip
        lines = line_bands(extra["usual_scatter"])
        floor = converter_floor(self.screen)
        bands = extra["bands"][:, chosen_cells(extra["framed"])]
        scores = burst_scores(bands, extra["usual"], floor, widths, lines, rule)
        first_s, last_s = extra["cell_first_s"], extra["cell_last_s"]
        found = (
            [(float(first_s[valid[a]]), float(last_s[valid[b]])) for a, b in frames]
            for frames in (burst_frames(scores, rule), lull_frames(scores, rule))
        )
        return next(found), next(found)

    def _states(self) -> bool:
        """Cut all but the longest of two load states; True where there are two."""
        hidden = merged(self.found.intervals())
        for what, unit, times, values, step in self._series():
            if hidden:
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
            both = np.stack([track.speed_hz * 60.0, track.line_level / MILLI_G])
            times, (speed, line) = binned_means(track.time_s, both, 1.0)
            series.append(("speed", "rpm", times, speed, rule.state_speed_step))
            series.append(("level of the line", "mg rms", times, line, rule.state_level_step))
        level = np.sqrt((self.screen.level**2).sum(axis=0)) / MILLI_G
        series.append(("level", "mg rms", *binned_means(self.screen.level_time_s, level, 1.0), rule.state_level_step))
        return series

    def _use_longest(self, states: TwoStates, what: str, unit: str) -> None:
        used, other = states.longest()
        levels = (states.low_level, states.high_level)
        mine, theirs = levels if used is states.low else levels[::-1]
        chosen = "" if self.by_hand else " (used)"
        detail = (
            f"two load states by {what}: {mine:.4g} {unit} for {total(used):.0f} s{chosen} and {theirs:.4g} {unit} "
            f"for {total(other):.0f} s"
        )
        self.found.say(ReasonCode.TWO_STATES, detail)
        self.found.facts["states"] = {"by": what, "unit": unit, "longer": mine, "shorter": theirs}
        if not self.by_hand:
            for start, stop in without(self.span, [self._within_state(piece) for piece in used]):
                self.found.cut(start, stop, ReasonCode.TWO_STATES, detail)

    def _within_state(self, piece: Interval) -> Interval:
        """A piece without the margin at its changes of state; an end of the capture is no change."""
        (first, last), margin = self.span, self.settings.state_margin_s
        # levels come in means over a second, so a piece may end up to two seconds off the capture's end
        start = first if piece[0] <= first + 2.0 else piece[0] + margin
        return start, last if piece[1] >= last - 2.0 else piece[1] - margin

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
        times, speed = binned_means(track.time_s, np.where(inside, track.speed_hz, np.nan), 0.5)
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


def level_strip(screen: ScreenFacts, track: SpeedTrack | None, most: int = 600) -> dict[str, list[float | None]]:
    """At most ``most`` points of level (rms over all channels, mg) and speed (rpm) for a screen."""
    times, level = thinned_level(screen.level_time_s, screen.level, most)
    speed: list[float | None] = [None] * len(times)
    if track is not None and track.source != "none" and np.count_nonzero(np.isfinite(track.speed_hz)) > 1:
        rpm = np.interp(times, track.time_s, track.speed_hz * 60.0).round(2)
        known = np.isfinite(rpm).all()
        speed = rpm.tolist() if known else [value if isfinite(value) else None for value in rpm.tolist()]
    return {
        "time_s": times.round(4).tolist(),
        "level_mg": (level / MILLI_G).round(5).tolist(),
        "speed_rpm": speed,
    }


def _markers_said(markers: list[Interval]) -> str:
    at = f"{markers[-1][0]:.1f} s"
    return f"a marker at {at}" if len(markers) == 1 else f"{len(markers)} markers, the last at {at}"


FINGERPRINT_FRAMES = 24
FINGERPRINT_LEAST = 12
"""Frames a fingerprint looks at, and the fewest it can tell captures apart by."""


def converter_floor(screen: ScreenFacts) -> FloatArray:
    """Density below which a channel's bands are not believed [shape=(n_channel,), (SI)**2/Hz], never quite nought.

    A whole step rms, twelve times the power of rounding noise: with few codes to a line rounding makes no noise but
    harmonics, which wander with the speed and gather in some bands for a moment.
    """
    extra = screen.extra
    steps = np.where(np.isfinite(extra["step"]), extra["step"], 0.0)
    return np.asarray(np.maximum(steps**2 / (extra["rate_hz"] / 2.0), 1e-30))


def fingerprint(screen: ScreenFacts) -> str:
    """What tells the same samples in another file, format or unit: their number and the level of some frames.

    Levels are taken relative to the whole, so the unit falls out, over all channels together, so their order does
    too, and in steps of 0.01 %: a copy written with fewer digits comes out a few steps off, another capture of the
    same engine some hundred steps in every frame. Empty where nothing moves or there are too few frames to tell.
    """
    whole, n = float(np.sqrt((screen.std**2).sum())), screen.level.shape[1]
    if whole == 0.0 or n < FINGERPRINT_LEAST:
        return ""
    levels = np.sqrt((screen.level[:, _fingerprint_frames(n)] ** 2).sum(axis=0))
    steps = np.round(1e4 * np.log(np.maximum(levels / whole, 1e-12))).astype(int)
    return f"{screen.n_samples};" + ",".join(map(str, steps.tolist()))


@lru_cache(maxsize=8)
def _fingerprint_frames(n: int) -> list[int]:
    """Indices of the frames looked at, of ``n``."""
    return sorted(set(np.linspace(0, n - 1, FINGERPRINT_FRAMES + 2).astype(int)[1:-1].tolist()))


@hookimpl
def register_stages() -> list[type[Stage[Any]]]:
    """The stage of this module."""
    return [StretchStage]
