"""Labels of channels, as every reader understands them: name and unit parted, axes told from turn rates."""

from __future__ import annotations

import pytest

from thrumline.pipeline.contracts import AxisSource, ChannelMapping
from thrumline.pipeline.contracts.labels import axis_of, channel_head, column_of, is_time_name, name_and_unit
from thrumline.pipeline.contracts.units import known_unit


@pytest.mark.parametrize(
    ("label", "name", "unit"),
    [
        ("x_g", "x", "g"), ("Ax [m/s²]", "Ax", "m/s²"), ("X(mg)", "X", "mg"), ("accel_x", "accel_x", ""), ("Acc Z / g", "Acc Z", "g"),
        ("Acc Z / m/s²", "Acc Z", "m/s²"), ("temp_c", "temp", "c"), ("time_s", "time", "s"), ("t_boot_s", "t boot", "s"), ("loop_us", "loop", "us"),
        ("rpm", "speed", "rpm"), ("ms", "time", "ms"), ("engine_rpm", "engine", "rpm"), ("accel_x_m_s2", "accel x", "m/s2"), ("x m/s2", "x", "m/s2"),
        ("phase_c", "phase_c", ""), ("status_s", "status_s", ""), ("column_n", "column_n", ""), ("min", "min", ""), ("", "", ""),
        ("force_N", "force", "N"), ("drive_V", "drive", "V"), ("Drehzahl [1/min]", "Drehzahl", "1/min"),
    ],
)  # fmt: skip
def test_a_label_is_parted_into_name_and_unit(label, name, unit):
    assert name_and_unit(label) == (name, unit)


@pytest.mark.parametrize(
    ("name", "axis"),
    [
        ("x", "x"), ("Ay", "y"), ("accelZ", "z"), ("acc_x", "x"), ("X-Axis", "x"), ("accelerometerX", "x"), ("gFy", "y"), ("Linear Acceleration z", "z"),
        ("x_acc", "x"), ("gx", ""), ("gyro_x", ""), ("mag_y", ""), ("seat_x", ""), ("max", ""), ("xy", ""), ("x_y", ""), ("acceleration", ""), ("temp", ""),
        ("vx", ""), ("index", ""), ("y1", ""), ("axis x", "x"), ("Beschleunigung x", "x"),
    ],
)  # fmt: skip
def test_an_axis_is_named_only_in_the_words_of_acceleration(name, axis):
    assert axis_of(name) == axis


@pytest.mark.parametrize(("label", "is_time"), [("time_s", True), ("Timestamp (ms)", True), ("t", True), ("Zeit [s]", True), ("temp_c", False), ("loop_us", False), ("time_of_flight", False), ("date", False)])
def test_times_are_told_by_name(label, is_time):
    assert is_time_name(column_of(0, label)) is is_time


@pytest.mark.external
@pytest.mark.parametrize(
    ("spelling", "si", "factor"),
    [
        ("g", "m s-2", 9.80665), ("milli-g", "m s-2", 0.00980665), ("mg", "m s-2", 0.00980665), ("Gal", "m s-2", 0.01), ("ft/s²", "m s-2", 0.3048),
        ("mm/s/s", "m s-2", 0.001), ("lbf", "N", 4.4482216152605), ("kN", "N", 1000.0), ("rpm", "Hz", 1 / 60), ("bar", "Pa", 1e5), ("µs", "s", 1e-6),
    ],
)  # fmt: skip
def test_units_have_their_defined_factors(spelling, si, factor):
    """NIST Special Publication 811 (2008), appendix B.8; g: 3rd CGPM 1901. Trade unit mg is milli-g, never milligram."""
    unit = known_unit(spelling)
    assert (unit.si, unit.to_si) == (si, factor)


@pytest.mark.parametrize("text", ["furlong", "m/s", "", "m", "kg", "dps", "m/s-2", "xg"])
def test_what_is_no_acceleration_is_none(text):
    assert known_unit(text, "acceleration") is None


def test_sign_sensitivity_and_offset_meet_in_scale_and_offset():
    """SI value = (count / counts_per_unit) * 9.80665 * sign * sensitivity - offset."""
    from dataclasses import replace

    column = replace(column_of(0, "x_g"), axis="x", sign=-1, position="seat")
    mapping = ChannelMapping(sensitivity=(("x", 1.02), ("y", 3.0)), offset=(("x", 0.25),), axes=(AxisSource("", "x", 1, -1),))
    head = channel_head(column, mapping, 1000.0)
    assert head.scale == pytest.approx(-9.80665 * 1.02 / 1000, rel=1e-15)
    assert head.offset == -0.25
    assert (head.si, head.unit, head.axis, head.position) == ("m s-2", "g", "x", "seat")
