"""A card's corners to a few hundredths of a pixel: draw what the photo should show there, and see how far it is off.

Around each corner the card's own print is drawn as this view would show it (its perspective, the lens's blur), and
the shift that makes it match the photo best is solved for by linear least squares, together with brightness, contrast,
their gradients and the blur. All edges around a corner count, squares five pixels high of a panel seen at a grazing
angle as well as large ones. Within `window_mm` of a corner the print looks the same when turned by 180 degrees, so
blur, tone curve and sharpening, which the drawing does not know, move nothing.

The shift is that of Lucas and Kanade (1981), Proc. 7th IJCAI, 674-679, section 3, with the drawing's gradient.
"""

from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np
from numpy.typing import NDArray

from qc.card_layout import BOARD_MM, MARGIN_MM, Array, board
from qc.card_map import PanelMap, numeric_jacobian, project

Pixels = NDArray[np.float32]

PRINT_PX_PER_MM = 12  # finer than any photo of the card shows it


@dataclass(frozen=True)
class RefineSettings:
    """How corners are refined."""

    window_mm: float = 3.8  # mm; the print is point-symmetric to this distance from a corner
    max_half_px: float = 26.0  # px; larger windows cost time and bring nothing
    min_half_px: float = 3.0  # px; a smaller box has too few pixels across
    blur_px: float = 0.6  # px; Gaussian blur of a sharp photo, to start with
    least_fit: float = 0.7  # share of the window's variance that the drawing must explain
    max_shift_px: float = 3.0  # px; a step farther than this is no refinement


REFINE = RefineSettings()
LINEAR = (((np.arange(256) / 255 + 0.055) / 1.055) ** 2.4).astype(np.float32)  # IEC 61966-2-1
LINEAR[:11] = np.arange(11) / 255 / 12.92


@dataclass(frozen=True)
class Refined:
    """What refining found, per corner (N,)."""

    corners_px: Array  # (N, 2)
    covariance_px2: Array  # (N, 2, 2) from the fit's residuals
    shift_px: Array  # (N,) how far the corner was from where it had been expected
    fit: Array  # share of variance explained, 0..1
    contrast: Array  # paper minus ink, linear light
    ink: Array  # linear light
    blur_px: Array  # (N,) standard deviation of the edges' blur


@dataclass(frozen=True)
class Print:
    """What is printed: 0 ink to 1 paper.

    Attributes
    ----------
    raster : ndarray, shape (h, w), float32
    px_per_mm : float
    origin_mm : float
        Where the point (0, 0) of the print's own coordinates lies, right and down from the raster's corner.
    """

    raster: Pixels
    px_per_mm: float
    origin_mm: float

    @property
    def from_mm(self) -> Array:
        """Homography (3, 3) from mm to raster pixels."""
        k = self.px_per_mm
        return np.array([[k, 0, self.origin_mm * k - 0.5], [0, k, self.origin_mm * k - 0.5], [0, 0, 1.0]])


@lru_cache(maxsize=4)
def panel_print(panel: str) -> Print:
    """The print of a panel with its white margin."""
    side = round(BOARD_MM * PRINT_PX_PER_MM)
    print_ = board(panel).generateImage((side, side), None, 0, 1)
    m = round(MARGIN_MM * PRINT_PX_PER_MM)
    bordered = cv2.copyMakeBorder(print_, m, m, m, m, cv2.BORDER_CONSTANT, value=255)
    return Print(np.asarray(bordered, np.float32) / np.float32(255), PRINT_PX_PER_MM, MARGIN_MM)


@dataclass(frozen=True)
class _Boxes:
    """Boxes of pixels of one size around all corners of a panel."""

    left: NDArray[np.int64]  # (N,)
    top: NDArray[np.int64]  # (N,)
    width: int
    height: int

    def pixels(self) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """x (N, 1, width) and y (N, height, 1)."""
        return (
            self.left[:, None, None] + np.arange(self.width)[None, None, :],
            self.top[:, None, None] + np.arange(self.height)[None, :, None],
        )


