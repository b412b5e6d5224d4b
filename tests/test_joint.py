"""The joint least-squares problem without pictures: outlines computed from a known cake, and nothing else."""

from dataclasses import replace

import cv2
import numpy as np
import pytest

from qc import joint
from qc.card import THICKNESS_MM, CardView, PanelView
from qc.contour import board_contours, body_contour, clearance_gradient, graze
from qc.fit import LIP_MM, _covariance
from qc.fit_terms import HELD_MM, FitSettings, cake_prior
from qc.pose import FOLD, LENS, PARAMETERS, ROTATION, TRANSLATION, floor_points, standing_points, view_of
from qc.shape import outline_radius_mm, roundness_mm
from qc.solver import solve

SIZE, IDS, ONE = (2016, 1512), np.arange(36), np.ones(2)
NOISE_PX = 0.3


def known_cake() -> np.ndarray:
    """A cake's block: taper, lean, tilt and dome, on a round board of 3 mm."""
    cake = np.zeros(joint.CAKE)
    cake[[joint.RADIUS, joint.HEIGHT, joint.TAPER, joint.EDGE]] = 80.0, 70.0, 1.2, 5.0
    cake[joint.LEAN], cake[joint.SLOPE] = (1.0, -0.8), (0.01, -0.006)
    cake[joint.WAVES.start : joint.WAVES.start + 4] = 0.4, -0.2, 0.1, 0.2
    cake[joint.EDGE_WAVES.start : joint.EDGE_WAVES.start + 4] = 0.3, -0.5, 0.2, 0.4
    cake[[joint.BOARD_HALF, joint.BOARD_X, joint.BOARD_Y, joint.BOARD_T]] = 105.0, 1.5, -1.0, 3.0
    return cake


def photo_block(elevation_deg: float, turn_deg: float) -> np.ndarray:
    """A photo's block: the lens looks at a cake that stands to the left of the card."""
    e = np.radians(elevation_deg)
    away = np.array([0.0, -np.cos(e), np.sin(e)])
    rotation = np.stack([[1.0, 0, 0], np.cross(-away, [1.0, 0, 0]), -away])
    eye = np.array([-60.0, 0.0, 30.0]) + 560.0 * away
    block = np.zeros(joint.PHOTO)
    block[LENS] = 1550.0, 1007.5, 755.5, 0.02, -0.01
    block[ROTATION], block[TRANSLATION] = cv2.Rodrigues(rotation)[0].ravel(), -rotation @ eye
    block[FOLD] = np.pi if elevation_deg > 45 else np.pi / 2 + 0.02
    block[[joint.PLACE_X, joint.PLACE_Y, joint.YAW]] = -120.0, 15.0, np.radians(turn_deg)
    return block


def term(cake: np.ndarray, block: np.ndarray, noise_px: float, rng: np.random.Generator) -> joint.PhotoTerm:
    """What a photo of the known cake shows: card corners, outline of the body, both edges of the board."""
    world = floor_points(IDS, ONE), standing_points(IDS, ONE, *block[FOLD:PARAMETERS])
    pose, sd = view_of(block, *SIZE), np.full(36, 0.1)
    seen = [pose.project(w) + rng.normal(0, 0.1, (36, 2)) for w in world]
    card = CardView(*(PanelView(n, IDS, px, sd) for n, px in zip(("floor", "standing"), seen, strict=True)))
    view, body, board = joint.cake_view(cake, block, SIZE), joint.body_of(cake), joint.board_of(cake, False)
    contour = body_contour(view, body, 90)
    px = contour.points_px + rng.normal(0, noise_px, (90, 1)) * contour.normals
    g, gradient = clearance_gradient(view, body, px)
    size, no = np.linalg.norm(gradient, axis=1), np.zeros(90, bool)
    on_body = joint.OutlinePoints(
        px, gradient / size[:, None], size, g.along_mm, contour.foot, no, np.full(90, NOISE_PX)
    )
    edges = board_contours(view, board, 60)
    low = np.repeat([False, True], 60)
    px = np.concatenate([c.points_px + rng.normal(0, noise_px, (60, 1)) * c.normals for c in edges])
    on_board = joint.OutlinePoints(
        px,
        np.concatenate([c.normals for c in edges]),
        np.concatenate([c.gradient_mm for c in edges]),
        np.zeros(120),
        np.ones(120, bool),
        low,
        np.full(120, NOISE_PX),
    )
    rows = np.zeros((joint.PHOTO, joint.PHOTO))
    known = [*range(5), FOLD, FOLD + 1, FOLD + 2, joint.YAW, joint.BODY_SHIFT, joint.BOARD_SHIFT]
    spread = np.array([30, 10, 10, 0.03, 0.02, 0.05, 0.5, 0.5, 0.07, 0.05, 0.05])
    rows[known, known], mean = 1 / spread, block.copy()
    mean[known] += rng.normal(0, spread) * (noise_px > 0)
    return joint.PhotoTerm("side", SIZE, card, ONE, on_body, on_board, rows, mean, 90, np.ones(90), 1.0)


