"""The joint least-squares problem: lenses, poses, fold angles, cake places and one body, over all photos of a check.

Parameters: first those of the cake (shared by all photos), then one block a photo. A residual of a photo depends on
the cake's block and its own, so the Jacobian is built block by block.
"""

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from qc.body import EDGE_HARMONICS, HARMONICS, PROFILE_KNOTS, Body
from qc.camera import Lens, View, rotation_of
from qc.card import THICKNESS_MM, CardView
from qc.contour import Board, graze
from qc.pose import (
    FOLD,
    LENS,
    PARAMETERS,
    ROTATION,
    TRANSLATION,
    card_jacobian,
    card_residuals,
    projection_jacobian,
)

Array = NDArray[np.float64]

# the cake's block
RADIUS, HEIGHT, TAPER, LEAN, SLOPE, DOME, EDGE = 0, 1, 2, slice(3, 5), slice(5, 7), 7, 8
WAVES = slice(9, 9 + 2 * len(HARMONICS))
PROFILE = slice(WAVES.stop, WAVES.stop + len(PROFILE_KNOTS))
BOARD_HALF, BOARD_X, BOARD_Y, BOARD_T, BOARD_TURN = range(PROFILE.stop, PROFILE.stop + 5)
EDGE_WAVES = slice(BOARD_TURN + 1, BOARD_TURN + 1 + 2 * len(EDGE_HARMONICS))
CAKE = EDGE_WAVES.stop
# a photo's block: the card's fourteen, then where the cake stands, and what its outlines have in common
PLACE_X, PLACE_Y, YAW, BODY_SHIFT, BOARD_SHIFT = range(PARAMETERS, PARAMETERS + 5)
PHOTO = PARAMETERS + 5

LEAST_EDGE_MM = 0.3  # no knife makes a sharper edge in cream

CAKE_STEP = np.full(CAKE, 0.02)
CAKE_STEP[SLOPE] = 2e-4
CAKE_STEP[BOARD_TURN] = 2e-4


def photo_block(k: int) -> slice:
    """Where photo k's parameters stand."""
    return slice(CAKE + PHOTO * k, CAKE + PHOTO * (k + 1))


def views_of(p: Array, sizes_px: Sequence[tuple[int, int]]) -> list[View]:
    """All photos' views of the cake."""
    return [cake_view(p[:CAKE], p[photo_block(k)], size) for k, size in enumerate(sizes_px)]


def body_of(cake: Array) -> Body:
    """Body of the cake's block."""
    waves = cake[WAVES].reshape(-1, 2)
    return Body(
        cake[RADIUS],
        cake[HEIGHT],
        cake[TAPER],
        cake[LEAN],
        cake[SLOPE],
        cake[DOME],
        max(cake[EDGE], LEAST_EDGE_MM),
        waves,
        cake[PROFILE],
        cake[EDGE_WAVES].reshape(-1, 2),
    )


def board_of(cake: Array, square: bool) -> Board:
    """Board of the cake's block."""
    return Board(cake[BOARD_HALF], cake[BOARD_X], cake[BOARD_Y], cake[BOARD_T], cake[BOARD_TURN], square)


def cake_view(cake: Array, photo: Array, size_px: tuple[int, int]) -> View:
    """A photo as seen from the cake frame: cake on its board, the board on the bench, the bench under the card."""
    card2cam = rotation_of(photo[ROTATION])
    c, s = np.cos(photo[YAW]), np.sin(photo[YAW])
    cake2card = np.array([[c, -s, 0], [s, c, 0], [0, 0, 1.0]])
    origin = np.array([photo[PLACE_X], photo[PLACE_Y], cake[BOARD_T] - THICKNESS_MM])
    return View(Lens(*photo[LENS]), card2cam @ cake2card, card2cam @ origin + photo[TRANSLATION], *size_px)


@dataclass(frozen=True)
class OutlinePoints:
    """Measured points of one kind of outline, ready for the fit.

    normals (M, 2) outwards in the picture; gradient_mm (M,) clearance per pixel; along_mm (M,) where the line of sight
    grazes the body (unused where `flat`); flat (M,): the line of sight ends on the board plane, or on a face of the
    board.
    """

    points_px: Array
    normals: Array
    gradient_mm: Array
    along_mm: Array
    flat: NDArray[np.bool_]
    lower: NDArray[np.bool_]  # board only: its lower edge
    sigma_px: Array

    def __len__(self) -> int:
        return len(self.points_px)


def joined(parts: Sequence[OutlinePoints]) -> OutlinePoints:
    """The points of all, in their order."""
    return OutlinePoints(*(np.concatenate([getattr(p, f.name) for p in parts]) for f in fields(OutlinePoints)))