def refine(
    grey: NDArray[np.uint8], print_: Print, points_mm: Array, where: PanelMap, settings: RefineSettings = REFINE
) -> Refined:
    """Corners of a printed pattern, from a map that is right to about two pixels.

    Parameters
    ----------
    grey : ndarray, shape (H, W), uint8
    print_ : Print
    points_mm : ndarray, shape (N, 2)
        Corners to look for, in the print's coordinates; those that cannot be seen come back with NaN and fit 0.
    where : PanelMap
        Where they should lie.
    """
    expected = where.to_pixels(points_mm)
    inside = ((expected > 1.5) & (expected < np.array(grey.shape[::-1]) - 2.5)).all(1)
    out = Refined(
        np.full((len(points_mm), 2), np.nan),
        np.full((len(points_mm), 2, 2), np.nan),
        np.full(len(points_mm), np.nan),
        np.zeros(len(points_mm)),
        np.zeros(len(points_mm)),
        np.full(len(points_mm), np.nan),
        np.full(len(points_mm), np.nan),
    )
    if not inside.any():
        return out
    at, jac = expected[inside], where.jacobian(points_mm[inside])
    planar = numeric_jacobian(lambda q: project(where.homography, q), points_mm[inside])
    if not np.isfinite(jac).all() or (np.abs(np.linalg.det(jac)) < 1e-4).any():
        return out
    reach = np.abs(jac).sum(2) * settings.window_mm
    scale = np.minimum(1.0, settings.max_half_px / reach.max(1))
    boxes = _boxes(at, np.maximum((reach * scale[:, None]).max(0), settings.min_half_px))
    to_mm = _local_to_mm(where.homography, points_mm[inside], at, jac, planar)
    drawn, dx, dy = _draw(print_, to_mm, jac, boxes, settings.blur_px)
    weight, x, y = _window(at, jac, boxes, settings.window_mm * scale, grey.shape)
    px, py = boxes.pixels()
    seen = LINEAR[grey[np.clip(py, 0, grey.shape[0] - 1), np.clip(px, 0, grey.shape[1] - 1)]]
    beta, covariance, fit = _match(seen, drawn, dx, dy, weight, x, y)
    _fill(out, inside, at, beta, covariance, fit, settings)
    return out


def _fill(
    out: Refined, inside, at: Array, beta: Array, covariance: Array, fit: Array, settings: RefineSettings
) -> None:
    """Write what the fits of the visible corners say into the full-length arrays."""
    contrast = beta[:, 2]
    ok = (contrast > 0.003) & np.isfinite(beta).all(1)
    contrast = np.where(ok, contrast, 1.0)
    shift = -beta[:, :2] / contrast[:, None]
    ok &= np.abs(shift).max(1) <= settings.max_shift_px
    place = np.flatnonzero(inside)[ok]
    out.corners_px[place] = (at + shift)[ok]
    out.covariance_px2[place] = (covariance / np.square(contrast)[:, None, None])[ok]
    out.shift_px[place] = np.linalg.norm(shift, axis=1)[ok]
    out.fit[place] = fit[ok]
    out.contrast[place] = contrast[ok]
    out.ink[place] = beta[ok, 3]
    square = settings.blur_px**2 + 2 * beta[:, 8] / contrast
    out.blur_px[place] = (np.sign(square) * np.sqrt(np.abs(square)))[ok]


