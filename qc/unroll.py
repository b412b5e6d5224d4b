"""Flattened, millimetre-true pictures of the top and of the side."""

from collections.abc import Mapping
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from qc.body import Body
from qc.camera import View


@dataclass(frozen=True)
class TopPicture:
    """The top seen square from above: column = (x + reach) * px_per_mm, row = (reach - y) * px_per_mm."""

    pixels: NDArray[np.uint8]  # (N, N, 3) RGB
    px_per_mm: float
    reach_mm: float  # half the picture's side
    at_px: NDArray[np.float32]  # (N, N, 2) where in the photo each place lies

    def to_mm(self, points_px: NDArray[np.float64]) -> NDArray[np.float64]:
        """Cake-frame (x, y) of picture points (N, 2) (column, row)."""
        p = np.asarray(points_px, float) / self.px_per_mm
        return np.stack([p[..., 0] - self.reach_mm, self.reach_mm - p[..., 1]], -1)

    def to_px(self, points_mm: NDArray[np.float64]) -> NDArray[np.float64]:
        """Picture points (N, 2) (column, row) of cake-frame (x, y)."""
        p = np.asarray(points_mm, float)
        return np.stack([p[..., 0] + self.reach_mm, self.reach_mm - p[..., 1]], -1) * self.px_per_mm


