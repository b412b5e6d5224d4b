"""Predicted contours against geometry that knows nothing of them."""

from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest

from qc.body import HARMONICS, PROFILE_KNOTS, Body
from qc.camera import Lens, View
from qc.contour import Board, Contour, board_contours, board_crossings, body_contour, body_contours, graze
from qc.edge_weights import Weights
from qc.edge_words import Surroundings
from qc.finder import BOARD, BODY, OTHER, Finding
from qc.outline import EdgeSettings, photo_edges
from tests import truth as truths

SAMPLES = Path(__file__).parent.parent / "sample_images"
NAMES = ("cream-dollops", "pink-plain", "seminaked-blueberries", "white-strawberries")


def cylinder(edge_mm: float) -> Body:
    """An upright cylinder with a rounded edge."""
    waves, profile = np.zeros((len(HARMONICS), 2)), np.zeros(len(PROFILE_KNOTS))
    return Body(75.0, 70.0, 0.0, np.zeros(2), np.zeros(2), 0.0, edge_mm, waves, profile)


def skin(body: Body) -> np.ndarray:
    """Points (N, 3) of a cylinder's foot and rounded edge: all that its outline can touch."""
    a = np.linspace(0, 2 * np.pi, 1440, endpoint=False)
    out = [(body.radius_mm, 0.0)]
    for phi in np.linspace(0, np.pi / 2, 61):
        e = body.edge_mm
        out.append((body.radius_mm - e + e * np.cos(phi), body.height_mm - e + e * np.sin(phi)))
    return np.concatenate([np.stack([r * np.cos(a), r * np.sin(a), np.full_like(a, z)], -1) for r, z in out])


def look(elevation_deg: float, distance_mm: float) -> View:
    """A lens without distortion that looks at the cake's middle from six o'clock."""
    e = np.radians(elevation_deg)
    away = np.array([0.0, -np.cos(e), np.sin(e)])
    rotation = np.stack([[1.0, 0, 0], np.cross(-away, [1.0, 0, 0]), -away])
    eye = np.array([0.0, 0.0, 35.0]) + distance_mm * away
    return View(Lens(1500.0, 1007.5, 755.5), rotation, -rotation @ eye, 2016, 1512)


def side_points(body: Body, below_mm: float) -> np.ndarray:
    """Points (N, 3) of the side up to so far below the height of the top on the axis."""
    a = np.linspace(0, 2 * np.pi, 720, endpoint=False)
    return np.concatenate([body.side_point_mm(a, z) for z in np.linspace(0, body.height_mm - below_mm, 60)])


# ---------------------------------------------------------------- published or analytic values


@pytest.mark.parametrize("edge_mm", [0.3, 1.0, 3.0, 5.0])
def test_a_convex_body_fills_the_hull_of_its_points(edge_mm: float) -> None:
    """Analytic: the picture of a convex body is the hull of the picture of its points; to 0.05 mm, 0.12 if sharp."""
    for elevation_deg in (5.0, 20.0, 45.0, 70.0):
        body, view = cylinder(edge_mm), look(elevation_deg, 450.0)
        hull = cv2.convexHull(view.project(skin(body)).astype(np.float32))
        contour = body_contour(view, body, 200).points_px
        gap_px = [cv2.pointPolygonTest(hull, (float(x), float(y)), True) for x, y in contour]
        px_per_mm = view.px_per_mm(np.array([0.0, 75.0, 70.0]))  # of the far rim, the least
        assert np.abs(gap_px).max() / px_per_mm < (0.05 if edge_mm > 0.5 else 0.12), elevation_deg


def test_outlines_of_several_photos_are_those_of_each() -> None:
    """Analytic: what one lens sees does not hang on the others; also from outlines of a cake a millimetre smaller."""
    body, views = cylinder(4.0), [look(70.0, 400.0), look(12.0, 600.0), look(20.0, 450.0)]
    together = body_contours(views, body, 120)
    smaller = [c.points_px for c in body_contours(views, replace(body, radius_mm=body.radius_mm - 1.0), 120)]
    for view, contour, again in zip(views, together, body_contours(views, body, 120, smaller), strict=True):
        np.testing.assert_allclose(contour.points_px, body_contour(view, body, 120).points_px, atol=1e-9)
        hull = contour.points_px.astype(np.float32)
        off = [cv2.pointPolygonTest(hull, (float(x), float(y)), True) for x, y in again.points_px]
        assert np.abs(off).max() / view.px_per_mm(np.array([0.0, 0.0, 35.0])) < 0.1


