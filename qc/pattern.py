"""How even a pattern of pieces is: circles through their middles, gaps, what is missing, and what to move where.

Angles run counter-clockwise from +X in radians inside this module; places are millimetres in the cake frame.
"""

from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import linear_sum_assignment

from qc.errors import FitError

Array = NDArray[np.float64]
TAU = 2 * np.pi
DOUBLED = 0.4  # share of the pitch under which two pieces stand on one place


@dataclass(frozen=True)
class CircleFit:
    """Geometric least-squares circle."""

    x_mm: float
    y_mm: float
    radius_mm: float
    residuals_mm: Array  # (N,) distance from the centre minus the radius
    covariance: Array  # (3, 3) of x, y, radius for unit variance of each point's radial error
    converged: bool


@dataclass(frozen=True)
class Direction:
    """Mean of angles (Mardia & Jupp 2000, eqs 2.2.2-2.3.11)."""

    mean_rad: float
    resultant: float  # length R-bar, 0 (spread all round) .. 1 (all alike)

    @property
    def variance(self) -> float:
        """Circular variance 1 - R-bar (eq. 2.3.3)."""
        return 1 - self.resultant

    @property
    def sd_rad(self) -> float:
        """Circular standard deviation sqrt(-2 ln R-bar) (eq. 2.3.9)."""
        return float(np.sqrt(-2 * np.log(self.resultant))) if self.resultant > 0 else float("inf")


@dataclass(frozen=True)
class Evenness:
    """Rayleigh test on `places` x angle: are the pieces on an even pattern beyond chance?"""

    places: int
    resultant: float  # of places x angle: 1 for a perfect pattern
    p_value: float  # chance of such a resultant from pieces put anywhere
    even_beyond_chance: bool  # p below 0.05


@dataclass(frozen=True)
class Ring:
    """One ring of pieces.

    Attributes
    ----------
    members : (N,) indices of its pieces, in order of increasing angle
    places : number of places on the ring, pieces and missing ones together
    gaps_deg : (N,) from each member to the next, seen from the ring's own centre
    gap_places : (N,) how many places each gap spans (1: neighbours, 2: one missing, 0: doubled)
    missing_rad : angles, seen from the ring's centre, of the missing places
    """

    circle: CircleFit
    members: NDArray[np.int64]
    places: int
    gaps_deg: Array
    gap_places: NDArray[np.int64]
    spacing_error_deg: float
    scatter_mm: float
    missing_rad: tuple[float, ...]

    @property
    def missing(self) -> int:
        """Places without a piece."""
        return int(np.maximum(self.gap_places - 1, 0).sum())

    @property
    def missing_mm(self) -> Array:
        """Middles (M, 2) of the places without a piece."""
        c = self.circle
        return np.array([c.x_mm, c.y_mm]) + c.radius_mm * _unit(np.array(self.missing_rad))

    @property
    def doubled(self) -> int:
        """Pieces that stand on a place which another one has."""
        return int((self.gap_places == 0).sum())

    @property
    def singles(self) -> NDArray[np.int64]:
        """Members without the second ones of doubled places."""
        return self.members[np.roll(self.gap_places, 1) != 0]


@dataclass(frozen=True)
class Ideal:
    """The even pattern nearest to the pieces: turned and shifted, never mirrored or rescaled."""

    places_mm: Array  # (n, 2) every place of the ideal pattern
    assigned: NDArray[np.int64]  # (N,) the place of each piece
    moves_mm: Array  # (N, 2) what would put each piece right
    turn_rad: float
    rms_mm: float


