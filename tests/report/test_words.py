"""Reason codes, definitions and cautions: complete, and where people look for them."""

from __future__ import annotations

import pytest

from thrumline.pipeline.contracts import ReasonCode, level_of
from thrumline.pipeline.contracts.cautions import CAUTIONS, REFITTING_NOTES
from thrumline.pipeline.contracts.explanations import DEFINITIONS, EXPLANATIONS
from thrumline.pipeline.report.marks import ALL_MARKS, mark_of, plain_reason

from .reading_pages import Page


@pytest.mark.parametrize("code", list(ReasonCode))
def test_every_reason_code_is_explained(code):
    """Meaning, effect, threshold and how to avoid it, in sentences."""
    told = EXPLANATIONS[code]
    assert told.level == level_of(code)
    assert len(told.meaning) > 30
    assert len(told.avoid) > 20
    assert told.threshold
    assert told.effect
    assert told.meaning[0].isupper()
    assert told.avoid.endswith(".")


def test_explanations_cannot_be_changed_by_a_caller():
    with pytest.raises(TypeError):
        EXPLANATIONS[ReasonCode.SHORT] = None


@pytest.mark.parametrize(
    "words",
    [
        "exhaust extraction", "carbon monoxide alarm", "hands, hair and cables", "with the engine off", "seat tracks",
        "Chock the wheels", "parking brake", "does nothing else", "never in gear against the brakes",
        "make-safe procedure", "high-voltage", "rated stands", "never on a jack alone", "rated support",
        "no hand between engine and body", "near the starter", "coolant", "single-use bolts", "service information",
        "airbag", "fingertip", "fan clearance", "No road use", "emergency stop", "local codes",
        "legal or workplace-exposure",
    ],
)  # fmt: skip
def test_every_caution_of_the_job_is_on_the_page(small_page, words):
    page = Page(small_page).words
    assert words in page[page.index("Cautions for whoever"):]


def test_cautions_have_distinct_keys_and_whole_sentences():
    assert len({caution.key for caution in CAUTIONS}) == len(CAUTIONS)
    sentences = [sentence for caution in CAUTIONS for sentence in caution.sentences] + list(REFITTING_NOTES)
    assert all(sentence.endswith(".") for sentence in sentences)


@pytest.mark.parametrize("word", ["repeat", "baseline", "interval", "axis combination", "conventional reading"])
def test_words_a_reader_needs_are_defined_on_the_page(small_page, word):
    assert word in dict(DEFINITIONS)
    assert dict(DEFINITIONS)[word] in Page(small_page).words


def test_every_verdict_has_its_own_word_and_shape():
    """Never by colour alone: five words, five shapes."""
    assert len({mark.word for mark in ALL_MARKS}) == len({mark.shape for mark in ALL_MARKS}) == 5


@pytest.mark.parametrize("verdict", ["within_limit", "over_limit", "open", "indicative", "no_verdict"])
def test_verdicts_of_files_are_known(verdict):
    assert mark_of(verdict).word == verdict.replace("_", " ")
    assert mark_of(verdict) in ALL_MARKS


def test_a_code_of_a_later_version_is_shown_as_it_stands():
    told = plain_reason({"code": "not_yet_known", "detail": "3 of 4"})
    assert (told.words, told.detail, told.avoid) == ("not yet known", "3 of 4", "")
