"""From the card's corners in one photo to lens, pose, and the true shape of the folded card.

Card frame: DEVELOPERS.md (X along the fold, Y away from the person, Z up, printed face of the floor panel at Z = 0).
"""

from dataclasses import dataclass
from typing import Protocol

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from qc.camera import Lens, View, rotation_of
from qc.card import MARGIN_MM, PANEL_MM, CardView, PanelView, corner_mm
from qc.errors import CardError
from qc.photo import Photo

Array = NDArray[np.float64]
LENS, ROTATION, TRANSLATION, FOLD, BOW, CURL = slice(0, 5), slice(5, 8), slice(8, 11), 11, 12, 13
PARAMETERS = 14


class LensPriorLike(Protocol):
    """What is known of the lens before the photo is looked at."""

    @property
    def mean(self) -> Array:
        """(f_px, cx_px, cy_px, k1, k2)."""

    @property
    def covariance(self) -> Array:
        """(5, 5) of the mean."""


@dataclass(frozen=True)
class CardPriors:
    """How a card folded by hand usually stands (DEVELOPERS.md: a few degrees, a millimetre or two)."""

    fold_sd_rad: float = np.radians(2.5)
    flat_sd_rad: float = np.radians(2.0)
    bow_sd_mm: float = 1.2
    curl_sd_mm: float = 0.7
    flat_bow_sd_mm: float = 0.3  # a panel that lies on the bench hardly bows
    robust_px: float = 3.0  # Huber's constant in standard deviations of a corner


@dataclass(frozen=True)
class Pose:
    """Lens and pose of one photo with the covariance of all fourteen parameters.

    Parameter order: f, cx, cy, k1, k2 | rotation vector (3) | translation mm (3) | fold rad, bow mm, curl mm.
    """

    parameters: Array  # (14,)
    covariance: Array  # (14, 14)
    reduced_chi2: float
    corner_count: int
    flat: bool  # the standing panel lies on the bench
    width_px: int
    height_px: int

    @property
    def view(self) -> View:
        """The photo as seen from the card frame."""
        return view_of(self.parameters, self.width_px, self.height_px)


def view_of(parameters: Array, width_px: int, height_px: int) -> View:
    """View in the card frame of a parameter vector whose first eleven entries are lens and pose."""
    return View(
        Lens(*parameters[LENS]), rotation_of(parameters[ROTATION]), parameters[TRANSLATION], width_px, height_px
    )


def floor_points(ids: NDArray[np.int64], scale: Array) -> Array:
    """Corners (N, 3) of the floor panel; scale: true mm per nominal mm along X and along Y."""
    u, v = corner_mm(ids).T
    return np.stack([scale[0] * (MARGIN_MM + u), -scale[1] * (MARGIN_MM + v), 0 * u], -1)


def standing_points(ids: NDArray[np.int64], scale: Array, fold_rad: float, bow_mm: float, curl_mm: float) -> Array:
    """Corners (N, 3) of the standing panel, folded by fold_rad, bowed across and curled at its upper edge."""
    u, v = corner_mm(ids).T
    x, d = MARGIN_MM + u, PANEL_MM - MARGIN_MM - v
    across, up = x / PANEL_MM, d / PANEL_MM
    out = bow_mm * 4 * across * (1 - across) * up + curl_mm * up * up
    c, s = np.cos(fold_rad), np.sin(fold_rad)
    return np.stack([scale[0] * x, -d * scale[1] * c - out * s, d * scale[1] * s - out * c], -1)


def card_residuals(p: Array, card: CardView, scale: Array) -> Array:
    """Corners' residuals in standard deviations, flat; p holds the fourteen parameters."""
    panels = _panels(p, card, scale)
    seen, sigma = (np.concatenate([getattr(s, part) for s, _ in panels]) for part in ("corners_px", "sigma_px"))
    expected = view_of(p, 0, 0).project(np.concatenate([at for _, at in panels]))
    return np.asarray((expected - seen) / sigma[:, None], np.float64).ravel()