def fit_circle(points_mm: ArrayLike, weights: ArrayLike | None = None) -> CircleFit:
    """Geometric least-squares circle by Gauss-Newton.

    Parameters
    ----------
    points_mm : array_like, shape (N, 2), N >= 3
    weights : array_like, shape (N,), optional

    Raises
    ------
    FitError
        Fewer than three points, or all on a line.

    Notes
    -----
    Gander, Golub, Strebel (1994), "Least-squares fitting of circles and ellipses", BIT 34, section 3: minimises the
    sum of squared distances to the circle, started from the algebraic fit of section 2.
    """
    p = np.asarray(points_mm, float)
    if p.ndim != 2 or p.shape[1] != 2 or len(p) < 3 or not np.isfinite(p).all():
        raise FitError(f"A circle needs at least three places (x, y); found an array of shape {p.shape}.")
    w = np.ones(len(p)) if weights is None else np.asarray(weights, float)
    middle = p.mean(0)
    size = max(float(np.abs(p - middle).max()), 1e-12)
    q = (p - middle) / size
    if np.linalg.svd(q, compute_uv=False)[1] < 1e-6:
        raise FitError("The pieces lie on one straight line, so no ring goes through them.")
    sw = np.sqrt(w)[:, None]
    start = np.linalg.lstsq(np.c_[q, np.ones(len(q))] * sw, (q**2).sum(1) * sw[:, 0], rcond=None)[0]
    z = np.array([start[0] / 2, start[1] / 2, np.sqrt(max(start[2] + (start[:2] ** 2).sum() / 4, 1e-12))])
    damping, converged = 1e-3, False
    cost = float((w * (np.hypot(*(q - z[:2]).T) - z[2]) ** 2).sum())
    for _ in range(200):
        away = q - z[:2]
        d = np.maximum(np.hypot(*away.T), 1e-12)
        jac = np.c_[away / d[:, None], np.ones(len(q))]  # minus the derivative of d - r
        normal = jac.T @ (w[:, None] * jac)
        step = np.linalg.solve(normal + damping * np.diag(np.diag(normal)), jac.T @ (w * (d - z[2])))
        new = z + step
        new_cost = float((w * (np.hypot(*(q - new[:2]).T) - new[2]) ** 2).sum())
        if new_cost <= cost:
            z, cost, damping = new, new_cost, damping / 5
            if np.abs(step).max() < 1e-12 * max(1.0, z[2]):
                converged = True
                break
        else:
            damping *= 4
            if damping > 1e12:
                converged = np.abs(step).max() < 1e-9
                break
    residuals = (np.hypot(*(q - z[:2]).T) - z[2]) * size
    covariance = np.linalg.pinv(normal)
    centre = middle + z[:2] * size
    return CircleFit(float(centre[0]), float(centre[1]), float(z[2] * size), residuals, covariance, bool(converged))


def robust_circle(
    points_mm: ArrayLike, tolerance_mm: float, within_mm: float | None = None
) -> tuple[CircleFit, NDArray[np.bool_]] | None:
    """Circle through most of the points, and which of them (N,) lie within the tolerance of it.

    Every circle through three points is tried, the one with most points near it is kept, and the geometric fit
    through these is the answer. None when no circle goes through three points, or none has its centre within
    `within_mm` of the origin.
    """
    p = np.asarray(points_mm, float)
    triples = np.array(list(combinations(range(len(p)), 3)))
    if len(triples) == 0:
        return None
    centre, radius, good = _through(p[triples[:, 0]], p[triples[:, 1]], p[triples[:, 2]])
    if within_mm is not None:
        good &= np.hypot(*centre.T) <= within_mm
    if not good.any():
        return None
    centre, radius = centre[good], radius[good]
    off = np.abs(np.hypot(*(p[None] - centre[:, None]).transpose(2, 0, 1)) - radius[:, None])
    near = off <= tolerance_mm
    score = near.sum(1) - 0.5 * np.where(near, off**2, 0).sum(1) / near.sum(1) / tolerance_mm**2
    best = near[score.argmax()]
    return fit_circle(p[best]), best


