"""Strips, small spectra and level strips: what is drawn where."""

from __future__ import annotations

import math
import re
from itertools import accumulate, pairwise

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from thrumline.pipeline.report.level_strips import level_strip_for
from thrumline.pipeline.report.packed_spectra import common_step, packed
from thrumline.pipeline.report.small_spectra import axes_for, curve_path, held_peaks, line_names, top_frequency
from thrumline.pipeline.report.strips import scale_for, strip_for

percents = st.floats(-60, 200, allow_nan=False)
# a busy machine is no property of the code: same examples every time, however slowly
steady = settings(derandomize=True, deadline=None, max_examples=60, suppress_health_check=[HealthCheck.too_slow])


def entry(value, low=None, high=None):
    return {"percent_change": value, "interval_low": low, "interval_high": high}


@steady
@given(st.lists(st.tuples(percents, st.floats(0.1, 40)), min_size=1, max_size=8), st.floats(0, 40))
def test_a_strip_keeps_the_order_of_its_numbers(pairs, limit):
    """Zero, limit, bounds and estimate stand left to right as their values do, within the drawing."""
    entries = [entry(value, value - half, value + half) for value, half in pairs]
    scale = scale_for(entries, limit)
    for item in entries:
        strip = strip_for(item, scale, [], "")
        values = [0.0, limit, item["interval_low"], item["percent_change"], item["interval_high"]]
        places = [scale.zero_x, scale.limit_x, strip.start, strip.dot, strip.stop]
        assert all(0 <= x <= 100 for x in places)
        for a, x in zip(values, places, strict=True):
            for b, y in zip(values, places, strict=True):
                assert a >= b or x <= y


def test_places_are_linear_in_percent():
    scale = scale_for([entry(20.0, 10.0, 30.0)], 15.0)
    assert math.isclose(scale.at(20) - scale.at(10), scale.at(30) - scale.at(20), abs_tol=0.011)


def test_a_huge_interval_runs_off_the_edge_and_says_so():
    """One interval to +900 % must not flatten the others."""
    entries = [entry(5.0, 2.0, 8.0), entry(8.0, -40.0, 900.0)]
    scale = scale_for(entries, 15.0)
    assert strip_for(entries[1], scale, [], "").beyond_right
    assert not strip_for(entries[0], scale, [], "").beyond_right
    assert scale.at(8.0) - scale.at(2.0) > 8


def test_numbers_of_the_scale_leave_room_for_the_rules_names():
    scale = scale_for([entry(5.0, -20.0, 60.0)], 15.0)
    assert scale.ticks
    assert all(min(abs(t.x - scale.zero_x), abs(t.x - scale.limit_x)) >= 4.9 for t in scale.ticks)


def test_no_interval_draws_no_bar():
    strip = strip_for(entry(12.0), scale_for([entry(12.0)], 15.0), [11.0, 13.0], "x")
    assert (strip.start, strip.stop, len(strip.ticks)) == (None, None, 2)


@steady
@given(st.integers(300, 3000), st.integers(0, 10_000))
def test_thinning_keeps_the_highest_line_at_its_own_frequency(n, seed):
    frequency = [0.1 * i for i in range(n)]
    amplitude = [1.0 + ((i * 7919 + seed) % 101) / 100 for i in range(n)]
    amplitude[seed % n] = 9.0
    kept = held_peaks(frequency, amplitude, frequency[-1], 120)
    assert kept.shape[1] <= 120
    assert (frequency[seed % n], 9.0) in zip(*kept.tolist(), strict=True)
    assert kept[0].tolist() == sorted(kept[0])


def drawn(path):
    """Absolute places of a path of one move and relative lines."""
    start, steps = re.fullmatch(r"M(\d+ \d+)l(.*)", path).groups()
    x, y = map(int, start.split())
    numbers = list(map(int, re.findall(r"-?\d+", steps)))
    places = []
    for dx, dy in zip(numbers[::2], numbers[1::2], strict=True):
        x, y = x + dx, y + dy
        places.append((x, y))
    return places


def test_a_curve_is_drawn_where_its_numbers_are():
    spectrum = {"frequency": [0.0, 25.0, 50.0, 75.0, 100.0], "amplitude": [0.0, 4.0, 1.0, 0.0, 2.0]}
    axes = axes_for([spectrum], 100.0)
    assert axes.top_mg == 5.0
    assert drawn(curve_path(spectrum, axes)) == [(0, 500), (250, 100), (500, 400), (750, 500), (1000, 300), (1000, 500)]


def test_all_panels_of_a_place_share_the_scale_of_the_highest():
    low = {"frequency": [0.0, 10.0], "amplitude": [1.0, 2.0]}
    high = {"frequency": [0.0, 10.0], "amplitude": [1.0, 18.0]}
    assert axes_for([low, high], 10.0).top_mg >= 18.0


def test_the_line_read_stands_inside_every_panel():
    spectrum = {"frequency": [float(i) for i in range(250)], "amplitude": [1.0] * 250}
    assert 70 <= top_frequency([spectrum], 25.0) <= 125
    assert top_frequency([spectrum], 200.0) == 249.0
    assert top_frequency([], 25.0) == 1.0