def top_picture(
    pixels: NDArray[np.uint8], view: View, body: Body, px_per_mm: float = 4.0, over_mm: float = 0.0
) -> TopPicture:
    """Resample a photo onto the top surface (raised by over_mm), a little beyond the rim."""
    reach = body.radius_mm * 1.08
    n = int(np.ceil(2 * reach * px_per_mm)) + 1
    few = np.linspace(0, (n - 1) / px_per_mm, max(25, n // 16))
    x, y = np.meshgrid(few - reach, reach - few)
    coarse = view.project(np.stack([x, y, body.top_z_mm(x, y) + over_mm], -1)).astype(np.float32)
    q = _finer(coarse, (n, n))
    flat = cv2.remap(pixels, q[..., 0], q[..., 1], cv2.INTER_LINEAR)
    return TopPicture(np.asarray(flat, np.uint8), px_per_mm, reach, q)


def _finer(coarse: NDArray[np.float32], shape: tuple[int, int]) -> NDArray[np.float32]:
    """A smooth grid (rows, cols, k) at more places, its corners kept.

    By matrices, since cv2.remap puts places to 1/32 of a cell: more than a pixel of the photo in a coarse grid.
    """
    down, across = (_cubic(m, n) for m, n in zip(coarse.shape[:2], shape, strict=True))
    return np.stack([down @ coarse[..., k] @ across.T for k in range(coarse.shape[2])], -1)


def _cubic(few: int, many: int) -> NDArray[np.float32]:
    """Weights (many, few) of piecewise cubic convolution, straight on beyond the ends (Keys, 1981)."""
    at = np.linspace(0, few - 1, many)
    low = np.minimum(at.astype(int), few - 2)
    u, row = at - low, np.arange(many)
    padded = np.zeros((many, few + 2))
    padded[row, low] = ((-0.5 * u + 1.0) * u - 0.5) * u
    padded[row, low + 1] = (1.5 * u - 2.5) * u * u + 1.0
    padded[row, low + 2] = ((-1.5 * u + 2.0) * u + 0.5) * u
    padded[row, low + 3] = (0.5 * u - 0.5) * u * u
    out = padded[:, 1:-1]
    out[:, [0, 1]] += padded[:, :1] * (2.0, -1.0)
    out[:, [-1, -2]] += padded[:, -1:] * (2.0, -1.0)
    return np.asarray(out, np.float32)


@dataclass(frozen=True)
class SidePicture:
    """The side unrolled as one sees it from outside: columns are directions, rows heights, the board at the bottom.

    A column is `1 / px_per_mm` of arc at the mean radius wide; the clock runs backwards from left to right (on the side
    that faces 6 o'clock, 9 o'clock is to the left).
    """

    pixels: NDArray[np.uint8]  # (rows, cols, 3) RGB
    theta_rad: NDArray[np.float64]  # (cols,) direction, counter-clockwise from +X, rising
    z_mm: NDArray[np.float64]  # (rows,) falling
    px_per_mm: float
    facing: NDArray[np.float32]  # (rows, cols) cosine between the surface's normal and the line of sight
    seen: NDArray[np.bool_]  # (rows, cols)
    at_px: NDArray[np.float32]  # (rows, cols, 2) where in the photo each place lies
    photo: str  # "side", "side2" or "both"

    def to_mm(self, points_px: NDArray[np.float64]) -> NDArray[np.float64]:
        """Direction (radians) and height (mm) (N, 2) of picture points (N, 2) (column, row)."""
        p = np.asarray(points_px, float)
        theta = np.interp(p[..., 0], np.arange(len(self.theta_rad)), self.theta_rad)
        return np.stack([theta, np.interp(p[..., 1], np.arange(len(self.z_mm)), self.z_mm)], -1)

    def to_px(self, theta_rad: NDArray[np.float64], z_mm: NDArray[np.float64]) -> NDArray[np.float64]:
        """Picture points (N, 2) (column, row) of directions (radians) and heights."""
        middle = 0.5 * (self.theta_rad[0] + self.theta_rad[-1])
        theta = (np.asarray(theta_rad) - middle + np.pi) % (2 * np.pi) - np.pi + middle
        step = self.theta_rad[1] - self.theta_rad[0]
        return np.stack([(theta - self.theta_rad[0]) / step, (self.z_mm[0] - np.asarray(z_mm)) * self.px_per_mm], -1)


def side_range(view: View, body: Body) -> tuple[float, float]:
    """Directions (radians, first < last) between which a camera sees the side of a body."""
    eye = view.eye_mm
    half = float(np.arccos(np.clip(body.radius_mm / np.hypot(eye[0], eye[1]), -1, 1)))
    middle = float(np.arctan2(eye[1], eye[0]))
    return middle - half, middle + half


def side_picture(
    pixels: NDArray[np.uint8], view: View, body: Body, name: str = "side", px_per_mm: float = 4.0
) -> SidePicture:
    """Unroll the side that one photo shows, from the board to the level of the top."""
    first, last = side_range(view, body)
    step = 1 / (px_per_mm * body.radius_mm)
    first = np.floor(first / step) * step  # two photos of one cake share their columns
    theta = np.arange(first, last, step)
    z = np.arange(body.height_mm, -1e-9, -1 / px_per_mm)
    points, facing = _side_grid(view, body, theta, z)
    across, down = points[..., 0], points[..., 1]
    flat = cv2.remap(pixels, across, down, cv2.INTER_LINEAR)
    inside = (across > 0) & (down > 0) & (across < view.width_px - 1) & (down < view.height_px - 1)
    return SidePicture(np.asarray(flat, np.uint8), theta, z, px_per_mm, facing, inside & (facing > 0), points, name)


def _side_grid(
    view: View, body: Body, theta: NDArray[np.float64], z: NDArray[np.float64]
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Photo pixels (rows, cols, 2) and facing (rows, cols) of the side, from a coarse grid (the body is smooth)."""
    few_t = np.linspace(theta[0], theta[-1], max(60, len(theta) // 8))
    few_z = np.linspace(z[0], z[-1], max(25, len(z) // 8))
    tt, zz = np.meshgrid(few_t, few_z)
    point = body.side_point_mm(tt, zz)
    around, down = np.gradient(point, axis=1), np.gradient(point, axis=0)
    normal = np.cross(around, -down)
    normal /= np.linalg.norm(normal, axis=-1, keepdims=True)
    sight = view.eye_mm - point
    sight /= np.linalg.norm(sight, axis=-1, keepdims=True)
    coarse = np.concatenate([view.project(point), (normal * sight).sum(-1, keepdims=True)], -1).astype(np.float32)
    fine = _finer(coarse, (len(z), len(theta)))
    return np.asarray(fine[..., :2]), np.asarray(fine[..., 2])


def merge_sides(pictures: Mapping[str, SidePicture]) -> SidePicture:
    """One picture of all that the side photos show: each place from the photo that faces it best.

    Places that no photo shows are black and not `seen`.
    """
    parts = list(pictures.values())
    if len(parts) == 1:
        return parts[0]
    step = parts[0].theta_rad[1] - parts[0].theta_rad[0]
    shift = [round((p.theta_rad[0] - parts[0].theta_rad[0]) / step) for p in parts]
    turn = round(2 * np.pi / step)
    shift = [
        s - turn * round((s + len(p.theta_rad) / 2 - len(parts[0].theta_rad) / 2) / turn)
        for s, p in zip(shift, parts, strict=True)
    ]
    low, high = min(shift), max(s + len(p.theta_rad) for s, p in zip(shift, parts, strict=True))
    rows = len(parts[0].z_mm)
    pixels = np.zeros((rows, high - low, 3), np.uint8)
    facing, seen = np.full((rows, high - low), -1.0, np.float32), np.zeros((rows, high - low), bool)
    at_px = np.full((rows, high - low, 2), -1, np.float32)
    for s, p in zip(shift, parts, strict=True):
        where = slice(s - low, s - low + len(p.theta_rad))
        better = p.seen & (p.facing > facing[:, where])
        pixels[:, where][better] = p.pixels[better]
        facing[:, where][better] = p.facing[better]
        at_px[:, where][better] = p.at_px[better]
        seen[:, where] |= p.seen
    theta = parts[0].theta_rad[0] + (np.arange(high - low) + low) * step
    return SidePicture(pixels, theta, parts[0].z_mm, parts[0].px_per_mm, facing, seen, at_px, "both")