def test_a_round_board_is_seen_as_a_conic() -> None:
    """Analytic: H^-T diag(1, 1, -r^2) H^-1 is the picture of a circle under the plane's homography H."""
    board, view = Board(100.0, 4.0, -3.0, 8.0, 0.0, False, rounding_mm=0.0), look(25.0, 450.0)
    for edge, z in zip(board_contours(view, board, 90), (0.0, -8.0), strict=True):
        r, t = view.rotation, view.translation_mm
        plane = np.stack([r[:, 0], r[:, 1], r @ [board.x_mm, board.y_mm, z] + t], 1)
        back = np.linalg.inv(view.lens.matrix @ plane)
        at = np.concatenate([edge.points_px, np.ones((90, 1))], 1) @ back.T
        off = np.hypot(at[:, 0] / at[:, 2], at[:, 1] / at[:, 2]) - board.half_mm
        assert np.abs(off).max() < 1e-6


@pytest.mark.parametrize("elevation_deg", [8.0, 30.0, 70.0])
def test_the_rounded_edge_of_a_board_ends_on_the_hull_of_its_skin(elevation_deg: float) -> None:
    """Analytic: the picture of a convex board with edges rounded by circles is the hull of the picture of its skin."""
    board, view, e = Board(100.0, 0.0, 0.0, 8.0, 0.0, False, rounding_mm=1.5), look(elevation_deg, 450.0), 1.5
    a, phi = np.linspace(0, 2 * np.pi, 1440, endpoint=False), np.linspace(0, np.pi / 2, 46)
    rings = [(100 - e + e * np.cos(f), z) for f in phi for z in (-e + e * np.sin(f), -8 + e - e * np.sin(f))]
    skin_mm = np.concatenate([np.stack([r * np.cos(a), r * np.sin(a), np.full_like(a, z)], -1) for r, z in rings])
    hull = cv2.convexHull(view.project(skin_mm).astype(np.float32))
    upper, lower = board_contours(view, board, 120)
    outline = np.concatenate([upper.points_px[~upper.foot], lower.points_px[lower.foot]])
    gap_px = [cv2.pointPolygonTest(hull, (float(x), float(y)), True) for x, y in outline]
    assert np.abs(gap_px).max() / view.px_per_mm(np.array([0.0, 100.0, 0.0])) < 0.05


def surroundings(width: int, height: int, ends: tuple[int, int], board_px: float = np.inf) -> Surroundings:
    """Icing up to the first of two columns, plain board up to the second, then the bench, as the finder sees them."""
    scale = 0.32  # network pixels per pixel of a photo 2016 wide
    x, rows = np.arange(round(width * scale)) / scale, round(height * scale)
    seen = np.zeros((6, rows, len(x)), np.float32)
    for label, where in ((BODY, x < ends[0]), (BOARD, (x >= ends[0]) & (x < ends[1])), (OTHER, x >= ends[1])):
        seen[label] = cv2.GaussianBlur(np.repeat(where[None].astype(np.float32), rows, 0), (0, 0), 0.8)
    finding = Finding(seen, scale, (0.0, 0.0), (width, height), 0.95, ())
    return Surroundings(finding, np.ones(20, bool), np.full(20, board_px), 1.0)


def test_among_sponge_the_icings_edge_is_not_the_strongest() -> None:
    """Recovery of known truth: sponge inside the rim makes the stronger edge; what lies beyond either tells them."""
    across = np.full(200, 200.0)  # icing ...
    across[90:94], across[100:] = 60.0, 140.0  # ... sponge in it, and the board
    picture = cv2.GaussianBlur(np.repeat(across[None], 60, 0), (0, 0), 1.0)
    pixels = np.repeat(picture[..., None], 3, 2).astype(np.uint8)
    points = np.stack([np.full(20, 95.0), np.arange(20.0) + 20], -1)
    c = Contour(points, np.tile([1.0, 0.0], (20, 1)), np.ones(20), np.zeros(20, bool))
    keep, around = np.ones(20, bool), surroundings(200, 60, (100, 300))
    strongest, icing = (photo_edges(pixels, c, keep, 9.0, 6.0, EdgeSettings(), a) for a in (None, around))
    assert strongest.points_px[:, 0] == pytest.approx(np.full(20, 93.5), abs=0.6)
    assert len(icing.index) == 20
    assert icing.points_px[:, 0] == pytest.approx(np.full(20, 99.5), abs=0.6)
    assert (icing.sure > 0.5).all()


