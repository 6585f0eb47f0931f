"""The page in a real browser: phone and desktop, light and dark, keyboard, accessibility, print."""

from __future__ import annotations

import re
import shutil
from dataclasses import replace
from functools import lru_cache
from pathlib import Path

import pytest

from thrumline.pipeline.report import SheetRequest, write_page, write_test_sheet
from thrumline.pipeline.study.planning import PlatformPlan, run_order

sync_api = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
CHROMIUM = next(filter(None, map(shutil.which, ("chromium", "chromium-browser", "google-chrome"))), None)
pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="no Chromium on this machine")

AXE = Path(__file__).parent / "assets" / "axe.min.js"
SIZES = {"phone": (390, 844), "desktop": (1280, 900)}

OUTSIDE = """() => {
  const wide = document.documentElement.clientWidth, found = [];
  for (const element of document.querySelectorAll('body *')) {
    if (element.closest('.scroll, .visually-hidden, .skip, dialog, defs')) continue;
    const box = element.getBoundingClientRect();
    if (box.width && box.height && (box.right > wide + 1 || box.left < -1))
      found.push(element.tagName + ' ' + element.textContent.trim().slice(0, 40));
  }
  return found;
}"""

CLIPPED = """() => [...document.querySelectorAll('body *')].filter(element => {
  if (element.closest('.scroll, .visually-hidden, .skip, dialog, svg')) return false;
  const style = getComputedStyle(element);
  return /hidden|clip|auto|scroll/.test(style.overflowX) && element.scrollWidth > element.clientWidth + 1;
}).map(element => element.tagName + ' ' + element.className)"""

OVERLAPS = """() => {
  const found = [];
  for (const reuse of document.querySelectorAll('svg[role=img] use, .scale use')) {
    const copy = document.querySelector(reuse.getAttribute('href')).cloneNode(true);
    if (copy.querySelector('text')) reuse.replaceWith(copy);
  }
  for (const picture of document.querySelectorAll('svg[role=img], .scale')) {
    const boxes = [...picture.querySelectorAll('text')].map(text => [text.textContent, text.getBoundingClientRect()]);
    boxes.forEach(([one, a], i) => boxes.slice(i + 1).forEach(([two, b]) => {
      const over = Math.min(a.right, b.right) - Math.max(a.left, b.left);
      const down = Math.min(a.bottom, b.bottom) - Math.max(a.top, b.top);
      if (over > 1 && down > 5) found.push(one + ' / ' + two);
    }));
  }
  return found;
}"""

UNNAMED = """() => [...document.querySelectorAll('svg')].filter(picture =>
  !picture.closest('[aria-hidden=true]') && !picture.parentElement.closest('svg') &&
  !(picture.getAttribute('role') === 'img' && picture.getAttribute('aria-label'))).length"""


@pytest.fixture(scope="module")
def browser():
    with sync_api.sync_playwright() as play:
        started = play.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        yield started
        started.close()


@pytest.fixture(scope="module")
def report(tmp_path_factory, small_documents):
    return write_page(tmp_path_factory.mktemp("page"), small_documents)


def open_page(browser, path, size, scheme):
    """A page at a size with every fold open; it keeps what its console said and what it asked for."""
    width, height = SIZES[size]
    page = browser.new_page(viewport={"width": width, "height": height}, color_scheme=scheme)
    page.said = []
    page.on("console", lambda message: page.said.append(message.text))
    page.on("pageerror", lambda error: page.said.append(str(error)))
    page.on("request", lambda request: page.said.append(request.url) if not request.url.startswith("file:") else 0)
    page.goto(path.as_uri())
    page.evaluate("document.querySelectorAll('details').forEach(item => { item.open = true; })")
    page.add_style_tag(content=".place { content-visibility: visible !important }")
    return page


@pytest.fixture
def opened(browser, report):
    """Opens a report of the test's own, to act on."""
    pages = []

    def go(size="desktop", scheme="light", path=report):
        pages.append(open_page(browser, path, size, scheme))
        return pages[-1]

    yield go
    for page in pages:
        page.close()


@pytest.fixture(scope="module")
def seen(browser, report):
    """A report that tests only look at, opened once for each size and scheme."""
    return lru_cache(maxsize=None)(lambda size="desktop", scheme="light": open_page(browser, report, size, scheme))


@pytest.mark.parametrize("size", SIZES)
def test_nothing_is_cut_off_or_laid_over_something_else(opened, size):
    """With every fold open: no sideways scrolling, no clipped text, no label over another in any figure."""
    page = opened(size)
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
    assert page.evaluate(OUTSIDE) == []
    assert page.evaluate(CLIPPED) == []
    assert page.evaluate(OVERLAPS) == []