@steady
@given(st.lists(st.floats(1, 100), min_size=1, max_size=20))
def test_names_of_lines_never_overlap(frequencies):
    lines = [{"frequency_hz": f, "name": "engine order 12.5", "amplitude_mg": 1.0} for f in frequencies]
    names = line_names(lines, 100.0)
    for row in (0, 1):
        placed = sorted((name.x, name.anchor, len(name.text)) for name in names if name.row == row)
        extents = [
            (x - {"start": 0.0, "middle": 0.5, "end": 1.0}[anchor] * 3.4 * n, x + {"start": 1.0, "middle": 0.5, "end": 0.0}[anchor] * 3.4 * n)
            for x, anchor, n in placed
        ]
        assert all(right <= left for (_, right), (left, _) in pairwise(sorted(extents)))


def test_lines_are_named_as_the_trade_does():
    lines = [
        {"frequency_hz": 88.0, "name": "engine order 4", "amplitude_mg": 2.0},
        {"frequency_hz": 50.02, "name": "fixed frequency", "amplitude_mg": 1.0},
    ]
    assert [name.text for name in line_names(lines, 120.0)] == ["fixed 50.0 Hz", "order 4"]


def fitness(**more):
    return {
        "stretches": [[6.0, 40.0]],
        "cuts": [{"start_s": 0.0, "stop_s": 6.0, "code": "transient", "detail": "marker"}],
        "levels": {"time_s": [float(i) for i in range(41)], "level_mg": [5.0] * 41, "speed_rpm": [650.0] * 41},
        **more,
    }


def test_a_level_strip_shows_what_was_cut_with_its_reason():
    strip = level_strip_for(fitness(), "a.csv")
    assert (strip.cuts[0].x, strip.cuts[0].width, strip.cuts[0].words, strip.cuts[0].shown) == (0.0, 15.0, "transient", True)
    assert strip.label == "Level and speed of a.csv over 40.0 s, 34.0 s of it used; cut: transient"
    assert strip.level.used
    assert strip.level.left_out


def test_a_knock_that_was_cut_does_not_flatten_what_was_used():
    levels = {**fitness()["levels"], "level_mg": [400.0] * 6 + [5.0] * 35}
    assert level_strip_for(fitness(levels=levels), "a.csv").level.span == "0.0 to 8.0 mg"


@pytest.mark.parametrize("values", [[0.25 * i for i in range(9)], [1.0, 3.0, 4.0], [0.4883, 0.9766, 2.4414]])
def test_packed_frequencies_come_back_within_their_rounding(values):
    data = packed({"a": {"frequency": values, "amplitude": [1.0] * len(values)}}, 100)
    back = [place * data["step"] for place in accumulate(data["axes"][0])]
    assert back == pytest.approx(values, abs=6e-4)


def test_frequencies_without_a_common_spacing_are_kept_to_a_millihertz():
    assert common_step([1.0, 1.7, 2.0]) == 0.001
    assert common_step([]) == 1.0


@pytest.mark.parametrize("speed", [[], [None] * 41, [float("0")] * 41])
def test_a_capture_without_speed_has_no_speed_row(speed):
    levels = {**fitness()["levels"], "speed_rpm": speed}
    assert level_strip_for(fitness(levels=levels), "a.csv").speed is None


@pytest.mark.parametrize("levels", [{}, {"time_s": [0.0], "level_mg": [1.0]}, {"time_s": [0, 1], "level_mg": [1.0]}])
def test_a_capture_without_levels_has_no_strip(levels):
    assert level_strip_for(fitness(levels=levels), "a.csv") is None


def test_lost_values_leave_a_hole_and_no_fault():
    """NaN and infinity from a capture never reach the drawing."""
    nan, inf = float("nan"), float("inf")
    levels = {**fitness()["levels"], "level_mg": [5.0] * 20 + [nan] + [5.0] * 20, "speed_rpm": [nan] * 20 + [650.0] * 21}
    strip = level_strip_for(fitness(levels=levels), "a.csv")
    assert strip.level.used.count("M") == 2
    assert strip.speed.used.count("M") == 1
    assert level_strip_for(fitness(levels={**levels, "level_mg": [nan] * 41}), "a.csv") is None
    spectrum = {"frequency": [0.0, 1.0, 2.0, 3.0], "amplitude": [1.0, nan, inf, 2.0]}
    assert axes_for([spectrum], 3.0).top_mg < 10
    assert len(drawn(curve_path(spectrum, axes_for([spectrum], 3.0)))) == 3


def test_a_burst_survives_thinning_of_the_level():
    """The highest value of each cell is drawn, so a slam of one frame is still seen."""
    level = [5.0] * 2000
    level[1234] = 80.0
    levels = {"time_s": [0.02 * i for i in range(2000)], "level_mg": level, "speed_rpm": []}
    strip = level_strip_for(fitness(levels=levels), "a.csv", 100)
    assert strip.level.span == "0.0 to 80.0 mg"  # the slam is inside what was used
    ys = [int(y) for y in re.findall(r"M\d+ (\d+)", strip.level.used)]
    steps = [int(dy) for dy in re.findall(r"\d+ ?(-?\d+)", strip.level.used.split("l", 1)[1])]
    lowest, y = ys[0], ys[0]
    for dy in steps:
        y += dy
        lowest = min(lowest, y)
    assert lowest == 0
