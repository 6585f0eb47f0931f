"""The page as an attacker or a network would meet it: names are text, nothing is fetched, scripts are ours."""

from __future__ import annotations

import base64
import hashlib
import json
import re
from dataclasses import replace
from itertools import accumulate

import pytest

from thrumline.pipeline.report import render_report

from .reading_pages import Page

HOSTILE = '"><script>alert(1)</script><img src=x onerror=alert(2)>\'{{7*7}}</style></script>&amp;\u202e'


def _poisoned(value):
    if isinstance(value, dict):
        return {key: item if key in _KEPT else _poisoned(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_poisoned(item) for item in value]
    return value + HOSTILE if isinstance(value, str) else value


_KEPT = {"state", "capture_id", "reading", "combination", "code", "verdict"}


@pytest.fixture(scope="module")
def hostile_page(small_documents):
    """Every free text of the study carries markup, a template expression and closing tags."""
    study = {**_poisoned(dict(small_documents.study)), "reading": "firing_order", "combination": "rss"}
    return render_report(
        replace(
            small_documents,
            study=study,
            captures=_poisoned(small_documents.captures),
            readings=_poisoned(small_documents.readings),
            comparisons=_poisoned(small_documents.comparisons),
            over_platforms=_poisoned(small_documents.over_platforms),
            sentences=_poisoned(small_documents.sentences),
            notes=_poisoned(small_documents.notes),
            spectra={key: _poisoned(value) for key, value in small_documents.spectra.items()},
            provenance=_poisoned(dict(small_documents.provenance)),
        )
    )


def test_hostile_names_add_no_element(hostile_page, small_page):
    """The poisoned page has no script, image or handler that the clean page does not have."""
    hostile, clean = Page(hostile_page), Page(small_page)

    def kinds(page):
        return {tag for tag, _ in page.tags}

    assert kinds(hostile) <= kinds(clean)
    assert sum(tag == "script" for tag, _ in hostile.tags) == sum(tag == "script" for tag, _ in clean.tags)
    assert not [name for _, name, _ in hostile.attributes if name.startswith("on")]


def test_hostile_names_are_shown_as_they_are(hostile_page):
    words = Page(hostile_page).words
    assert "<script>alert(1)</script>" in words
    assert "{{7*7}}" in words


def test_names_in_the_data_of_the_enlarged_view_stay_data(hostile_page):
    """Labels are parsed back to exactly the names."""
    block = re.search(r'<script type="application/json" id="spectra-data">(.*?)</script>', hostile_page, re.S).group(1)
    labels = json.loads(block)["labels"].values()
    assert labels
    assert all(HOSTILE in label for label in labels)


def test_nothing_is_fetched_from_anywhere(small_page):
    """No address but fragments of the page itself in any attribute, and none in the style sheet."""
    for tag, name, value in Page(small_page).attributes:
        if name in {"href", "src", "action", "data", "poster", "srcset", "xlink:href"}:
            assert value.startswith("#"), (tag, name, value)
    css = re.search(r"<style>(.*?)</style>", small_page, re.S).group(1)
    assert "url(" not in css
    assert "@import" not in css


def test_only_our_own_scripts_may_run(small_page):
    """The policy names the hash of each script on the page, and no other source."""
    policy = re.search(r'Content-Security-Policy" content="([^"]*)"', small_page).group(1).replace("&#39;", "'")
    scripts = re.findall(r"<script>(.*?)</script>", small_page, re.S)
    assert len(scripts) == 2
    hashes = [f"'sha256-{base64.b64encode(hashlib.sha256(s.encode()).digest()).decode()}'" for s in scripts]
    assert f"script-src {' '.join(hashes)};" in policy
    assert "default-src 'none'" in policy


def test_inlined_data_cannot_close_its_element(hostile_page):
    block = re.search(r'<script type="application/json" id="spectra-data">(.*?)</script>', hostile_page, re.S).group(1)
    assert "<" not in block
    assert json.loads(block)["curves"]


def test_inlined_spectra_are_the_documents_within_a_thousandth_of_their_top(small_page, small_documents):
    block = re.search(r'<script type="application/json" id="spectra-data">(.*?)</script>', small_page, re.S).group(1)
    data = json.loads(block)
    for number, capture in enumerate(small_documents.captures):
        if capture["state"] != "fit":
            continue
        axis, top, heights = data["curves"][f"s{number}"]
        given = small_documents.spectra[capture["capture_id"]]
        assert [place * data["step"] for place in accumulate(data["axes"][axis])] == given["frequency"]
        for height, amplitude in zip(heights, given["amplitude"], strict=True):
            assert abs(top * height / 2000 - amplitude) <= 0.0005 * top
