"""Where a fit may begin: many cakes that the finder's borders allow, judged by the photos' edges along their outlines.

The border that the finder draws can lead to a wrong edge: a shadow, a stripe of the bench, the far rim behind a piece.
So the edges along one predicted outline are listed once, several to a point. How far an outline moves when the cake
changes is linear to first order, so any number of cakes can be tried against that list without looking at a photo
again: each is drawn to the edges nearest to it, in turns that look ever closer.
"""

from collections.abc import Mapping
from dataclasses import dataclass, fields, replace

import numpy as np
from numpy.typing import NDArray

from qc import joint
from qc.camera import View
from qc.contour import Contour, board_contours, body_contours
from qc.fit_terms import PhotoInput
from qc.outline import EdgeSettings, board_ends, edges_along, icing_ends

Array = NDArray[np.float64]


@dataclass(frozen=True)
class StartsSettings:
    """How many cakes are tried, and how they are drawn to edges. Pixels are meant per 2016 px of width."""

    body_points: int = 160
    board_points: int = 100
    reach_px: float = 30.0  # either side of the outline: 8 to 10 mm, more than the finder's borders are ever wrong by
    edges: int = 6  # listed for a point, the strongest
    tried: int = 48
    modes: int = 24  # independent ways in which outlines change; further ones move them by less than an edge's width
    spread: float = 1.3  # of the cakes tried, in standard deviations of what is known beforehand
    looks_px: tuple[float, ...] = (8.0, 6.0, 4.5, 3.5, 2.5, 2.0, 2.0)  # how far off an edge is expected, turn by turn
    lost: float = 1.5  # times that: edges so far off count half
    agrees_px: float = 2.0
    least_worth: float = 0.02  # of an edge, as the finder believes in it


@dataclass(frozen=True)
class EdgeList:
    """Edges near predicted outlines, all photos together.

    Attributes
    ----------
    offset_px : ndarray, shape (N, K)
        Of the edges at each outline point, outwards.
    log_worth : ndarray, shape (N, K)
        Strength times how much the finder believes in the edge, as a logarithm; -inf where there is no edge.
    jacobian : ndarray, shape (N, P)
        Of the outline's offset (px) by all parameters.
    zoom : ndarray, shape (N,)
        Of the photo: its width over 2016 px.
    """

    offset_px: Array
    log_worth: Array
    jacobian: Array
    zoom: Array


def likeliest(
    inputs: Mapping[str, PhotoInput], problem: joint.Problem, p: Array, settings: StartsSettings | None = None
) -> tuple[Array, float]:
    """The parameters with which most edges of the photos agree, among many about a first cake.

    Parameters
    ----------
    problem : joint.Problem
        The finder's borders: what is known of the cake before the photos' own edges are looked at.
    p : ndarray
        The cake that fits them.

    Returns
    -------
    ndarray
        Like `p`. What outlines tell only when looked at closely (waves, side profile, dome, edge) stays as in `p`.
    float
        How many edges agree.
    """
    settings = settings or StartsSettings()
    information = np.sum(list(joint.information_by_source(problem, p).values()), axis=0)
    found, agree = drawn(edge_list(inputs, problem, p, settings), information, problem.terms[0].crowd, settings)
    found[[joint.DOME, joint.EDGE]] = found[joint.WAVES] = found[joint.PROFILE] = 0.0
    return p + found, agree


def edge_list(inputs: Mapping[str, PhotoInput], problem: joint.Problem, p: Array, settings: StartsSettings) -> EdgeList:
    """All photos' edges along the outlines of the body and board that p describes."""
    cake = p[: joint.CAKE]
    views = joint.views_of(p, problem.sizes_px)
    bodies = body_contours(views, joint.body_of(cake), settings.body_points)
    seen = zip(inputs.values(), views, bodies, strict=True)
    parts = [_photo_edges(i, problem, k, p, view, body, settings) for k, (i, view, body) in enumerate(seen)]
    return EdgeList(*(np.concatenate([getattr(part, f.name) for part in parts]) for f in fields(EdgeList)))


