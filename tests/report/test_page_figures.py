"""What the page prints is what the files say: every figure, every sentence, every capture left out."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest

from thrumline.pipeline.report import ReportDocuments, ReportError, render_report, write_page
from thrumline.pipeline.report.numbers import typeset

from .reading_pages import Page, at_key, last_place, plain, printed_number


@pytest.fixture(scope="module")
def page(small_page):
    return Page(small_page)


def test_every_printed_figure_is_the_rounding_of_its_entry_in_the_files(page, small_documents):
    """Key, value and text of each figure agree with the documents the JSON files are written from."""
    assert len(page.figures) > 300
    for key, value, text in page.figures:
        exact = at_key(small_documents, key)
        assert json.loads(value) == exact, key
        assert abs(printed_number(text) - exact) <= 0.5 * last_place(text) * (1 + 1e-9), (key, text, exact)


def test_a_page_with_one_wrong_figure_would_be_noticed(small_page, small_documents):
    """The check above fails when a printed value does not stand in the files."""
    wrong = replace(small_documents, comparisons=[
        {**entry, "percent_change": (entry["percent_change"] or 0) + 1} for entry in small_documents.comparisons
    ])  # fmt: skip
    found = [f for f in Page(small_page).figures if f[0].startswith("comparisons/") and f[0].endswith("percent_change")]
    assert found
    assert all(json.loads(value) != at_key(wrong, key) for key, value, _ in found)


@pytest.mark.parametrize("name", ["percent_change", "interval_low", "interval_high", "baseline_value", "candidate_value"])
def test_every_comparison_against_the_baseline_is_printed(page, small_documents, name):
    printed = {key for key, _, _ in page.figures}
    for number, entry in enumerate(small_documents.comparisons):
        if entry["baseline"] == "original" and entry[name] is not None:
            assert f"comparisons/{number}/{name}" in printed


def test_every_reading_and_its_uncertainty_is_printed(page, small_documents):
    printed = {key for key, _, _ in page.figures}
    for number in range(len(small_documents.readings)):
        assert {f"readings/{number}/value", f"readings/{number}/std_uncertainty"} <= printed


def test_no_bound_is_printed_on_the_other_side_of_the_limit(page, small_documents):
    """A reader who compares the printed bound with the printed limit comes to the verdict of the file."""
    limit = small_documents.study["limit_percent"]
    bounds = [(key, text) for key, _, text in page.figures if key.split("/")[-1].startswith("interval_")]
    assert bounds
    for key, text in bounds:
        exact, shown = at_key(small_documents, key), printed_number(text)
        assert (exact > limit) == (shown > limit), (key, text, exact)
        assert (exact > 0) == (shown > 0), (key, text, exact)


def test_the_answer_stands_before_verdicts_and_verdicts_before_evidence(small_page):
    places = [small_page.index(f'id="{name}"') for name in (
        "answer", "verdicts", "grid", "over-platforms", "evidence", "captures", "covers", "words", "cautions",
    )]  # fmt: skip
    assert places == sorted(places)


def test_every_verdict_sentence_is_on_the_page(page, small_documents):
    for sentence, entry in zip(small_documents.sentences, small_documents.comparisons, strict=True):
        if entry["carries_verdict"]:
            assert plain(typeset(sentence)) in page.words


def test_captures_left_out_say_why_and_what_to_do(page):
    assert "line 812: 'OVR' in column z_g" in page.words
    assert "z: 0.42 % of samples at +2.00 g, allowed 0.1 %" in page.words
    assert "29 captures: 27 fit, 1 unfit, 1 refused." in page.words
    assert "Choose the next higher range of the sensor" in page.words


def test_a_page_that_grows_too_large_is_made_in_brief_and_says_so(small_documents, monkeypatch):
    monkeypatch.setattr("thrumline.pipeline.report.page.MOST_BYTES", 100_000)
    page = Page(render_report(small_documents))
    assert "This study is too large for one page" in page.words
    assert not [key for key, _, _ in page.figures if key.startswith("readings/")]
    assert "36 readings of Cormorant 4.8 stand in readings.json." in page.words
    for key, value, text in page.figures:
        assert json.loads(value) == at_key(small_documents, key)
        assert abs(printed_number(text) - at_key(small_documents, key)) <= 0.51 * last_place(text)


def test_many_captures_with_one_fault_are_told_once(small_documents):
    """Five clipped captures are one thing to mend; each file stays named."""
    clipped = [
        {**small_documents.captures[-1], "file": f"captures/clip_{i}.csv", "repeat": str(i)} for i in range(5)
    ]
    page = Page(render_report(replace(small_documents, captures=[*small_documents.captures, *clipped])))
    assert "6 captures unfit: clipped" in page.words
    assert page.words.count("Choose the next higher range of the sensor") == 1
    assert all(f"clip_{i}.csv" in page.words for i in range(5))


def test_reasons_of_one_code_are_told_together(single_documents):
    entry = single_documents.comparisons[0]
    reasons = [{"code": "takes_only", "detail": "original: 4 takes"}, {"code": "takes_only", "detail": "candidate-A: 3 takes"}]
    told = replace(single_documents, comparisons=[{**entry, "reasons": reasons}], sentences=())
    words = Page(render_report(told)).words
    assert "original: 4 takes; candidate-A: 3 takes Take the part out" in words
    assert words.count("three repeats of each part are a good start") == 1


def test_two_or_three_verdicts_are_answered_by_their_own_sentences(small_documents):
    carrying = [entry for entry in small_documents.comparisons if entry["carries_verdict"]][:3]
    told = [{**entry, "sentence": f"Verdict number {i}."} for i, entry in enumerate(carrying)]
    few = replace(small_documents, comparisons=told, sentences=(), over_platforms=())
    words = Page(render_report(few)).words
    assert all(f"Verdict number {i}." in words[: words.index("Spectra show the rss")] for i in range(3))


def test_unit_detector_and_combination_stand_with_every_reading_compared(page):
    assert "firing order, rss, mg peak" in page.words
    assert "highest bin, mean, mg peak" in page.words
    assert "conventional reading" in page.words


def test_a_single_comparison_is_answered_by_its_own_sentence(single_documents):
    page = Page(render_report(single_documents))
    place = page.words.index(plain(typeset(single_documents.sentences[0])))
    assert place < page.words.index("Spectra show the rss combination")
    assert "no interval" in page.words


def test_single_repeats_have_no_bar(single_documents):
    html = render_report(single_documents)
    assert 'class="bar"' not in html
    assert 'class="dot"' in html


def test_a_study_without_any_comparison_says_so(small_documents):
    empty = replace(small_documents, comparisons=[], over_platforms=[], sentences=[])
    words = Page(render_report(empty)).words
    assert "No comparison could be made." in words
    assert "29 captures" in words


def test_a_study_without_captures_still_makes_a_page():
    words = Page(render_report(ReportDocuments(study={}, captures=[], readings=[], comparisons=[]))).words
    assert "No captures." in words


def test_provenance_ends_the_page_with_the_command(page, small_documents):
    tail = page.words[page.words.index("Provenance"):]
    assert small_documents.provenance["command"] in tail
    assert small_documents.provenance["study_hash"] in tail
    assert "thrumline 0.1.0, numpy 2.4.0" in tail


def test_sentences_that_do_not_fit_the_comparisons_are_refused(small_documents):
    with pytest.raises(ReportError, match=r"2 sentences for \d+ comparisons.*hand over one sentence a comparison"):
        replace(small_documents, sentences=["one", "two"])


def test_sections_of_plugins_end_the_findings(single_documents):
    html = render_report(replace(single_documents, sections=[("Isolation <dB>", "<table id='iso'><tr><td>1</td></tr></table>")]))
    assert "<h2>Isolation &lt;dB&gt;</h2>" in html
    assert html.index('id="covers"') < html.index("id='iso'") < html.index('id="words"')


def test_a_comparison_may_bring_its_own_sentence(single_documents):
    told = [{**entry, "sentence": f"Told by entry {i}."} for i, entry in enumerate(single_documents.comparisons)]
    assert "Told by entry 0." in Page(render_report(replace(single_documents, comparisons=told, sentences=()))).words


def test_the_page_is_written_into_a_folder_that_is_made_for_it(tmp_path, single_documents):
    page = write_page(tmp_path / "new" / "folder", single_documents)
    assert page == tmp_path / "new" / "folder" / "report.html"
    assert page.read_text(encoding="utf-8") == render_report(single_documents)


def test_a_folder_that_cannot_be_written_is_named(tmp_path, single_documents):
    (tmp_path / "taken").write_text("a file")
    with pytest.raises(ReportError, match=r"taken.*choose another folder with --out"):
        write_page(tmp_path / "taken", single_documents)


def test_the_same_documents_make_the_same_page(small_documents, small_page):
    assert render_report(small_documents) == small_page