@dataclass(frozen=True)
class PhotoTerm:
    """Everything one photo contributes."""

    name: str
    size_px: tuple[int, int]
    card: CardView
    print_scale: Array
    body: OutlinePoints
    board: OutlinePoints
    prior_rows: Array  # (R, PHOTO)
    prior_mean: Array  # (PHOTO,)
    fine: int  # how many of the body's points are edges of the photo itself; the others are the finder's border
    worth: Array  # (fine,) how sure the finder is that icing ends at the point
    crowd: float  # by how much outline points' standard deviations were raised, since neighbours err alike
    contour_px: Array | None = None  # the body's predicted outline, with which the next round begins


@dataclass
class Problem:
    """Photo terms and what is known of the cake beforehand."""

    terms: Sequence[PhotoTerm]
    cake_rows: Array  # (R, CAKE)
    cake_mean: Array  # (CAKE,)
    square: bool
    robust: float = 3.0  # Cauchy's constant, standard deviations

    @cached_property
    def body(self) -> OutlinePoints:
        """The body's points of all photos: one long list costs little more time than a photo's own."""
        return joined([t.body for t in self.terms])

    @cached_property
    def board(self) -> OutlinePoints:
        """The board's points of all photos."""
        return joined([t.board for t in self.terms])

    def robust_scale(self, term: PhotoTerm) -> Array:
        """Cauchy's constant of each residual: outline points are judged by their own scatter, not the crowd's."""
        scale = np.full(2 * term.card.corner_count + len(term.body) + len(term.board), self.robust)
        scale[2 * term.card.corner_count :] /= term.crowd
        return scale

    @property
    def sizes_px(self) -> list[tuple[int, int]]:
        """Width and height of all photos."""
        return [t.size_px for t in self.terms]

    @property
    def size(self) -> int:
        return CAKE + PHOTO * len(self.terms)


_BOARD = np.array([BOARD_HALF, BOARD_X, BOARD_Y, BOARD_TURN])


def residuals(problem: Problem, p: Array) -> list[Array]:
    """Residuals of each photo in standard deviations: card corners, body and board outline."""
    views = views_of(p, problem.sizes_px)
    eye, rays = _rays(views, [t.body for t in problem.terms])
    at = _body_places(problem.body, eye, rays)
    return _residuals(problem, p, views, body_of(p[:CAKE]).distance_mm(at))


def followed(problem: Problem, p: Array) -> tuple[Problem, list[Array]]:
    """The problem with the places where lines of sight graze the body looked up afresh, and its residuals."""
    views = views_of(p, problem.sizes_px)
    eye, rays = _rays(views, [t.body for t in problem.terms])
    g = graze(eye, rays, body_of(p[:CAKE]), problem.body.along_mm)
    along, flat = (_by_photo(v, [len(t.body) for t in problem.terms]) for v in (g.along_mm, g.foot))
    terms = [
        replace(t, body=replace(t.body, along_mm=a, flat=f)) for t, a, f in zip(problem.terms, along, flat, strict=True)
    ]
    return replace(problem, terms=terms), _residuals(problem, p, views, g.clearance_mm)


def _rays(views: Sequence[View], points: Sequence[OutlinePoints]) -> tuple[Array, Array]:
    """Lenses (M, 3) and directions (M, 3) of the lines of sight through all photos' points."""
    eye = np.repeat([v.eye_mm for v in views], [len(x) for x in points], axis=0)
    return eye, np.concatenate([v.rays(x.points_px) for v, x in zip(views, points, strict=True)])


def _by_photo(values: NDArray[Any], counts: Sequence[int]) -> list[NDArray[Any]]:
    """What belongs to each photo's points."""
    ends = np.cumsum(counts)
    return [values[end - n : end] for end, n in zip(ends, counts, strict=True)]


def _residuals(problem: Problem, p: Array, views: Sequence[View], clearance_mm: Array) -> list[Array]:
    """`residuals` from the lines of sight's clearance (M,) past the body."""
    edge, terms = board_of(p[:CAKE], problem.square), problem.terms
    at, inside = _board_places(problem.board, *_rays(views, [t.board for t in terms]), edge)
    body = clearance_mm / problem.body.gradient_mm
    board = (edge.distance_mm(at[:, 0], at[:, 1]) + inside) / problem.board.gradient_mm
    out = []
    parts = zip(
        terms,
        _by_photo(body, [len(t.body) for t in terms]),
        _by_photo(board, [len(t.board) for t in terms]),
        strict=True,
    )
    for k, (term, on_body, on_board) in enumerate(parts):
        photo = p[photo_block(k)]
        out.append(
            np.concatenate(
                [
                    card_residuals(photo, term.card, term.print_scale),
                    (on_body + photo[BODY_SHIFT]) / term.body.sigma_px,
                    (on_board + photo[BOARD_SHIFT]) / term.board.sigma_px,
                ]
            )
        )
    return out


