"""What stage ``stretches`` asks of every channel: clipped, stuck, wrong static vector, come off, folded lines."""

from __future__ import annotations

from dataclasses import dataclass, field
from math import isfinite
from typing import Any

import numpy as np

from ..pipeline.contracts import Context, Cut, Reason, ReasonCode, ScreenFacts, SpeedTrack
from ..pipeline.contracts.signal import FloatArray
from ..pipeline.contracts.units import MILLI_G, STANDARD_GRAVITY
from ..pipeline.kernels.folding import EdgeLine, line_near_the_edge, orders_folding_onto
from ..pipeline.kernels.quantiles import row_medians, row_quantiles
from ..pipeline.kernels.static_vector import lasting_turn, static_length, turn_deg, vertical_mean_factor
from ..pipeline.kernels.steadiness import binned_means
from ..pipeline.kernels.stretches import Interval
from ..pipeline.kernels.stuck import hangs
from .screen_stretches_settings import StretchSettings

UP = np.array([0.0, 0.0, 1.0])
"""Vehicle axis z; a sensor at rest that sits upright shows + 1 g on it."""


@dataclass
class Findings:
    """What the checks gather while they go through one capture."""

    reasons: list[Reason] = field(default_factory=list)
    cuts: list[Cut] = field(default_factory=list)
    facts: dict[str, Any] = field(default_factory=dict)

    def cut(self, start_s: float, stop_s: float, code: ReasonCode, detail: str) -> None:
        """Leave an interval out."""
        self.cuts.append(Cut(float(start_s), float(stop_s), Reason(code, detail)))

    def say(self, code: ReasonCode, detail: str) -> None:
        """List a reason."""
        self.reasons.append(Reason(code, detail))

    def intervals(self, *without_codes: ReasonCode) -> list[Interval]:
        """All cuts, but for those of some codes."""
        return [(cut.start_s, cut.stop_s) for cut in self.cuts if cut.reason.code not in without_codes]


