"""Stage ``stretches``: every rule of fitness on captures whose truth is known."""

import itertools
import json
import re
from dataclasses import replace

import numpy as np
import pytest

from thrumline.pipeline.contracts import (
    Block,
    ChainSchema,
    ChannelSpec,
    Context,
    Fitness,
    ReasonCode,
    SchemaError,
    SignalSpec,
    SpeedTrack,
)
from thrumline.pipeline.study.same_samples import same_samples
from thrumline.pipeline.testing import IdleSpec, LoadState, Slam, idle_capture
from thrumline.plugins.screen_samples import ScreenSettings, ScreenStage
from thrumline.plugins.screen_stretches import StretchSettings, StretchStage

QUIET = IdleSpec(duration_s=42.0, rate_hz=400.0, rpm=720.0, orders=((1.0, 0.8), (4.0, 2.0)), step=0.0024)


def track_of(capture, order=2.0):
    """The speed track a perfect tracker would hand over."""
    at = np.arange(0.25, capture.time_s[-1], 0.5)
    gain = np.interp(at, capture.time_s, capture.gain)
    level = gain * np.linalg.norm(capture.line().amplitude) / np.sqrt(2)
    return SpeedTrack(at, capture.speed_at(at), np.ones(len(at)), "line", order, level, np.full(len(at), 0.01))


def judged(capture, facts=None, holes=(), with_track=True, axes="xyz", **wanted):
    """Fitness of a simulated capture through both stages."""
    capture = capture.without(holes) if holes else capture
    values, times, rate = capture.acceleration, capture.time_s, capture.rate_hz
    channels = tuple(ChannelSpec(a, "acceleration", "m s-2", "seat-rail", a) for a in axes[: len(values)])
    signal = SignalSpec(channels, not holes, rate, float(np.ptp(times)))
    breaks = np.flatnonzero(np.diff(times) > 1.5 / rate) + 1
    gaps = tuple((float(times[i - 1]), float(times[i])) for i in breaks)
    context = Context(signal, facts or {}, gaps=gaps, span_s=(float(times[0]), float(times[-1])))
    accumulator = ScreenStage(ScreenSettings()).open(signal, context, {})
    edges = [0, *breaks, len(times)]
    for run, (a, b) in enumerate(itertools.pairwise(edges)):
        accumulator.accumulate(Block(values[:, a:b], run, 0, float(times[a]), rate, times[a:b] if holes else None))
    products = {"screen": accumulator.finish()}
    if with_track:
        products["track"] = track_of(capture)
    return StretchStage(StretchSettings(**wanted)).derive(products, context)


def codes(fitness):
    return [str(reason.code) for reason in fitness.reasons]


def test_a_steady_idle_is_fit_from_end_to_end():
    fitness = judged(idle_capture(QUIET, 1))
    assert (fitness.state, codes(fitness), fitness.cuts) == ("fit", [], ())
    assert fitness.stretches == ((0.0, pytest.approx(42.0)),)
    assert fitness.facts["wander_percent"] == pytest.approx(0.4, abs=0.2)
    assert fitness.facts["static_g"]["seat-rail"] == pytest.approx(1.0, abs=1e-3)


def test_markers_cut_everything_up_to_two_seconds_after_the_last():
    fitness = judged(idle_capture(replace(QUIET, taps_s=(1.5, 2.5, 7.0)), 2))
    assert fitness.state == "fit"
    assert codes(fitness) == []
    start, stop = fitness.stretches[0]
    assert 9.0 <= start <= 9.7
    assert stop == pytest.approx(42.0)
    assert "marker" in fitness.cuts[0].reason.detail


def test_a_tap_after_fifteen_seconds_is_a_transient_and_cuts_only_itself():
    fitness = judged(idle_capture(replace(QUIET, taps_s=(20.0,)), 3))
    assert codes(fitness) == ["transient"]
    (cut,) = fitness.cuts
    assert 19.0 <= cut.start_s <= 19.5
    assert 21.0 <= cut.stop_s <= 21.8
    assert fitness.state == "fit"


