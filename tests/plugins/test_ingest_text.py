"""Text captures as loggers write them are read exactly: dialects, encodings, headers, units, axes, clocks.

Order: dialects, headers and units, axes, mapping, clocks, exactness, large files, what is told beside the samples.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from thrumline.pipeline.contracts import AxisSource, ChannelMapping, ReaderRefusal
from thrumline.pipeline.testing import GatheringSink, GivenFile
from thrumline.plugins import ingest_text_blocks, ingest_text_groups
from thrumline.plugins.ingest_text import TextReader

G = 9.80665
ROWS = [(0.012, -0.034, 1.001), (-0.5, 0.25, 0.999), (0.125, -2.0, 1.0), (0.001, 0.002, -0.003)] * 10
EXPECTED = np.array(ROWS).T


def read_bytes(folder: Path, content: bytes, mapping: ChannelMapping | None = None, name: str = "capture.csv"):
    path = folder / "original"
    path.write_bytes(content)
    sink = GatheringSink()
    (head,) = TextReader().read(GivenFile(path, name), mapping or ChannelMapping(), sink)
    return head, sink


def read_text(folder: Path, text: str, mapping: ChannelMapping | None = None):
    return read_bytes(folder, text.encode(), mapping)


def signal(head, sink):
    return sink.values(head, head.groups[0])


def text_of(delimiter=",", decimal=".", header="", stamps=None, end="\n", rows=ROWS, last_end=True):
    lines = [header] if header else []
    for i, row in enumerate(rows):
        cells = ([stamps(i)] if stamps else []) + [f"{value:.3f}" for value in row]
        lines.append(delimiter.join(cell.replace(".", decimal) for cell in cells))
    return end.join(lines) + (end if last_end else "")


# ----------------------------------------------------------------------------------------------- dialects
@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "latin-1"])
@pytest.mark.parametrize(
    ("delimiter", "decimal"),
    [(",", "."), (";", "."), (";", ","), ("\t", "."), ("\t", ","), (" ", "."), (" ", ","), ("   ", "."), (", ", "."), ("; ", ","), ("|", ".")],
)
def test_every_dialect_gives_the_same_samples(tmp_path, delimiter, decimal, encoding, end):
    """Delimiter, decimal mark, encoding and line ending change nothing about the samples."""
    split = delimiter if delimiter.strip() else "\t" if delimiter == "\t" else " "
    header = split.join(["time_s", "x_g", "y_g", "z_g"])
    text = text_of(delimiter, decimal, header, stamps=lambda i: f"{i * 0.005:.3f}", end=end)
    head, sink = read_bytes(tmp_path, text.encode(encoding))
    assert np.allclose(signal(head, sink), EXPECTED * G, rtol=1e-15, atol=0)
    assert head.groups[0].clock.uniform
    assert head.groups[0].clock.rate_hz == pytest.approx(200.0, rel=1e-12)


def test_a_byte_order_mark_does_not_hide_in_the_first_name(tmp_path):
    head, _ = read_bytes(tmp_path, text_of(header="x_g,y_g,z_g").encode("utf-8-sig"), ChannelMapping(sample_rate_hz=100))
    assert [channel.name for channel in head.groups[0].channels] == ["x_g", "y_g", "z_g"]


def test_latin_1_units_are_read_without_utf_8(tmp_path):
    text = text_of(";", ",", "Zeit [s];x [m/s²];y [m/s²];z [m/s²]", stamps=lambda i: f"{i * 0.01:.2f}")
    head, sink = read_bytes(tmp_path, text.encode("latin-1"))
    assert head.groups[0].channels[0].unit == "m/s2"
    assert np.allclose(signal(head, sink), EXPECTED, rtol=1e-15, atol=0)


def test_a_file_without_a_last_line_end_keeps_its_last_row(tmp_path):
    head, sink = read_text(tmp_path, text_of(header="x_g,y_g,z_g", last_end=False), ChannelMapping(sample_rate_hz=50))
    assert head.groups[0].n_samples == len(ROWS)
    assert np.allclose(signal(head, sink)[:, -1], np.array(ROWS[-1]) * G)


def test_blank_lines_hold_no_samples(tmp_path):
    text = "\n\n" + text_of(header="x_g,y_g,z_g").replace("\n-0.5", "\n\n-0.5") + "\n\n"
    head, sink = read_text(tmp_path, text, ChannelMapping(sample_rate_hz=50))
    assert np.allclose(signal(head, sink), EXPECTED * G)


def test_a_delimiter_at_the_end_of_every_row_is_no_column(tmp_path):
    text = "".join(line + ",\n" for line in text_of(header="x_g,y_g,z_g").splitlines())
    head, sink = read_text(tmp_path, text, ChannelMapping(sample_rate_hz=50))
    assert np.allclose(signal(head, sink), EXPECTED * G)


@pytest.mark.parametrize("decimal", [".", ","])
def test_quoted_cells_are_read_also_where_they_hold_the_delimiter(tmp_path, decimal):
    """A spreadsheet under a comma locale writes "0,012","-0,034"."""
    text = '"x_g","y_g","z_g"\n' + "".join(
        ",".join(f'"{value:.3f}"'.replace(".", decimal) for value in row) + "\n" for row in ROWS
    )
    head, sink = read_text(tmp_path, text, ChannelMapping(sample_rate_hz=50))
    assert np.allclose(signal(head, sink), EXPECTED * G)


@pytest.mark.parametrize("mark", ["#", "//", "%", "!"])
def test_comment_lines_above_the_rows_are_passed_over(tmp_path, mark):
    text = f"{mark} made by hand\n{mark} sensor 12, range 16 g\n" + text_of(header="x_g,y_g,z_g")
    head, sink = read_text(tmp_path, text, ChannelMapping(sample_rate_hz=50))
    assert np.allclose(signal(head, sink), EXPECTED * G)
    assert "made by hand" in head.metadata["preamble"]


def test_a_closing_comment_ends_the_rows(tmp_path):
    head, _ = read_text(tmp_path, text_of(header="x_g,y_g,z_g") + "# end of record\n", ChannelMapping(sample_rate_hz=50))
    assert head.groups[0].n_samples == len(ROWS)
    assert head.metadata["closing_lines"] == ["# end of record"]


def test_metadata_lines_are_kept_and_their_facts_used(tmp_path):
    text = "Device: logger 3\nSample rate: 400 Hz\nUnits: mg\nSamples: 40\n\n" + text_of(header="x,y,z")
    head, sink = read_text(tmp_path, text)
    assert head.groups[0].clock.rate_hz == 400.0
    assert head.groups[0].channels[0].unit == "mg"
    assert np.allclose(signal(head, sink), EXPECTED * G / 1000)


@pytest.mark.parametrize(
    ("line", "rate"),
    [("Sampling Rate,200,Hz", 200.0), ("fs = 1.6 kHz", 1600.0), ("# sampling frequency [Hz]: 333.5", 333.5), ("ODR: 3200", 3200.0),
     ("Sample interval: 5 ms", 200.0), ("dt (s): 0.0025", 400.0), ("samples per second: 100", 100.0), ("% rate=50", 50.0)],
)  # fmt: skip
def test_a_rate_in_the_header_is_found_in_its_usual_spellings(tmp_path, line, rate):
    head, _ = read_text(tmp_path, line + "\n" + text_of(header="x_g,y_g,z_g"))
    assert head.groups[0].clock.rate_hz == pytest.approx(rate, rel=1e-12)


@pytest.mark.parametrize("line", ["mains frequency: 50 Hz", "Frequency: 80 Hz", "interval: 5", "Rate of turn: 7 dps", "N: 5"])
def test_other_figures_in_the_header_are_not_taken_for_the_rate_or_the_count(tmp_path, line):
    head, _ = read_text(tmp_path, line + "\n" + text_of(header="x_g,y_g,z_g"), ChannelMapping(sample_rate_hz=100))
    assert head.groups[0].clock.rate_hz == 100.0


@pytest.mark.parametrize("line", ["Recorded at: 2026-11-25 10:15:30", "# start time = 2026-11-25T10:15:30.25", "Date;2026-11-25 10:15:30"])
def test_the_time_of_recording_is_taken_from_the_header(tmp_path, line):
    head, _ = read_text(tmp_path, line + "\n" + text_of(header="x_g,y_g,z_g"), ChannelMapping(sample_rate_hz=100))
    assert head.recorded_at.startswith("2026-11-25T10:15:30")


# ------------------------------------------------------------------------------------- headers and units
@pytest.mark.parametrize(
    ("header", "unit"),
    [
        ("x_g,y_g,z_g", "g"), ("X(mg),Y(mg),Z(mg)", "mg"), ("Ax [m/s²],Ay [m/s²],Az [m/s²]", "m/s2"), ("Acc X / g,Acc Y / g,Acc Z / g", "g"),
        ("x [mm/s2],y [mm/s2],z [mm/s2]", "mm/s2"), ("accel_x_mps2,accel_y_mps2,accel_z_mps2", "m/s2"), ("ax_ms2,ay_ms2,az_ms2", "m/s2"),
        ("X-Axis (g),Y-Axis (g),Z-Axis (g)", "g"), ("Acceleration x (m/s^2),Acceleration y (m/s^2),Acceleration z (m/s^2)", "m/s2"),
        ("accelerometerX [milli-g],accelerometerY [milli-g],accelerometerZ [milli-g]", "mg"), ("acc_x {g},acc_y {g},acc_z {g}", "g"),
        ("x (m s^-2),y (m s^-2),z (m s^-2)", "m/s2"), ("x [m·s⁻²],y [m·s⁻²],z [m·s⁻²]", "m/s2"), ("Linear Acceleration x (m/s^2),Linear Acceleration y (m/s^2),Linear Acceleration z (m/s^2)", "m/s2"),
        ("accel_x_m_s2,accel_y_m_s2,accel_z_m_s2", "m/s2"), ("x m/s2,y m/s2,z m/s2", "m/s2"), ("x/mg,y/mg,z/mg", "mg"), ("X [G],Y [G],Z [G]", "g"),
        ("x_acc [gal],y_acc [gal],z_acc [gal]", "cm/s2"), ("Achse X [g],Achse Y [g],Achse Z [g]", "g"),
    ],
)  # fmt: skip
def test_units_in_headers_are_understood(tmp_path, header, unit):
    head, _ = read_text(tmp_path, text_of(header=header), ChannelMapping(sample_rate_hz=100))
    channels = head.groups[0].channels
    assert [channel.unit for channel in channels] == [unit] * 3
    assert [channel.axis for channel in channels] == ["x", "y", "z"]
    assert {channel.si for channel in channels} == {"m s-2"}


FACTORS = {"g": 9.80665, "mg": 0.00980665, "m/s2": 1.0, "mm/s2": 0.001, "gal": 0.01, "ft/s2": 0.3048}


@pytest.mark.external
@pytest.mark.parametrize(("unit", "factor"), FACTORS.items())
def test_units_become_si_with_their_defined_factors(tmp_path, unit, factor):
    """Standard gravity: 3rd CGPM (1901); gal and foot: NIST SP 811, appendix B.8."""
    head, sink = read_text(tmp_path, text_of(header="x,y,z"), ChannelMapping(sample_rate_hz=100, unit=unit))
    assert np.allclose(signal(head, sink), EXPECTED * factor, rtol=1e-15, atol=0)


def test_a_units_row_under_the_names_is_used(tmp_path):
    text = "time,accX,accY,accZ,temp\n(ms),(g),(g),(g),(°C)\n" + "".join(
        f"{i * 5},{a:.3f},{b:.3f},{c:.3f},21.5\n" for i, (a, b, c) in enumerate(ROWS)
    )
    head, sink = read_text(tmp_path, text)
    assert np.allclose(signal(head, sink), EXPECTED * G)
    assert head.groups[0].clock.rate_hz == 200.0
    assert [(c.name, c.quantity, c.unit) for c in head.groups[1].channels] == [("temp", "temperature", "degC")]


def test_names_in_a_comment_line_label_the_columns(tmp_path):
    text = text_of(" ", header="# time_ms x_g y_g z_g", stamps=lambda i: str(i * 10))
    head, sink = read_text(tmp_path, text)
    assert np.allclose(signal(head, sink), EXPECTED * G)
    assert head.groups[0].clock.rate_hz == 100.0


def test_other_quantities_are_kept_beside_the_signal(tmp_path):
    text = "t_ms,x_g,y_g,z_g,engine_rpm,temp_c,status_code,Force [N],tacho\n" + "".join(
        f"{i * 4},{a:.3f},{b:.3f},{c:.3f},{700 + i},{20 + i / 10:.1f},{i % 3},{i}.5,{i % 2}\n" for i, (a, b, c) in enumerate(ROWS)
    )
    head, sink = read_text(tmp_path, text)
    beside = {channel.name: channel for channel in head.groups[1].channels}
    assert {name: channel.quantity for name, channel in beside.items()} == {
        "engine_rpm": "speed", "temp_c": "temperature", "status_code": "other", "tacho": "tachometer",
    }  # fmt: skip
    values = dict(zip(beside, sink.values(head, head.groups[1]), strict=True))
    assert np.allclose(values["engine_rpm"], (700 + np.arange(40)) / 60)
    assert np.allclose(values["temp_c"], 20 + np.arange(40) / 10)
    assert [channel.name for channel in head.groups[0].channels] == ["x_g", "y_g", "z_g", "Force [N]"]
    assert np.allclose(sink.values(head, head.groups[0])[3], np.arange(40) + 0.5)


def test_a_text_column_beside_the_samples_is_left_out_and_named(tmp_path):
    text = "t_ms,x_g,y_g,z_g,status\n" + "".join(f"{i},{a},{b},{c},run ok\n" for i, (a, b, c) in enumerate(ROWS))
    head, sink = read_text(tmp_path, text)
    assert head.metadata["text_columns_left_out"] == ["status"]
    assert np.allclose(signal(head, sink), EXPECTED * G)


@pytest.mark.parametrize("hole", ["", "NaN", "-"])
@pytest.mark.parametrize("stamped", [True, False])
def test_a_column_filled_now_and_then_keeps_its_own_stamps(tmp_path, monkeypatch, hole, stamped):
    """A temperature every 50 rows: 40 values with their instants, none made up in between; also over many blocks."""
    rows = [(i, i % 7 / 8, f"{20 + i / 100:.2f}" if i % 50 == 3 else hole) for i in range(2000)]
    text = ("t_ms,x_g,temp_c\n" if stamped else "x_g,temp_c\n") + "".join(
        (f"{5 * i}," if stamped else "") + f"{a},{t}\n" for i, a, t in rows
    )
    mapping = ChannelMapping(sample_rate_hz=200.0)
    for size in (1 << 22, 1000):
        monkeypatch.setattr(ingest_text_blocks, "BLOCK_BYTES", size)
        head, sink = read_text(tmp_path, text, mapping)
        assert [group.name for group in head.groups] == ["signal", "beside_c2"]
        beside = head.groups[1]
        assert beside.n_samples == 40
        assert [(c.name, c.quantity) for c in beside.channels] == [("temp_c", "temperature")]
        at = np.arange(3, 2000, 50)
        assert np.allclose(sink.values(head, beside)[0], 20 + at / 100)
        assert np.allclose(sink.times_s(head, beside), at * 0.005)
        assert beside.clock.rate_hz == pytest.approx(4.0)
        assert np.allclose(signal(head, sink)[0], np.arange(2000) % 7 / 8 * G)


def test_a_column_that_is_first_filled_far_down_is_read_all_the_same(tmp_path):
    text = "x_g,rpm,note_count\n" + "".join(f"{i % 7 / 8},{700 if i > 900 else ''},\n" for i in range(1000))
    head, sink = read_text(tmp_path, text, ChannelMapping(sample_rate_hz=200.0))
    assert [group.name for group in head.groups] == ["signal", "beside_c2"]
    assert np.allclose(sink.values(head, head.groups[1]), 700 / 60)
    assert head.metadata["columns_without_values"] == ["note_count"]


# -------------------------------------------------------------------------------------------------- axes
def test_three_unlabelled_columns_are_x_y_z_and_one_is_x(tmp_path):
    mapping = ChannelMapping(sample_rate_hz=100, unit="g")
    head, _ = read_text(tmp_path, text_of(), mapping)
    assert [channel.axis for channel in head.groups[0].channels] == ["x", "y", "z"]
    head, _ = read_text(tmp_path, "".join(f"{row[0]}\n" for row in ROWS), mapping)
    assert [channel.axis for channel in head.groups[0].channels] == ["x"]


def test_one_acceleration_among_other_quantities_is_x(tmp_path):
    text = "time_s,drive_V,acceleration_g\n" + "".join(f"{i / 100:.2f},{a},{b}\n" for i, (a, b, _) in enumerate(ROWS))
    head, sink = read_text(tmp_path, text)
    axes = {channel.name: channel.axis for channel in head.groups[0].channels}
    assert axes == {"drive_V": "", "acceleration_g": "x"}
    assert np.allclose(signal(head, sink)[1], EXPECTED[1] * G)


def test_two_named_axes_are_enough(tmp_path):
    text = "x_g,z_g\n" + "".join(f"{a},{c}\n" for a, _, c in ROWS)
    head, _ = read_text(tmp_path, text, ChannelMapping(sample_rate_hz=100))
    assert [channel.axis for channel in head.groups[0].channels] == ["x", "z"]


def test_turn_rates_are_not_taken_for_acceleration(tmp_path):
    text = "ax_g,ay_g,az_g,gx,gy,gz,mag_x\n" + "".join(f"{a},{b},{c},1,2,3,4\n" for a, b, c in ROWS)
    head, _ = read_text(tmp_path, text, ChannelMapping(sample_rate_hz=100))
    assert [channel.name for channel in head.groups[0].channels] == ["ax_g", "ay_g", "az_g"]
    assert {channel.quantity for channel in head.groups[1].channels} == {"other"}


# ----------------------------------------------------------------------------------------------- mapping
def test_mapped_columns_leave_out_the_time_column_and_carry_signs(tmp_path):
    """c1 is the first column that is not the time; a minus turns the axis round."""
    mapping = ChannelMapping(
        "seat", (AxisSource("", "z", 1, -1), AxisSource("engine", "x", 3, 1)), unit="g", sensitivity=(("z", 1.02),), offset=(("x", 0.5),)
    )
    head, sink = read_text(tmp_path, text_of(header="time_s,a,b,c", stamps=lambda i: f"{i * 0.01:.2f}"), mapping)
    by_axis = {(c.position, c.axis): v for c, v in zip(head.groups[0].channels, signal(head, sink), strict=True)}
    assert set(by_axis) == {("seat", "z"), ("engine", "x")}
    assert np.allclose(by_axis[("seat", "z")], -EXPECTED[0] * G * 1.02, rtol=1e-14, atol=0)
    assert np.allclose(by_axis[("engine", "x")], EXPECTED[2] * G - 0.5, rtol=1e-14, atol=1e-14)


def test_counts_become_si_by_the_stated_scale(tmp_path):
    text = "accel_x,accel_y,accel_z\n" + "".join(f"{i},{-2 * i},16384\n" for i in range(20))
    head, sink = read_text(tmp_path, text, ChannelMapping(unit="counts", scale=G / 16384, sample_rate_hz=500))
    assert head.groups[0].dtype == "int32"
    assert np.allclose(signal(head, sink)[2], G, rtol=1e-15)
    assert np.array_equal(sink.counts(0, "signal")[1], -2 * np.arange(20))


def test_the_same_unit_said_twice_is_no_contradiction(tmp_path):
    head, _ = read_text(tmp_path, text_of(header="x_g,y_g,z_g"), ChannelMapping(unit="g", sample_rate_hz=100))
    assert head.groups[0].channels[0].unit == "g"


# ------------------------------------------------------------------------------------------------ clocks
@pytest.mark.parametrize(
    ("header", "stamp", "rate", "start"),
    [
        ("time_s", lambda i: f"{i * 0.000625:.6f}", 1600.0, 0.0),
        ("time_s", lambda i: f"{int(i * 312.5) / 1e6:.6f}", 3200.0, 0.0),
        ("Time [ms]", lambda i: f"{100 + i * 2.5:.1f}", 400.0, 0.1),
        ("t_us", lambda i: f"{i * 500}", 2000.0, 0.0),
        ("timestamp_ms", lambda i: f"{-50 + i * 5}", 200.0, -0.05),
        ("time (s)", lambda i: f"{46408.6 + i * 0.01:.2f}", 100.0, 46408.6),
        ("Time", lambda i: f"{i * 0.01:.2f}", 100.0, 0.0),
        ("millis", lambda i: f"{i * 4}", 250.0, 0.0),
        ("time_s", lambda i: f"{i / 300:.17g}", 300.0, 0.0),
        ("time_s", lambda i: f"{i * 0.01:.4e}", 100.0, 0.0),
        ("s", lambda i: f"{i * 0.01:.2f}", 100.0, 0.0),
        ("elapsed (s)", lambda i: f"{i * 0.01:.2f}", 100.0, 0.0),
        ("t [µs]", lambda i: f"{i * 125}", 8000.0, 0.0),
    ],
)
def test_uniform_stamps_give_the_exact_rate(tmp_path, header, stamp, rate, start):
    """Stamps rounded or cut to their last digit still stand for one exact rate."""
    rows = ROWS * 10
    head, _ = read_text(tmp_path, text_of(header=f"{header},x_g,y_g,z_g", stamps=stamp, rows=rows))
    clock = head.groups[0].clock
    assert clock.uniform
    assert clock.rate_hz == pytest.approx(rate, rel=1e-9)
    assert clock.start_s == pytest.approx(start, abs=1e-9)


@pytest.mark.parametrize(
    ("header", "stamp", "rate"),
    [
        ("timestamp", lambda i: f"2026-11-25T10:15:{30 + i * 0.01:06.3f}", 100.0),
        ("timestamp", lambda i: f"2026-11-25 10:15:{30 + i * 0.01:06.3f}", 100.0),
        ("timestamp", lambda i: f"2026-11-25T10:15:{30 + i * 0.01:06.3f}Z", 100.0),
        ("timestamp", lambda i: f"2026-11-25T11:15:{30 + i * 0.01:06.3f}+01:00", 100.0),
        ("timestamp", lambda i: f"25.11.2026 10:15:{30 + i * 0.01:06.3f}", 100.0),
        ("timestamp", lambda i: f"2026/11/25 10:15:{30 + i * 0.01:06.3f}", 100.0),
        ("date,time", lambda i: f"25.11.2026,10:15:{30 + i * 0.01:06.3f}", 100.0),
        ("timestamp", lambda i: f"20261125T1015{30 + i * 0.01:06.3f}", 100.0),
        ("epoch_s", lambda i: f"{1795601730 + i * 0.01:.6f}", 100.0),
        ("epoch_ms", lambda i: f"{1795601730000 + i * 10}", 100.0),
        ("epoch_us", lambda i: f"{1795601730000000 + i * 10000}", 100.0),
        ("time", lambda i: f"{1795601730000 + i * 10}", 100.0),
        ("date,time", lambda i: f"2026-11-25,10:15:{30 + i * 0.01:06.3f}", 100.0),
    ],
)
def test_absolute_stamps_count_from_the_first_and_tell_when_it_was(tmp_path, header, stamp, rate):
    """Seconds since 1970 would cost the digits; the instant stands beside the clock instead."""
    head, _ = read_text(tmp_path, text_of(header=f"{header},x_g,y_g,z_g", stamps=stamp))
    clock = head.groups[0].clock
    assert clock.uniform
    assert clock.start_s == 0.0
    assert clock.rate_hz == pytest.approx(rate, rel=1e-9)
    assert clock.origin == "2026-11-25T10:15:30.000000Z"
    assert head.recorded_at == clock.origin


def test_times_of_day_are_kept_as_seconds_of_the_day(tmp_path):
    text = text_of(header="time,x_g,y_g,z_g", stamps=lambda i: f"10:15:{30 + i * 0.01:05.2f}")
    head, _ = read_text(tmp_path, text)
    assert head.groups[0].clock.rate_hz == pytest.approx(100.0, rel=1e-9)


def test_the_time_column_may_stand_anywhere(tmp_path):
    text = "x_g,y_g,z_g,time_ms\n" + "".join(f"{a},{b},{c},{i * 5}\n" for i, (a, b, c) in enumerate(ROWS))
    head, sink = read_text(tmp_path, text)
    assert head.groups[0].clock.rate_hz == 200.0
    assert np.allclose(signal(head, sink), EXPECTED * G)


def test_a_headerless_rising_first_column_is_the_time(tmp_path):
    head, sink = read_text(tmp_path, text_of(stamps=lambda i: f"{i * 0.005:.3f}"), ChannelMapping(unit="g"))
    assert head.groups[0].clock.rate_hz == 200.0
    assert np.allclose(signal(head, sink), EXPECTED * G)


def test_a_slow_signal_without_header_is_not_taken_for_a_time(tmp_path):
    """A 0.1 Hz sine rises for 250 rows on end; c1 of the mapping must still be that sine."""
    slow = np.round(5 * np.sin(2 * np.pi * 0.1 * np.arange(3000) / 100), 4)
    text = "".join(f"{a:.4f},{b:.4f}\n" for a, b in zip(slow, slow[::-1], strict=True))
    head, sink = read_text(tmp_path, text, ChannelMapping(unit="g", sample_rate_hz=100, axes=(AxisSource("", "x", 1, 1),)))
    assert head.groups[0].channels[0].axis == "x"
    assert np.allclose(signal(head, sink)[0], slow * G)


def test_jitter_is_kept_as_whole_ticks(tmp_path):
    rng = np.random.default_rng(3)
    ticks = np.cumsum(rng.integers(2, 5, 400))
    text = "time_ms,x_g\n" + "".join(f"{tick},{i % 7 / 8}\n" for i, tick in enumerate(ticks))
    head, sink = read_text(tmp_path, text)
    clock = head.groups[0].clock
    assert not clock.uniform
    assert clock.tick_s == 0.001
    assert sink.ticks(0, "signal").dtype == np.int64
    assert np.array_equal(sink.ticks(0, "signal"), ticks)
    assert clock.rate_hz == pytest.approx(1000 / np.mean(np.diff(ticks)), rel=0.01)


def test_gaps_stay_gaps(tmp_path):
    """2 s lost twice: the stamps say so, and no sample is moved to close the hole."""
    times = np.concatenate([np.arange(100), np.arange(300, 400), np.arange(600, 700)]) * 10
    text = "time_ms,x_g\n" + "".join(f"{t},{i % 5 / 4}\n" for i, t in enumerate(times))
    head, sink = read_text(tmp_path, text)
    assert not head.groups[0].clock.uniform
    assert np.array_equal(sink.ticks(0, "signal"), times)
    assert head.metadata["clock"]["n_gaps"] == 2
    assert head.groups[0].clock.rate_hz == pytest.approx(100.0)


@pytest.mark.parametrize("name", ["sample", "index", "Sample No", "seq"])
def test_missing_sample_numbers_are_gaps(tmp_path, name):
    """Without a time column the numbers of the samples still tell what was lost: 100 of them at number 200."""
    numbers = np.concatenate([np.arange(7, 207), np.arange(307, 507)])
    text = f"{name},x_g\n" + "".join(f"{n},{n % 5 / 4}\n" for n in numbers)
    head, sink = read_text(tmp_path, text, ChannelMapping(sample_rate_hz=100.0))
    assert not head.groups[0].clock.uniform
    assert np.allclose(sink.times_s(head, head.groups[0]), (numbers - 7) / 100)
    assert head.metadata["clock"]["n_gaps"] == 1
    assert [c.name for c in head.groups[1].channels] == [name]


@pytest.mark.parametrize("numbers", [np.arange(300), np.arange(300) % 256, np.arange(300) // 2, np.arange(300) / 2])
def test_whole_or_wrapping_sample_numbers_leave_the_stated_rate(tmp_path, numbers):
    text = "sample,x_g\n" + "".join(f"{n},{i % 5 / 4}\n" for i, n in enumerate(numbers))
    head, _ = read_text(tmp_path, text, ChannelMapping(sample_rate_hz=100.0))
    assert (head.groups[0].clock.uniform, head.groups[0].clock.rate_hz) == (True, 100.0)


def test_stamps_coarser_than_a_step_still_show_the_rate(tmp_path):
    """Whole milliseconds at 3200 Hz repeat three or four times each: a clock fact, no fault."""
    text = "time_ms,x_g\n" + "".join(f"{int(i / 3.2)},{i % 5 / 4}\n" for i in range(9600))
    head, _ = read_text(tmp_path, text)
    assert head.groups[0].clock.uniform
    assert head.groups[0].clock.rate_hz == pytest.approx(3200.0, rel=1e-4)
    assert head.metadata["clock"]["n_repeated"] > 6000


def test_blocks_of_samples_under_one_stamp_are_kept_as_they_are(tmp_path):
    text = "time_ms,x_g\n" + "".join(f"{i // 25 * 25},{i % 5 / 4}\n" for i in range(500))
    head, sink = read_text(tmp_path, text)
    assert head.groups[0].n_samples == 500
    assert np.array_equal(sink.ticks(0, "signal"), np.arange(500) // 25 * 25)


def test_a_stated_rate_settles_a_time_column_without_unit(tmp_path):
    text = text_of(header="time,x_g,y_g,z_g", stamps=lambda i: str(i * 20))
    head, _ = read_text(tmp_path, text, ChannelMapping(sample_rate_hz=50))
    assert head.groups[0].clock.rate_hz == 50.0


# --------------------------------------------------------------------------------------------- exactness
def test_fixed_decimals_become_whole_counts(tmp_path):
    head, sink = read_text(tmp_path, text_of(header="x_g,y_g,z_g"), ChannelMapping(sample_rate_hz=100))
    assert head.groups[0].dtype == "int32"
    assert np.array_equal(sink.counts(0, "signal"), np.rint(EXPECTED * 1000))


def test_a_cell_with_more_decimals_far_down_is_not_rounded(tmp_path):
    """The dialect sees the first rows only; the counts must fit the last ones too."""
    text = "x_g\n" + "0.12\n" * 5000 + "0.123456789\n" + "0.12\n" * 10
    head, sink = read_text(tmp_path, text, ChannelMapping(sample_rate_hz=100))
    assert sink.counts(0, "signal")[0, 5000] == 123456789
    assert head.groups[0].channels[0].scale == G / 1e9


def test_numbers_of_17_digits_stay_the_nearest_doubles(tmp_path):
    rng = np.random.default_rng(5)
    values = rng.normal(size=3000) * 10.0 ** rng.integers(-8, 8, 3000)
    text = "x_ms2\n" + "".join(f"{value!r}\n".replace("np.float64(", "").replace(")", "") for value in values)
    head, sink = read_text(tmp_path, text, ChannelMapping(sample_rate_hz=100))
    assert head.groups[0].dtype == "float64"
    assert np.array_equal(sink.counts(0, "signal")[0], values)


@pytest.mark.parametrize("decimals", range(10))
def test_counts_over_a_power_of_ten_give_every_cell_back(tmp_path, decimals):
    """The exact rule: count / 10**d equals the correctly rounded cell, for random cells of 1 to 15 digits."""
    rng = np.random.default_rng(decimals)
    cells = [f"{sign}{whole}.{part:0{decimals}d}" if decimals else f"{sign}{whole}" for sign, whole, part in zip(
        rng.choice(["", "-", "+"], 500), rng.integers(0, 10 ** 5, 500), rng.integers(0, 10**decimals, 500), strict=True)]
    head, sink = read_text(tmp_path, "x_ms2\n" + "\n".join(cells) + "\n", ChannelMapping(sample_rate_hz=100))
    assert head.groups[0].dtype.startswith("int")
    found = sink.counts(0, "signal")[0] / 10.0**decimals
    assert np.array_equal(found, [float(cell) for cell in cells])


def test_counts_beyond_32_bits_use_64(tmp_path):
    text = "x,y,z\n" + "".join(f"{2**31 + i},0,1\n" for i in range(12))
    head, sink = read_text(tmp_path, text, ChannelMapping(unit="counts", scale=1e-9, sample_rate_hz=100))
    assert head.groups[0].dtype == "int64"
    assert np.array_equal(sink.counts(0, "signal")[0], 2**31 + np.arange(12))


# ------------------------------------------------------------------------------------------- large files
@pytest.mark.parametrize("encoding", ["utf-8", "utf-16-le"])
@pytest.mark.parametrize("end", ["\n", "\r\n"])
def test_a_file_of_many_blocks_gives_what_one_block_gives(tmp_path, monkeypatch, encoding, end):
    """Block borders may fall anywhere, also between carriage return and line feed; parsed once or twice."""
    text = text_of(header="time_ms,x_g,y_g,z_g", stamps=lambda i: str(i * 3 + i % 2), rows=ROWS * 25, end=end)
    whole_head, whole = read_bytes(tmp_path, text.encode(encoding))
    for size, held in ((997, 1 << 30), (1024, 0), (4099, 0)):
        monkeypatch.setattr(ingest_text_blocks, "BLOCK_BYTES", size)
        monkeypatch.setattr(ingest_text_groups, "HELD_BYTES", held)
        head, sink = read_bytes(tmp_path, text.encode(encoding))
        assert head == whole_head
        assert np.array_equal(sink.counts(0, "signal"), whole.counts(0, "signal"))
        assert np.array_equal(sink.ticks(0, "signal"), whole.ticks(0, "signal"))


@pytest.mark.nightly
def test_a_200_mb_file_streams_in_bounded_memory(tmp_path):
    """Peak memory of the reading process stays below 400 MB over its start."""
    import subprocess
    import sys

    path = tmp_path / "long.csv"
    rng = np.random.default_rng(0)
    block = "".join("{:.6f},{:.6f},{:.6f}\n".format(*row) for row in rng.normal(size=(40_000, 3)))
    with path.open("w") as stream:
        stream.write("x_g,y_g,z_g\n")
        for _ in range(200_000_000 // len(block) + 1):
            stream.write(block)
    code = (
        "import resource, sys\nfrom pathlib import Path\n"
        "from thrumline.pipeline.contracts import ChannelMapping\nfrom thrumline.pipeline.testing import GivenFile\n"
        "from thrumline.plugins.ingest_text import TextReader\n"
        "class Sink:\n  n = 0\n  def begin(self, i): pass\n  def samples(self, g, c): self.n += c.shape[1]\n  def stamps(self, g, t): pass\n"
        "reader = TextReader(); reader.warm(); sink = Sink()\n"
        "before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss\n"
        "heads = reader.read(GivenFile(Path(sys.argv[1]), 'long.csv'), ChannelMapping(sample_rate_hz=1000.0), sink)\n"
        "assert sink.n == heads[0].groups[0].n_samples\n"
        "print(sink.n, (resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before) / 1024)\n"
    )
    out = subprocess.run([sys.executable, "-c", code, str(path)], capture_output=True, text=True, check=True).stdout.split()
    assert int(out[0]) >= 7_000_000 - 40_000 * 10
    print(f"{out[0]} samples, peak {float(out[1]):.0f} MB over the start")
    assert float(out[1]) < 400.0


# -------------------------------------------------------------------------- what is told beside the samples
def test_description_shows_dialect_columns_and_first_rows(tmp_path):
    path = tmp_path / "a.csv"
    path.write_text("note: a\n" + text_of(";", ",", "time_s;x_g;y_g;z_g", stamps=lambda i: f"{i * 0.01:.2f}"))
    told = TextReader().describe(GivenFile(path, "a.csv"), ChannelMapping())
    assert told["dialect"]["delimiter"] == "semicolon"
    assert told["dialect"]["decimal"] == ","
    assert told["time_column"] == ["time_s"]
    assert [(c["column"], c["axis"], c["unit"]) for c in told["columns"]] == [("c1", "x", "g"), ("c2", "y", "g"), ("c3", "z", "g")]
    assert told["first_rows"][0] == ["0,00", "0,012", "-0,034", "1,001"]
    assert told["preamble"] == ["note: a", "time_s;x_g;y_g;z_g"]


@pytest.mark.parametrize(
    ("head", "name", "least", "most"),
    [
        (b"x,y\n1,2\n3,4\n", "a.csv", 0.7, 0.7), (b"1 2 3\n4 5 6\n", "a.xyz", 0.6, 0.6), (b"", "a.csv", 0.1, 0.3),
        (b"hello world\n", "a.csv", 0.1, 0.3), (b"\x89PNG\r\n\x1a\n" + bytes(range(256)) * 4, "a.png", 0.0, 0.0),
        (b"RIFF\x24\x00\x00\x00WAVEfmt " + bytes(100), "a.wav", 0.0, 0.0), (b"", "a.bin", 0.0, 0.0),
    ],
)  # fmt: skip
def test_confidence_is_high_for_rows_and_nil_for_binaries(head, name, least, most):
    assert least <= TextReader().sniff(head, name) <= most


def test_refusals_of_the_reader_survive_pickling():
    import pickle

    from thrumline.pipeline.contracts import ReasonCode

    refusal = ReaderRefusal(ReasonCode.EMPTY, "asked", found="found")
    assert str(pickle.loads(pickle.dumps(refusal))) == str(refusal)
