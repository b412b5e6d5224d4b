"""Photos against the fitted cake: what the finder saw, the edges that agree, and what is said of them."""

from functools import cache
from pathlib import Path
from types import SimpleNamespace
from typing import cast

import cv2
import numpy as np
import pytest

from qc.agreement import (
    Agreement,
    AgreementSettings,
    agreements,
    in_words,
    judged,
    widening,
)
from qc.body import HARMONICS, PROFILE_KNOTS, Body
from qc.camera import Lens, View
from qc.contour import Board, body_contour
from qc.errors import CakeQCError
from qc.finder import BOARD, BODY, LABELS, Finding
from qc.fit import CakeFit
from qc.joint import OUTLINE
from qc.measure import assemble, run_stages
from qc.photo import read_photo
from qc.stages import MeasureSettings, Stages

SAMPLES = Path(__file__).parent.parent / "sample_images"
SCALE = 640 / 2016
SAID = {"top": "The top photo", "side": "The side photo"}


def body_of(radius_mm: float, height_mm: float = 70.0) -> Body:
    waves = np.zeros((len(HARMONICS), 2))
    return Body(radius_mm, height_mm, 0.0, np.zeros(2), np.zeros(2), 0.0, 4.0, waves, np.zeros(len(PROFILE_KNOTS)))


def from_above() -> View:
    return View(Lens(1600.0, 1007.5, 755.5), np.diag([1.0, -1.0, -1.0]), np.array([0.0, 0.0, 500.0]), 2016, 1512)


def finding_of(view: View, body: Body) -> Finding:
    """A finder that sees a body without a flaw, on a board that fills the picture."""
    offset = (SCALE - 1) / 2
    labels = np.full((480, 640), BOARD, np.uint8)
    at = body_contour(view, body, 360).points_px * SCALE + offset
    cv2.fillPoly(labels, [np.round(at * 16).astype(np.int32)], BODY, cv2.LINE_8, 4)
    probabilities = np.stack([(labels == k).astype(np.float32) for k in range(len(LABELS))])
    return Finding(probabilities, SCALE, (offset, offset), (2016, 1512), 1.0, ())


@pytest.mark.parametrize("off_mm", [0.0, 3.0, -5.0])
def test_distance_of_icing_that_is_known(off_mm: float) -> None:
    """Recovery: a body taken for one that is larger or smaller all round; a pixel of the finder is 0.9 mm here.

    The rim is nearer to the lens than the cake's middle, for which pixels are turned into millimetres. What a board is
    taken for counts a quarter.
    """
    view, fitted = from_above(), body_of(80.0 + off_mm)
    fit = SimpleNamespace(
        views={"top": view},
        body=fitted,
        board=Board(120.0, 0.0, 0.0, 2.6, 0.0, False),
        quality={"top": SimpleNamespace(kept=9, asked=10)},
    )
    found = agreements(cast(CakeFit, fit), {"top": finding_of(view, body_of(80.0))})["top"]
    assert found.edges == 0.9
    assert found.icing_mm == pytest.approx(0.25 * abs(off_mm) * (500 - 35) / (500 - 66), abs=0.25)


def test_widening_by_seen_icing() -> None:
    s = AgreementSettings()
    good = Agreement(0.95, 0.3)
    assert widening({"top": good, "side": Agreement(0.93, 2.0)}) == 1.0
    assert widening({"top": good, "side": Agreement(0.95, 4 * s.at_odds_mm)}) == pytest.approx(4.0)


def test_one_sentence_about_the_worst_photo() -> None:
    assert in_words({"top": Agreement(0.5, 0.4)}, SAID) == ()
    (text,) = in_words({"top": Agreement(0.9, 3.0), "side": Agreement(0.9, 7.2)}, SAID)
    assert text.startswith("The side photo shows the cake's edge about 7 mm away")
    assert "same cake" in text


@cache
def stages(top: str, sides: str) -> Stages:
    photos = {n: read_photo(SAMPLES / (top if n == "top" else sides) / f"{n}.jpg", n) for n in ("top", "side")}
    return run_stages(photos, MeasureSettings())


def test_photos_of_two_cakes_are_noticed() -> None:
    """Recovery: the top of one sample cake with the side of another is told, or refused; the cake itself is not."""
    own = stages("pink-plain", "pink-plain")
    assert not [w for w in own.fit.warnings if "same cake" in w]
    try:
        mixed = stages("pink-plain", "white-strawberries")
    except CakeQCError:
        return
    assert [w for w in assemble(mixed, MeasureSettings()).warnings if "same cake" in w]
    assert widening(agreements(mixed.fit, {n: x.finding for n, x in mixed.seen.items()})) > 1


def test_only_the_outline_is_widened() -> None:
    """Metamorphic: where so little is at odds, the outline's shares grow by the factor squared, no other does."""
    found = stages("pink-plain", "pink-plain")
    findings, before = {n: s.finding for n, s in found.seen.items()}, found.fit
    strict = AgreementSettings(at_odds_mm=0.05)
    after = judged(before, findings, SAID, strict)
    wider = widening(agreements(before, findings), strict)
    assert wider > 1
    for source, share in after.shares.items():
        factor = wider**2 if source in OUTLINE else 1.0
        np.testing.assert_allclose(share, factor * before.shares[source])
    assert set(OUTLINE) <= set(after.shares)
    more = np.linalg.eigvalsh(after.covariance - before.covariance)
    assert more.min() > -1e-9 * more.max()
