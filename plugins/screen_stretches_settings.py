"""Settings of stage ``stretches``: every threshold of fitness, with its reason."""

from __future__ import annotations

from pydantic import Field

from ..pipeline.contracts import StageSettings


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
    moved_deg: float = Field(
        default=10.0, gt=0, le=180, description="Lasting turn of the static vector within the capture from which "
        "the sensor has come off: no seat rail tips that far.",
    )  # fmt: skip
    tilt_deg: float = Field(
        default=2.0, gt=0, le=180, description="Lasting turn within the capture that is flagged: 2 degrees move the "
        "mean of axes by up to 5 %.",
    )  # fmt: skip
    edge_share: float = Field(
        default=0.25, gt=0, lt=1, description="Uppermost part of the band up to half the rate: filters built into "
        "sensors are not yet shut there, and what lies as far above half the rate is seen as if below it.",
    )  # fmt: skip
    edge_line: float = Field(
        default=0.25, gt=0, description="Amplitude of a line in that part, as a part of the strongest line, from "
        "which it is flagged as perhaps folded.",
    )  # fmt: skip
    edge_power: float = Field(
        default=0.5, gt=0, le=1, description="Share of a channel's vibration in that part from which it is flagged: "
        "a flat floor has a quarter there.",
    )  # fmt: skip
    folded_within_hz: float = Field(
        default=1.0, gt=0, description="A multiple of the followed line that folds back to within this of the line "
        "itself cannot be told from it: an idle moves by more within a capture.",
    )  # fmt: skip
    state_margin_s: float = Field(default=1.0, ge=0, description="Cut on both sides of a change of state.")