def _photo_edges(
    i: PhotoInput, problem: joint.Problem, k: int, p: Array, view: View, body: Contour, settings: StartsSettings
) -> EdgeList:
    cake, block, term = p[: joint.CAKE], joint.photo_block(k), problem.terms[k]
    zoom = max(term.size_px) / 2016
    upper, lower = board_contours(view, joint.board_of(cake, problem.square), settings.board_points)
    outlines = [body, _some(upper, ~upper.foot), _some(lower, lower.foot)]
    offsets, logs = [], []
    for c, ends in zip(outlines, (icing_ends, board_ends, board_ends), strict=True):
        offset, strength = edges_along(i.photo.pixels, c, settings.reach_px, zoom, settings.edges, EdgeSettings())
        at = c.points_px[:, None] + offset[..., None] * c.normals[:, None]
        worth = ends(i.finding, at, c.normals[:, None], EdgeSettings())
        known = (strength > 0) & (worth > settings.least_worth)
        offsets.append(offset)
        logs.append(np.where(known, np.log(np.where(known, strength * worth, 1.0)), -np.inf))
    board = joint.joined([_points(outlines[1], False), _points(outlines[2], True)])
    probe = replace(problem, terms=[replace(term, body=_points(body, False), board=board)])
    (jacobian,) = joint.jacobians(probe, np.concatenate([cake, p[block]]))
    corners = 2 * term.card.corner_count
    rows = np.zeros((len(jacobian) - corners, len(p)))
    rows[:, : joint.CAKE], rows[:, block] = -jacobian[corners:, : joint.CAKE], -jacobian[corners:, joint.CAKE :]
    return EdgeList(np.concatenate(offsets), np.concatenate(logs), rows, np.full(len(rows), zoom))


def _some(contour: Contour, keep: NDArray[np.bool_]) -> Contour:
    return Contour(contour.points_px[keep], contour.normals[keep], contour.gradient_mm[keep], contour.foot[keep])


def _points(contour: Contour, lower: bool) -> joint.OutlinePoints:
    """A contour's own points as if they had been measured to a pixel."""
    n = len(contour.points_px)
    along = np.zeros(n) if contour.along_mm is None else contour.along_mm
    return joint.OutlinePoints(
        contour.points_px, contour.normals, contour.gradient_mm, along, contour.foot, np.full(n, lower), np.ones(n)
    )


def drawn(
    edges: EdgeList,
    information: Array,
    crowd: float,
    settings: StartsSettings,
    rng: np.random.Generator | None = None,
) -> tuple[Array, float]:
    """Change of the parameters (P,) that meets most edges, and how many it meets.

    Parameters
    ----------
    information : ndarray, shape (P, P)
        Inverse covariance of what is known beforehand; the change's prior has mean zero.
    crowd : float
        By how much neighbouring points err alike: their standard deviation is a pixel times this.
    """
    rng = rng or np.random.default_rng(0)
    spread = np.linalg.cholesky(np.linalg.inv(information))
    u, size, vt = np.linalg.svd(edges.jacobian @ spread, full_matrices=False)
    modes = min(settings.modes, len(size))
    moved, back = u[:, :modes] * size[:modes], spread @ vt[:modes].T  # outline by mode; parameters by mode
    amount = rng.normal(0.0, settings.spread, (settings.tried, modes))
    amount[0] = 0.0
    products = (moved[:, :, None] * moved[:, None, :]).reshape(len(moved), modes * modes)
    usual = np.eye(modes) / settings.spread**2
    best = edges.log_worth.max(1, keepdims=True)
    log = edges.log_worth - np.where(np.isfinite(best), best, 0.0)
    rows = np.arange(len(moved))
    for look in settings.looks_px:
        tau, at = look * edges.zoom, amount @ moved.T
        off = (edges.offset_px - at[..., None]) / tau[:, None]
        pick = (log - 0.5 * off**2).argmax(2)
        target = edges.offset_px[rows, pick]
        gap = (target - at) / (settings.lost * tau)
        weight = np.exp(log[rows, pick]) / (1 + gap**2) ** 2 / (edges.zoom * crowd) ** 2
        normal = (weight @ products).reshape(-1, modes, modes) + usual
        amount = np.linalg.solve(normal, ((weight * target) @ moved)[..., None])[..., 0]
    near = np.abs(edges.offset_px - (amount @ moved.T)[..., None]) < (settings.agrees_px * edges.zoom)[:, None]
    agree = (near * np.exp(log)).max(2).sum(1) - 0.5 * (amount**2).sum(1)
    return np.asarray(back @ amount[agree.argmax()], np.float64), float(agree.max())
