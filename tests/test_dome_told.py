"""A dome is told where it is known well enough, or is larger than its uncertainty."""

import numpy as np
import pytest

from qc import joint
from qc.fit import CakeFit
from qc.fit_terms import FitSettings
from qc.shape import ShapeErrors, measure_shape


def fitted(dome_mm: float, sd_mm: float) -> CakeFit:
    """A cake whose dome was fitted with some standard deviation, all else nearly exact."""
    cake = np.zeros(joint.CAKE)
    cake[[joint.RADIUS, joint.HEIGHT, joint.EDGE, joint.BOARD_HALF, joint.DOME]] = 80, 70, 3, 100, dome_mm
    c = np.eye(joint.CAKE) * 1e-6
    c[joint.DOME, joint.DOME] = sd_mm**2
    p = np.concatenate([cake, np.zeros(joint.PHOTO)])
    body, board = joint.body_of(cake), joint.board_of(cake, False)
    return CakeFit(
        body, board, {}, {}, cake, c, p, True, 1.0, {}, {"corners": c}, False, p, FitSettings(), {}
    )  # fmt: skip


@pytest.mark.parametrize(
    ("dome_mm", "sd_mm", "told"), [(0.5, 0.2, True), (0.5, 0.6, False), (2.5, 0.6, True), (-2.5, 0.6, True)]
)
def test_a_dome_is_told_where_it_says_something(dome_mm: float, sd_mm: float, told: bool) -> None:
    """Analytic: the expanded uncertainty is twice the root of the fit's and the shape's variance (JCGM 100)."""
    errors = ShapeErrors()
    rows, left_out = measure_shape(fitted(dome_mm, sd_mm))
    found = [m for m in rows if m.name == "dome"]
    assert bool(found) is told
    assert any("dome" in reason for reason in left_out) is not told
    for m in found:
        assert m.uncertainty == pytest.approx(2 * np.hypot(sd_mm, errors.dome_mm), rel=1e-3)
