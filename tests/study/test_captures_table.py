"""The captures table: any spreadsheet's way of saving it, and mistakes by row number."""

import csv
import io

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from thrumline.pipeline.contracts import ReasonCode, RowError, StudyError
from thrumline.pipeline.study import axes_from_text, read_captures_table
from thrumline.pipeline.study.table_rows import number_from_text

HEADER = ("file", "platform", "part", "position", "condition", "repeat")
ROW = ("a.csv", "Wren 2.0", "original", "seat-rail", "idle-drive", "1")


def table_text(rows, header=HEADER, delimiter=","):
    out = io.StringIO()
    csv.writer(out, delimiter=delimiter).writerows([header, *rows])
    return out.getvalue()


@pytest.fixture
def table(tmp_path):
    def write(rows=(ROW,), header=HEADER, *, text=None, encoding="utf-8", delimiter=",", name="captures.csv", check=False):
        path = tmp_path / name
        path.write_bytes((table_text(rows, header, delimiter) if text is None else text).encode(encoding))
        return read_captures_table(path, check_files=check)

    return write


def with_columns(**columns):
    """Header and one row with further columns."""
    return [(*ROW, *columns.values())], (*HEADER, *columns)


def problem(read):
    (found,) = read.problems
    return found


# --- forms ---


@pytest.mark.parametrize("delimiter", [",", ";", "\t", "|"])
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "cp1252"])
def test_any_delimiter_and_encoding_gives_the_same_rows(table, delimiter, encoding):
    row = ("a.csv", "Rötel 2.0", "original", "seat-rail", "idle-drive", "1", "45,5")
    read = table([row], (*HEADER, "mount_temp_c"), delimiter=delimiter, encoding=encoding)
    assert read.rows[0].platform == "Rötel 2.0"
    assert read.rows[0].mount_temp_c == 45.5


@settings(max_examples=40, deadline=None)
@given(
    st.lists(
        st.text(st.characters(blacklist_categories=("Cs", "Cc", "Zl", "Zp", "Zs")), min_size=1).filter(
            lambda t: not t.startswith("#")
        ),
        min_size=4, max_size=4,
    ),
    st.sampled_from([",", ";", "\t", "|"]),
)  # fmt: skip
def test_labels_come_through_whatever_they_hold(tmp_path_factory, labels, delimiter):
    """Round trip through another library's writer, quotes and delimiters inside cells included."""
    path = tmp_path_factory.mktemp("t") / "captures.csv"
    row = ("a.csv", *labels, "1")
    path.write_text(table_text([row], delimiter=delimiter), encoding="utf-8", newline="")
    read = read_captures_table(path, check_files=False)
    found = read.rows[0]
    assert [found.platform, found.part, found.position, found.condition] == [label.strip() for label in labels]


def test_a_spreadsheets_delimiter_line_is_obeyed(table):
    read = table(text="sep=;\n" + table_text([ROW], delimiter=";"))
    assert read.rows[0].row == 3


def test_a_workbook_reads_like_a_text_table(tmp_path):
    import xlsxwriter

    book = xlsxwriter.Workbook(tmp_path / "captures.xlsx")
    sheet = book.add_worksheet()
    for number, cells in enumerate([(*HEADER, "rpm", "Fahrer"), (*ROW[:5], 3, 612.5, "Kim"), (), (*ROW[:5], 4, "", "")]):
        for column, cell in enumerate(cells):
            sheet.write(number, column, cell)
    sheet.write(3, 0, "b.csv")
    book.close()
    read = read_captures_table(tmp_path / "captures.xlsx", check_files=False)
    assert [(r.row, r.repeat, r.rpm) for r in read.rows] == [(2, "3", 612.5), (4, "4", None)]
    assert read.rows[0].tags == {"Fahrer": "Kim"}


def test_row_numbers_are_those_a_spreadsheet_shows(table):
    text = table_text([ROW]) + "\n" + ",".join(("b.csv", *ROW[1:5], "")) + "\n"
    read = table(text=text)
    assert read.rows[0].row == 2
    assert problem(read).row == 4


def test_blank_rows_and_comment_rows_are_no_rows(table):
    text = "# measured in March\n" + table_text([ROW]) + ",,,,,\n# end\n"
    read = table(text=text)
    assert (read.n_rows, len(read.problems)) == (1, 0)


