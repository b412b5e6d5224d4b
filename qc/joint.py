"""The joint least-squares problem: lenses, poses, fold angles, cake places and one body, over all photos of a check.

Parameters: first those of the cake (shared by all photos), then one block a photo. A residual of a photo depends on
the cake's block and its own, so the Jacobian is built block by block.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from qc.body import HARMONICS, PROFILE_KNOTS, Body
from qc.camera import Lens, View, rotation_of
from qc.card import THICKNESS_MM, CardView
from qc.contour import Board, graze
from qc.pose import CURL, FOLD, LENS, PARAMETERS, ROTATION, TRANSLATION, card_residuals

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
PHOTO_STEP = np.array(
    [1.0, 0.3, 0.3, 1e-3, 1e-3, *[1e-4] * 3, *[0.05] * 3, 1e-4, 0.02, 0.02, 0.02, 0.02, 1e-4, 0.05, 0.05]
)


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

    normal_px (M, 2) outwards; gradient_mm (M,) clearance per pixel; along_mm (M,) where the line of sight grazes the
    body (unused where `flat`); flat (M,): the line of sight ends on the board plane, or on a face of the board.
    """

    points_px: Array
    gradient_mm: Array
    along_mm: Array
    flat: NDArray[np.bool_]
    lower: NDArray[np.bool_]  # board only: its lower edge
    sigma_px: Array

    def __len__(self) -> int:
        return len(self.points_px)


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
    crowd: float  # by how much outline points' standard deviations were raised, since neighbours err alike


@dataclass
class Problem:
    """Photo terms and what is known of the cake beforehand."""

    terms: Sequence[PhotoTerm]
    cake_rows: Array  # (R, CAKE)
    cake_mean: Array  # (CAKE,)
    square: bool
    robust: float = 3.0  # Cauchy's constant, standard deviations
    free_cake: NDArray[np.bool_] = field(default_factory=lambda: np.ones(CAKE, bool))
    free_photo: NDArray[np.bool_] = field(default_factory=lambda: np.ones(PHOTO, bool))

    @property
    def free(self) -> NDArray[np.bool_]:
        """Which of all parameters may move."""
        return np.concatenate([self.free_cake, *[self.free_photo] * len(self.terms)])

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


_NUMERIC_BODY = np.arange(WAVES.start)  # radius, height, taper, lean, slope, dome, edge
_BOARD = np.array([BOARD_HALF, BOARD_X, BOARD_Y, BOARD_TURN])
CARD_PART, BODY_PART, BOARD_PART = 1, 2, 4
ALL_PARTS = CARD_PART | BODY_PART | BOARD_PART
# which residuals each parameter of a photo can change
PHOTO_PARTS = np.full(PHOTO, ALL_PARTS)
PHOTO_PARTS[FOLD : CURL + 1] = CARD_PART
PHOTO_PARTS[[PLACE_X, PLACE_Y, YAW]] = BODY_PART | BOARD_PART
PHOTO_PARTS[BODY_SHIFT], PHOTO_PARTS[BOARD_SHIFT] = BODY_PART, BOARD_PART


def photo_residuals(term: PhotoTerm, cake: Array, photo: Array, square: bool, parts: int = ALL_PARTS) -> Array:
    """Residuals of one photo in standard deviations: card corners, body and board outline; only `parts`."""
    view = cake_view(cake, photo, term.size_px)
    out = []
    if parts & CARD_PART:
        out.append(card_residuals(photo, term.card, term.print_scale))
    if parts & BODY_PART:
        d = _body_clearance(term.body, view, body_of(cake)) / term.body.gradient_mm
        out.append((d + photo[BODY_SHIFT]) / term.body.sigma_px)
    if parts & BOARD_PART:
        d = _board_clearance(term.board, view, board_of(cake, square)) / term.board.gradient_mm
        out.append((d + photo[BOARD_SHIFT]) / term.board.sigma_px)
    return np.concatenate(out)


