"""Colours that everybody can tell apart, and a page that computes nothing."""

from pathlib import Path

import pytest

from app import look
from qc.verdict import Verdict
from tests.page_driver import measured_cakes, store  # fixtures among them

__all__ = ["measured_cakes", "store"]  # fixtures that are used below


def luminance(colour):
    """Relative luminance of a '#rrggbb' colour: WCAG 2.2, definition of relative luminance (from memory)."""
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def test_white_words_can_be_read_on_every_verdict_s_colour():
    """WCAG 2.2, 1.4.3: at least 4.5 to 1 for text; large text (the banner's) needs 3 to 1."""
    assert luminance("#ffffff") == pytest.approx(1.0)
    for verdict in Verdict:
        assert 1.05 / (luminance(look.COLOURS[verdict]) + 0.05) > 4.5


def test_the_two_colours_differ_in_lightness_alone():
    """Whatever colour vision there is, one is clearly darker; words and symbols stand beside them anyway."""
    light, dark = luminance(look.OUTSIDE_COLOUR), luminance(look.WITHIN_COLOUR)
    assert (light + 0.05) / (dark + 0.05) > 1.5


def test_no_page_computes():
    """The page's own files import no array mathematics but to pass pictures and dates on."""
    for path in Path(look.__file__).parent.rglob("*.py"):
        text = path.read_text()
        assert "import scipy" not in text
        assert "from scipy" not in text


def test_a_house_colour_is_shown_as_the_screen_has_it():
    """Published: red of IEC 61966-2-1 (sRGB) is L* 53.24, a* 80.09, b* 67.20 in CIELAB for D65; white is L* 100."""
    assert look.screen_colour((100.0, 0.0, 0.0)) == "#ffffff"
    assert look.screen_colour((0.0, 0.0, 0.0)) == "#000000"
    assert look.screen_colour((53.24, 80.09, 67.20)) == "#ff0000"
    assert look.screen_colour((80.0, 120.0, 0.0)).startswith("#ff"), "beyond the screen: the nearest, no error"
