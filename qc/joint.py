"""The joint least-squares problem: lenses, poses, fold angles, cake places and one body, over all photos of a check.

Parameters: first those of the cake (shared by all photos), then one block a photo. A residual of a photo depends on
the cake's block and its own, so the Jacobian is built block by block.
"""

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace

import numpy as np
from numpy.typing import NDArray

from qc.body import HARMONICS, PROFILE_KNOTS, Body
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
CAKE = BOARD_TURN + 1
# a photo's block: the card's fourteen, then where the cake stands, and what its outlines have in common
PLACE_X, PLACE_Y, YAW, BODY_SHIFT, BOARD_SHIFT = range(PARAMETERS, PARAMETERS + 5)
PHOTO = PARAMETERS + 5

LEAST_EDGE_MM = 0.3  # no knife makes a sharper edge in cream

CAKE_STEP = np.full(CAKE, 0.02)
CAKE_STEP[SLOPE] = 2e-4
CAKE_STEP[BOARD_TURN] = 2e-4


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


def joined(a: OutlinePoints, b: OutlinePoints) -> OutlinePoints:
    """The points of both, a's first."""
    return OutlinePoints(*(np.concatenate([getattr(a, f.name), getattr(b, f.name)]) for f in fields(OutlinePoints)))


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

    def robust_scale(self, term: PhotoTerm) -> Array:
        """Cauchy's constant of each residual: outline points are judged by their own scatter, not the crowd's."""
        scale = np.full(2 * term.card.corner_count + len(term.body) + len(term.board), self.robust)
        scale[2 * term.card.corner_count :] /= term.crowd
        return scale

    @property
    def size(self) -> int:
        return CAKE + PHOTO * len(self.terms)

    def block(self, k: int) -> slice:
        """The parameters of photo k."""
        return slice(CAKE + PHOTO * k, CAKE + PHOTO * (k + 1))


_BOARD = np.array([BOARD_HALF, BOARD_X, BOARD_Y, BOARD_TURN])


def photo_residuals(term: PhotoTerm, cake: Array, photo: Array, square: bool) -> Array:
    """Residuals of one photo in standard deviations: card corners, body and board outline."""
    view = cake_view(cake, photo, term.size_px)
    clearance = body_of(cake).distance_mm(_body_places(term.body, view))
    return _residuals(term, view, clearance, cake, photo, square)


def followed(term: PhotoTerm, cake: Array, photo: Array, square: bool) -> tuple[PhotoTerm, Array]:
    """The term with the places where lines of sight graze the body looked up afresh, and its residuals."""
    view = cake_view(cake, photo, term.size_px)
    g = graze(view.eye_mm, view.rays(term.body.points_px), body_of(cake), term.body.along_mm)
    moved = replace(term, body=replace(term.body, along_mm=g.along_mm, flat=g.foot))
    return moved, _residuals(moved, view, g.clearance_mm, cake, photo, square)


def _residuals(term: PhotoTerm, view: View, clearance_mm: Array, cake: Array, photo: Array, square: bool) -> Array:
    """photo_residuals from the lines of sight's clearance (M,) past the body."""
    body = clearance_mm / term.body.gradient_mm
    edge = board_of(cake, square)
    at, inside = _board_places(term.board, view, edge)
    board = (edge.distance_mm(at[:, 0], at[:, 1]) + inside) / term.board.gradient_mm
    return np.concatenate(
        [
            card_residuals(photo, term.card, term.print_scale),
            (body + photo[BODY_SHIFT]) / term.body.sigma_px,
            (board + photo[BOARD_SHIFT]) / term.board.sigma_px,
        ]
    )


def _body_places(points: OutlinePoints, view: View) -> Array:
    """Where the points' lines of sight graze the body or reach the board (M, 3)."""
    eye, rays = view.eye_mm, view.rays(points.points_px)
    along = np.where(points.flat, -eye[2] / rays[:, 2], points.along_mm)
    return eye + along[:, None] * rays


def _board_places(points: OutlinePoints, view: View, board: Board) -> tuple[Array, Array]:
    """Where the points' lines of sight pass the rounded edge that they belong to (M, 3), and how far inside it (M,)."""
    eye, rays = view.eye_mm, view.rays(points.points_px)
    face = np.where(points.lower, -board.thickness_mm, 0.0)
    at = eye + ((face - eye[2]) / rays[:, 2])[:, None] * rays
    inside, off_face = board.outline(eye, at[:, :2], board.outward(at[:, 0], at[:, 1]))
    z = np.where(points.lower, face + off_face, face - off_face)
    return eye + ((z - eye[2]) / rays[:, 2])[:, None] * rays, inside