def _rows_of(term: PhotoTerm, parts: int) -> slice:
    """Where the residuals of the given (adjoining) parts stand."""
    ends = np.cumsum([0, 2 * term.card.corner_count, len(term.body), len(term.board)])
    used = [k for k in range(3) if parts & (1 << k)]
    return slice(int(ends[used[0]]), int(ends[used[-1] + 1]))


def _body_places(points: OutlinePoints, view: View) -> Array:
    """Where the points' lines of sight graze the body or reach the board (M, 3)."""
    eye, rays = view.eye_mm, view.rays(points.points_px)
    along = np.where(points.flat, -eye[2] / rays[:, 2], points.along_mm)
    return eye + along[:, None] * rays


def _body_clearance(points: OutlinePoints, view: View, body: Body) -> Array:
    return body.distance_mm(_body_places(points, view))


def _board_places(points: OutlinePoints, view: View, board: Board) -> tuple[Array, Array]:
    """Where the points' lines of sight meet the face of the board that they belong to: x (M,) and y (M,)."""
    eye, rays = view.eye_mm, view.rays(points.points_px)
    z = np.where(points.lower, -board.thickness_mm, 0.0)
    at = eye + ((z - eye[2]) / rays[:, 2])[:, None] * rays
    return at[:, 0], at[:, 1]


def _board_clearance(points: OutlinePoints, view: View, board: Board) -> Array:
    return board.distance_mm(*_board_places(points, view, board))


def photo_jacobian(problem: Problem, k: int, cake: Array, photo: Array, at: Array) -> tuple[Array, Array]:
    """Jacobians (N, CAKE) and (N, PHOTO) of photo k about residuals `at`; fixed columns are zero.

    Waves and profile enter the clearance through the side's radius alone, so their columns are exact; the others are
    forward differences.
    """
    term = problem.terms[k]
    by_photo = np.zeros((len(at), PHOTO))
    for j in np.nonzero(problem.free_photo)[0]:
        moved, rows = photo.copy(), _rows_of(term, PHOTO_PARTS[j])
        moved[j] += PHOTO_STEP[j]
        by_photo[rows, j] = photo_residuals(term, cake, moved, problem.square, PHOTO_PARTS[j]) - at[rows]
    return _cake_jacobian(problem, term, cake, photo, at), by_photo / PHOTO_STEP


def _cake_jacobian(problem: Problem, term: PhotoTerm, cake: Array, photo: Array, at: Array) -> Array:
    """Jacobian (N, CAKE): lines of sight stay where they are in the cake frame, but for the board's thickness."""
    out, free = np.zeros((len(at), CAKE)), problem.free_cake
    view = cake_view(cake, photo, term.size_px)
    body, rows = body_of(cake), _rows_of(term, BODY_PART)
    places = _body_places(term.body, view)
    clearance, scale = body.distance_mm(places), 1 / (term.body.gradient_mm * term.body.sigma_px)
    for j in _NUMERIC_BODY[free[_NUMERIC_BODY]]:
        moved = cake.copy()
        moved[j] += CAKE_STEP[j]
        out[rows, j] = (body_of(moved).distance_mm(places) - clearance) / CAKE_STEP[j] * scale
    if free[WAVES].any() or free[PROFILE].any():
        waves, profile = body.side_derivatives(places)
        out[rows, WAVES] = waves * scale[:, None] * free[WAVES]
        out[rows, PROFILE] = profile * scale[:, None] * free[PROFILE]
    rows, board = _rows_of(term, BOARD_PART), board_of(cake, problem.square)
    x, y = _board_places(term.board, view, board)
    clearance, scale = board.distance_mm(x, y), 1 / (term.board.gradient_mm * term.board.sigma_px)
    for j in _BOARD[free[_BOARD]]:
        moved = cake.copy()
        moved[j] += CAKE_STEP[j]
        out[rows, j] = (board_of(moved, problem.square).distance_mm(x, y) - clearance) / CAKE_STEP[j] * scale
    if free[BOARD_T]:
        moved, rows = cake.copy(), _rows_of(term, BODY_PART | BOARD_PART)
        moved[BOARD_T] += CAKE_STEP[BOARD_T]
        both = photo_residuals(term, moved, photo, problem.square, BODY_PART | BOARD_PART)
        out[rows, BOARD_T] = (both - at[rows]) / CAKE_STEP[BOARD_T]
    return out


