"""The rounding of the top edge, from the lines of sight that graze it.

In the plane of radius and height a rounded edge is a quarter circle between a nearly upright side and a nearly level
top. Each line of sight of the silhouette's corner touches that shape; the radius is the one for which the distances
between lines and shape are least (the signed distance of a rounded corner, smallest along each line).
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from qc.body import Body
from qc.camera import View
from qc.meridian import Profile

Array = NDArray[np.float64]


@dataclass(frozen=True)
class RoundingSettings:
    """How the corner is fitted."""

    below: float = 0.72  # share of the height from which the silhouette counts ...
    below_mm: float = 20.0  # ... but at least so much of it, for a low cake with a wide rounding
    behind_mm: float = 75.0  # how far behind the widest place a line of sight may touch
    side_mm: float = 0.35  # standard deviation of the side's distance from what the profile says
    top_mm: float = 0.7  # of the rim's height against the fitted top: a lip stands above it
    lean: float = 0.06  # of the side's lean near the edge
    scale_mm: float = 0.12  # misfit from which a point counts less
    largest_mm: float = 16.0  # no rounding to speak of beyond
    fewest: int = 12  # points at the corner


@dataclass(frozen=True)
class Rounding:
    """Radius of one silhouette's top edge."""

    radius_mm: float
    sigma_mm: float  # standard uncertainty
    lip_mm: float  # how far the rim stands above the top's plane; a lip where it is clearly positive
    points: int


def _paths(view: View, points_px: Array, settings: RoundingSettings) -> tuple[Array, Array, Array, Array]:
    """Radius, height, x and y (n, k) along the lines of sight near the edge."""
    eye, d = view.eye_mm, view.rays(points_px)
    flat = np.hypot(d[:, 0], d[:, 1])
    d = d / flat[:, None]
    nearest = -(d[:, 0] * eye[0] + d[:, 1] * eye[1])
    s = nearest[:, None] + np.linspace(-15, settings.behind_mm, 61)[None, :]
    x, y, z = (eye[k] + s * d[:, k : k + 1] for k in range(3))
    return np.hypot(x, y), z, x, y


def lowest_mm(body: Body, settings: RoundingSettings) -> float:
    """Height from which the silhouette counts for the edge."""
    return min(settings.below * body.height_mm, body.height_mm - settings.below_mm)


def fit_rounding(
    view: View, body: Body, points_px: Array, weight: Array, profile: Profile, settings: RoundingSettings
) -> Rounding | None:
    """Radius of the top edge in one silhouette, or None where the corner is not seen.

    Parameters
    ----------
    points_px : ndarray, shape (n, 2)
        Silhouette from the side over the corner.
    weight : ndarray, shape (n,)
        Inverse of each point's standard uncertainty (1/mm).
    profile : Profile
        What the side does below.
    """
    rho, z, x, y = _paths(view, points_px, settings)
    top = body.top_z_mm(x, y)
    low = (profile.z_mm > lowest_mm(body, settings)) & (profile.z_mm < 0.9 * body.height_mm)
    if low.sum() < 5 or len(points_px) < settings.fewest:
        return None
    upper, slope0 = profile.z_mm[low], 0.5 * body.taper_mm / (0.8 * body.height_mm)
    radius0 = float(np.quantile(profile.radius_mm[low] - slope0 * (upper - body.height_mm), 0.7))

    over = z - top
    across0, count = rho - radius0 - slope0 * over, np.minimum(weight * settings.scale_mm, 1)
    tie = settings.scale_mm / np.array([settings.side_mm, settings.lean, settings.top_mm])

    def apart(p: Array) -> tuple[Array, Array]:
        """Distance of the places of every line from the rounding's two flanks."""
        q, side, lean, lip = p
        return across0 + (q - side) - lean * over, over + (q - lip)

    def misfit(p: Array) -> Array:
        dx, dz = apart(p)
        outer = np.sqrt(np.maximum(dx, 0) ** 2 + np.maximum(dz, 0) ** 2)
        outside = outer + np.minimum(np.maximum(dx, dz), 0) - p[0]
        return np.concatenate([outside.min(1) * count, p[1:] * tie])

    def change(p: Array) -> Array:
        """Derivatives of the misfit: those of the distance at the place where each line comes nearest."""
        dx, dz = apart(p)
        outer = np.sqrt(np.maximum(dx, 0) ** 2 + np.maximum(dz, 0) ** 2)
        at = (np.arange(len(dx)), (outer + np.minimum(np.maximum(dx, dz), 0)).argmin(1))
        dx, dz, outer, above = dx[at], dz[at], outer[at], over[at]
        inside = outer == 0
        size = np.where(inside, 1.0, outer)
        by_x = np.where(inside, dx > dz, np.maximum(dx, 0) / size)
        by_z = np.where(inside, dx <= dz, np.maximum(dz, 0) / size)
        rows = np.stack([by_x + by_z - 1, -by_x, -by_x * above, -by_z], 1) * count[:, None]
        return np.concatenate([rows, np.diag(np.r_[0.0, tie])[1:]])

    best = None
    for start in (1.5, 4.0, 9.0):
        fit = least_squares(
            misfit,
            [start, 0.0, 0.0, 0.0],
            change,
            bounds=([0.05, -3, -0.5, -3], [settings.largest_mm, 3, 0.5, 3]),
            loss="soft_l1",
            f_scale=settings.scale_mm,
            max_nfev=25,
        )
        if best is None or fit.cost < best.cost:
            best = fit
    assert best is not None
    inverse = np.linalg.inv(best.jac.T @ best.jac + 1e-9 * np.eye(4))
    spread = max(float(1.4826 * np.median(np.abs(best.fun))), 0.03)
    return Rounding(float(best.x[0]), 2 * spread * float(np.sqrt(inverse[0, 0])), float(best.x[3]), len(points_px))