@dataclass(frozen=True)
class ChannelChecks:
    """The checks that go through a capture's channels one after the other."""

    settings: StretchSettings
    screen: ScreenFacts
    track: SpeedTrack | None
    context: Context
    found: Findings

    def run(self) -> None:
        """All of them, in the order their reasons are listed."""
        self._clipping()
        self._stuck()
        if str(self.context.facts.get("coupling") or "").strip().lower() != "ac":
            for position, triple in triples(self.screen).items():
                self._static(position, triple)
        self._folding()

    def _name(self, channel: int) -> str:
        spec = self.screen.extra["channels"][channel]
        return ".".join(part for part in (spec.position, spec.axis or spec.name) if part)

    def _clipping(self) -> None:
        n, rule = self.screen.n_samples, self.settings
        shares = self.screen.n_clipped / max(n, 1)
        self.found.facts["clipped_share"] = {self._name(i): float(share) for i, share in enumerate(shares)}
        for i, count in enumerate(self.screen.n_clipped):
            if count >= rule.clipped_least and shares[i] > rule.clipped_share:
                self.found.say(
                    ReasonCode.CLIPPED,
                    f"channel {self._name(i)}: {count} of {n} samples ({100 * shares[i]:.2f} %) are held at its "
                    f"extreme, up to {self.screen.longest_clipped[i]} in a row; at most "
                    f"{100 * rule.clipped_share:g} % may be",
                )

    def _stuck(self) -> None:
        steps = self.screen.extra["step"].tolist()
        lively = lively_levels(self.screen).tolist()
        # a channel without any change has no step of its own; its neighbours say whether one was due
        due = any(level > step for level, step in zip(lively, steps, strict=True)) or not any(map(isfinite, steps))
        for i, longest_s in enumerate(self.screen.longest_stuck_s.tolist()):
            dead = not isfinite(steps[i]) and longest_s >= self.settings.search_from_s
            if (dead and due) or hangs(longest_s, lively[i], steps[i], self.settings.stuck_s):
                self.found.say(
                    ReasonCode.STUCK,
                    f"channel {self._name(i)} shows one value for {longest_s:.2f} s"
                    + ("" if dead else f" while it otherwise moves by {lively[i] / MILLI_G:.3g} mg rms")
                    + f"; at most {self.settings.stuck_s:g} s is taken",
                )

    def _static(self, position: str, triple: list[int]) -> None:
        mean = self.screen.mean[triple]
        length = static_length(mean, self.screen.std[triple])
        if length is None:
            return
        in_g = length / STANDARD_GRAVITY
        figures = {
            "static_g": in_g,
            "static_vector": mean.tolist(),
            "tilt_deg": turn_deg(mean, UP),
            "vertical_mean_factor": vertical_mean_factor(mean),
        }
        for name, figure in figures.items():
            self.found.facts.setdefault(name, {})[position] = figure
        at = f" at {position}" if position else ""
        if abs(in_g - 1.0) > self.settings.static_tolerance:
            self.found.say(
                ReasonCode.STATIC_VECTOR,
                f"the static vector{at} is {in_g:.4g} g long, wanted 1 g within "
                f"{100 * self.settings.static_tolerance:g} %: {guessed_cause(in_g)}",
            )
        self._moved(at, triple)

    def _moved(self, at: str, triple: list[int]) -> None:
        rule, means = self.settings, self.screen.extra["cell_mean"][triple]
        times, vectors = binned_means(self.screen.level_time_s, means, 2.0)
        known = np.isfinite(vectors).all(axis=0)
        move = lasting_turn(vectors[:, known], rule.tilt_deg, 2)
        if move is None:
            return
        when = float(times[known][move.at]) - 1.0
        words = f"the static vector{at} turns by {move.turn_deg:.1f} degrees at about {when:.0f} s and stays"
        if move.turn_deg > rule.moved_deg:
            self.found.say(ReasonCode.DETACHED, f"{words}: the sensor came off or was knocked over; at most "
                           f"{rule.moved_deg:g} degrees may be")  # fmt: skip
        else:
            self.found.say(ReasonCode.TILT, f"{words}: the sensor slipped; {rule.tilt_deg:g} degrees are allowed")

    def _folding(self) -> None:
        line_hz = self._followed_hz()
        self._near_the_edge(line_hz)
        rate_hz, within_hz = self.screen.extra["rate_hz"], self.settings.folded_within_hz
        guests = orders_folding_onto(line_hz, rate_hz, within_hz) if line_hz else []
        if guests:
            told = " and ".join(f"{multiple} times it ({true_hz:.1f} Hz)" for multiple, true_hz in guests)
            self.found.say(
                ReasonCode.ALIASED,
                f"the followed line lies at {line_hz:.1f} Hz; {told}, above half the rate ({rate_hz / 2:g} Hz), "
                f"would fold down to within {within_hz:g} Hz of it",
            )

    def _followed_hz(self) -> float:
        """Frequency of the line the speed was followed at; 0 without one."""
        track = self.track
        if track is None or track.source == "none" or not track.order:
            return 0.0
        speed = track.speed_hz[np.isfinite(track.speed_hz)]
        return track.order * float(row_medians(speed)) if speed.size else 0.0

    def _near_the_edge(self, line_hz: float) -> None:
        extra, rule = self.screen.extra, self.settings
        low, high, rate_hz = extra["band_low_hz"], extra["band_high_hz"], extra["rate_hz"]
        line = line_near_the_edge(extra["usual"].sum(axis=0), low, high, rate_hz, rule.edge_share, 5.0)
        if line is not None and line.share >= rule.edge_line and not is_multiple(line, line_hz):
            self.found.say(
                ReasonCode.ALIASED,
                f"a line at {line.low_hz:.0f} to {line.high_hz:.0f} Hz, {100 * line.share:.0f} % of the strongest, "
                f"lies close below half the rate ({rate_hz / 2:g} Hz): it may be one at "
                f"{rate_hz - line.high_hz:.0f} to {rate_hz - line.low_hz:.0f} Hz folded down",
            )
            return
        power = extra["usual"] * (high - low)
        above_hz = (1.0 - rule.edge_share) * rate_hz / 2.0
        shares = power[:, low >= above_hz].sum(axis=1) / np.maximum(power.sum(axis=1), 1e-300)
        for i in np.flatnonzero(shares >= rule.edge_power) if line is None else ():
            self.found.say(
                ReasonCode.ALIASED,
                f"{100 * shares[i]:.0f} % of the vibration of channel {self._name(int(i))} lies between "
                f"{above_hz:.0f} Hz and half the rate: some of it may be folded down from above",
            )


def is_multiple(line: EdgeLine, line_hz: float) -> bool:
    """Whether a multiple of the followed line lies in the edge line's band: then it is where it belongs."""
    if line_hz <= 0.0:
        return False
    nearest = round(0.5 * (line.low_hz + line.high_hz) / line_hz) * line_hz
    return line.low_hz <= nearest <= line.high_hz


def lively_levels(screen: ScreenFacts) -> FloatArray:
    """Level of each channel in its livelier cells [shape=(n_channel,), rms]."""
    if not screen.level.shape[1]:
        return np.zeros(len(screen.level))
    return row_quantiles(screen.level, 0.9)


def triples(screen: ScreenFacts) -> dict[str, list[int]]:
    """Channel indices in the order x, y, z for every position that has exactly these three."""
    by_position: dict[str, dict[str, int]] = {}
    for i, spec in enumerate(screen.extra["channels"]):
        by_position.setdefault(spec.position, {})[spec.axis.lower()] = i
    return {
        position: [axes[axis] for axis in "xyz"]
        for position, axes in by_position.items()
        if set(axes) == {"x", "y", "z"}
    }


def guessed_cause(in_g: float) -> str:
    """What a static vector of this length may come from."""
    known = {STANDARD_GRAVITY: "written in m/s2 and read as g", 1 / STANDARD_GRAVITY: "written in g and read as m/s2",
             1e3: "written in milli-g and read as g", 1e-3: "written in g and read as milli-g"}  # fmt: skip
    for factor, words in known.items():
        if abs(in_g / factor - 1.0) < 0.1:
            return f"as if {words}"
    return "a wrong unit or scale, a dead or swapped channel"