def test_log_odds_are_what_their_formula_says() -> None:
    """Analytic value: one hidden unit, weight 2, offset 1, on a word of mean 3 and spread 0.5; none is worth 0.25."""
    one = Weights(
        np.array([3.0]), np.array([0.5]), (np.array([[2.0]]), np.array([[1.5]])), (np.ones(1), np.zeros(1)), 0.25
    )
    words = np.array([[[3.25]], [[1.0]], [[100.0]]])  # half a spread up, far down, capped at 5
    assert one.log_odds(words)[:, 0] == pytest.approx([1.5 * 2.0 - 0.25, -0.25, 1.5 * 11.0 - 0.25])


def circle(radius_px: float, count: int, x_px: float = 100.0) -> Contour:
    """A circle about (x_px, 100) as a contour."""
    a = np.linspace(0, 2 * np.pi, count, endpoint=False)
    n = np.stack([np.cos(a), np.sin(a)], -1)
    return Contour(n * radius_px + [x_px, 100.0], n, np.ones(count), np.ones(count, bool))


def test_where_a_boards_edge_crosses_an_outlines_normals() -> None:
    """Analytic: from a circle of 50 px about one of 60 px, 5 px aside; the lower edge, not seen, does not count."""
    body, board = circle(50.0, 72), circle(60.0, 400, 105.0)
    hidden = replace(circle(55.0, 400, 105.0), foot=np.zeros(400, bool))
    got = board_crossings(body, (board, hidden), 2.0)
    toward = body.normals[:, 0]
    expected = 5 * toward + np.sqrt(60.0**2 - 25 * (1 - toward**2)) - 50
    assert got == pytest.approx(expected, abs=0.02)
    inside = board_crossings(circle(65.0, 72), (board, hidden), 2.0)
    assert np.isinf(inside[np.abs(circle(65.0, 72).normals[:, 0] + 1) < 1e-9]).all()  # 10 px within: the cake hides it
    assert np.isfinite(inside[0])  # 0 px: the two are one line in the photo


def test_the_boards_own_edge_is_not_the_icings() -> None:
    """Icing ends 7 px within the edge of a board of its colour on a dark bench; it is sought half way."""
    x = np.arange(80.0)
    light = np.where(x < 39, 0.80, np.where(x < 46, 0.5, 0.1))
    pixels = np.repeat(np.repeat(cv2.GaussianBlur(light[None], (0, 0), 1.2).T[None] ** (1 / 2.2) * 255, 60, 0), 3, 2)
    n = np.tile([1.0, 0.0], (20, 1))
    points = np.column_stack([np.full(20, 42.0), np.linspace(15, 45, 20)])
    c, keep = Contour(points, n, np.full(20, 0.2), np.zeros(20, bool)), np.ones(20, bool)
    pixels, ask = np.ascontiguousarray(pixels, np.uint8), EdgeSettings()
    known = surroundings(80, 60, (39, 46), 3.5)  # the board's edge is at 45.5
    near = photo_edges(pixels, c, keep, 9.0, 4.0, ask).points_px[:, 0]
    assert near == pytest.approx(np.full(20, 45.5), abs=0.3)
    own = photo_edges(pixels, c, keep, 9.0, 4.0, ask, known)
    assert own.points_px[:, 0] == pytest.approx(np.full(len(own.index), 38.5), abs=0.3)
    assert len(own.index) == 20


def test_a_few_stronger_edges_beside_an_outline_are_not_taken_for_it() -> None:
    """Analytic: a faint edge runs all along, and here and there a dark streak inside has much stronger ones."""
    across = np.full((90, 200), 200.0)
    across[:, 100:] = 180.0
    across[40:43, 94:96] = 130.0
    picture = cv2.GaussianBlur(across, (0, 0), 1.0)
    pixels = np.repeat(picture[..., None], 3, 2).astype(np.uint8)
    points = np.stack([np.full(80, 98.5), np.arange(80.0) + 5], -1)
    c = Contour(points, np.tile([1.0, 0.0], (80, 1)), np.ones(80), np.zeros(80, bool))
    alone, joined = (
        photo_edges(pixels, c, np.ones(80, bool), 8.0, 3.5, EdgeSettings(hypotheses=count)).points_px[:, 0]
        for count in (1, 4)
    )
    assert (np.abs(alone - 99.5) > 2.0).sum() > 1
    assert np.abs(joined - 99.5).max() < 1.0


