"""The floor panel as the standing panel foretells it: both hang together at the fold, at nearly a right angle.

Seen at a grazing angle the floor panel's markers cannot be read any more, but its print is still there, a few pixels
high a square. The standing panel gives the camera's pose; from it follows where the floor panel lies but for the fold's
angle, which is searched by comparing the print with the photo made square.
"""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from qc.camera import Lens
from qc.card_layout import BOARD_MM, MARGIN_MM, PANEL_MM, Array, corner_mm
from qc.card_map import PanelMap
from qc.card_markers import Reduced
from qc.card_refine import PRINT_PX_PER_MM, panel_print


@dataclass(frozen=True)
class FoldSettings:
    """The search for the fold's angle."""

    from_deg: float = 82.0  # degrees; a fold made by hand is off a right angle by a few degrees
    to_deg: float = 98.0
    square_px: int = 126  # px; side of the chessboard in the picture made square
    step_px: float = 1.0  # reduced px that the panel's near edge moves from one trial to the next
    least: float = 0.3  # correlation of print and photo below which nothing is there


FOLD = FoldSettings()


def standing_pose(points_mm: Array, points_px: Array, lens: Lens) -> tuple[Array, Array] | None:
    """Rotation (3, 3) and translation (3,) of the standing panel's frame (its u, v, and the direction behind it)."""
    solid = np.column_stack([points_mm, np.zeros(len(points_mm))])
    distortion = np.array([lens.k1, lens.k2, 0, 0, 0])
    ok, turn, shift = cv2.solvePnP(solid, points_px, lens.matrix, distortion, flags=cv2.SOLVEPNP_IPPE)
    if not ok:
        return None
    turn, shift = cv2.solvePnPRefineLM(solid, points_px, lens.matrix, distortion, turn, shift)
    return np.asarray(cv2.Rodrigues(turn)[0], float), np.ravel(shift).astype(float)


def floor_homography(pose: tuple[Array, Array], lens: Lens, fold_deg: float) -> Array:
    """Floor panel mm to px, with `fold_deg` between the panels.

    In the standing panel's frame the fold lies at v = BOARD_MM + MARGIN_MM; away from it the floor panel runs towards
    the viewer (-z) at 90 degrees, upwards (-v) below that.
    """
    rotation, translation = pose
    a = np.radians(fold_deg)
    along = np.array([0.0, -np.cos(a), -np.sin(a)])
    start = np.array([0.0, BOARD_MM + MARGIN_MM, 0.0]) + MARGIN_MM * along  # the floor chessboard's top-left corner
    frame = np.column_stack([[1.0, 0, 0], along, start])
    h = lens.matrix @ (rotation @ frame + np.outer(translation, [0, 0, 1.0]))
    return h / h[2, 2]


def search_floor(
    picture: Reduced, pose: tuple[Array, Array], lens: Lens, settings: FoldSettings = FOLD
) -> tuple[PanelMap, float] | None:
    """The fold angle at which photo and print agree best: a map to photo pixels, and their correlation."""
    print_ = _small_print(settings.square_px)
    near = np.array([[BOARD_MM / 2, PANEL_MM]])
    best, best_score, angle = None, settings.least, settings.from_deg
    while angle <= settings.to_deg:
        h = floor_homography(pose, lens, angle)
        step = 0.1
        further = floor_homography(pose, lens, angle + step)
        if upright_at(h):
            score = _agreement(picture, h, print_, settings.square_px)
            if score > best_score:
                best, best_score = h, score
        move = float(np.linalg.norm(_at(further, near) - _at(h, near))) * picture.scale
        angle += float(np.clip(step * settings.step_px / max(move, 1e-6), 0.03, 1.0))
    return None if best is None else (PanelMap(best, np.zeros((0, 2)), 0), best_score)


def _at(homography: Array, points_mm: Array) -> Array:
    h = points_mm @ homography[:, :2].T + homography[:, 2]
    return h[:, :2] / h[:, 2:]


def upright_at(homography: Array) -> bool:
    """Whether the panel shows its printed side (clockwise stays clockwise)."""
    q = _at(homography, corner_mm(np.array([0, 5, 35])))
    a, b = q[1] - q[0], q[2] - q[1]
    return bool(a[0] * b[1] - a[1] * b[0] > 0)


def _small_print(side_px: int) -> NDArray[np.float32]:
    """The chessboard's print, `side_px` large, of zero mean and unit norm."""
    m = round(MARGIN_MM * PRINT_PX_PER_MM)
    inner = panel_print("floor").raster[m:-m, m:-m]
    small = cv2.GaussianBlur(cv2.resize(inner, (side_px, side_px), interpolation=cv2.INTER_AREA), (0, 0), 1.0)
    small = small - small.mean()
    return np.asarray(small / np.linalg.norm(small), np.float32)


def _agreement(picture: Reduced, homography: Array, print_: NDArray[np.float32], side_px: int) -> float:
    """Correlation of the photo, made square, with the print."""
    k, s = BOARD_MM / side_px, picture.scale
    to_mm = np.array([[k, 0, 0.5 * k], [0, k, 0.5 * k], [0, 0, 1.0]])
    to_reduced = np.array([[s, 0, 0.5 * s - 0.5], [0, s, 0.5 * s - 0.5], [0, 0, 1.0]])
    warp = to_reduced @ homography @ to_mm
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    square = cv2.warpPerspective(picture.grey, warp, (side_px, side_px), flags=flags, borderMode=cv2.BORDER_REPLICATE)
    _, spread = cv2.meanStdDev(square)
    norm = float(spread[0, 0]) * side_px  # of the photo's square less its mean, which the print is blind to
    return float(np.dot(square.ravel().astype(np.float32), print_.ravel())) / norm if norm > 1e-6 else 0.0