def problem(noise_px: float, rng: np.random.Generator) -> tuple[joint.Problem, np.ndarray]:
    """Three photos of the known cake, and the true parameters."""
    cake = known_cake()
    blocks = [photo_block(70.0, 0.0), photo_block(10.0, 2.0), photo_block(14.0, -88.0)]
    rows, _ = cake_prior(FitSettings(board_t_mm=2.8, board_t_sd_mm=1.2, dome_sd_mm=0.05), cake, 0.35)
    mean = cake + rng.normal(0, 1 / np.diag(rows[: joint.CAKE])) * (noise_px > 0)
    return joint.Problem([term(cake, b, noise_px, rng) for b in blocks], rows, mean, False), np.concatenate(
        [cake, *blocks]
    )


def test_the_card_lies_on_the_bench() -> None:
    """A board's lower edge is where the bench is: the thickness of the card below its printed face."""
    cake, block = known_cake(), photo_block(10.0, 0.0)
    view = joint.cake_view(cake, block, SIZE)
    low = view.project(np.array([105.0, 0.0, -cake[joint.BOARD_T]]))
    at = view_of(block, *SIZE).onto_height(low, -THICKNESS_MM)
    assert at[:2] == pytest.approx(block[[joint.PLACE_X, joint.PLACE_Y]] + [105.0, 0.0], abs=1e-6)


@pytest.mark.parametrize("k", [0, 1, 2])
def test_jacobian_is_that_of_the_residuals(k: int) -> None:
    """Analytic columns by differences of the residuals, the nearest places of the lines of sight looked up afresh."""
    asked, p = problem(0.5, np.random.default_rng(5))
    cake, photo = p[: joint.CAKE], p[joint.photo_block(k)]

    def residuals(c: np.ndarray, b: np.ndarray) -> np.ndarray:
        t = asked.terms[k]
        view = joint.cake_view(c, b, SIZE)
        g = graze(view.eye_mm, view.rays(t.body.points_px), joint.body_of(c))
        fresh = replace(t, body=replace(t.body, along_mm=np.where(t.body.flat, t.body.along_mm, g.along_mm)))
        (found,) = joint.residuals(replace(asked, terms=[fresh]), np.concatenate([c, b]))
        return found

    by_cake, by_photo = np.split(joint.jacobians(asked, p)[k], [joint.CAKE], axis=1)
    steps = np.array(
        [1.0, 0.3, 0.3, 1e-3, 1e-3, *[1e-4] * 3, *[0.05] * 3, 1e-3, 0.05, 0.05, 0.05, 0.05, 1e-3, 0.05, 0.05]
    )
    for j in range(joint.CAKE):
        h = np.eye(joint.CAKE)[j] * joint.CAKE_STEP[j]
        d = (residuals(cake + h, photo) - residuals(cake - h, photo)) / (2 * joint.CAKE_STEP[j])
        assert np.quantile(np.abs(by_cake[:, j] - d), 0.9) < 0.05 * max(np.abs(d).max(), 0.02), j
    for j in range(joint.PHOTO):
        h = np.eye(joint.PHOTO)[j] * steps[j]
        d = (residuals(cake, photo + h) - residuals(cake, photo - h)) / (2 * steps[j])
        assert np.quantile(np.abs(by_photo[:, j] - d), 0.9) < 0.05 * max(np.abs(d).max(), 0.5 / steps[j] * 1e-3), j


def test_a_known_cake_is_recovered_within_its_uncertainty() -> None:
    """Eight sets of noisy outlines: the pulls of what matters have about unit spread, from a start some mm away."""
    rng, pulls = np.random.default_rng(6), []
    watched = [joint.RADIUS, joint.HEIGHT, joint.TAPER, 3, 4, 5, 6, joint.BOARD_X, joint.BOARD_Y, joint.BOARD_T]
    for _ in range(8):
        asked, p = problem(NOISE_PX, rng)
        start = p.copy()
        start[[joint.RADIUS, joint.HEIGHT, joint.BOARD_X]] += 2.0, -2.0, 2.0
        start[joint.CAKE + joint.PLACE_X] += 3.0
        found = solve(asked, start, 25)
        assert found.converged
        known = sum(joint.information_by_source(found.problem, found.parameters).values())
        sd = np.sqrt(np.diag(np.linalg.inv(known)))
        pulls.append(((found.parameters - p) / sd)[watched])
    spread = np.sqrt(np.mean(np.square(pulls), 0))
    assert np.median(spread) == pytest.approx(1.0, abs=0.4)
    assert spread.max() < 2.2