@pytest.mark.parametrize("elevation_deg", [8.0, 25.0, 70.0])
def test_places_followed_from_some_millimetres_off_are_those_searched_for(elevation_deg: float) -> None:
    """The nearest approach of lines along an outline is the same to 0.05 mm, begun some 3 mm off or searched for."""
    body, view = cylinder(5.0), look(elevation_deg, 600.0)
    rays = view.rays(body_contour(view, body, 120).points_px)
    searched = graze(view.eye_mm, rays, body)
    off = np.random.default_rng(3).normal(0.0, 3.0, 120)
    followed = graze(view.eye_mm, rays, body, searched.along_mm + off)
    assert np.quantile(np.abs(followed.clearance_mm - searched.clearance_mm), 0.95) < 0.05
    assert (followed.foot == searched.foot).mean() > 0.98


def test_distance_from_a_cylinder_with_a_rounded_edge() -> None:
    """Analytic: outside the corner of radius e the distance is that from the circle about (R - e, H - e)."""
    body = cylinder(4.0)
    places = np.array([[80.0, 0, 30], [0, -70.0, 30], [0, 0, 75.0], [71 + 6 / np.sqrt(2), 0, 66 + 6 / np.sqrt(2)]])
    assert body.distance_mm(places) == pytest.approx([5.0, -5.0, 5.0, 2.0], abs=1e-9)


# ---------------------------------------------------------------- recovery of known truth
@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("photo", ["top", "side", "side2"])
def test_lines_of_sight_to_the_side_of_a_sample_cake_hit_it(name: str, photo: str) -> None:
    """A line of sight through a place of the icing passes the body by nothing, and its pixel is inside the contour."""
    truth = truths.load(SAMPLES / name)
    view, body = truths.true_view(truth, photo), truths.true_body(truth)
    tilt = float(np.hypot(*body.slope)) * body.radius_mm
    points = side_points(body, body.edge_mm + tilt + abs(body.dome_mm) + 0.5)
    to_points = points - view.eye_mm
    lines = to_points / np.linalg.norm(to_points, axis=1, keepdims=True)
    clearance = graze(view.eye_mm, lines, body).clearance_mm
    assert np.quantile(clearance, 0.995) < 0.03
    assert clearance.max() < 0.3  # where rim and foot are equally near the search may take the other one
    contour = body_contour(view, body, 1440).points_px.astype(np.float32)
    inside = [cv2.pointPolygonTest(contour, (float(x), float(y)), True) for x, y in view.project(points)[::7]]
    assert min(inside) > -0.6


def test_derivatives_of_the_body() -> None:
    """Every parameter's column by differences of the distance itself, at places about side, rounding and top."""
    body, rng = (
        replace(cylinder(4.0), taper_mm=1.5, dome_mm=1.2, lean_mm=np.array([1.0, -2.0])),
        np.random.default_rng(4),
    )
    at = rng.normal(0, 1, (60, 3)) * [60, 60, 0] + [0, 0, 35]
    at[:, :2] *= (rng.uniform(60, 77, 60) / np.linalg.norm(at[:, :2], axis=1))[:, None]
    at[:, 2] = rng.uniform(3, 72, 60)
    got = body.derivatives(at)
    columns = {
        "radius_mm": got.radius,
        "height_mm": got.height,
        "taper_mm": got.taper,
        "lean_mm": got.lean,
        "slope": got.slope,
        "dome_mm": got.dome,
        "edge_mm": got.edge,
        "harmonics_mm": got.waves,
        "profile_mm": got.profile,
        "edge_waves_mm": got.edge_waves,
    }
    for name, column in columns.items():
        value = np.asarray(getattr(body, name), float)
        for j, of in enumerate(np.reshape(column, (len(at), -1)).T):
            step = np.zeros(value.size)
            step[j] = 1e-5
            up, down = (replace(body, **{name: value + s * step.reshape(value.shape)}) for s in (1, -1))
            differences = (up.distance_mm(at) - down.distance_mm(at)) / 2e-5
            assert np.quantile(np.abs(differences - of), 0.9) < 0.02 * max(1, np.abs(of).max()), (name, j)