def test_the_check_for_overlaps_sees_an_overlap(opened):
    page = opened()
    page.evaluate("""() => { const t = document.querySelector('#head text');
        t.parentNode.appendChild(t.cloneNode(true)); }""")
    assert page.evaluate(OVERLAPS) != []


@pytest.mark.parametrize("size", SIZES)
def test_the_answer_is_in_the_first_screen(seen, size):
    box = seen(size).locator(".lead-line").first.bounding_box()
    assert box["y"] + box["height"] < SIZES[size][1] * 0.6


@pytest.mark.parametrize("size", ["phone"])
def test_the_answer_is_the_largest_text_but_headings(seen, size):
    page = seen(size)
    sizes = page.evaluate("""() => [...document.querySelectorAll('p, td, li, dd, h1')].map(
        element => [element.className, parseFloat(getComputedStyle(element).fontSize)])""")
    lead = max(size for name, size in sizes if name == "lead-line")
    assert all(size < lead for name, size in sizes if name != "lead-line")


@pytest.mark.external
@pytest.mark.parametrize(
    ("size", "scheme"),
    [
        ("phone", "dark"), ("desktop", "light"),
        pytest.param("phone", "light", marks=pytest.mark.nightly),
        pytest.param("desktop", "dark", marks=pytest.mark.nightly),
    ],
)  # fmt: skip
def test_accessibility_rules_find_no_fault(seen, size, scheme):
    """axe-core 4.14.1, all its default rules (WCAG 2 A and AA, best practices), with every fold open."""
    page = seen(size, scheme)
    page.evaluate(AXE.read_text())  # from outside: the page's own policy lets no further script in
    found = page.evaluate("axe.run(document, {resultTypes: ['violations']})")
    assert [(item["id"], [node["html"][:120] for node in item["nodes"][:3]]) for item in found["violations"]] == []


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_the_console_stays_silent_and_nothing_is_requested(opened, scheme):
    page = opened("desktop", scheme)
    page.locator("button.enlarge").first.click()
    page.locator("#close-large").click()
    assert page.said == []


def test_every_figure_has_a_name(seen):
    assert seen().evaluate(UNNAMED) == 0


def test_the_page_is_dark_for_those_who_prefer_it(seen):
    def paper(scheme):
        return seen("desktop", scheme).evaluate("getComputedStyle(document.documentElement).backgroundColor")

    assert paper("light") == "rgb(253, 252, 249)"
    assert paper("dark") == "rgb(21, 23, 26)"


def test_spectra_are_enlarged_and_read_without_a_mouse(opened):
    """Enter opens, arrows step, fields set the range, escape closes and the focus returns."""
    page = opened()
    button = page.locator("button.enlarge").first
    button.focus()
    page.keyboard.press("Enter")
    assert page.locator("dialog#large").is_visible()
    assert page.locator("#plot canvas").count() == 1
    readout = page.locator("#readout")
    at_peak = readout.inner_text()
    assert re.match(r"22(\.\d+)? Hz: original, repeat 1 [\d.]+ mg; ", at_peak)
    assert at_peak.count(" mg") == 6
    page.keyboard.press("ArrowRight")
    assert 22 < float(readout.inner_text().split(" Hz")[0]) < 24
    page.keyboard.press("Home")
    assert float(readout.inner_text().split(" Hz")[0]) < 1.3
    page.locator("#from-hz").fill("20")
    page.locator("#to-hz").fill("30")
    page.keyboard.press("Enter")
    assert page.locator("dialog#large").is_visible()
    page.keyboard.press("Escape")
    assert not page.locator("dialog#large").is_visible()
    assert page.evaluate("document.activeElement.className") == "enlarge"


def test_the_value_read_out_is_the_spectrum_of_the_documents(opened, small_documents):
    page = opened()
    page.locator("button.enlarge").first.click()
    text = page.locator("#readout").inner_text()
    frequency = float(text.split(" Hz")[0])
    given = small_documents.spectra[small_documents.captures[0]["capture_id"]]
    exact = given["amplitude"][given["frequency"].index(frequency)]
    shown = float(re.search(r"repeat 1 ([\d.]+) mg", text).group(1))
    assert shown == pytest.approx(exact, abs=0.001 * max(given["amplitude"]) + 0.005)


