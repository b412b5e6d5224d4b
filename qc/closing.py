"""The last rounds of the fit: about outlines of icing and board that a network reads once in every photo.

Where an outline runs in a photo does not depend on the cake that is fitted, as long as the strip that is read holds it:
what changes from round to round is how the fitted cake's lines of sight pass the points that were read.
"""

from collections.abc import Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from qc import joint
from qc.body import Body
from qc.camera import View
from qc.contour import Board, Contour, board_contours, body_contours, clearance_gradient
from qc.fit_terms import FitSettings, PhotoInput, cake_prior, finder_points, photo_prior
from qc.outline import EdgeSettings, board_ends, body_sides_fit
from qc.outline_strip import board_outline, lay_board, lay_round, read_strip, strip_edges
from qc.pose import Pose
from qc.solver import NEARLY_SETTLED, SETTLED, Solution, solve
from qc.trials import Trial, enough

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Read:
    """What was read of one photo's outlines.

    icing_px (M, 2), its standard deviation (M,) and how sure (M,) it is; board_px (K, 2), its standard deviation (K,)
    and which points (K,) are of the lower edge; contour_px and rim_px, the outlines of icing and board that were
    predicted.
    """

    icing_px: Array
    icing_sigma_px: Array
    sure: Array
    board_px: Array
    board_sigma_px: Array
    lower: NDArray[np.bool_]
    contour_px: Array
    rim_px: Array


NEAR_MM = 4.0  # outlines that are predicted so near those that were read lie well within their strips


def close_rounds(
    inputs: Mapping[str, PhotoInput],
    poses: Mapping[str, Pose],
    trial: Trial,
    scale: Array,
    read: Mapping[str, Read] | None = None,
    rounds: Sequence[int] | None = None,
) -> tuple[joint.Problem, Solution, Mapping[str, Read]]:
    """Fit to the outlines as they are read in the photos: anew where they were not read before, or elsewhere.

    rounds: how many steps each takes; all of the settings' when left out.

    Raises
    ------
    OutlineError
    """
    settings, p = trial.settings, trial.parameters
    known = cake_prior(settings, trial.start, settings.edge_uneven * float(p[joint.EDGE]))
    sizes = [(i.photo.width_px, i.photo.height_px) for i in inputs.values()]
    read = read_outlines(inputs, p, sizes, trial.square, settings, read or {})
    for steps in settings.last_steps if rounds is None else rounds:
        body, board = joint.body_of(p[: joint.CAKE]), joint.board_of(p[: joint.CAKE], trial.square)
        terms = []
        for k, ((name, i), view) in enumerate(zip(inputs.items(), joint.views_of(p, sizes), strict=True)):
            prior = photo_prior(name, i, poses[name], trial.start[joint.photo_block(k)], settings)
            terms.append(_term(name, i, read[name], view, body, board, prior, scale, settings))
        enough(terms)
        problem = joint.Problem(terms, *known, trial.square, settings.robust)
        last = steps == settings.last_steps[-1]
        solution = solve(problem, p, steps, SETTLED if last else NEARLY_SETTLED)
        p = solution.parameters
    return problem, solution, read


def read_outlines(
    inputs: Mapping[str, PhotoInput],
    p: Array,
    sizes: list[tuple[int, int]],
    square: bool,
    settings: FitSettings,
    before: Mapping[str, Read],
) -> dict[str, Read]:
    """The outlines of icing and board in every photo, near where the parameters p have them.

    What was read `before` serves where the outlines lie near those.
    """
    cake = p[: joint.CAKE]
    views = joint.views_of(p, sizes)
    body, board = joint.body_of(cake), joint.board_of(cake, square)
    contours = body_contours(views, body, settings.body_points)
    with ThreadPoolExecutor(2) as pool:
        seen = pool.map(
            lambda name, view, contour: _read(
                name, inputs[name], view, body, board, contour, settings, before.get(name)
            ),
            inputs,
            views,
            contours,
        )
        return dict(zip(inputs, seen, strict=True))