@pytest.mark.parametrize("mg", [20.0, 40.0, 90.0])
@pytest.mark.parametrize("seconds", [0.3, 1.0])
def test_a_slam_is_cut_and_the_capture_stays_fit(mg, seconds):
    fitness = judged(idle_capture(replace(QUIET, slam=Slam(25.0, mg, seconds)), 4))
    assert (fitness.state, codes(fitness)) == ("fit", ["transient"])
    (cut,) = fitness.cuts
    assert cut.start_s <= 24.6 + 0.15 * seconds
    assert cut.stop_s >= 25.0 + 0.9 * seconds + 0.9
    assert cut.stop_s - cut.start_s < seconds + 2.5


@pytest.mark.parametrize("mg", [25.0, 60.0, 120.0])
def test_a_tap_that_rings_at_the_firing_lines_own_frequency_is_found(mg):
    """Its ring hides under the line; its onset has energy away from it."""
    spec = replace(QUIET, taps_s=(20.0,), tap_mg=mg, tap_ring_hz=QUIET.firing_hz, tap_decay_s=0.15)
    fitness = judged(idle_capture(spec, 5))
    assert codes(fitness) == ["transient"]
    assert fitness.cuts[0].start_s < 20.0 < fitness.cuts[0].stop_s


def test_a_line_that_is_not_an_order_does_not_make_transients():
    """A fixed and an accessory line beating with the firing line sway its level, away from which all is calm."""
    spec = replace(QUIET, fixed=((QUIET.firing_hz + 0.7, 6.0), (50.0, 4.0)), accessories=((1.31, 5.0),))
    fitness = judged(idle_capture(spec, 6))
    assert (fitness.state, codes(fitness), fitness.cuts) == ("fit", [], ())


def test_clipping_is_unfit_with_its_share():
    spec = replace(QUIET, full_scale=9.80665 + 0.06)
    fitness = judged(idle_capture(spec, 7))
    assert (fitness.state, codes(fitness)) == ("unfit", ["clipped"])
    assert fitness.facts["clipped_share"]["seat-rail.z"] > 0.001
    assert "0.1 %" in fitness.reasons[0].detail


@pytest.mark.parametrize("step_mg", [0.5, 1.0, 2.0, 4.0])
@pytest.mark.parametrize("line_mg", [0.1, 1.0, 5.0])
def test_a_coarse_converter_is_neither_clipped_nor_stuck(step_mg, line_mg):
    """Down to a line a fortieth of a step: such a channel rests on one or two codes all the time."""
    spec = replace(QUIET, step=step_mg * 9.80665e-3, amplitude_mg=(line_mg, 0.4 * line_mg, line_mg), orders=())
    fitness = judged(idle_capture(spec, 8))
    assert (fitness.state, codes(fitness), fitness.cuts) == ("fit", [], ())


FIVE_HOLES = tuple((10.0 + 5.5 * i, 12.0 + 5.5 * i) for i in range(5))


def test_two_seconds_lost_five_times_are_gaps():
    fitness = judged(idle_capture(QUIET, 9), holes=FIVE_HOLES)
    assert (fitness.state, codes(fitness)) == ("unfit", ["gaps"])
    assert "5 gaps" in fitness.reasons[0].detail


def test_pieces_of_a_gapped_capture_add_up():
    fitness = judged(idle_capture(replace(QUIET, duration_s=60.0), 9), holes=((20.0, 22.0), (40.0, 40.5)))
    assert (fitness.state, codes(fitness)) == ("fit", [])
    assert len(fitness.stretches) == 3
    assert fitness.usable_s == pytest.approx(60 - 2.5 - 0.4, abs=0.02)
    first = fitness.stretches[0]
    assert first[1] == pytest.approx(20.0 - 0.1, abs=0.01)


def test_a_capture_too_short_with_and_without_its_gap_is_short():
    fitness = judged(idle_capture(replace(QUIET, duration_s=28.0), 10), holes=((9.0, 9.5),))
    assert codes(fitness) == ["short"]


def test_a_stretch_under_four_seconds_does_not_count_where_thirty_are_asked():
    fitness = judged(idle_capture(replace(QUIET, duration_s=45.0), 11), holes=((3.9, 5.0),))
    assert len(fitness.stretches) == 1
    assert fitness.stretches[0][0] == pytest.approx(5.1, abs=0.01)


