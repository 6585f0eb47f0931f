"""The tables as a spreadsheet, read back by another library."""

from __future__ import annotations

import zipfile
from dataclasses import replace

import pytest
from python_calamine import CalamineWorkbook

from thrumline.pipeline.report import ReportError, write_spreadsheet


def sheets_of(documents):
    return {
        "comparisons": documents.comparisons, "over platforms": documents.over_platforms,
        "readings": documents.readings, "captures": documents.captures,
    }


@pytest.fixture(scope="module")
def book(tmp_path_factory, small_documents):
    path = tmp_path_factory.mktemp("sheets") / "tables.xlsx"
    write_spreadsheet(path, sheets_of(small_documents))
    return path


def rows(path, sheet):
    found = CalamineWorkbook.from_path(str(path)).get_sheet_by_name(sheet).to_python()
    return [dict(zip(found[0], row, strict=True)) for row in found[1:]]


def test_every_comparison_is_in_the_sheet_to_sixteen_digits(book, small_documents):
    found = rows(book, "comparisons")
    assert len(found) == len(small_documents.comparisons)
    for row, entry in zip(found, small_documents.comparisons, strict=True):
        wanted = entry["percent_change"]
        assert row["percent_change"] == ("" if wanted is None else pytest.approx(wanted, rel=1e-15))
        assert row["platform"] == entry["platform"]


def test_reasons_are_readable_in_the_sheet(book):
    assert any(row["reasons"] == "speed_differs: 1.3 % against 1 %" for row in rows(book, "comparisons"))


def test_marks_of_a_comparison_are_written_as_the_bare_codes_they_are(tmp_path, small_documents):
    """They ended the run with a fault: reasons have a detail, marks are codes alone."""
    marked = [{**entry, "marks": ["unresolved", "two_states"]} for entry in small_documents.comparisons]
    path = tmp_path / "tables.xlsx"
    write_spreadsheet(path, sheets_of(replace(small_documents, comparisons=marked)))
    assert {row["marks"] for row in rows(path, "comparisons")} == {"unresolved; two_states"}


def test_sheets_are_the_tables_of_the_study(book):
    assert CalamineWorkbook.from_path(str(book)).sheet_names == ["comparisons", "over platforms", "readings", "captures"]


@pytest.mark.parametrize("text", ["=1+1", "+SUM(A1)", "-2+3", "@A1", "=HYPERLINK(\"x\")", "https://example.org", "007"])
def test_text_is_never_run_or_turned_into_a_number(tmp_path, small_documents, text):
    path = tmp_path / "hostile.xlsx"
    captures = [{**small_documents.captures[0], "platform": text, "tags": {text: text}}]
    write_spreadsheet(path, sheets_of(replace(small_documents, captures=captures)))
    row = rows(path, "captures")[0]
    assert row["platform"] == text
    assert row[f"tag: {text}"] == text
    with zipfile.ZipFile(path) as archive:
        sheets = [archive.read(name).decode() for name in archive.namelist() if "worksheets/sheet" in name]
    assert not any("<f>" in sheet or "<hyperlink" in sheet for sheet in sheets)


def test_an_empty_study_makes_an_empty_book(tmp_path, small_documents):
    path = tmp_path / "empty.xlsx"
    nothing = replace(small_documents, comparisons=[], over_platforms=[], readings=[], captures=[], sentences=())
    write_spreadsheet(path, sheets_of(nothing))
    assert rows_of_all(path) == [0, 0, 0, 0]


def test_the_book_appears_whole_or_not_at_all(tmp_path, small_documents):
    """One that was there stays as it was; what is wrong is told with what to do."""
    path = tmp_path / "tables.xlsx"
    path.mkdir()
    with pytest.raises(ReportError, match=r"tables.xlsx.*choose another folder with --out"):
        write_spreadsheet(path, sheets_of(small_documents))
    assert list(path.iterdir()) == []


def rows_of_all(path):
    book = CalamineWorkbook.from_path(str(path))
    return [len(book.get_sheet_by_name(name).to_python()) for name in book.sheet_names]