@dataclass(frozen=True)
class Solution:
    """Where a fit ended.

    information (P, P): inverse covariance of all parameters, robust weights included.
    """

    parameters: Array
    information: Array
    cost: float
    converged: bool
    residuals: tuple[Array, ...]  # per photo, in standard deviations


def solve(problem: Problem, start: Array, steps: int) -> Solution:
    """Levenberg-Marquardt with Cauchy weights on the photos' residuals and plain Gaussian priors."""
    p, damping = start.copy(), 1e-3
    cost, residuals = _cost(problem, p)
    converged, free = False, problem.free
    information = np.eye(problem.size)
    for _ in range(steps):
        information, gradient = _normal_equations(problem, p, residuals)
        inner = information[np.ix_(free, free)]
        for _ in range(6):
            step = np.zeros(problem.size)
            step[free] = np.linalg.solve(inner + damping * np.diag(np.diag(inner)), -gradient[free])
            new_cost, _ = _cost(problem, p + step)
            if new_cost <= cost:
                break
            damping *= 8
        else:
            converged = True
            break
        gain = cost - new_cost
        p, damping = p + step, max(damping / 6, 1e-9)
        problem = regraze(problem, p)
        cost, residuals = _cost(problem, p)
        if gain < 0.02:  # a fiftieth of a standard deviation squared: nothing left to gain
            converged = True
            break
    return Solution(p, information, cost, converged, residuals)


def regraze(problem: Problem, p: Array) -> Problem:
    """The same problem with the places where lines of sight graze the body looked up afresh."""
    body, terms = body_of(p[:CAKE]), []
    for k, term in enumerate(problem.terms):
        view = cake_view(p[:CAKE], p[problem.block(k)], term.size_px)
        g = graze(view.eye_mm, view.rays(term.body.points_px), body)
        terms.append(replace(term, body=replace(term.body, along_mm=g.along_mm, flat=g.foot)))
    return replace(problem, terms=terms)


def _cost(problem: Problem, p: Array) -> tuple[float, tuple[Array, ...]]:
    total = np.sum((problem.cake_rows @ (p[:CAKE] - problem.cake_mean)) ** 2)
    residuals = []
    for k, term in enumerate(problem.terms):
        photo = p[problem.block(k)]
        r = photo_residuals(term, p[:CAKE], photo, problem.square)
        c2 = problem.robust_scale(term) ** 2
        total += np.sum(c2 * np.log1p(r * r / c2)) + np.sum((term.prior_rows @ (photo - term.prior_mean)) ** 2)
        residuals.append(r)
    return float(total), tuple(residuals)


def _normal_equations(problem: Problem, p: Array, residuals: Sequence[Array]) -> tuple[Array, Array]:
    n = problem.size
    information, gradient = np.zeros((n, n)), np.zeros(n)
    rows, off = problem.cake_rows, problem.cake_rows @ (p[:CAKE] - problem.cake_mean)
    information[:CAKE, :CAKE] += rows.T @ rows
    gradient[:CAKE] += rows.T @ off
    for k, term in enumerate(problem.terms):
        b, r = problem.block(k), residuals[k]
        photo = p[b]
        jc, jp = photo_jacobian(problem, k, p[:CAKE], photo, r)
        w = 1 / (1 + (r / problem.robust_scale(term)) ** 2)
        information[:CAKE, :CAKE] += jc.T @ (jc * w[:, None])
        cross = jc.T @ (jp * w[:, None])
        information[:CAKE, b] += cross
        information[b, :CAKE] += cross.T
        information[b, b] += jp.T @ (jp * w[:, None]) + term.prior_rows.T @ term.prior_rows
        gradient[:CAKE] += jc.T @ (w * r)
        gradient[b] += jp.T @ (w * r) + term.prior_rows.T @ (term.prior_rows @ (photo - term.prior_mean))
    return information, gradient