def test_exactly_the_asked_seconds_are_enough():
    assert judged(idle_capture(replace(QUIET, duration_s=30.0), 12)).state == "fit"
    assert judged(idle_capture(replace(QUIET, duration_s=29.9), 12)).state == "unfit"


def test_below_five_seconds_nothing_is_searched_for():
    fitness = judged(idle_capture(replace(QUIET, duration_s=4.5, taps_s=(2.0,)), 13), minimum_duration_s=0.9)
    assert fitness.state == "fit"
    assert fitness.cuts == ()


def test_hunting_is_unfit_over_everything_that_is_left():
    """A third of the capture is calm, which must not be picked: the rest hunts by 4.5 %."""
    capture = idle_capture(replace(QUIET, hunt=(0.045, 7.0), duration_s=60.0), 14)
    calm = replace(capture, speed_hz=np.where(capture.time_s < 20, 12.0, capture.speed_hz))
    fitness = judged(calm)
    assert (fitness.state, codes(fitness)) == ("unfit", ["hunting"])
    assert fitness.facts["wander_percent"] == pytest.approx(100 * 0.045 / np.sqrt(2) * np.sqrt(2 / 3), rel=0.15)


def test_without_a_speed_steadiness_is_not_available_and_no_fault():
    fitness = judged(idle_capture(replace(QUIET, hunt=(0.045, 7.0)), 15), with_track=False)
    assert fitness.state == "fit"
    assert "wander_percent" not in fitness.facts


def test_the_longer_of_two_load_states_is_used_and_the_other_reported():
    states = (LoadState(50.0, amplitude=1.35, speed=0.97),)
    fitness = judged(idle_capture(replace(QUIET, duration_s=85.0, load_states=states), 16))
    assert (fitness.state, codes(fitness)) == ("fit", ["two_states"])
    assert fitness.stretches == ((0.0, pytest.approx(49.5, abs=1.2)),)
    assert fitness.facts["wander_percent"] < 0.8


def test_two_load_states_show_in_the_level_when_there_is_no_speed():
    states = (LoadState(50.0, amplitude=1.6),)
    spec = replace(QUIET, duration_s=85.0, load_states=states, amplitude_mg=(10.0, 6.0, 18.0))
    assert codes(judged(idle_capture(spec, 17), with_track=False)) == ["two_states"]


def test_a_second_state_that_doubles_the_level_is_a_state_and_no_transient():
    states = (LoadState(50.0, amplitude=2.5),)
    fitness = judged(idle_capture(replace(QUIET, duration_s=85.0, load_states=states), 17))
    assert codes(fitness) == ["two_states"]
    assert fitness.stretches == ((0.0, pytest.approx(49.5, abs=1.2)),)


def test_an_engine_switched_off_before_the_end_is_cut_there():
    states = (LoadState(37.0, amplitude=0.01),)
    fitness = judged(idle_capture(replace(QUIET, load_states=states), 17), with_track=False)
    assert (fitness.state, codes(fitness)) == ("fit", ["transient"])
    assert "lull" in fitness.reasons[0].detail
    assert fitness.stretches == ((0.0, pytest.approx(36.7, abs=0.5)),)


@pytest.mark.parametrize(("factor", "words"), [(9.80665, "m/s2"), (1e-3, "milli-g"), (1.3, "dead or swapped")])
def test_a_static_vector_of_another_length_is_unfit_and_guesses_why(factor, words):
    capture = idle_capture(QUIET, 18)
    fitness = judged(replace(capture, acceleration=capture.acceleration * factor))
    assert codes(fitness) == ["static_vector"]
    assert words in fitness.reasons[0].detail


@pytest.mark.parametrize("factor", [0.955, 1.045])
def test_five_percent_of_gravity_is_allowed(factor):
    capture = idle_capture(QUIET, 18)
    assert judged(replace(capture, acceleration=capture.acceleration * factor)).state == "fit"


@pytest.mark.parametrize("turn", [(0.0, 0.0), (40.0, 70.0), (0.0, 180.0)])
def test_the_static_vector_does_not_mind_how_the_sensor_lies(turn):
    fitness = judged(idle_capture(replace(QUIET, tilt_deg=turn), 19))
    assert fitness.state == "fit"
    assert fitness.facts["static_g"]["seat-rail"] == pytest.approx(1.0, abs=1e-3)


