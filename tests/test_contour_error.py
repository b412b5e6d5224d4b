"""Recovery of known truth: the outline of a meshed surface, as the campaign over rendered cakes takes it."""

import numpy as np

from qc.body import HARMONICS, PROFILE_KNOTS, Body
from qc.camera import Lens, View
from qc.contour import Contour, body_contour
from tests.long.contour_error import outline_offsets

TOP = np.diag([1.0, -1.0, -1.0])  # looking straight down


def view_of(rotation: np.ndarray, translation_mm: tuple[float, float, float]) -> View:
    return View(Lens(1600.0, 1000.0, 750.0, 0.01), rotation, np.array(translation_mm), 2016, 1512)


def cylinder(radius_mm: float, height_mm: float, columns: int = 721) -> np.ndarray:
    """Side of a cylinder and its top's rim, closed, as rows of points (rows, columns, 3)."""
    a = np.linspace(0, 2 * np.pi, columns)
    z = np.linspace(0, height_mm, 200)[:, None] + 0 * a
    side = np.stack([radius_mm * np.cos(a) + 0 * z, radius_mm * np.sin(a) + 0 * z, z], -1)
    top = np.stack([side[-1] * [f, f, 1.0] for f in np.linspace(1, 0, 50)[1:]])
    return np.concatenate([side, top])


def test_disc_seen_from_above():
    """Analytic: from the axis a disc of radius r at distance d is a circle of f r / d, less its distortion."""
    view = view_of(TOP, (0.0, 0.0, 500.0))
    a = np.linspace(0, 2 * np.pi, 90, endpoint=False)
    normals = np.stack([np.cos(a), -np.sin(a)], -1)
    guess = Contour(np.array([1000.0, 750.0]) + 300.0 * normals, normals, np.ones(90), np.zeros(90, bool))
    offset = outline_offsets(cylinder(80.0, 60.0), view, guess, 60.0)
    x = 80.0 / 440.0
    np.testing.assert_allclose(offset, 1600.0 * x * (1 + 0.01 * x * x) - 300.0, atol=0.01)


def test_side_agrees_with_the_predicted_contour():
    """Recovery: the mesh of a body ends where qc.contour, which works by lines of sight, says that it does."""
    s, c = np.sin(np.radians(12.0)), np.cos(np.radians(12.0))
    side = np.array([[1.0, 0, 0], [0, -s, -c], [0, c, -s]])
    view = view_of(side, (0.0, 30.0, 480.0))
    waves = np.zeros((len(HARMONICS), 2))
    body = Body(80.0, 60.0, 0.0, np.zeros(2), np.zeros(2), 0.0, 0.3, waves, np.zeros(len(PROFILE_KNOTS)))
    contour = body_contour(view, body, 200)
    offset = outline_offsets(cylinder(80.0, 60.0), view, contour, 20.0)
    assert np.isfinite(offset).all()
    sharp = np.abs(offset) / (1600.0 / 480.0)  # the body's edge is rounded by 0.3 mm, the mesh's is not
    assert np.median(sharp) < 0.01
    assert sharp.max() < 0.15


def test_out_of_reach_is_not_a_number():
    view = view_of(TOP, (0.0, 0.0, 500.0))
    far = Contour(np.array([[200.0, 200.0]]), np.array([[1.0, 0.0]]), np.ones(1), np.zeros(1, bool))
    assert np.isnan(outline_offsets(cylinder(80.0, 60.0), view, far, 20.0)).all()
