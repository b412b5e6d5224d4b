"""What a smooth round body can't follow is stated as more where the photos' edges agree less."""

import numpy as np
import pytest

from qc import joint
from qc.fit import CakeFit, OutlineQuality
from qc.fit_terms import FitSettings
from qc.shape import ShapeErrors, measure_shape


def fitted(kept: int, waves_mm: float = 0.0, shares: dict[str, np.ndarray] | None = None) -> CakeFit:
    """A cake of whose 100 edges so many agree, with a second harmonic of some size."""
    cake = np.zeros(joint.CAKE)
    cake[[joint.RADIUS, joint.HEIGHT, joint.EDGE, joint.BOARD_HALF]] = 80, 70, 3, 100
    cake[joint.WAVES.start] = waves_mm
    c = np.zeros((joint.CAKE, joint.CAKE))
    quality = {"top": OutlineQuality(kept, 100, 0.5, np.zeros((0, 2)), np.zeros(0))}
    p = np.concatenate([cake, np.zeros(joint.PHOTO)])
    body, board = joint.body_of(cake), joint.board_of(cake, False)
    shares = shares or {"card corners": c}
    return CakeFit(
        body, board, {}, {}, cake, c, p, True, 1.0, quality, shares, False, p, FitSettings(), {}
    )  # fmt: skip


def stated(fit: CakeFit) -> dict[str, float]:
    return {m.name: m.uncertainty / 2 for m in measure_shape(fit)[0]}


def test_edges_that_lie_off_widen_by_the_exponential() -> None:
    """Analytic: without any of the fit's own uncertainty it is floor times exp(growth times share), up to a largest."""
    e = ShapeErrors()
    for kept, off in ((100, 0.0), (93, 0.07), (20, e.most_disagreeing)):
        found, more = stated(fitted(kept)), np.exp(e.disagreeing * off)
        assert found["diameter"] == pytest.approx(e.diameter_mm * more)
        assert found["taper"] == pytest.approx(e.taper_mm * more)
        assert found["out_of_round"] == pytest.approx(e.round_mm * more)


def test_waves_widen_the_out_of_round_alone() -> None:
    e = ShapeErrors()
    flat, wavy = stated(fitted(100)), stated(fitted(100, 1.5))
    assert wavy["out_of_round"] - flat["out_of_round"] == pytest.approx(1.5 * e.round_by_waves)
    assert wavy["diameter"] == pytest.approx(flat["diameter"])


def test_only_what_the_outlines_leave_open_is_taken_at_its_share() -> None:
    """Analytic: a variance of the radius counts whole, or by the outlines' edges at their share (JCGM 100, 5.1.2)."""
    e, c = ShapeErrors(), np.zeros((joint.CAKE, joint.CAKE))
    c[joint.RADIUS, joint.RADIUS] = 0.5**2  # 1 mm of the diameter
    for source, share in (("print scale", 1.0), *((s, e.outline) for s in joint.OUTLINE)):
        found = stated(fitted(100, shares={source: c}))
        assert found["diameter"] == pytest.approx(np.hypot(share, e.diameter_mm), rel=1e-3)


def test_constants_that_do_not_err_by_the_edges_stay() -> None:
    """The clock and the hidden foot have nothing to do with how edges agree."""
    one, other = ShapeErrors().of(fitted(100)), ShapeErrors().of(fitted(85))
    assert other.diameter_mm > one.diameter_mm
    for name in ("clock_h", "hidden_foot_mm", "dome_told_mm", "outline"):
        assert getattr(one, name) == getattr(other, name)


def test_a_tilt_told_by_the_rim_alone_is_stated_with_the_rims_unevenness() -> None:
    """Analytic: without feet of decorations the variance of what a rim leans by is added (JCGM 100, 5.1.2)."""
    e, c = ShapeErrors(), np.zeros((joint.CAKE, joint.CAKE))
    c[joint.SLOPE, joint.SLOPE] = np.eye(2) * 1e-12
    by_feet, by_rim = (ShapeErrors().of(fitted(100, shares={s: c})) for s in (joint.ON_TOP, "card corners"))
    assert by_feet.level_mm == pytest.approx(e.level_mm)
    assert by_rim.level_mm == pytest.approx(np.hypot(e.level_mm, e.rim_level_mm))