def _body_places(points: OutlinePoints, eye_mm: Array, rays: Array) -> Array:
    """Where lines of sight (M, 3) from lenses (M, 3) graze the body or reach the board (M, 3)."""
    along = np.where(points.flat, -eye_mm[:, 2] / rays[:, 2], points.along_mm)
    return eye_mm + along[:, None] * rays


def _board_places(points: OutlinePoints, eye_mm: Array, rays: Array, board: Board) -> tuple[Array, Array]:
    """Where lines of sight pass the rounded edge that their points belong to (M, 3), and how far inside it (M,)."""
    face = np.where(points.lower, -board.thickness_mm, 0.0)
    at = eye_mm + ((face - eye_mm[:, 2]) / rays[:, 2])[:, None] * rays
    inside, off_face = board.outline(eye_mm, at[:, :2], board.outward(at[:, 0], at[:, 1]))
    z = np.where(points.lower, face + off_face, face - off_face)
    return eye_mm + ((z - eye_mm[:, 2]) / rays[:, 2])[:, None] * rays, inside


def jacobians(problem: Problem, p: Array) -> list[Array]:
    """Jacobian (N, CAKE + PHOTO) of each photo's residuals by the cake and by the photo itself.

    A line of sight that grazes the body stays nearest at the same place to first order, so what a pose or lens changes
    is how far that place's picture moves along the outline's normal.
    """
    cake, terms, views = p[:CAKE], problem.terms, views_of(p, problem.sizes_px)
    edge = board_of(cake, problem.square)
    body_at = _body_places(problem.body, *_rays(views, [t.body for t in terms]))
    board_at, _ = _board_places(problem.board, *_rays(views, [t.board for t in terms]), edge)
    body = _Places(body_at, *_moved_by_cake(problem.body, body_at, cake)).by_photo([len(t.body) for t in terms])
    board = _Places(board_at, *_board_jacobian(problem.board, board_at, cake, problem.square))
    parts = zip(terms, body, board.by_photo([len(t.board) for t in terms]), strict=True)
    return [_photo_jacobian(t, cake, p[photo_block(k)], *own) for k, (t, *own) in enumerate(parts)]


@dataclass(frozen=True)
class _Places:
    """Where lines of sight pass body or board (M, 3), and what the cake's block (M, CAKE) and turn (M,) do there."""

    at_mm: Array
    by_cake: Array
    by_turn: Array

    def by_photo(self, counts: Sequence[int]) -> "list[_Places]":
        """The places of each photo."""
        return [
            _Places(*own) for own in zip(*(_by_photo(getattr(self, f.name), counts) for f in fields(self)), strict=True)
        ]


def _photo_jacobian(term: PhotoTerm, cake: Array, photo: Array, body: _Places, board: _Places) -> Array:
    """One photo's part of `jacobians`."""
    corners, n = 2 * term.card.corner_count, len(term.body)
    out = np.zeros((corners + n + len(term.board), CAKE + PHOTO))
    by_cake, by_photo = out[:, :CAKE], out[:, CAKE:]
    by_photo[:corners, :PARAMETERS] = card_jacobian(photo[:PARAMETERS], term.card, term.print_scale)
    by_photo[corners:], by_height = _moved_by_photo(
        np.concatenate([term.body.normals, term.board.normals]),
        np.concatenate([term.body.sigma_px, term.board.sigma_px]),
        np.concatenate([body.at_mm, board.at_mm]),
        cake,
        photo,
    )
    on_body, on_board = slice(corners, corners + n), slice(corners + n, len(out))
    by_cake[on_body], by_cake[on_board] = body.by_cake, board.by_cake
    by_cake[corners:, BOARD_T] = by_height
    by_cake[on_board, BOARD_T][term.board.lower] = 0.0  # that edge lies on the bench, however thick the board
    by_photo[on_body, YAW], by_photo[on_board, YAW] = body.by_turn, board.by_turn
    by_photo[on_body, BODY_SHIFT] = 1 / term.body.sigma_px
    by_photo[on_board, BOARD_SHIFT] = 1 / term.board.sigma_px
    return out