def test_edges_of_something_else_do_not_hold_the_fit_up() -> None:
    """A third of each outline lies on another edge 3 px off: few steps lead about as far as many.

    With the weights alone (curvature never below a residual's own weight) the excess is four times as large.
    """
    excess, settled = [], 0
    for seed in range(10):
        asked, p = problem(NOISE_PX, np.random.default_rng(seed))
        for k, t in enumerate(asked.terms):
            px = t.body.points_px.copy()
            px[10:40] += 3.0 * t.body.normals[10:40]
            asked.terms[k] = replace(t, body=replace(t.body, points_px=px))
        start = p.copy()
        start[[joint.RADIUS, joint.HEIGHT]] += 1.0, -1.0
        few, many = solve(asked, start, 12), solve(asked, start, 60)
        excess.append(few.cost - many.cost)
        settled += few.converged
    assert settled >= 6
    assert np.mean(excess) < 4.0  # of a cost of some 1700


def test_a_sharp_edge_does_not_hold_the_fit_up() -> None:
    """An edge as sharp as cream can be, where a round one is expected: the rest of the cake is still found."""
    rng = np.random.default_rng(8)
    asked, p = problem(NOISE_PX, rng)
    cake = p[: joint.CAKE].copy()
    cake[joint.EDGE] = joint.LEAST_EDGE_MM
    terms = [term(cake, p[joint.photo_block(k)], NOISE_PX, rng) for k in range(3)]
    mean = cake.copy()
    mean[joint.EDGE] = 5.0
    sharp, start = replace(asked, terms=terms, cake_mean=mean), p.copy()
    start[: joint.CAKE] = cake
    start[[joint.RADIUS, joint.HEIGHT, joint.TAPER]] += 0.3, -0.3, 0.3
    found = solve(sharp, start, 12)
    assert found.converged
    assert found.parameters[joint.EDGE] >= joint.LEAST_EDGE_MM
    assert found.parameters[joint.RADIUS] == pytest.approx(cake[joint.RADIUS], abs=0.15)
    assert found.parameters[joint.HEIGHT] == pytest.approx(cake[joint.HEIGHT], abs=0.15)


def test_a_rounding_that_widens_in_places_is_no_flat_place() -> None:
    """A round cake whose edge's rounding swings by 1.5 mm: read as round only where the rounding may be uneven."""
    rng = np.random.default_rng(9)
    cake, settings, deviation = known_cake(), FitSettings(), []
    cake[joint.WAVES] = cake[joint.EDGE_WAVES] = 0.0
    cake[joint.EDGE_WAVES.start + 4] = 1.5  # three undulations
    blocks = [photo_block(65.0, 0.0), photo_block(10.0, 2.0), photo_block(14.0, -88.0)]
    terms = [term(cake, b, NOISE_PX, rng) for b in blocks]
    for spread in (HELD_MM, settings.edge_uneven * 5.0):
        rows, mean = cake_prior(settings, cake, spread)
        found = solve(joint.Problem(terms, rows, mean, False), np.concatenate([cake * (mean != 0), *blocks]), 30)
        deviation.append(roundness_mm(outline_radius_mm(joint.body_of(found.parameters[: joint.CAKE]))))
    held, free = deviation
    assert held > 0.5
    assert free < 0.5 * held


@pytest.mark.parametrize("dome_mm", [0.1, 2.0])
def test_what_is_stated_of_a_dome(dome_mm):
    """Analytic (JCGM 100, 5.2.2): a dome that does not show has cakes' own spread, and what hangs on it goes along."""
    rng = np.random.default_rng(4)
    looks, settings = rng.normal(0, 1, (60, joint.CAKE)), FitSettings()
    outline, cakes = looks.T @ looks, np.eye(joint.CAKE)
    cakes[joint.DOME, joint.DOME] = 1 / settings.dome_sd_mm**2
    parts = {"outline, point by point": outline, "what cakes are like": cakes}
    covariance, shares = _covariance(parts, dome_mm, settings)
    np.testing.assert_allclose(sum(shares.values()), covariance, atol=1e-12)
    assert all(np.linalg.eigvalsh(s).min() > -1e-9 for s in shares.values())
    others, sd = np.arange(joint.CAKE) != joint.DOME, settings.dome_spread_mm
    known = np.linalg.inv((outline + cakes)[np.ix_(others, others)])
    follow = -known @ outline[others, joint.DOME]
    if dome_mm > 1:  # the outlines tell it, to what is left beside cakes' spread, and what a lip looks like
        cakes[joint.DOME, joint.DOME] = 1 / sd**2
        by_lip = covariance - np.linalg.inv(outline + cakes)
        assert by_lip[joint.DOME, joint.DOME] == pytest.approx(LIP_MM**2)
        expected = LIP_MM**2 * np.outer(follow, follow)
        at = np.flatnonzero(others).tolist().index(joint.HEIGHT)
        expected[at, at] += LIP_MM**2
        np.testing.assert_allclose(by_lip[np.ix_(others, others)], expected, atol=1e-12)
        return
    assert covariance[joint.DOME, joint.DOME] == pytest.approx(sd**2)
    np.testing.assert_allclose(covariance[np.ix_(others, others)], known + sd**2 * np.outer(follow, follow), atol=1e-12)
