"""Where a panel's points lie in a photo: a homography and a smooth correction for the lens, a bow, a curl."""

from dataclasses import dataclass

import cv2
import numpy as np

from qc.card_layout import BOARD_MM, Array


@dataclass(frozen=True)
class PanelMap:
    """Panel millimetres to photo pixels, p = H(q) + polynomial(q).

    Attributes
    ----------
    homography : ndarray, shape (3, 3)
        Panel mm to px.
    bend : ndarray, shape (n_terms, 2)
        Coefficients in px of the polynomial's terms, in panel coordinates scaled to -1..1 over the chessboard.
    degree : int
        0 for no correction.
    """

    homography: Array
    bend: Array
    degree: int

    def to_pixels(self, points_mm: Array) -> Array:
        """Pixels (N, 2) of panel points (N, 2)."""
        return project(self.homography, points_mm) + _terms(points_mm, self.degree) @ self.bend

    def jacobian(self, points_mm: Array, step_mm: float = 0.5) -> Array:
        """Derivatives (N, 2, 2): [:, :, 0] is d px / d u, [:, :, 1] d px / d v."""
        return numeric_jacobian(self.to_pixels, points_mm, step_mm)


def numeric_jacobian(function, points_mm: Array, step_mm: float = 0.5) -> Array:
    """Central differences (N, 2, 2) of a map of points (N, 2)."""
    columns = []
    for axis in np.eye(2) * step_mm:
        columns.append((function(points_mm + axis) - function(points_mm - axis)) / (2 * step_mm))
    return np.stack(columns, -1)


def project(homography: Array, points: Array) -> Array:
    """Apply a homography to points (N, 2)."""
    h = points @ homography[:, :2].T + homography[:, 2]
    return h[:, :2] / h[:, 2:]


def _terms(points_mm: Array, degree: int) -> Array:
    """Monomials (N, n) up to a degree, of the coordinates scaled to -1..1 over the chessboard; none for degree 0."""
    if degree == 0:
        return np.zeros((len(points_mm), 0))
    s, t = (2 * points_mm / BOARD_MM - 1).T
    power_s, power_t = np.vander(s, degree + 1, increasing=True), np.vander(t, degree + 1, increasing=True)
    return np.stack([power_s[:, i] * power_t[:, d - i] for d in range(degree + 1) for i in range(d + 1)], -1)


def affordable(points_mm: Array, degree: int) -> int:
    """Highest degree, up to `degree`, that the number and spread of the points can carry."""
    rows = min(len(np.unique(np.round(points_mm[:, axis]))) for axis in (0, 1))
    for least, lines, can in ((28, 6, 4), (22, 5, 3), (14, 4, 2), (8, 2, 1)):
        if degree >= can and len(points_mm) >= least and rows >= lines:
            return can
    return 0


def fit_robust(
    points_mm: Array, points_px: Array, sigma_px: Array, degree: int, floor_px: float, rounds: int = 3
) -> tuple[PanelMap | None, Array]:
    """A map that most points agree on, and each point's distance (N,) from it in px.

    Starts from the sample-consensus homography of OpenCV; the polynomial then takes up what that leaves, re-weighted by
    Tukey's biweight with a scale that is the median deviation, never under `floor_px`. A small ridge keeps terms that
    the points do not fix small.
    """
    nowhere = np.full(len(points_mm), np.inf)
    if len(points_mm) < 4:
        return None, nowhere
    first, agree = cv2.findHomography(points_mm, points_px, cv2.RANSAC, max(6 * floor_px, 1.5), maxIters=500)
    if first is None or not np.isfinite(first).all():
        return None, nowhere
    start: Array = np.asarray(first, np.float64)
    degree = affordable(points_mm[np.ravel(agree) > 0], degree)
    terms = _terms(points_mm, degree)
    rest = points_px - project(start, points_mm)
    found = PanelMap(start, np.zeros((terms.shape[1], 2)), degree)
    away = np.linalg.norm(rest, axis=1)
    relative = 1 / np.square(sigma_px / np.median(sigma_px))
    for _ in range(rounds if degree else 0):
        scale = max(1.5 * float(np.median(away)), floor_px)
        weight = relative * (1 - np.clip(away / (4.7 * scale), 0, 1) ** 2) ** 2
        if (weight > 0).sum() < terms.shape[1]:
            break
        normal = terms.T @ (terms * weight[:, None]) + 1e-4 * weight.mean() * np.eye(terms.shape[1])
        found = PanelMap(start, np.linalg.solve(normal, terms.T @ (rest * weight[:, None])), degree)
        away = np.linalg.norm(points_px - found.to_pixels(points_mm), axis=1)
    return found, away


def affine_scale(points_mm: Array, points_px: Array) -> float:
    """Pixels per mm along the direction in which a panel is seen least foreshortened."""
    a, b = points_mm - points_mm.mean(0), points_px - points_px.mean(0)
    linear, *_ = np.linalg.lstsq(a, b, rcond=None)
    return float(np.linalg.svd(linear, compute_uv=False)[0])