def test_an_ac_coupled_sensor_has_no_static_vector_and_needs_none():
    """By the table, or because no axis has an offset above its noise."""
    spec = replace(QUIET, gravity=False)
    assert judged(idle_capture(spec, 20)).state == "fit"
    shifted = idle_capture(spec, 20)
    shifted = replace(shifted, acceleration=shifted.acceleration + 0.4)
    assert codes(judged(shifted)) == ["static_vector"]
    assert judged(shifted, facts={"coupling": " AC "}).state == "fit"


def test_fewer_than_three_axes_have_no_static_vector():
    capture = idle_capture(QUIET, 21)
    fitness = judged(replace(capture, acceleration=capture.acceleration[1:] * 5.0), axes="yz")
    assert fitness.state == "fit"
    assert "static_g" not in fitness.facts


def test_a_stuck_channel_is_unfit():
    capture = idle_capture(QUIET, 22)
    values = capture.acceleration.copy()
    values[0, 8000:9000] = values[0, 8000]
    fitness = judged(replace(capture, acceleration=values))
    assert "stuck" in codes(fitness)
    assert fitness.state == "unfit"


def test_a_dead_channel_is_stuck():
    capture = idle_capture(QUIET, 23)
    values = capture.acceleration.copy()
    values[1] = 0.0
    assert "stuck" in codes(judged(replace(capture, acceleration=values)))


def test_a_stretch_chosen_by_hand_overrides_the_choice_and_the_checks_are_still_told():
    capture = idle_capture(replace(QUIET, duration_s=60.0, taps_s=(3.0,), slam=Slam(30.0)), 24)
    fitness = judged(capture, facts={"start_s": 1.0, "stop_s": 41.0})
    assert fitness.stretches == ((1.0, 41.0),)
    assert (fitness.state, codes(fitness)) == ("fit", ["transient", "transient"])
    assert all("by hand" in reason.detail for reason in fitness.reasons)


def test_markers_and_states_inside_a_stretch_chosen_by_hand_are_told_but_not_cut():
    states = (LoadState(40.0, amplitude=1.5),)
    capture = idle_capture(replace(QUIET, duration_s=80.0, taps_s=(6.0,), load_states=states), 24)
    fitness = judged(capture, facts={"start_s": 1.0})
    assert fitness.stretches == ((1.0, pytest.approx(80.0)),)
    assert codes(fitness) == ["transient", "two_states"]
    assert fitness.cuts == ()


def test_a_stretch_chosen_by_hand_outside_the_capture_is_short():
    fitness = judged(idle_capture(QUIET, 25), facts={"start_s": 50.0, "stop_s": 90.0})
    assert (fitness.state, codes(fitness)) == ("unfit", ["short"])


def test_all_causes_are_listed_not_only_the_first():
    spec = replace(QUIET, duration_s=25.0, full_scale=9.80665 + 0.06, hunt=(0.045, 7.0))
    assert codes(judged(idle_capture(spec, 26))) == ["clipped", "short", "hunting"]


def test_the_whole_result_is_plain_json_without_nan():
    capture = idle_capture(replace(QUIET, duration_s=400.0, rate_hz=100.0, taps_s=(20.0,)), 27)
    fitness = judged(capture)
    text = json.dumps(fitness.as_json(), allow_nan=False)
    assert Fitness.from_json(json.loads(text)).stretches == fitness.stretches
    assert len(fitness.levels["time_s"]) <= 600
    assert len(fitness.levels["level_mg"]) == len(fitness.levels["speed_rpm"]) == len(fitness.levels["time_s"])


def test_a_recipe_without_a_screen_is_refused_before_a_sample_is_read():
    schema = ChainSchema(SignalSpec((ChannelSpec("x", "acceleration", "m s-2"),), True, None))
    with pytest.raises(SchemaError, match="put stage 'screen' at the head"):
        StretchStage(StretchSettings()).schema(schema)
    ready = ScreenStage(ScreenSettings()).schema(schema)
    assert StretchStage(StretchSettings()).schema(ready).selected


def test_unknown_settings_are_refused():
    with pytest.raises(ValueError, match="minimum_duration"):
        StretchSettings.model_validate({"minimum_duration": 3})


