"""The picture of the verdicts: well formed, complete, with text for those who cannot see it."""

from __future__ import annotations

from dataclasses import replace
from importlib import resources
from xml.etree import ElementTree as ET

import pytest

from thrumline.pipeline.report import render_picture

from .reading_pages import last_place, printed_number

SVG = "{http://www.w3.org/2000/svg}"


def texts(svg):
    return [element.text or "" for element in ET.fromstring(svg).iter(f"{SVG}text")]


def test_every_verdict_is_drawn_gravest_first(small_documents):
    words = [text for text in texts(render_picture(small_documents)) if text in {"over limit", "open", "no verdict", "within limit"}]
    ranks = [("over limit", "open", "no verdict", "within limit").index(word) for word in words]
    assert len(words) == 7
    assert ranks == sorted(ranks)


def test_percentages_of_the_picture_are_those_of_the_files(small_documents):
    shown = [t.split("\u202f")[0] for t in texts(render_picture(small_documents)) if "\u202f%  (" in t]
    exact = [e["percent_change"] for e in small_documents.comparisons if e["carries_verdict"] and e["n_candidate"]]
    assert len(shown) == len(exact) == 6
    for text in shown:
        assert min(abs(printed_number(text) - value) for value in exact) <= 0.5 * last_place(text)


def test_a_large_study_says_what_is_not_drawn(small_documents):
    many = replace(
        small_documents, comparisons=small_documents.comparisons * 3, sentences=(), over_platforms=()
    )
    assert any("9 further verdicts not drawn." in text for text in texts(render_picture(many)))


def test_hostile_names_stay_text(small_documents):
    study = {**small_documents.study, "title": "<script>&\"'"}
    root = ET.fromstring(render_picture(replace(small_documents, study=study)))
    assert root.find(f"{SVG}title").text == "<script>&\"'"
    assert not list(root.iter(f"{SVG}script"))


def test_the_picture_is_described_in_words(small_documents):
    root = ET.fromstring(render_picture(small_documents))
    assert root.get("role") == "img"
    assert "candidate-B against original on Cormorant 4.8" in root.find(f"{SVG}desc").text


@pytest.mark.parametrize("word", ["candidate-A", "candidate-B", "Dunlin 2.0", "limit 15"])
def test_the_picture_of_the_demo_ships_and_is_small(word):
    text = resources.files("thrumline.pipeline.report").joinpath("assets/demo-report.svg").read_text("utf-8")
    assert len(text) < 20_000
    assert any(word in found for found in texts(text))