def _panels(p: Array, card: CardView, scale: Array) -> list[tuple[PanelView, Array]]:
    """The panels seen, each with its corners' places (N, 3) in the card frame."""
    out = []
    if card.floor is not None:
        out.append((card.floor, floor_points(card.floor.ids, scale)))
    if card.standing is not None:
        out.append((card.standing, standing_points(card.standing.ids, scale, p[FOLD], p[BOW], p[CURL])))
    return out


def card_jacobian(p: Array, card: CardView, scale: Array) -> Array:
    """Derivatives (R, 14) of card_residuals by the fourteen parameters."""
    panels = _panels(p, card, scale)
    places, sigma = np.concatenate([at for _, at in panels]), np.concatenate([seen.sigma_px for seen, _ in panels])
    by_pose, by_place = projection_jacobian(p, places)
    rows = np.zeros((len(places), 2, PARAMETERS))
    rows[:, :, : TRANSLATION.stop] = by_pose
    if card.standing is not None:  # the last of the panels
        at = panels[-1][1]
        for j, h in ((FOLD, 1e-4), (BOW, 0.02), (CURL, 0.02)):
            moved = p.copy()
            moved[j] += h
            shift = (standing_points(card.standing.ids, scale, moved[FOLD], moved[BOW], moved[CURL]) - at) / h
            rows[-len(at) :, :, j] = np.einsum("nij,nj->ni", by_place[-len(at) :], shift)
    return np.asarray((rows / sigma[:, None, None]).reshape(-1, PARAMETERS), np.float64)


def projection_jacobian(p: Array, points_mm: Array) -> tuple[Array, Array]:
    """How pixels of places (N, 3) in the card frame move: by lens and pose (N, 2, 11), by the places (N, 2, 3)."""
    f, cx, cy, k1, k2 = p[LENS]
    matrix = np.array([[f, 0, cx], [0, f, cy], [0, 0, 1.0]])
    _, j = cv2.projectPoints(points_mm, p[ROTATION], p[TRANSLATION], matrix, np.array([k1, k2, 0.0, 0.0]))
    j = j.reshape(len(points_mm), 2, -1)  # OpenCV's order: rotation 3, translation 3, fx, fy, cx, cy, distortion
    by_lens = np.stack([j[..., 6] + j[..., 7], j[..., 8], j[..., 9], j[..., 10], j[..., 11]], -1)
    return np.concatenate([by_lens, j[..., :6]], -1), j[..., 3:6] @ rotation_of(p[ROTATION])


def prior_rows(prior: LensPriorLike, flat: bool, priors: CardPriors) -> tuple[Array, Array]:
    """Prior as rows: residual = rows @ (p - mean); rows (8, 14), mean (14,)."""
    mean, rows = np.zeros(PARAMETERS), np.zeros((8, PARAMETERS))
    mean[LENS] = prior.mean
    mean[FOLD] = np.pi if flat else np.pi / 2
    rows[:5, LENS] = np.linalg.inv(np.linalg.cholesky(prior.covariance))
    rows[5, FOLD] = 1 / (priors.flat_sd_rad if flat else priors.fold_sd_rad)
    rows[6, BOW] = 1 / (priors.flat_bow_sd_mm if flat else priors.bow_sd_mm)
    rows[7, CURL] = 1 / (priors.flat_bow_sd_mm if flat else priors.curl_sd_mm)
    return rows, mean


