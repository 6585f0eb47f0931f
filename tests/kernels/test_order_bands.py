"""Which bands are zoomed into: firing order, search, confirming orders, sweeping speeds, and what does not fit."""

import pytest

from thrumline.pipeline.kernels.order_bands import (
    SpeedRange,
    confirming_orders,
    firing_order,
    further_band,
    planned_bands,
    search_half_width,
)

STEADY = SpeedRange(10.0, 0.1)


def test_firing_order_is_half_the_cylinders_of_four_strokes_and_all_of_two():
    assert firing_order(8, 4, None) == 4.0
    assert firing_order(8, None, None) == 4.0
    assert firing_order(2, 2, None) == 2.0
    assert firing_order(8, 4, 2.0) == 2.0
    assert firing_order(None, 4, None) is None


def test_search_has_room_for_the_floor_and_ends_below_half_the_rate():
    assert search_half_width(40.0, 5.2, 800.0) == pytest.approx(7.8)
    assert search_half_width(49.3, 6.4, 104.0) is None
    assert search_half_width(46.0, 5.0, 104.0) == pytest.approx(6.0)
    assert search_half_width(None, 5.0, 800.0) is None


@pytest.mark.parametrize(
    ("firing", "strokes", "expected"),
    [(4.0, 4, [8.0, 2.0, 1.0, 0.5]), (1.5, 4, [3.0, 1.0, 0.5]), (2.0, 2, [4.0, 1.0]), (0.5, 4, [1.0])],
)
def test_only_whole_cycles_confirm_and_never_the_firing_order_itself(firing, strokes, expected):
    assert confirming_orders(firing, (2.0, 0.5), (1.0, 0.5), strokes) == expected


def test_firing_band_comes_first_and_holds_its_line():
    bands = planned_bands(4.0, (), [8.0, 2.0], STEADY, 1.0, 800.0)
    assert [band.order for band in bands] == [4.0, 8.0, 2.0]
    main = bands[0]
    assert main.half_band_hz < main.beside_hz < main.reach_hz
    assert main.half_zoom_hz == pytest.approx(main.reach_hz + 4.0 * 0.1)


def test_band_width_of_a_further_order_goes_with_the_power_two_thirds():
    main, twice, *_ = planned_bands(4.0, (), [8.0], STEADY, 1.0, 800.0)
    assert twice.half_band_hz == pytest.approx(main.half_band_hz * 2.0 ** (2.0 / 3.0))


def test_order_above_half_the_rate_is_left_out():
    assert [band.order for band in planned_bands(4.0, (), [8.0, 2.0], STEADY, 1.0, 150.0)] == [4.0, 2.0]


def test_firing_order_above_half_the_rate_leaves_no_band():
    assert planned_bands(4.0, (), [2.0], STEADY, 1.0, 70.0) == []


def test_low_order_may_be_asked_for_but_not_confirm_at_the_price_of_a_long_filter():
    main = planned_bands(4.0, (), [], STEADY, 1.0, 800.0)[0]
    assert further_band(0.5, main, STEADY, 800.0) is None
    assert further_band(0.5, main, STEADY, 800.0, asked=True) is not None


def test_at_most_three_orders_confirm():
    bands = planned_bands(6.0, (), [12.0, 3.0, 1.5, 1.0, 2.0], STEADY, 1.0, 2000.0)
    assert len(bands) == 4


def test_sweeping_speed_keeps_bands_clear_of_the_half_orders():
    """600 to 3,000 rpm: the floor reaches at most 0.4 of the lowest speed, where half orders stand at 0.5."""
    speed = SpeedRange(30.0, 20.0)
    assert speed.sweeps
    bands = planned_bands(2.0, (4.0,), [1.0], speed, 1.0, 800.0)
    assert [band.order for band in bands] == [2.0, 4.0, 1.0]
    assert max(band.reach_hz for band in bands) < 0.5 * speed.lowest_hz


def test_half_order_confirms_three_and_five_cylinders_as_itself():
    """Firing orders 1.5 and 2.5 have no half of their own among multiples of a half: 0.75 and 1.25 never confirm."""
    assert confirming_orders(1.5, (2.0, 0.5), (1.0, 0.5), 4) == [3.0, 1.0, 0.5]
    assert confirming_orders(2.5, (2.0, 0.5), (1.0, 0.5), 4) == [5.0, 1.0, 0.5]


def test_two_strokes_have_no_half_orders_to_confirm_with():
    assert confirming_orders(3.0, (2.0, 0.5), (1.0, 0.5), 2) == [6.0, 1.0]
