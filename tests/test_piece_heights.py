"""Heights of pieces, known from the side, against where leaning pieces are taken to stand."""

from dataclasses import replace

import numpy as np
import pytest

from qc.decoration_shapes import SEEN_RATIO_SD, fit_shape, usual_ratio
from tests.decoration_scene import outlines_of, ring_places, shape


def test_what_is_usual_and_what_side_photos_show_are_weighed() -> None:
    """By hand: weighed by inverse variances, two equally good values meet half-way, and their variance is halved."""
    usual = replace(shape("ball"), height_ratio=0.8, height_ratio_sd=SEEN_RATIO_SD, shown=1.0)
    ratio, sd, at_odds = usual_ratio(usual, 1.0)
    assert ratio == pytest.approx(0.9)
    assert sd == pytest.approx(SEEN_RATIO_SD / np.sqrt(2))
    assert at_odds == pytest.approx(0.2**2 / (2 * SEEN_RATIO_SD**2))
    assert usual_ratio(usual, None) == (0.8, pytest.approx(SEEN_RATIO_SD), 0.0)


def test_known_heights_bring_leaning_pieces_back() -> None:
    """Pieces that are lower than usual stand too near to the lens, less so when their height was seen."""
    rng, eye = np.random.default_rng(14), np.array([150.0, -150.0, 320.0])
    places, true = ring_places(9, 58.0, rng), shape("drop")
    outlines = outlines_of("drop", places, np.full(9, 24.0), eye, 0.3, rng)
    usual = replace(true, height_ratio=1.25 * true.height_ratio)
    off = [fit_shape(outlines, usual, seen).centres_mm - places for seen in (None, true.shown * true.height_ratio)]
    without, known = (float(np.hypot(*o.mean(0))) for o in off)
    assert without > 0.3
    assert known < 0.75 * without