def test_headings_may_be_written_with_capitals_and_blanks(table):
    read = table([(*ROW, "48", "3")], ("File", "PLATFORM", "Part", "position", "Condition", "Repeat", "Mount temp C", "Take"))
    assert (read.rows[0].mount_temp_c, read.rows[0].take) == (48.0, "3")


def test_other_columns_are_tags_of_every_row(table):
    read = table(*with_columns(operator="Kim", fuel="E10"))
    assert read.tag_names == ("operator", "fuel")
    assert read.rows[0].tags == {"operator": "Kim", "fuel": "E10"}


def test_every_documented_column_lands_in_its_field(table):
    said = {
        "placement": "2", "take": "3", "session": "mon", "specimen": "s1", "vehicle": "v1",
        "recorded_at": "2026-03-02T10:00", "cylinders": "8", "strokes": "4", "firing_order": "4", "rpm": "600",
        "sample_rate_hz": "1000", "unit": "G", "sensitivity": "x=1.02 y=0.99 z=1", "start_s": "5", "stop_s": "40,5",
        "axes": "x=+c1 y=-c3 z=+c2", "sensor": "S7", "rig": "r", "coupling": "AC", "mount_temp_c": "71",
        "note": "fan on", "noise_density": "x=120 y=120 z=1,8e2",
    }  # fmt: skip
    row = table(*with_columns(**said)).rows[0]
    assert (row.placement, row.take, row.session, row.specimen, row.vehicle) == ("2", "3", "mon", "s1", "v1")
    assert (row.cylinders, row.strokes, row.firing_order, row.rpm) == (8, 4, 4.0, 600.0)
    assert (row.start_s, row.stop_s, row.coupling, row.mount_temp_c) == (5.0, 40.5, "ac", 71.0)
    assert (row.sensor, row.rig, row.note, row.recorded_at) == ("S7", "r", "fan on", "2026-03-02T10:00")
    assert row.noise_density == (("x", 120.0), ("y", 120.0), ("z", 180.0))
    mapping = row.mapping
    assert (mapping.unit, mapping.sample_rate_hz, mapping.position) == ("g", 1000.0, "seat-rail")
    assert mapping.sensitivity == (("x", 1.02), ("y", 0.99), ("z", 1.0))
    assert [axis.as_text() for axis in mapping.axes] == ["x=+c1", "y=-c3", "z=+c2"]


# --- axes, numbers ---


def test_axes_of_two_positions_in_one_file():
    found = axes_from_text("engine-side.z=+c3 body-side.z=+c6")
    assert [(a.position, a.axis, a.column, a.sign) for a in found] == [
        ("engine-side", "z", 3, 1), ("body-side", "z", 6, 1),
    ]  # fmt: skip


def test_a_position_with_blanks_may_stand_in_axes():
    found = axes_from_text("seat rail.x = c1, seat rail.y=-c2;steering wheel.z=+C9")
    assert [(a.position, a.axis, a.column, a.sign) for a in found] == [
        ("seat rail", "x", 1, 1), ("seat rail", "y", 2, -1), ("steering wheel", "z", 9, 1),
    ]  # fmt: skip


@pytest.mark.parametrize("text", ["x=c0", "x=1", "w=+c1", "x=+c1 x=+c2", "x=+c1 y=+c1", "x=+c1 nonsense", "c1 c2 c3"])
def test_axes_that_cannot_be_meant_are_refused_with_the_form(text):
    with pytest.raises(RowError, match="axes") as caught:
        axes_from_text(text)
    assert caught.value.code is ReasonCode.AMBIGUOUS


def test_axes_that_name_positions_need_no_position(table):
    rows, header = with_columns(axes="engine-side.z=+c3 body-side.z=+c6")
    rows = [(*ROW[:3], "", *ROW[4:], rows[0][-1])]
    assert table(rows, header).rows[0].position == ""


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("45.5", 45.5), ("45,5", 45.5), ("-3", -3.0), ("1 200", 1200.0), ("1.234,5", 1234.5), ("1,234.5", 1234.5),
        ("1e3", 1000.0), ("0,125", 0.125), ("\u22123,5", -3.5), ("1,234,567", 1234567.0), (".5", 0.5), ("12,", 12.0),
    ],
)  # fmt: skip
def test_numbers_as_spreadsheets_write_them(text, value):
    assert number_from_text(text, "rpm") == value


@pytest.mark.parametrize(
    ("text", "code"),
    [("1,200", "ambiguous"), ("650 rpm", "not_numeric"), ("ca. 600", "not_numeric"), ("nan", "not_numeric"), ("inf", "not_numeric"), ("1_000", "not_numeric")],
)
def test_numbers_two_readers_would_read_differently_are_refused(text, code):
    with pytest.raises(RowError) as caught:
        number_from_text(text, "rpm")
    assert caught.value.code == code
    assert repr(text) in str(caught.value)


