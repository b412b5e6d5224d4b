"""Lens and pose: millimetres to pixels and back.

Convention (OpenCV): camera x right, y down, z forward. Pixel origin: the centre of the top-left pixel is (0, 0), of
the upright picture (after the EXIF orientation was applied); the lens model is radially symmetric, so an orientation
only moves its principal point.
"""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray

FULL_FRAME_DIAGONAL_MM = 43.27  # CIPA DCG-001: diagonal of the 36 x 24 mm frame
Array = NDArray[np.float64]


@dataclass(frozen=True)
class Lens:
    """Pinhole with two radial terms: x_d = x (1 + k1 r^2 + k2 r^4)."""

    f_px: float
    cx_px: float
    cy_px: float
    k1: float = 0.0
    k2: float = 0.0

    @property
    def matrix(self) -> Array:
        """Camera matrix (3, 3)."""
        return np.array([[self.f_px, 0, self.cx_px], [0, self.f_px, self.cy_px], [0, 0, 1.0]])

    def to_pixels(self, points_cam: Array) -> Array:
        """Pixels (..., 2) of points (..., 3) in the camera frame."""
        x, y = points_cam[..., 0] / points_cam[..., 2], points_cam[..., 1] / points_cam[..., 2]
        r2 = x * x + y * y
        d = self.f_px * (1 + r2 * (self.k1 + r2 * self.k2))
        return np.stack([d * x + self.cx_px, d * y + self.cy_px], -1)

    def to_directions(self, points_px: Array) -> Array:
        """Directions (..., 3) with z = 1 in the camera frame of pixels (..., 2)."""
        out = np.ones((*points_px.shape[:-1], 3))
        x, y = (points_px[..., 0] - self.cx_px) / self.f_px, (points_px[..., 1] - self.cy_px) / self.f_px
        r2 = x * x + y * y
        shrink = 1 - self.k1 * r2  # of the distorted picture's radius, to first order
        for _ in range(2):  # Newton's
            inner = r2 * shrink * shrink
            first, second = self.k1 * inner, self.k2 * inner * inner
            shrink = shrink - (shrink * (1 + first + second) - 1) / (1 + 3 * first + 5 * second)
        out[..., 0], out[..., 1] = x * shrink, y * shrink
        return out


@dataclass(frozen=True)
class View:
    """One photo as seen from a frame of millimetres: X_cam = rotation X + translation.

    The frame is the cake frame unless a name says otherwise (origin where the cake's axis meets the board, Z up).
    """

    lens: Lens
    rotation: Array  # (3, 3)
    translation_mm: Array  # (3,)
    width_px: int
    height_px: int

    @property
    def eye_mm(self) -> Array:
        """The lens's place (3,) in the frame."""
        return -self.rotation.T @ self.translation_mm

    def to_camera(self, points_mm: ArrayLike) -> Array:
        """Points (..., 3) brought into the camera frame."""
        return np.asarray(points_mm, float) @ self.rotation.T + self.translation_mm

    def project(self, points_mm: ArrayLike) -> Array:
        """Pixels (..., 2) of points (..., 3)."""
        return self.lens.to_pixels(self.to_camera(points_mm))

    def rays(self, points_px: ArrayLike) -> Array:
        """Unit directions (..., 3), in the frame, of lines of sight through pixels (..., 2); they start at eye_mm."""
        d = self.lens.to_directions(np.asarray(points_px, float)) @ self.rotation
        d /= np.sqrt(np.einsum("...i,...i->...", d, d))[..., None]
        return d

    def onto_height(self, points_px: ArrayLike, z_mm: float = 0.0) -> Array:
        """Where lines of sight meet the plane Z = z_mm: points (..., 3)."""
        d, eye = self.rays(points_px), self.eye_mm
        return eye + d * ((z_mm - eye[2]) / d[..., 2:])

    def px_per_mm(self, point_mm: ArrayLike) -> float:
        """Picture scale for displacements across the line of sight at a point (3,)."""
        return float(self.lens.f_px / self.to_camera(point_mm)[..., 2])


def focal_px_from_35mm(focal_35mm: float, width_px: int, height_px: int) -> float:
    """Focal length in pixels of a 35 mm-equivalent one, by the diagonal (CIPA DCG-001)."""
    return float(focal_35mm * np.hypot(width_px, height_px) / FULL_FRAME_DIAGONAL_MM)


def rotation_of(rotvec: Array) -> Array:
    """Rotation matrix (3, 3) of a rotation vector (3,)."""
    return np.asarray(cv2.Rodrigues(np.asarray(rotvec, float))[0], float)