def _read(
    name: str,
    i: PhotoInput,
    view: View,
    body: Body,
    board: Board,
    contour: Contour,
    settings: FitSettings,
    before: Read | None,
) -> Read:
    pixels, top, ask = i.photo.pixels, name == "top", EdgeSettings()
    edge = board_outline(board_contours(view, board, settings.board_points))
    reach = NEAR_MM * view.px_per_mm(np.array([0.0, 0.0, 0.5 * body.height_mm]))
    if before is not None and _apart_px(before, contour.points_px, edge.points_px) < reach:
        return before
    seen = body_sides_fit(i.finding, contour, ask)
    if top and np.isfinite(settings.foot_sd_mm):  # piping hides the foot; its edge is not the icing's
        seen &= ~contour.foot
    laid = lay_round(view, contour, body, top)
    icing = strip_edges(read_strip(pixels, i.finding, laid), laid, contour, seen)
    laid = lay_board(view, edge, body, top)
    ends = board_ends(i.finding, edge.points_px, edge.normals, ask) > 0
    rim = strip_edges(read_strip(pixels, i.finding, laid), laid, edge, ends)
    return Read(
        icing.points_px,
        icing.sigma_px,
        icing.sure,
        rim.points_px,
        rim.sigma_px / np.sqrt(rim.sure),
        edge.foot[rim.index],
        contour.points_px,
        edge.points_px,
    )


def _apart_px(before: Read, icing_px: Array, rim_px: Array) -> float:
    """How far the outlines that are predicted now lie from those that were read, where that is most."""
    pairs = ((before.contour_px, icing_px), (before.rim_px, rim_px))
    return float(max(np.linalg.norm(a - b, axis=1).max() for a, b in pairs))


def _term(
    name: str,
    i: PhotoInput,
    read: Read,
    view: View,
    body: Body,
    board: Board,
    prior: tuple[Array, Array],
    scale: Array,
    settings: FitSettings,
) -> joint.PhotoTerm:
    """What one photo shows about the predicted cake."""
    per_mm = view.px_per_mm(np.array([0.0, 0.0, 0.5 * body.height_mm]))
    sight, gradient = clearance_gradient(view, body, read.icing_px)
    size = np.maximum(np.linalg.norm(gradient, axis=1), 1e-4)
    no = np.zeros(len(size), bool)
    own = np.hypot(read.icing_sigma_px, settings.texture_mm * per_mm) * settings.read_crowd / np.sqrt(read.sure)
    icing = joint.OutlinePoints(read.icing_px, gradient / size[:, None], size, sight.along_mm, sight.foot, no, own)
    rest = finder_points(i, view, body, settings)
    return joint.PhotoTerm(
        name,
        (view.width_px, view.height_px),
        i.card,
        scale,
        joint.joined([icing, rest]),
        _board_points(read, view, board, per_mm, settings),
        *prior,
        len(icing),
        read.sure,
        settings.read_crowd,
        read.contour_px,
    )


def _board_points(read: Read, view: View, board: Board, per_mm: float, settings: FitSettings) -> joint.OutlinePoints:
    """The board's points, with how the distance from its edge changes along the picture's normals there."""
    z = np.where(read.lower, -board.thickness_mm, 0.0)

    def distance(shift_px: Array) -> Array:
        rays = view.rays(read.board_px + shift_px)
        at = view.eye_mm + ((z - view.eye_mm[2]) / rays[:, 2])[:, None] * rays
        return board.distance_mm(at[:, 0], at[:, 1])

    change = np.stack([distance(np.eye(2)[k] * 0.5) - distance(np.eye(2)[k] * -0.5) for k in range(2)], -1)
    size = np.maximum(np.linalg.norm(change, axis=1), 1e-3)
    n, yes = len(size), np.ones(len(size), bool)
    own = np.hypot(read.board_sigma_px, settings.board_read_mm * per_mm) * settings.read_crowd
    return joint.OutlinePoints(read.board_px, change / size[:, None], size, np.zeros(n), yes, read.lower, own)