def _boxes(at: Array, half: Array) -> _Boxes:
    width, height = (int(v) for v in 2 * np.ceil(half) + 1)
    middle = np.round(at).astype(np.int64)
    return _Boxes(middle[:, 0] - width // 2, middle[:, 1] - height // 2, width, height)


def _local_to_mm(homography: Array, points_mm: Array, at: Array, jac: Array, flat: Array) -> Array:
    """Homographies (N, 3, 3) from photo pixels to panel mm, exact at each corner and with the map's own slope there."""
    base = project(homography, points_mm)
    linear = flat @ np.linalg.inv(jac)  # of a px offset in the photo, that in the plain homography's picture
    shift = np.zeros((len(at), 3, 3))
    shift[:, :2, :2] = linear
    shift[:, :2, 2] = base - np.einsum("nij,nj->ni", linear, at)
    shift[:, 2, 2] = 1
    return np.linalg.inv(homography) @ shift


def _draw(print_: Print, to_mm: Array, jac: Array, boxes: _Boxes, blur_px: float) -> tuple[Pixels, Pixels, Pixels]:
    """The print as the photo would show it in each box, blurred and averaged over each pixel, and its derivatives.

    All (N, height + 2, width + 2) but for the derivatives, which lack the extra pixel round the box.
    """
    per_px = np.linalg.norm(np.linalg.inv(jac), axis=1).max(0) * print_.px_per_mm  # raster px per px, x and y
    ax, ay = (int(v) for v in np.clip(np.ceil(per_px / 2), 2, 16))
    pad = int(np.ceil(3 * blur_px)) + 1
    n, wide, high = len(to_mm), boxes.width + 2 * pad, boxes.height + 2 * pad
    fine = np.empty((n * high * ay, wide * ax), np.float32)
    for i in range(n):
        x0, y0 = boxes.left[i] - pad - 0.5 + 0.5 / ax, boxes.top[i] - pad - 0.5 + 0.5 / ay
        warp = print_.from_mm @ to_mm[i] @ np.array([[1 / ax, 0, x0], [0, 1 / ay, y0], [0, 0, 1]])
        cv2.warpPerspective(
            print_.raster,
            warp,
            (wide * ax, high * ay),
            dst=fine[i * high * ay : (i + 1) * high * ay],
            flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
            borderMode=cv2.BORDER_CONSTANT,
            borderValue=1,
        )
    cv2.GaussianBlur(fine, (0, 0), sigmaX=blur_px * ax, sigmaY=blur_px * ay, dst=fine)
    rows = _shrunk(fine, (wide * ax, n * high)).reshape(n, high, wide * ax)
    columns = _shrunk(fine, (wide, n * high * ay)).reshape(n, high * ay, wide)
    whole = _shrunk(rows.reshape(n * high, -1), (wide, n * high))
    # a pixel's mean has the derivative (value at its right border) - (value at its left border), exactly
    border_x = 0.5 * (rows[:, :, ax - 1 : -1 : ax] + rows[:, :, ax::ax])
    border_y = 0.5 * (columns[:, ay - 1 : -1 : ay] + columns[:, ay::ay])
    inner, about = slice(pad, -pad), slice(pad - 1, 1 - pad if pad > 1 else None)
    dx = np.diff(border_x, axis=2)[:, inner, pad - 1 : pad - 1 + boxes.width]
    dy = np.diff(border_y, axis=1)[:, pad - 1 : pad - 1 + boxes.height, inner]
    return whole.reshape(n, high, wide)[:, about, about], dx, dy


def _shrunk(picture: Pixels, size: tuple[int, int]) -> Pixels:
    """Means over whole pixels."""
    return np.asarray(cv2.resize(picture, size, interpolation=cv2.INTER_AREA), np.float32)


def _window(at: Array, jac: Array, boxes: _Boxes, window_mm: Array, shape: tuple[int, int]) -> tuple[Pixels, ...]:
    """Weights (N, h, w) of the boxes' pixels, and their x (N, 1, w) and y (N, h, 1) from the corner, scaled."""
    px, py = boxes.pixels()
    x, y = px - at[:, :1, None], py - at[:, 1:, None]
    inverse = np.linalg.inv(jac)[..., None, None]
    soft = 0.5 * np.abs(inverse).sum(2)  # half a pixel, in mm: (N, 2, 1, 1)
    reach = np.asarray(window_mm)[:, None, None]
    weight = ((px >= 0) & (px < shape[1]) & (py >= 0) & (py < shape[0])).astype(np.float32)
    for axis in (0, 1):
        away = np.abs(inverse[:, axis, 0] * x + inverse[:, axis, 1] * y)
        weight *= np.clip((reach - away) / (2 * soft[:, axis]) + 0.5, 0, 1).astype(np.float32)
    return weight, (x / boxes.width).astype(np.float32), (y / boxes.height).astype(np.float32)


def _match(seen, drawn, dx, dy, weight, x, y) -> tuple[Array, Array, Array]:
    """Weighted least squares per corner: coefficients (N, 9), covariance (N, 2, 2) of the first two, share explained.

    seen = (b0 dx + b1 dy + b2 drawn + b8 curvature) + b3 + b4 x + b5 y + (b6 x + b7 y) drawn.
    """
    inner = drawn[:, 1:-1, 1:-1]
    bend = drawn[:, 1:-1, 2:] + drawn[:, 1:-1, :-2] + drawn[:, 2:, 1:-1] + drawn[:, :-2, 1:-1] - 4 * inner
    parts = (dx, dy, inner, np.ones_like(inner), x, y, x * inner, y * inner, bend)
    n = len(seen)
    columns = np.stack([np.broadcast_to(p, seen.shape).reshape(n, -1) for p in parts], 1)  # (N, 9, pixels)
    z, w = seen.reshape(n, -1), weight.reshape(n, -1)
    weighted = columns * w[:, None]
    total = np.maximum(w.sum(1), 1.0).astype(float)
    normal = (weighted @ columns.transpose(0, 2, 1)).astype(float)
    normal += 1e-7 * total[:, None, None] * np.eye(9)
    inverse = np.linalg.inv(normal)
    beta = np.einsum("nij,nj->ni", inverse, (weighted @ z[..., None])[..., 0].astype(float))
    rest = z - np.einsum("ni,nip->np", beta.astype(np.float32), columns)
    lost = (w * rest**2).sum(1).astype(float)
    mean = (w * z).sum(1) / total
    spread = (w * (z - mean[:, None]) ** 2).sum(1).astype(float)
    noise = lost / np.maximum(total - 9, 1)
    fit = np.where(spread > 0, 1 - lost / np.maximum(spread, 1e-12), 0.0)
    return beta, inverse[:, :2, :2] * noise[:, None, None], fit