def photo_jacobian(
    problem: Problem, k: int, cake: Array, photo: Array, term: PhotoTerm | None = None
) -> tuple[Array, Array]:
    """Jacobians (N, CAKE) and (N, PHOTO) of photo k's residuals, or of those of another term about it.

    A line of sight that grazes the body stays nearest at the same place to first order, so what a pose or lens changes
    is how far that place's picture moves along the outline's normal.
    """
    term = term or problem.terms[k]
    view = cake_view(cake, photo, term.size_px)
    corners, n = 2 * term.card.corner_count, len(term.body)
    by_cake, by_photo = (
        np.zeros((corners + n + len(term.board), CAKE)),
        np.zeros((corners + n + len(term.board), PHOTO)),
    )
    by_photo[:corners, :PARAMETERS] = card_jacobian(photo[:PARAMETERS], term.card, term.print_scale)
    body, board = slice(corners, corners + n), slice(corners + n, len(by_photo))
    at = _body_places(term.body, view)
    by_photo[body] = _moved_by_photo(term.body, at, cake, photo)
    by_photo[body, BODY_SHIFT] = 1 / term.body.sigma_px
    by_cake[body], by_photo[body, YAW] = _moved_by_cake(term.body, at, cake)
    by_cake[body, BOARD_T] = by_photo[body, _UP]
    edge = board_of(cake, problem.square)
    at, _ = _board_places(term.board, view, edge)
    by_photo[board] = _moved_by_photo(term.board, at, cake, photo)
    outward, size = edge.outward(at[:, 0], at[:, 1]), term.board.gradient_mm * term.board.sigma_px
    by_photo[board, YAW] = (outward[:, 0] * at[:, 1] - outward[:, 1] * at[:, 0]) / size
    by_photo[board, BOARD_SHIFT] = 1 / term.board.sigma_px
    by_cake[board, BOARD_T] = np.where(term.board.lower, 0.0, by_photo[board, _UP])
    by_photo[corners:, _UP] = 0.0
    by_cake[board] += _board_jacobian(term.board, at[:, 0], at[:, 1], cake, problem.square)
    return by_cake, by_photo


_UP = FOLD  # an outline does not depend on the fold: its column carries "by the board's thickness" until it is used


def _moved_by_photo(points: OutlinePoints, at_mm: Array, cake: Array, photo: Array) -> Array:
    """Derivatives (M, PHOTO) of outline residuals seen at places (M, 3), shifts left out; column _UP: by height."""
    out = np.zeros((len(points), PHOTO))
    if len(points) == 0:
        return out
    c, s = np.cos(photo[YAW]), np.sin(photo[YAW])
    turn = np.array([[c, -s, 0], [s, c, 0], [0, 0, 1.0]])
    origin = np.array([photo[PLACE_X], photo[PLACE_Y], cake[BOARD_T] - THICKNESS_MM])
    by_pose, by_place = projection_jacobian(photo[:PARAMETERS], at_mm @ turn.T + origin)
    along = -points.normals / points.sigma_px[:, None]
    out[:, : TRANSLATION.stop] = np.einsum("ni,nij->nj", along, by_pose)
    by_xyz = np.einsum("ni,nij->nj", along, by_place)
    out[:, [PLACE_X, PLACE_Y, _UP]] = by_xyz
    return out


def _moved_by_cake(points: OutlinePoints, at_mm: Array, cake: Array) -> tuple[Array, Array]:
    """Derivatives of the body's outline residuals by its shape (M, CAKE) and turn (M,), lines of sight fixed."""
    out = np.zeros((len(points), CAKE))
    d = body_of(cake).derivatives(at_mm)
    out[:, RADIUS], out[:, HEIGHT], out[:, TAPER], out[:, LEAN] = d.radius, d.height, d.taper, d.lean
    out[:, SLOPE], out[:, DOME], out[:, WAVES], out[:, PROFILE] = d.slope, d.dome, d.waves, d.profile
    out[:, EDGE] = d.edge
    size = points.gradient_mm * points.sigma_px
    return out / size[:, None], d.turn / size


def _board_jacobian(points: OutlinePoints, x: Array, y: Array, cake: Array, square: bool) -> Array:
    """Derivatives (M, CAKE) of the board's outline residuals by its size, place and turn (forward differences)."""
    out = np.zeros((len(points), CAKE))
    clearance = board_of(cake, square).distance_mm(x, y)
    for j in _BOARD:
        moved = cake.copy()
        moved[j] += CAKE_STEP[j]
        out[:, j] = (board_of(moved, square).distance_mm(x, y) - clearance) / CAKE_STEP[j]
    return np.asarray(out / (points.gradient_mm * points.sigma_px)[:, None], np.float64)


SOURCES = (
    "card corners",
    "focal length and distortion",
    "how the card is folded",
    "outline, point by point",
    "outline, in common",
    "where the person stands",
    "what cakes are like",
)


def information_by_source(problem: Problem, p: Array) -> dict[str, Array]:
    """Where what is known of the parameters comes from: parts (P, P) of the inverse covariance, by source.

    With C the covariance, C I C of a part I is that source's share of C: the shares sum to C (JCGM 100, 5.2.2, for
    inputs that the fit weighs by their own variance).
    """
    out = {s: np.zeros((problem.size, problem.size)) for s in SOURCES}
    out["what cakes are like"][:CAKE, :CAKE] = problem.cake_rows.T @ problem.cake_rows
    for k, term in enumerate(problem.terms):
        photo, b = p[problem.block(k)], problem.block(k)
        both = np.concatenate(photo_jacobian(problem, k, p[:CAKE], photo), axis=1)
        r = photo_residuals(term, p[:CAKE], photo, problem.square)
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