# --- one row is wrong, the others go on ---


@pytest.mark.parametrize(
    ("columns", "code", "words"),
    [
        ({"rpm": "idle"}, "not_numeric", ("'rpm'", "'idle'")),
        ({"rpm": "6"}, "ambiguous", ("'rpm'", "50 to 30000")),
        ({"cylinders": "7.5"}, "ambiguous", ("'cylinders'", "whole")),
        ({"strokes": "3"}, "ambiguous", ("2 or 4",)),
        ({"unit": "gee"}, "unknown_unit", ("'gee'", "m/s2")),
        ({"unit": "rpm"}, "unknown_unit", ("acceleration",)),
        ({"unit": "counts"}, "unknown_unit", ("'scale'",)),
        ({"coupling": "icp"}, "ambiguous", ("ac, dc",)),
        ({"start_s": "40", "stop_s": "10"}, "ambiguous", ("start_s before stop_s", "40 to 10")),
        ({"axes": "x=+1"}, "ambiguous", ("x=+c1",)),
        ({"sensitivity": "100 mV/g"}, "not_numeric", ("'100 mV/g'",)),
        ({"sensitivity": "100"}, "ambiguous", ("0.1 to 10",)),
        ({"sensitivity": "x=1 x=2"}, "ambiguous", ("x=1.02",)),
        ({"noise_density": "0.00015"}, "ambiguous", ("ug/sqrt(Hz)", "0.05 to 100000")),
        ({"noise_density": "x=100 z=150"}, "ambiguous", ("all three", "2 axes")),
        ({"noise_density": "150 ug"}, "not_numeric", ("'150 ug'",)),
        ({"mount_temp_c": "500"}, "ambiguous", ("-60 to 250",)),
    ],
)  # fmt: skip
def test_a_row_that_cannot_be_used_says_why_and_the_others_go_on(table, columns, code, words):
    rows, header = with_columns(**columns)
    good = ("b.csv", *ROW[1:], *[""] * len(columns))
    read = table([*rows, good], header)
    assert [row.row for row in read.rows] == [3]
    found = problem(read)
    assert (found.row, str(found.code), found.file) == (2, code, "a.csv")
    assert all(word in found.message for word in words), found.message
    assert found.labels["platform"] == "Wren 2.0"


@pytest.mark.parametrize("column", range(6))
def test_an_empty_label_is_named(table, column):
    cells = list(ROW)
    cells[column] = "  "
    found = problem(table([cells, ("b.csv", *ROW[1:])]))
    assert HEADER[column] in found.message


def test_a_missing_repeat_is_told_what_repeats_are(table):
    assert "fittings" in problem(table([(*ROW[:5], ""), ("b.csv", *ROW[1:])])).message


def test_a_decimal_comma_in_a_comma_table_is_caught_by_its_extra_cell(table):
    text = ",".join((*HEADER, "mount_temp_c")) + "\n" + ",".join((*ROW, "45,5")) + "\n"
    found = problem(table(text=text))
    assert "7 cells" in found.message
    assert "quotes" in found.message


def test_a_missing_file_is_answered_with_the_near_one(table, tmp_path):
    (tmp_path / "captures").mkdir()
    (tmp_path / "captures" / "wren_01.csv").write_text("x")
    found = problem(table([("captures/wren_1.csv", *ROW[1:])], check=True))
    assert found.code is ReasonCode.MISSING_FILE
    assert "did you mean 'wren_01.csv'?" in found.message


def test_a_missing_folder_is_named(table):
    assert "no such folder 'nowhere'" in problem(table([("nowhere/a.csv", *ROW[1:])], check=True)).message


def test_paths_are_relative_to_the_table_and_may_use_backslashes(table, tmp_path):
    (tmp_path / "captures").mkdir()
    (tmp_path / "captures" / "a.csv").write_text("x")
    read = table([("captures\\a.csv", *ROW[1:])], check=True)
    assert read.problems == ()
    assert read.file_path(read.rows[0]) == tmp_path / "captures/a.csv"
    assert read.rows[0].file == "captures\\a.csv"