def _through(a: Array, b: Array, c: Array) -> tuple[Array, Array, NDArray[np.bool_]]:
    """Centres (T, 2) and radii (T,) of the circles through three points each, and which are circles (T,)."""
    m = 2 * np.stack([b - a, c - a], 1)
    det = m[:, 0, 0] * m[:, 1, 1] - m[:, 0, 1] * m[:, 1, 0]
    good = np.abs(det) > 1e-9
    det = np.where(good, det, 1.0)
    u, v = (b**2 - a**2).sum(1), (c**2 - a**2).sum(1)
    centre = np.stack([u * m[:, 1, 1] - v * m[:, 0, 1], m[:, 0, 0] * v - m[:, 1, 0] * u], -1) / det[:, None]
    return centre, np.hypot(*(centre - a).T), good


def mean_direction(theta_rad: ArrayLike) -> Direction:
    """Mean direction and resultant length of angles (Mardia & Jupp 2000, eqs 2.2.2-2.2.4)."""
    v = np.exp(1j * np.asarray(theta_rad, float)).mean()
    return Direction(float(np.angle(v) % TAU), float(abs(v)))


def rayleigh(theta_rad: ArrayLike, places: int) -> Evenness:
    """Rayleigh test of uniformity on places x angle.

    Zar (2010), Biostatistical Analysis, eq. 27.4: p = exp(sqrt(1 + 4n + 4(n^2 - R^2)) - (1 + 2n)), R = n R-bar;
    good to three decimals from n = 10 on, and close below.
    """
    theta = np.asarray(theta_rad, float)
    n = len(theta)
    if n == 0:
        return Evenness(places, float("nan"), float("nan"), False)
    length = mean_direction(places * theta).resultant
    p = float(np.exp(np.sqrt(1 + 4 * n + 4 * (n**2 - (n * length) ** 2)) - (1 + 2 * n)))
    p = min(p, 1.0)
    return Evenness(places, length, p, p < 0.05)


def chord_mm(radius_mm: float, places: int) -> float:
    """Distance between neighbours on a ring: 2 r sin(180 degrees / n)."""
    return 2 * radius_mm * float(np.sin(np.pi / places))