def _moved_by_photo(normals: Array, sigma_px: Array, at_mm: Array, cake: Array, photo: Array) -> tuple[Array, Array]:
    """Derivatives of outline residuals at places (M, 3) by the photo (M, PHOTO; no turn, no shifts), by height (M,)."""
    out = np.zeros((len(at_mm), PHOTO))
    if len(at_mm) == 0:
        return out, np.zeros(0)
    c, s = np.cos(photo[YAW]), np.sin(photo[YAW])
    turn = np.array([[c, -s, 0], [s, c, 0], [0, 0, 1.0]])
    origin = np.array([photo[PLACE_X], photo[PLACE_Y], cake[BOARD_T] - THICKNESS_MM])
    by_pose, by_place = projection_jacobian(photo[:PARAMETERS], at_mm @ turn.T + origin)
    along = -normals / sigma_px[:, None]
    out[:, : TRANSLATION.stop] = np.einsum("ni,nij->nj", along, by_pose)
    by_xyz = np.einsum("ni,nij->nj", along, by_place)
    out[:, [PLACE_X, PLACE_Y]] = by_xyz[:, :2]
    return out, by_xyz[:, 2]


def _moved_by_cake(points: OutlinePoints, at_mm: Array, cake: Array) -> tuple[Array, Array]:
    """Derivatives of the body's outline residuals by its shape (M, CAKE) and turn (M,), lines of sight fixed."""
    out = np.zeros((len(points), CAKE))
    d = body_of(cake).derivatives(at_mm)
    out[:, RADIUS], out[:, HEIGHT], out[:, TAPER], out[:, LEAN] = d.radius, d.height, d.taper, d.lean
    out[:, SLOPE], out[:, DOME], out[:, WAVES], out[:, PROFILE] = d.slope, d.dome, d.waves, d.profile
    out[:, EDGE], out[:, EDGE_WAVES] = d.edge, d.edge_waves
    size = points.gradient_mm * points.sigma_px
    return out / size[:, None], d.turn / size


def _board_jacobian(points: OutlinePoints, at_mm: Array, cake: Array, square: bool) -> tuple[Array, Array]:
    """Derivatives of the board's outline residuals by size and place (M, CAKE; forward differences), by turn."""
    x, y = at_mm[:, 0], at_mm[:, 1]
    out, edge = np.zeros((len(points), CAKE)), board_of(cake, square)
    clearance, outward = edge.distance_mm(x, y), edge.outward(x, y)
    for j in _BOARD:
        moved = cake.copy()
        moved[j] += CAKE_STEP[j]
        out[:, j] = (board_of(moved, square).distance_mm(x, y) - clearance) / CAKE_STEP[j]
    size = points.gradient_mm * points.sigma_px
    return out / size[:, None], (outward[:, 0] * y - outward[:, 1] * x) / size


SOURCES = (
    "card corners",
    "focal length and distortion",
    "how the card is folded",
    "outline, point by point",
    "outline, in common",
    "where the person stands",
    "what cakes are like",
)
ON_TOP = "decorations and marks on the top"  # what tells of the top beside the outlines
OUTLINE = ("outline, point by point", "outline, in common")  # of these, what the outlines' edges leave open


def information_by_source(problem: Problem, p: Array) -> dict[str, Array]:
    """Where what is known of the parameters comes from: parts (P, P) of the inverse covariance, by source.

    With C the covariance, C I C of a part I is that source's share of C: the shares sum to C (JCGM 100, 5.2.2, for
    inputs that the fit weighs by their own variance).
    """
    out = {s: np.zeros((problem.size, problem.size)) for s in SOURCES}
    out["what cakes are like"][:CAKE, :CAKE] = problem.cake_rows.T @ problem.cake_rows
    photos = zip(problem.terms, jacobians(problem, p), residuals(problem, p), strict=True)
    for k, (term, both, r) in enumerate(photos):
        b = photo_block(k)
        both = both * np.sqrt(1 / (1 + (r / problem.robust_scale(term)) ** 2))[:, None]
        at = np.r_[np.arange(CAKE), np.arange(b.start, b.stop)]
        corners = 2 * term.card.corner_count
        for source, rows in (("card corners", both[:corners]), ("outline, point by point", both[corners:])):
            out[source][np.ix_(at, at)] += rows.T @ rows
        for source, rows in _prior_sources(term):
            out[source][b, b] += rows.T @ rows
    return out


def _prior_sources(term: PhotoTerm) -> list[tuple[str, Array]]:
    """The prior rows of a photo by what they are about."""
    about = {
        "focal length and distortion": range(LENS.start, LENS.stop),
        "how the card is folded": range(FOLD, PARAMETERS),
        "where the person stands": (YAW,),
        "outline, in common": (BODY_SHIFT, BOARD_SHIFT),
    }
    return [(s, term.prior_rows[np.abs(term.prior_rows[:, list(c)]).sum(1) > 0]) for s, c in about.items()]