def test_one_file_in_two_rows_refuses_both_and_each_names_the_other(table):
    read = table([ROW, (*ROW[:2], "candidate-A", *ROW[3:]), ("b.csv", *ROW[1:])])
    assert [row.row for row in read.rows] == [4]
    assert [(p.row, p.code) for p in read.problems] == [(2, ReasonCode.DUPLICATE), (3, ReasonCode.DUPLICATE)]
    assert "row 3" in read.problems[0].message
    assert "row 2" in read.problems[1].message
    assert "part 'original', 'candidate-A'" in read.problems[0].message


def test_one_file_for_two_positions_by_its_columns_is_no_duplicate(table):
    header = (*HEADER, "axes")
    rows = [(*ROW, "z=+c3"), (*ROW[:3], "engine-side", *ROW[4:], "z=+c6")]
    assert table(rows, header).problems == ()


def test_several_captures_of_one_file_are_no_duplicates(table):
    assert table([(*ROW, "0"), (*ROW[:5], "2", "1")], (*HEADER, "capture")).problems == ()


def test_the_same_path_written_differently_is_still_a_duplicate(table):
    assert len(table([ROW, ("./a.csv", *ROW[1:5], "2")]).problems) == 2


@pytest.mark.parametrize(("column", "variant"), [(2, "Original"), (1, "wren-2.0"), (3, "seat rail"), (4, "Idle drive")])
def test_a_label_spelt_otherwise_does_not_become_a_part_of_its_own(table, column, variant):
    odd = ["c.csv", *ROW[1:5], "3"]
    odd[column] = variant
    read = table([ROW, ("b.csv", *ROW[1:5], "2"), odd])
    found = problem(read)
    assert found.row == 4
    assert repr(variant) in found.message
    assert repr(ROW[column]) in found.message
    assert found.labels[HEADER[column]] == ROW[column]


def test_a_likely_slip_is_remarked_and_not_refused(table):
    rows = [(f"{n}.csv", *ROW[1:5], str(n)) for n in range(8)] + [("z.csv", ROW[1], "orignal", *ROW[3:])]
    read = table(rows)
    assert read.problems == ()
    assert any("'orignal'" in note and "'original'" in note for note in read.notes)


def test_candidates_that_differ_in_their_last_letter_are_no_slips(table):
    rows = [(f"{n}.csv", ROW[1], "candidate-A", *ROW[3:5], str(n)) for n in range(8)]
    assert table([*rows, ("z.csv", ROW[1], "candidate-B", *ROW[3:])]).notes == ()


def test_a_misspelt_optional_column_is_remarked(table):
    read = table(*with_columns(sesion="mon"))
    assert any("'sesion'" in note and "'session'" in note for note in read.notes)
    assert read.rows[0].tags == {"sesion": "mon"}


# --- the table as a whole is wrong ---


def test_a_missing_column_is_answered_with_the_near_one(table):
    with pytest.raises(StudyError, match="lacks the column 'platform'") as caught:
        table([ROW], ("file", "platfrom", *HEADER[2:]))
    assert "rename 'platfrom' to 'platform'" in str(caught.value)


def test_all_missing_columns_are_named_at_once(table):
    with pytest.raises(StudyError, match="'condition', 'repeat'"):
        table([ROW[:4]], HEADER[:4])


def test_a_table_without_delimiters_is_told_so(table):
    with pytest.raises(StudyError, match="commas, semicolons or tabs"):
        table(text="file platform part\na.csv Wren original\n")


def test_a_doubled_column_is_refused(table):
    with pytest.raises(StudyError, match="'part' more than once"):
        table([(*ROW, "x")], (*HEADER, "Part"))


def test_a_header_alone_is_refused(table):
    with pytest.raises(StudyError, match="at least one row"):
        table([])


def test_an_empty_file_is_refused(table):
    with pytest.raises(StudyError, match="0 filled rows"):
        table(text="")


def test_a_missing_table_is_answered_with_the_near_one(table, tmp_path):
    table()
    with pytest.raises(StudyError, match=r"did you mean 'captures\.csv'"):
        read_captures_table(tmp_path / "capture.csv")


def test_a_binary_file_is_no_table(tmp_path):
    path = tmp_path / "captures.csv"
    path.write_bytes(bytes(range(256)) * 4)
    with pytest.raises(StudyError, match="binary data"):
        read_captures_table(path)


def test_a_broken_workbook_is_refused_with_the_way_out(tmp_path):
    path = tmp_path / "captures.xlsx"
    path.write_bytes(b"PK\x03\x04 and then nothing")
    with pytest.raises(StudyError, match="save it again"):
        read_captures_table(path)