def test_every_setting_gives_its_reason():
    for settings in (StretchSettings, ScreenSettings):
        for name, field in settings.model_fields.items():
            assert len(field.description or "") > 30, name


def test_codes_used_for_cuts_are_those_of_the_files():
    fitness = judged(idle_capture(replace(QUIET, taps_s=(20.0,)), 3))
    assert fitness.cuts[0].reason.code is ReasonCode.TRANSIENT


def turned(capture, from_s, degrees):
    """The capture with its sensor tipped about y from an instant on."""
    lean = np.deg2rad(degrees)
    turn = np.array([[np.cos(lean), 0, np.sin(lean)], [0, 1, 0], [-np.sin(lean), 0, np.cos(lean)]])
    after = capture.time_s >= from_s
    values = capture.acceleration.copy()
    values[:, after] = turn @ values[:, after]
    return replace(capture, acceleration=values)


def test_a_sensor_that_falls_off_is_detached():
    fitness = judged(turned(idle_capture(replace(QUIET, duration_s=60.0), 30), 45.0, 70.0))
    assert fitness.state == "unfit"
    assert "detached" in codes(fitness)
    told = next(reason.detail for reason in fitness.reasons if reason.code == "detached")
    assert re.search(r"by 70\.\d degrees at about 4[456] s", told)


def test_a_sensor_that_slips_a_little_is_flagged_with_its_angle():
    fitness = judged(turned(idle_capture(QUIET, 31), 25.0, 4.0))
    assert fitness.state == "fit"
    assert "tilt" in codes(fitness)
    assert "slipped" in next(r.detail for r in fitness.reasons if r.code == "tilt")


@pytest.mark.parametrize("degrees", [0.0, 5.0, 30.0])
def test_the_tilt_of_a_capture_and_what_it_does_to_the_mean_are_told(degrees):
    fitness = judged(idle_capture(replace(QUIET, tilt_deg=(0.0, degrees)), 32))
    lean = np.deg2rad(degrees)
    assert fitness.facts["tilt_deg"]["seat-rail"] == pytest.approx(degrees, abs=0.1)
    factor = fitness.facts["vertical_mean_factor"]["seat-rail"]
    assert factor == pytest.approx(np.cos(lean) + np.sin(lean), abs=0.003)


def test_a_line_close_below_half_the_rate_is_flagged_as_perhaps_folded():
    spec = replace(QUIET, rate_hz=200.0, fixed=((80.0, 6.0),), orders=())
    fitness = judged(idle_capture(spec, 33))
    assert (fitness.state, codes(fitness)) == ("fit", ["aliased"])
    assert "118 to 122 Hz" in fitness.reasons[0].detail


def test_a_harmonic_of_the_followed_line_belongs_where_it_is():
    spec = replace(QUIET, rate_hz=200.0, rpm=800.0, orders=((6.0, 5.0),))
    assert codes(judged(idle_capture(spec, 34))) == []


def test_a_harmonic_that_folds_onto_the_followed_line_is_flagged():
    fitness = judged(idle_capture(replace(QUIET, rate_hz=100.0, rpm=745.0, orders=()), 35))
    assert codes(fitness) == ["aliased"]
    assert "3 times it" in fitness.reasons[0].detail


@pytest.mark.parametrize("decimals", [4, 5, None])
def test_the_same_samples_in_another_unit_order_and_spelling_are_known_again(decimals):
    """A copy in g with its axes shuffled and its digits cut has the same fingerprint within ten steps."""
    capture = idle_capture(QUIET, 36)
    copied = capture.acceleration[[2, 0, 1]] / 9.80665
    copied = copied if decimals is None else np.round(copied, decimals)
    first, other = (judged(replace(capture, acceleration=a)).facts["fingerprint"] for a in (capture.acceleration, copied))
    assert same_samples({"a": first, "b": other}) == [["a", "b"]]


def test_another_capture_of_the_same_engine_is_not_taken_for_a_copy():
    """Twelve captures of one engine, one of them there twice: only that pair is found."""
    prints = {seed: judged(idle_capture(QUIET, seed)).facts["fingerprint"] for seed in range(500, 512)}
    assert same_samples({**prints, "again": prints[505]}) == [[505, "again"]]