def count_places(gaps_deg: ArrayLike, expected: int | None = None, room_deg: float = 0.0) -> NDArray[np.int64]:
    """How many places each gap of a ring spans.

    Parameters
    ----------
    gaps_deg : array_like, shape (N,)
        Gaps of neighbouring pieces in order, together 360.
    expected : int, optional
        Number of places by the house standard; preferred, but an even ring of another number is called that.
    room_deg : float
        The angle that one piece takes up: a wide gap in which no piece would fit is no missing one.

    Returns
    -------
    ndarray, shape (N,), int
        1 for neighbours, 2 where one is missing between, 0 for two pieces on one place; sums to the number of places.

    Notes
    -----
    A pattern of m places is scored by the squared distances of the gaps from multiples of 360/m in units of the
    unevenness that hands leave, with a price on every missing place: a gap must come out clearly as a multiple.
    """
    gaps = np.asarray(gaps_deg, float)
    n = len(gaps)
    if n < 3:
        return np.ones(n, np.int64)
    candidates = set(range(max(3, n - 2), n + max(2, n // 2) + 1)) | ({expected} if expected else set())
    best, best_cost = np.ones(n, np.int64), np.inf  # an even ring of n where no candidate fits
    for m in sorted(candidates):
        spans = _spans(gaps, m)
        if spans is None:
            continue
        pitch = 360 / m
        if ((spans > 1) & (gaps < pitch + 0.5 * room_deg)).any() and m != expected:
            continue
        off = (gaps - spans * pitch) / pitch
        cost = n * np.log(0.0004 + (off**2).mean()) + 3.0 * (np.maximum(spans - 1, 0).sum() + 2 * (spans == 0).sum())
        if m == expected:
            cost -= n  # the house standard's number, unless the gaps are e times as even on another
        if cost < best_cost:
            best, best_cost = spans, cost
    return best


def _spans(gaps: Array, m: int) -> NDArray[np.int64] | None:
    """Whole numbers of pitches (N,) that sum to m and lie nearest to the gaps; None where that cannot be.

    Only gaps well under half a pitch may count as none: two pieces on one place.
    """
    pitch = 360 / m
    spans = np.where(gaps < DOUBLED * pitch, 0, 1).astype(np.int64)
    if spans.sum() > m:
        return None
    while spans.sum() < m:
        gain = (gaps - spans * pitch) ** 2 - (gaps - (spans + 1) * pitch) ** 2
        gain[spans == 0] = -np.inf
        spans[gain.argmax()] += 1
    return spans


def analyse_ring(points_mm: ArrayLike, members: ArrayLike, expected: int | None = None, piece_mm: float = 0.0) -> Ring:
    """Circle, gaps and missing places of the pieces `members` of `points_mm` (N, 2).

    `spacing_error_deg` is the largest absolute difference of a gap from its multiple of 360/places.
    """
    p = np.asarray(points_mm, float)
    index = np.asarray(members, np.int64)
    circle = fit_circle(p[index])
    theta = np.arctan2(p[index, 1] - circle.y_mm, p[index, 0] - circle.x_mm) % TAU
    order = np.argsort(theta)
    index, theta = index[order], theta[order]
    gaps = np.degrees(np.diff(np.append(theta, theta[0] + TAU)))
    room = np.degrees(piece_mm / max(circle.radius_mm, 1e-9))
    spans = count_places(gaps, expected, room)
    places = int(spans.sum())
    missing = [
        float((t + np.radians(g) * k / s) % TAU)
        for t, g, s in zip(theta, gaps, spans, strict=True)
        for k in range(1, int(s))
    ]
    error = float(np.abs(gaps - spans * 360 / places).max())
    by_member = circle.residuals_mm[order]
    scatter = float(np.sqrt((by_member**2).mean()))
    ordered = CircleFit(circle.x_mm, circle.y_mm, circle.radius_mm, by_member, circle.covariance, circle.converged)
    return Ring(ordered, index, places, gaps, spans, error, scatter, tuple(missing))


def best_pattern(points_mm: ArrayLike, centre_mm: ArrayLike, radius_mm: float, places: int) -> Ideal:
    """Turn the even pattern of `places` on a given circle until the pieces need the least moving.

    The assignment of pieces to places is the cheapest in squared distance (`scipy.optimize.linear_sum_assignment`),
    the turn the least-squares one for it (a plane rotation without mirror or scale); both alternate from several
    starts until they agree.

    Raises
    ------
    FitError
        More pieces than places.
    """
    p, centre = np.asarray(points_mm, float), np.asarray(centre_mm, float)
    if len(p) > places:
        raise FitError(f"There are {len(p)} pieces on the ring but only {places} places in the pattern.")
    theta = np.arctan2(*(p - centre).T[::-1])
    first = mean_direction(places * theta).mean_rad / places
    best: Ideal | None = None
    for start in first + np.array([0.0, 0.25, 0.5, 0.75]) * TAU / places:
        turn = start
        for _ in range(20):
            ideal = centre + radius_mm * _unit(turn + TAU * np.arange(places) / places)
            cost = ((p[:, None] - ideal[None]) ** 2).sum(-1)
            rows, columns = linear_sum_assignment(cost)
            assigned = columns[np.argsort(rows)]
            a, b = ideal[assigned] - centre, p - centre
            extra = float(np.arctan2((a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]).sum(), (a * b).sum()))
            turn += extra
            if abs(extra) < 1e-12:
                break
        ideal = centre + radius_mm * _unit(turn + TAU * np.arange(places) / places)
        moves = ideal[assigned] - p
        rms = float(np.sqrt((moves**2).sum(1).mean()))
        if best is None or rms < best.rms_mm - 1e-12:
            best = Ideal(ideal, assigned, moves, float(turn % (TAU / places)), rms)
    assert best is not None
    return best


def _unit(theta_rad: Array) -> Array:
    return np.stack([np.cos(theta_rad), np.sin(theta_rad)], -1)
