"""Flattened, millimetre-true pictures of the top and of the side."""

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
    g = np.arange(n) / px_per_mm
    x, y = np.meshgrid(g - reach, reach - g)
    q = view.project(np.stack([x, y, body.top_z_mm(x, y) + over_mm], -1)).astype(np.float32)
    flat = cv2.remap(pixels, q[..., 0], q[..., 1], cv2.INTER_LINEAR)
    return TopPicture(np.asarray(flat, np.uint8), px_per_mm, reach)