def solve_pose(
    photo: Photo, card: CardView, prior: LensPriorLike, scale: Array, flat: bool, priors: CardPriors | None = None
) -> Pose:
    """Lens, pose and fold of one photo by least squares over all corners and what is known beforehand.

    Parameters
    ----------
    scale : ndarray, shape (2,)
        Printed length over nominal length, along the fold and across it.
    flat : bool
        The standing panel is expected to lie on the bench behind the floor panel (top photo).

    Raises
    ------
    CardError
        Too few corners, or corners that no card could show.
    """
    priors = priors or CardPriors()
    if card.corner_count < 8:
        raise CardError(
            f"The {photo.name} photo shows too little of the reference card ({card.corner_count} corners): "
            "lay the card beside the board, whole and unshaded, and take the photo again."
        )
    start = _start(card, prior, scale, flat)
    rows, mean = prior_rows(prior, flat, priors)

    def residuals(p: Array) -> Array:
        r = card_residuals(p, card, scale)
        weight = np.sqrt(np.minimum(1, priors.robust_px / np.maximum(np.abs(r), 1e-9)))
        return np.concatenate([r * weight, rows @ (p - mean)])

    def jacobian(p: Array) -> Array:
        r = card_residuals(p, card, scale)
        weight = np.sqrt(np.minimum(1, priors.robust_px / np.maximum(np.abs(r), 1e-9)))
        return np.concatenate([card_jacobian(p, card, scale) * weight[:, None], rows])

    fit = least_squares(residuals, start, jacobian, x_scale=_typical(start), method="trf", max_nfev=60)
    covariance = np.linalg.inv(fit.jac.T @ fit.jac)
    r = card_residuals(fit.x, card, scale)
    chi2 = float(np.median(np.abs(r)) / 0.6745) ** 2
    return Pose(fit.x, covariance, chi2, card.corner_count, flat, photo.width_px, photo.height_px)


def _typical(start: Array) -> Array:
    """Natural step of each parameter, for the solver's scaling."""
    f = start[0]
    return np.array([0.01 * f, 10, 10, 0.02, 0.01, *[0.01] * 3, *[5.0] * 3, 0.03, 1, 0.5])


def _start(card: CardView, prior: LensPriorLike, scale: Array, flat: bool) -> Array:
    """A pose from the panel with more corners, lens and fold as expected."""
    lens = Lens(*np.asarray(prior.mean, float))
    fold = np.pi if flat else np.pi / 2
    distortion = np.array([lens.k1, lens.k2, 0, 0, 0])
    world, image = [], []
    if card.floor is not None:
        world.append(floor_points(card.floor.ids, scale))
        image.append(card.floor.corners_px)
    if card.standing is not None:
        world.append(standing_points(card.standing.ids, scale, fold, 0.0, 0.0))
        image.append(card.standing.corners_px)
    if flat or len(world) == 1:  # one plane: its two mirror solutions are told apart by what fits and by up
        poses = _planar_poses(np.concatenate(world), np.concatenate(image), lens, distortion)
    else:
        ok, rvec, tvec = cv2.solvePnP(
            np.concatenate(world), np.concatenate(image), lens.matrix, distortion, flags=cv2.SOLVEPNP_SQPNP
        )
        poses = [(np.asarray(rvec, float), np.asarray(tvec, float))] if ok else []
    best, least = None, np.inf
    for rvec, tvec in poses:
        p = np.concatenate([[*np.asarray(prior.mean, float)], rvec.ravel(), tvec.ravel(), [fold, 0.0, 0.0]])
        if (view_of(p, 0, 0).eye_mm[2]) <= 0:
            continue
        error = float(np.median(np.abs(card_residuals(p, card, scale))))
        if error < least:
            best, least = p, error
    if best is None:
        raise CardError("The card's corners do not fit a card that stands on the bench: fold it to an L and try again.")
    return best


def _planar_poses(world: Array, image: Array, lens: Lens, distortion: Array) -> list[tuple[Array, Array]]:
    """Both poses of a plane, for points (N, 3) of one plane in any position."""
    origin = world.mean(0)
    _, _, axes = np.linalg.svd(world - origin)
    if np.linalg.det(axes) < 0:
        axes[2] *= -1
    flat = (world - origin) @ axes.T
    flat[:, 2] = 0
    _, rvecs, tvecs, _ = cv2.solvePnPGeneric(flat, image, lens.matrix, distortion, flags=cv2.SOLVEPNP_IPPE)
    out = []
    for rvec, tvec in zip(rvecs, tvecs, strict=True):
        rotation = cv2.Rodrigues(rvec)[0] @ axes
        out.append((cv2.Rodrigues(rotation)[0], tvec.ravel() - rotation @ origin))
    return out