@pytest.mark.external
@pytest.mark.parametrize("size", ["phone", pytest.param("desktop", marks=pytest.mark.nightly)])
def test_the_enlarged_view_fits_the_screen_and_passes_the_accessibility_rules(opened, size):
    """axe-core 4.14.1 on the open dialog; nothing in it is wider than the screen."""
    page = opened(size)
    page.locator("button.enlarge").first.click()
    box = page.locator("dialog#large").bounding_box()
    assert box["x"] >= 0
    assert box["x"] + box["width"] <= SIZES[size][0]
    assert page.evaluate("(d => d.scrollWidth <= d.clientWidth)(document.getElementById('large'))")
    page.evaluate(AXE.read_text())
    found = page.evaluate("axe.run(document.getElementById('large'))")["violations"]
    assert [(item["id"], item["nodes"][0]["html"][:120]) for item in found] == []


def test_a_range_that_ends_before_it_starts_is_refused_in_words(opened):
    page = opened()
    page.locator("button.enlarge").first.click()
    page.locator("#from-hz").fill("30")
    page.locator("#to-hz").fill("20")
    page.keyboard.press("Enter")
    assert page.locator("#readout").inner_text() == "The range must end above its start."


def test_every_control_is_reached_by_the_tab_key(opened):
    page = opened()
    wanted = page.evaluate("""() => [...document.querySelectorAll('a[href], button, summary, [tabindex], input')].filter(
        element => element.tabIndex >= 0 && element.getClientRects().length).length""")
    page.evaluate("window.reached = new Set(); document.addEventListener('focusin', e => reached.add(e.target))")
    for _ in range(wanted + 5):
        page.keyboard.press("Tab")
    assert page.evaluate("reached.size") >= wanted


def test_the_sheet_prints_on_white_with_a_break_between_platforms(opened, tmp_path):
    page = opened("desktop", "dark")
    page.emulate_media(media="print")
    assert page.evaluate("getComputedStyle(document.documentElement).backgroundColor") == "rgb(255, 255, 255)"
    assert page.evaluate("getComputedStyle(document.querySelectorAll('.place')[1]).breakBefore") == "page"
    page.pdf(path=tmp_path / "report.pdf", format="A4")
    pages = (tmp_path / "report.pdf").read_bytes().count(b"/Type /Page\n")
    assert pages >= 5


def test_without_scripts_all_is_there_but_the_enlargement(browser, report, small_documents):
    page = browser.new_page(java_script_enabled=False)
    page.goto(report.as_uri())
    # 18 over hertz, 6 over orders
    assert page.locator(".panel svg[role=img]").count() == 24
    assert not page.locator("button.enlarge").first.is_visible()
    page.close()


@pytest.mark.parametrize("size", ["phone", pytest.param("desktop", marks=pytest.mark.nightly)])
def test_long_names_and_nine_parts_break_nothing(opened, size, tmp_path, wide_documents):
    page = opened(size, path=write_page(tmp_path, wide_documents))
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
    assert page.evaluate(OUTSIDE) == []
    assert page.evaluate(CLIPPED) == []
    assert page.evaluate(OVERLAPS) == []


def test_a_script_that_slips_into_a_section_does_not_run(opened, tmp_path, single_documents):
    """The page's policy holds even where a plugin hands over markup."""
    body = "<p id='iso'>dB</p><script>document.title = 'taken over'</script><img src=x onerror=\"document.title='too'\">"
    path = write_page(tmp_path, replace(single_documents, sections=[("Isolation", body)]))
    page = opened(path=path)
    assert page.locator("#iso").is_visible()
    assert page.title() == single_documents.study["title"]


@pytest.mark.external
def test_the_test_sheet_is_read_on_a_phone_and_by_a_screen_reader(browser, tmp_path):
    """No sideways scrolling at 390 px, and no fault by the rules of axe-core 4.14.1."""
    more = {"original": 2, "candidate-A": 2}
    plan = PlatformPlan("Dunlin 2.0", run_order("original", more), more, ("open; five repeats would settle it",))
    request = SheetRequest("Autumn fleet", [plan], "original", ["seat-rail"], ["idle-drive"], command="thrumline plan")
    page = browser.new_page(viewport={"width": 390, "height": 844})
    page.goto(write_test_sheet(tmp_path / "sheet.html", request).as_uri())
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
    page.evaluate(AXE.read_text())
    assert page.evaluate("axe.run(document)")["violations"] == []
    page.close()


@pytest.mark.nightly
def test_forty_platforms_by_six_parts_open_within_two_seconds_and_five_megabytes(browser, tmp_path, large_documents):
    path = write_page(tmp_path, large_documents)
    assert path.stat().st_size < 5_000_000
    assert "too large for one page" not in path.read_text(encoding="utf-8")
    page = browser.new_page(viewport={"width": 1280, "height": 900})
    page.goto(path.as_uri(), wait_until="load")
    timing = page.evaluate("performance.timing.loadEventEnd - performance.timing.navigationStart")
    assert timing < 2000
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
    page.close()
