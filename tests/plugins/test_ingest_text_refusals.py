"""Every refusal of the text reader, by its code and its message; and damage next to each that is no refusal."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from thrumline.pipeline.contracts import AxisSource, ChannelMapping, ReaderRefusal, ReasonCode
from thrumline.pipeline.testing import GatheringSink, GivenFile
from thrumline.plugins import ingest_text_blocks
from thrumline.plugins.ingest_text import TextReader

RATE = ChannelMapping(sample_rate_hz=100.0)
G = ChannelMapping(sample_rate_hz=100.0, unit="g")
BODY = [f"{i % 7 / 8 - 0.4:.3f},{i % 5 / 4:.3f},{1 + i % 3 / 100:.3f}" for i in range(30)]
HEADER = "x_g,y_g,z_g"


def refusal(folder: Path, content: bytes | str, mapping: ChannelMapping = RATE) -> ReaderRefusal:
    path = folder / "original"
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    sink = GatheringSink()
    with pytest.raises(ReaderRefusal) as caught:
        TextReader().read(GivenFile(path, "capture.csv"), mapping, sink)
    return caught.value


def accepted(folder: Path, content: bytes | str, mapping: ChannelMapping = RATE):
    path = folder / "original"
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    return TextReader().read(GivenFile(path, "capture.csv"), mapping, GatheringSink())[0]


def with_row(row: str, at: int = 12, header: str = HEADER) -> str:
    return "\n".join([header, *BODY[:at], row, *BODY[at:]]) + "\n"


def stamped(stamps, header: str = "time_s") -> str:
    return f"{header},x_g\n" + "".join(f"{stamp},{i % 5 / 4}\n" for i, stamp in enumerate(stamps))


def check(found: ReaderRefusal, code: ReasonCode, *messages: str) -> None:
    assert found.code is code, str(found)
    for message in messages:
        assert re.search(message, str(found)), f"{message!r} not in {found}"


# ----------------------------------------------------------------------------------------------- empty
def test_a_file_without_bytes_is_empty(tmp_path):
    check(refusal(tmp_path, b""), ReasonCode.EMPTY, "holds no bytes", "record again")


@pytest.mark.parametrize("content", [b"\n\n\n", b" ", b"\xef\xbb\xbf", b"\xff\xfe", b"\r\n \t\r\n"])
def test_blanks_alone_are_empty(tmp_path, content):
    check(refusal(tmp_path, content), ReasonCode.EMPTY, "holds no text")


# ----------------------------------------------------------------------------------------- not numeric
@pytest.mark.parametrize("content", ["x_g,y_g,z_g\n", "# by hand\nt_s;x\n(s);(g)\n"])
def test_a_header_without_rows_is_empty(tmp_path, content):
    check(refusal(tmp_path, content), ReasonCode.EMPTY, "a header and no rows below it")


@pytest.mark.parametrize("content", ["hello world\nthis is prose\n", "# only a comment\n", "{}", "name;value\na;b\nc;d\n"])
def test_text_without_rows_of_numbers_is_not_numeric(tmp_path, content):
    check(refusal(tmp_path, content), ReasonCode.NOT_NUMERIC, "no rows of numbers")


@pytest.mark.parametrize(
    ("row", "column", "cell"),
    [
        ("0.1,abc,0.3", 2, "abc"), ("0.1,0.2,1_0", 3, "1_0"), ("0x1A,0.2,0.3", 1, "0x1A"), ("0.1,1 2,0.3", 2, "1 2"), ("0.1,1.2.3,0.3", 2, "1.2.3"),
        ("0.1,1e,0.3", 2, "1e"), ("0.1,--1,0.3", 2, "--1"), ("0.1,1.0f,0.3", 2, "1.0f"), ("0.1,#VALUE,0.3", 2, "#VALUE"), ("0.1,O.2,0.3", 2, "O.2"),
        ("0.1,1;2,0.3", 2, "1;2"), ("0.1,\u0661,0.3", 2, ""), ("0.1,12:30:01,0.3", 2, "12:30:01"),
    ],
)  # fmt: skip
def test_a_cell_that_is_no_number_is_named_by_line_and_column(tmp_path, row, column, cell):
    check(refusal(tmp_path, with_row(row)), ReasonCode.NOT_NUMERIC, f"line 14, column {column} is no number", re.escape(cell))


def test_the_offence_is_found_far_down_and_in_any_line_ending(tmp_path, monkeypatch):
    monkeypatch.setattr(ingest_text_blocks, "BLOCK_BYTES", 1 << 16)
    text = "x_g\n" + "0.125\n" * 70_000 + "bad\n" + "0.125\n" * 10
    check(refusal(tmp_path, text), ReasonCode.NOT_NUMERIC, "line 70002, column 1", "'bad'")
    check(refusal(tmp_path, text.replace("\n", "\r\n")), ReasonCode.NOT_NUMERIC, "line 70002, column 1")


def test_a_zero_byte_in_a_cell_is_not_numeric(tmp_path):
    check(refusal(tmp_path, with_row("0.1,0.2\x003,0.3")), ReasonCode.NOT_NUMERIC, "line 14, column 2")


@pytest.mark.parametrize(
    ("first", "message"),
    [
        ("0.1x,0.2,0.3", "line 1 above the rows looks like"), ("#0.1,0.2,0.3", "line 1 above the rows looks like a row behind a comment mark"),
        ("0.1;0.2,0.3", "line 1 above the rows looks like"), ("0.1,0.2", "line 1 above the rows looks like a row that is not whole"),
        ("x.1,0.2,0.3", "line 1 above the rows looks like a row with a cell"),
    ],
)  # fmt: skip
def test_a_damaged_first_row_is_not_taken_for_a_header(tmp_path, first, message):
    """Passing it over would lose one sample without a word."""
    check(refusal(tmp_path, "\n".join([first, *BODY]) + "\n", G), ReasonCode.NOT_NUMERIC, message)


@pytest.mark.parametrize("row", ["# 0.1,0.2,0.3", "// 0.1,0.2,0.3"])
def test_a_comment_between_rows_is_refused(tmp_path, row):
    found = refusal(tmp_path, with_row(row))
    assert found.code in (ReasonCode.UNREADABLE, ReasonCode.NOT_NUMERIC)
    assert "line 14" in str(found)


def test_a_row_behind_a_comment_mark_at_the_end_is_refused(tmp_path):
    found = refusal(tmp_path, with_row("#0.1,0.2,0.3", at=30))
    assert found.code is ReasonCode.NOT_NUMERIC
    assert "line 32, column 1" in str(found)


def test_decimal_marks_may_not_change_within_a_file(tmp_path):
    text = "x_g;y_g\n" + "0,125;0,250\n" * 20 + "0.125;0,250\n"
    check(refusal(tmp_path, text), ReasonCode.NOT_NUMERIC, "line 22, column 1", "as decimal mark")


@pytest.mark.parametrize("cell", ["1.234,5", "1'234.5", "1 234"])
def test_thousands_marks_are_refused(tmp_path, cell):
    text = "x_g;y_g\n" + "0,125;0,250\n" * 20 + f"{cell};0,250\n"
    assert refusal(tmp_path, text).code is ReasonCode.NOT_NUMERIC


def test_a_stray_quotation_mark_is_refused(tmp_path):
    check(refusal(tmp_path, with_row('0.1,"0.2,0.3')), ReasonCode.NOT_NUMERIC, "line 14 has a stray quotation mark")


def test_a_text_column_cannot_be_an_axis(tmp_path):
    text = "t_ms,a,status\n" + "".join(f"{i},{i / 8},fine\n" for i in range(20))
    mapping = ChannelMapping(unit="g", axes=(AxisSource("", "x", 2, 1),))
    check(refusal(tmp_path, text, mapping), ReasonCode.NOT_NUMERIC, r"column c2 \(status\) holds text", "choose a column of numbers")


# ------------------------------------------------------------------------------------------ non finite
@pytest.mark.parametrize("cell", ["nan", "NaN", "inf", "-inf", "", "NA", "null", "#N/A", "Infinity", "1e999"])
def test_missing_and_infinite_cells_are_named_by_line_and_column(tmp_path, cell):
    check(refusal(tmp_path, with_row(f"0.1,{cell},0.3")), ReasonCode.NON_FINITE, "line 14, column 2 holds no finite number")


def test_a_missing_cell_in_the_first_row_is_found_as_well(tmp_path):
    check(refusal(tmp_path, with_row("nan,0.2,0.3", at=0)), ReasonCode.NON_FINITE, "line 2, column 1")


def test_a_cell_that_is_no_number_is_found_in_a_column_with_holes_too(tmp_path):
    text = "x_g,temp_c\n" + "".join(f"{i % 7 / 8},{'' if i % 9 else 'warm' if i == 900 else i}\n" for i in range(1000))
    check(refusal(tmp_path, text), ReasonCode.NOT_NUMERIC, "line 902, column 2 is no number", "'warm'")


def test_a_hole_in_the_time_column_is_refused(tmp_path):
    stamps = [f"{i * 0.01:.2f}" for i in range(40)]
    stamps[7] = ""
    check(refusal(tmp_path, stamped(stamps), ChannelMapping()), ReasonCode.NON_FINITE, "line 9, column 1 holds no finite number; found an empty cell")


# ------------------------------------------------------------------------------------------ unreadable
@pytest.mark.parametrize(
    ("row", "cells"), [("0.1,0.2", 2), ("0.1,0.2,0.3,0.4", 4), ("0.1", 1), ("0.1,0.2,0.3,", 4)]
)
def test_rows_of_another_length_are_named(tmp_path, row, cells):
    check(refusal(tmp_path, with_row(row)), ReasonCode.UNREADABLE, f"line 14 has {cells} cells where the rows have 3")


@pytest.mark.parametrize("row", ["0.1 0.2", "0.1  0.2 0.3 0.4"])
def test_rows_of_another_length_are_named_between_blanks_too(tmp_path, row):
    text = "\n".join(line.replace(",", " ") for line in [HEADER, *BODY[:9], row, *BODY[9:]]) + "\n"
    check(refusal(tmp_path, text), ReasonCode.UNREADABLE, "line 11 has . cells where the rows have 3")


def test_a_last_line_with_fewer_cells_is_refused(tmp_path):
    check(refusal(tmp_path, "\n".join([HEADER, *BODY, "0.1,0.2"])), ReasonCode.UNREADABLE, "line 32 has 2 cells")


def test_a_file_cut_in_the_middle_of_its_last_number_is_refused(tmp_path):
    """Three decimals everywhere and one in the last cell, without a line end: the rest is missing."""
    check(refusal(tmp_path, "\n".join([HEADER, *BODY, "0.100,0.200,0.3"])), ReasonCode.UNREADABLE, "line 32 ends in the middle of a number")
    assert accepted(tmp_path, "\n".join([HEADER, *BODY, "0.100,0.200,0.3"]) + "\n").groups[0].n_samples == 31


@pytest.mark.parametrize("line", ["Samples: 31", "# samples = 31", "Number of samples,31", "rows;31", "npts=31"])
def test_a_count_that_differs_from_the_declared_one_is_refused(tmp_path, line):
    check(refusal(tmp_path, "\n".join([line, HEADER, *BODY]) + "\n"), ReasonCode.UNREADABLE, "30 rows, but the header says 31")
    assert accepted(tmp_path, "\n".join([line.replace("31", "30"), HEADER, *BODY]) + "\n").groups[0].n_samples == 30


def test_a_header_with_more_names_than_columns_is_refused(tmp_path):
    check(refusal(tmp_path, "\n".join(["x_g,y_g,z_g,t", *BODY]) + "\n"), ReasonCode.UNREADABLE, "header does not fit the rows", "4 labels for 3 columns")


@pytest.mark.parametrize("content", [bytes(range(256)) * 20, b"RIFF\x24\x08\x00\x00WAVEfmt " + bytes(400), b"\x89HDF\r\n\x1a\n" + bytes(500)])
def test_binary_content_is_no_text(tmp_path, content):
    found = refusal(tmp_path, content)
    assert found.code in (ReasonCode.UNREADABLE, ReasonCode.NOT_NUMERIC)


def test_half_a_utf_16_character_is_refused(tmp_path):
    content = ("\n".join([HEADER, *BODY]) + "\n").encode("utf-16")
    check(refusal(tmp_path, content[:-1]), ReasonCode.UNREADABLE, "half a character")


def test_a_line_of_megabytes_is_refused(tmp_path):
    text = "\n".join([HEADER, *BODY]) + "\n" + "1" * (6 << 20)
    check(refusal(tmp_path, text), ReasonCode.LIMIT_EXCEEDED, "a line is too long", "bytes without a line end")


# ---------------------------------------------------------------------------------------- unknown unit
def test_a_unit_nobody_states_is_not_guessed(tmp_path):
    check(refusal(tmp_path, "\n".join(BODY) + "\n"), ReasonCode.UNKNOWN_UNIT, "column c1", "found no unit", "fill column 'unit'", "m/s2")


@pytest.mark.parametrize("unit", ["furlong", "m/s", "dps", "kg"])
def test_a_unit_nobody_knows_is_not_guessed(tmp_path, unit):
    header = ",".join(f"acc {axis} [{unit}]" for axis in "xyz")
    check(refusal(tmp_path, "\n".join([header, *BODY]) + "\n"), ReasonCode.UNKNOWN_UNIT, f"unit '{unit}'", "allowed: g, mg")


def test_a_unit_of_another_quantity_in_the_table_is_refused(tmp_path):
    mapping = ChannelMapping(sample_rate_hz=100.0, unit="rpm")
    check(refusal(tmp_path, "\n".join(BODY) + "\n", mapping), ReasonCode.UNKNOWN_UNIT, "unit 'rpm' of the captures table")


def test_counts_need_a_scale(tmp_path):
    mapping = ChannelMapping(sample_rate_hz=100.0, unit="counts")
    check(refusal(tmp_path, "\n".join(BODY) + "\n", mapping), ReasonCode.UNKNOWN_UNIT, "holds counts", "no scale", "fill column 'scale'")
    header = "x [counts],y [counts],z [counts]"
    check(refusal(tmp_path, "\n".join([header, *BODY]) + "\n"), ReasonCode.UNKNOWN_UNIT, "holds counts", "no scale")


# ------------------------------------------------------------------------------------------- ambiguous
def test_two_units_that_contradict_each_other_are_ambiguous(tmp_path):
    mapping = ChannelMapping(sample_rate_hz=100.0, unit="mg")
    check(refusal(tmp_path, "\n".join([HEADER, *BODY]) + "\n", mapping), ReasonCode.AMBIGUOUS, "g in the file, mg in the captures table")
    header = "x [furlong],y [furlong],z [furlong]"
    check(refusal(tmp_path, "\n".join([header, *BODY]) + "\n", mapping), ReasonCode.AMBIGUOUS, "'furlong' in the file, mg in")


@pytest.mark.parametrize(
    ("header", "n", "listed"),
    [("", 4, "c1 'c1', c2 'c2', c3 'c3', c4 'c4'"), ("", 2, "c1 'c1', c2 'c2'"), ("a,b,c", 3, "c1 'a', c2 'b', c3 'c'"), ("rpm", 1, "c1 'rpm'")],
)
def test_columns_that_name_no_axis_are_listed_with_an_example(tmp_path, header, n, listed):
    rows = "".join(",".join(f"{(i * k) % 7 / 8 - 0.3:.3f}" for k in range(1, n + 1)) + "\n" for i in range(30))
    found = refusal(tmp_path, (header + "\n" if header else "") + rows, G)
    check(found, ReasonCode.AMBIGUOUS, "which columns are acceleration", re.escape(listed), r"fill column 'axes' .* x=\+c1")


def test_an_axis_named_twice_is_ambiguous(tmp_path):
    text = "seat_x_g,x_g,z_g\n" + "\n".join(BODY) + "\n"
    mapped = ChannelMapping(sample_rate_hz=100.0, axes=(AxisSource("a", "x", 1, 1), AxisSource("b", "x", 2, 1)))
    text = text.replace("seat_x_g", "acc_x_g")
    check(refusal(tmp_path, text), ReasonCode.AMBIGUOUS, "an axis is named more than once")
    assert [c.position for c in accepted(tmp_path, text, mapped).groups[0].channels[:2]] == ["a", "b"]


def test_a_mapped_column_that_is_not_there_is_ambiguous(tmp_path):
    mapping = ChannelMapping(sample_rate_hz=100.0, unit="g", axes=(AxisSource("", "x", 4, 1),))
    check(refusal(tmp_path, "\n".join(BODY) + "\n", mapping), ReasonCode.AMBIGUOUS, "axes name column c4", "c3 'c3'")


def test_a_column_mapped_twice_is_ambiguous(tmp_path):
    mapping = ChannelMapping(sample_rate_hz=100.0, unit="g", axes=(AxisSource("", "x", 1, 1), AxisSource("", "y", 1, 1)))
    check(refusal(tmp_path, "\n".join(BODY) + "\n", mapping), ReasonCode.AMBIGUOUS, "use column c1 twice")


def test_one_comma_between_whole_numbers_is_ambiguous(tmp_path):
    """0,12 may be twelve hundredths, or zero and twelve."""
    check(refusal(tmp_path, "".join(f"{i % 3},{i % 10}\n" for i in range(30)), G), ReasonCode.AMBIGUOUS, "a comma here may part two cells")


def test_a_headerless_first_column_that_mostly_rises_is_ambiguous(tmp_path):
    """Whether it is counted as c1 would decide which columns become axes."""
    text = "".join(f"{i if i % 5 else i - 3},{i % 7 / 8},{i % 3}\n" for i in range(60))
    mapping = ChannelMapping(unit="g", axes=(AxisSource("", "x", 1, 1),), sample_rate_hz=100.0)
    check(refusal(tmp_path, text, mapping), ReasonCode.AMBIGUOUS, "may be a time or a signal", "81 % of its steps", "add a header")


# ------------------------------------------------------------------------------------------- bad clock
def test_no_time_column_and_no_rate_is_refused(tmp_path):
    check(refusal(tmp_path, "\n".join([HEADER, *BODY]) + "\n", ChannelMapping()), ReasonCode.BAD_CLOCK, "no time column", "fill column 'sample_rate_hz'")


def test_stamps_that_run_backward_are_refused_with_their_lines(tmp_path):
    stamps = [f"{i * 0.01:.2f}" for i in range(40)]
    stamps[20] = "0.05"
    check(refusal(tmp_path, stamped(stamps), ChannelMapping()), ReasonCode.BAD_CLOCK, "runs backward at 1 place", r"line 22 \(0.19 then 0.05\)")


def test_backward_stamps_across_blocks_and_of_iso_form_are_found(tmp_path):
    stamps = [f"2026-11-25T10:15:{30 + i * 0.01:06.3f}" for i in range(40)]
    stamps[30], stamps[31] = stamps[31], stamps[30]
    check(refusal(tmp_path, stamped(stamps, "timestamp"), ChannelMapping()), ReasonCode.BAD_CLOCK, "runs backward", "line 33")


def test_stamps_that_never_advance_are_refused(tmp_path):
    check(refusal(tmp_path, stamped(["1.00"] * 30), ChannelMapping()), ReasonCode.BAD_CLOCK, "show no rate", "none of the 30 stamps advances")


def test_one_stamp_is_no_clock(tmp_path):
    check(refusal(tmp_path, stamped(["1.00"]), ChannelMapping()), ReasonCode.BAD_CLOCK, "show no rate", "at least 2 stamps")


def test_a_time_unit_nobody_knows_is_refused(tmp_path):
    text = stamped([str(i * 5) for i in range(40)], "time [jiffies]")
    check(refusal(tmp_path, text, ChannelMapping()), ReasonCode.BAD_CLOCK, "the unit of the time column", "'jiffies'", "s, ms, us, ns")


def test_a_time_column_without_unit_that_fits_two_is_refused(tmp_path):
    """Steps of 20 are 50 Hz in ms and 50 kHz in us: both can be."""
    text = stamped([str(i * 20) for i in range(40)], "time")
    check(refusal(tmp_path, text, ChannelMapping()), ReasonCode.BAD_CLOCK, "names no unit", "50 Hz if in ms", "5e.04 Hz if in us")


def test_rates_that_contradict_the_stamps_are_refused(tmp_path):
    text = stamped([f"{i * 0.01:.2f}" for i in range(40)])
    check(refusal(tmp_path, text, ChannelMapping(sample_rate_hz=105.0)), ReasonCode.BAD_CLOCK, "sample_rate_hz of the captures table", "105 Hz against 100 Hz", "2 % apart")
    assert accepted(tmp_path, text, ChannelMapping(sample_rate_hz=101.0)).groups[0].clock.rate_hz == 100.0
    check(refusal(tmp_path, "Rate: 125 Hz\n" + text, ChannelMapping()), ReasonCode.BAD_CLOCK, "the rate in the file's header", "10 % apart")
    assert accepted(tmp_path, "Rate: 104 Hz\n" + text, ChannelMapping()).groups[0].clock.rate_hz == 100.0


def test_two_stated_rates_that_differ_are_refused(tmp_path):
    text = "Rate: 125 Hz\n" + "\n".join([HEADER, *BODY]) + "\n"
    check(refusal(tmp_path, text), ReasonCode.BAD_CLOCK, "two rates are stated", "100 Hz in the captures table, 125 Hz in the file")


def test_two_rates_in_the_header_are_refused(tmp_path):
    text = "Rate: 125 Hz\nSample rate: 0.25 kHz\n" + "\n".join([HEADER, *BODY]) + "\n"
    check(refusal(tmp_path, text, ChannelMapping()), ReasonCode.BAD_CLOCK, "name two rates", "125 Hz and 250 Hz")


@pytest.mark.parametrize("stamp", ["2026-02-30T10:15:30.000", "2026-13-01T10:15:30.000", "2026-11-25T25:15:30.000"])
def test_impossible_dates_are_refused_with_their_line(tmp_path, stamp):
    stamps = [f"2026-11-25T10:15:{30 + i * 0.01:06.3f}" for i in range(40)]
    stamps[9] = stamp
    check(refusal(tmp_path, stamped(stamps, "timestamp"), ChannelMapping()), ReasonCode.BAD_CLOCK, "line 11 has no valid time stamp", re.escape(stamp))


def test_stamps_whose_day_and_month_may_be_swapped_are_refused_with_the_allowed_forms(tmp_path):
    stamps = [f"11/12/2026 10:15:{30 + i * 0.01:06.3f}" for i in range(40)]
    found = refusal(tmp_path, stamped(stamps, "timestamp"), ChannelMapping())
    check(found, ReasonCode.BAD_CLOCK, "in no form that is certain", "'11/12/2026 10:15:30.000'", "25.11.2026 10:15:30.125", "sample_rate_hz")
    assert accepted(tmp_path, stamped(stamps, "timestamp"), RATE).groups[0].clock.rate_hz == 100.0


def test_a_first_line_without_end_is_refused(tmp_path):
    check(refusal(tmp_path, ",".join(["1.25"] * 1_000_000)), ReasonCode.LIMIT_EXCEEDED, "the first line is too long", "one instant a line")


def test_a_stamp_that_is_none_is_refused_with_its_line(tmp_path):
    stamps = [f"2026-11-25T10:15:{30 + i * 0.01:06.3f}" for i in range(40)]
    stamps[9] = "yesterday"
    check(refusal(tmp_path, stamped(stamps, "timestamp"), ChannelMapping()), ReasonCode.BAD_CLOCK, "line 11 has no valid time stamp", "yesterday")
