"""Colours of the page against the contrast the web's guidelines ask for, in light, dark and print."""

from __future__ import annotations

import re
from importlib import resources

import pytest

CSS = resources.files("thrumline.pipeline.report").joinpath("assets/report.css").read_text()
TEXT = ("ink", "quiet", "link", "within", "over", "open", "indicative", "none")


def _tokens(block):
    return dict(re.findall(r"--([a-z]+):(#[0-9a-f]{3,6})\b", block))


ROOTS = re.findall(r":root\{(.*?)\}", CSS, re.S)
LIGHT = _tokens(ROOTS[0])
SCHEMES = {"light": LIGHT, "dark": LIGHT | _tokens(ROOTS[1]), "print": LIGHT | _tokens(ROOTS[2])}


def _luminance(colour):
    digits = colour[1:] if len(colour) == 7 else "".join(2 * digit for digit in colour[1:])
    channels = [int(digits[i : i + 2], 16) / 255 for i in (0, 2, 4)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one, two):
    light, dark = sorted((_luminance(one), _luminance(two)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


@pytest.mark.external
def test_contrast_is_computed_as_the_guideline_defines_it():
    """WCAG 2.2, relative luminance and contrast ratio: black on white is 21:1."""
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)
    assert contrast("#777777", "#ffffff") == pytest.approx(4.48, abs=0.005)  # from memory: the known near miss


@pytest.mark.external
@pytest.mark.parametrize("scheme", SCHEMES)
@pytest.mark.parametrize("name", TEXT)
def test_text_reaches_double_a_on_paper_and_wash(scheme, name):
    """WCAG 2.2, 1.4.3: 4.5:1 for text."""
    tokens = SCHEMES[scheme]
    assert contrast(tokens[name], tokens["paper"]) >= 4.5
    assert contrast(tokens[name], tokens["wash"]) >= 4.5


@pytest.mark.external
@pytest.mark.parametrize("scheme", SCHEMES)
def test_the_grey_of_the_baseline_is_seen(scheme):
    """WCAG 2.2, 1.4.11: 3:1 for graphics."""
    assert contrast(SCHEMES[scheme]["baseline"], SCHEMES[scheme]["paper"]) >= 3.0


def test_the_baseline_is_the_same_grey_everywhere():
    greys = {tokens["baseline"] for tokens in SCHEMES.values()}
    assert len(greys) == 1


def test_three_sizes_of_type_are_used():
    """LOOK: three sizes; the phone's answer line alone is one step smaller."""
    sizes = set(re.findall(r"font(?:-size)?:\s*([^;}/ ]+)", CSS)) - {"inherit"}
    assert sizes <= {"var(--small)", "var(--text)", "var(--large)", "20px", "10pt"}
