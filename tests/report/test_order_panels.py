"""Order spectra of run-ups on the page: over orders, on one scale, the baseline behind, named at the foot."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest

from thrumline.pipeline.report import render_report
from thrumline.pipeline.report.evidence import EvidenceSheet
from thrumline.pipeline.report.order_panels import OrderPanels, order_axes, order_names, order_words, top_order
from thrumline.pipeline.report.tables_of_study import StudyTables, place_of


@pytest.fixture(scope="module")
def tables(small_documents):
    return StudyTables(small_documents)


@pytest.fixture(scope="module")
def place(tables):
    """The one platform with run-ups."""
    return next(place_of(item.entry) for item in tables.captures if tables.order_spectrum(item.entry))


@pytest.mark.parametrize(("order", "words"), [(2.0, "order 2"), (0.5, "order 0.5"), (2.6875, "order 2.69"), (10.001, "order 10")])
def test_an_order_is_named_without_needless_digits(order, words):
    assert order_words(order) == words


@pytest.mark.parametrize(("top", "texts"), [(12.0, "0 4 8 order\u202f12"), (5.5, "0 2 order\u202f4"), (0.8, "order\u202f0")])
def test_whole_orders_are_numbered_and_the_last_one_says_what_they_are(top, texts):
    axes = order_axes([{"frequency": [0.5], "amplitude": [3.0]}], top)
    assert " ".join(tick.text for tick in axes.ticks) == texts
    for tick in axes.ticks:
        assert tick.x == pytest.approx(100 * float(tick.text.removeprefix("order\u202f")) / top, abs=0.01)
    assert axes.top_mg >= 3.0


@pytest.mark.parametrize(("told", "top"), [((2.0, 4.0), 6.0), ((2.0, 7.5), 10.0), ((11.0,), 12.0), ((), 12.0)])
def test_the_axis_ends_a_quarter_beyond_what_stands_out(told, top):
    """4 of 12: six; 7.5: nine and three eighths, so ten; 11: no further than frames reached, as where nothing stands out."""
    found = {"order": np.arange(1, 400) / 32, "amplitude": np.where(np.arange(1, 400) <= 384, 1.0, np.nan)}
    assert top_order([found, {**found, "lines": [{"order": order} for order in told]}]) == top


def test_names_stand_at_their_orders():
    lines = [{"order": 2.0, "amplitude_mg": 9.0}, {"order": 2.69, "amplitude_mg": 1.0}, {"order": 9.0, "amplitude_mg": 1.0}]
    assert [(name.text, name.x) for name in order_names(lines, 12.0)] == [
        ("order 2", 16.67), ("2.69", 22.42), ("9", 75.0),
    ]  # fmt: skip


def test_a_curve_peaks_at_its_order_and_ends_where_frames_ended(small_documents, tables, place):
    """Order 11.75 is the highest reached: the drawing ends there, and the firing order is its highest point."""
    drawn = OrderPanels(tables, 220).place(place)
    assert drawn.axes.top_hz == pytest.approx(11.75)
    for key, path in drawn.curves:
        item = small_documents.captures[int(key[1:])]
        highest = np.nanmax(small_documents.order_spectra[item["capture_id"]]["amplitude"])
        numbers = [int(v) for v in re.findall(r"-?\d+", path)]
        across, down = np.cumsum(numbers[0::2]), np.cumsum(numbers[1::2])
        top = np.argmin(down)
        assert across[top] == pytest.approx(1000 * 2.0 / 11.75, abs=1)
        assert 500 - down[top] == pytest.approx(500 * highest / drawn.axes.top_mg, abs=1)
        assert across[-1] == pytest.approx(1000, abs=5)


def test_panels_of_a_place_are_one_a_repeat_with_the_baseline_behind(tables, place):
    panels = OrderPanels(tables, 220).panels(place, "original", "candidate-A")
    assert [panel.title for panel in panels] == [f"Repeat {n}; behind it original, repeat {n}" for n in (1, 2, 3)]
    assert all(panel.behind and panel.behind != panel.curve for panel in panels)
    assert panels[0].label == (
        "Order spectrum of candidate-A, repeat 1, over original: order 2 at 10.8 mg, order 4 at 3.60 mg, order 2.69 at 1.44 mg"
    )


def test_only_places_with_run_ups_have_order_spectra(small_documents, small_page, place):
    """Figures, the sentence that says what they are, and the table behind them."""
    assert small_page.count('aria-label="Order spectrum of ') == 6
    assert small_page.count("Order spectra of the whole run") == 2
    assert small_page.count(f"Orders behind the order spectra of {place[0]}") == 1
    assert small_page.count("Orders behind the order spectra of") == 1
    without = render_report(replace(small_documents, order_spectra={}))
    assert "rder spectr" not in without


def test_every_curve_a_panel_draws_is_on_the_page(small_page):
    drawn = set(re.findall(r'<use href="#(o\d+)"', small_page))
    assert drawn
    assert drawn <= set(re.findall(r'<path class="c" id="(o\d+)"', small_page))


def test_a_run_up_without_spectra_over_hertz_still_shows_its_orders(small_documents):
    page = render_report(replace(small_documents, spectra={}))
    assert page.count('aria-label="Order spectrum of ') == 6
    assert 'aria-label="Spectrum of ' not in page


def test_an_unfit_capture_is_not_drawn(small_documents, place):
    captures = [dict(item, state="unfit") if item["part"] == "candidate-A" else item for item in small_documents.captures]
    tables = StudyTables(replace(small_documents, captures=captures))
    assert OrderPanels(tables, 220).panels(place, "original", "candidate-A") == ()
    assert len(OrderPanels(tables, 220).panels(place, "original", "candidate-B")) == 3


def test_the_evidence_of_other_places_has_none(small_documents):
    from thrumline.pipeline.report.answers import AnswerSheet

    tables = StudyTables(small_documents)
    places = EvidenceSheet(tables, AnswerSheet(tables)).places()
    assert [found.orders is not None for found in places] == [True] + [False] * (len(places) - 1)
