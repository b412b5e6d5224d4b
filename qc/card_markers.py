"""The card's markers in a reduced picture: which panels are there, and roughly where."""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from qc.card_layout import FIRST_ID, MARKERS, Array, dictionary, marker_mm
from qc.card_map import PanelMap, fit_robust, project

Grey = NDArray[np.uint8]
SMALLEST_PX = 36  # perimeter of the smallest marker; with 9 px a side its six cells can just be told apart


@dataclass(frozen=True)
class Reduced:
    """A smaller grey picture of a photo."""

    grey: Grey
    scale: float  # reduced pixels per photo pixel

    def to_photo(self, points: Array) -> Array:
        """Photo pixels of reduced pixels (pixel centres at integers in both)."""
        return (points + 0.5) / self.scale - 0.5


@dataclass(frozen=True)
class Markers:
    """One panel's markers, in photo pixels."""

    panel: str
    ids: NDArray[np.int64]  # (N,) 0..23 within the panel
    corners_px: Array  # (N, 4, 2)

    def points(self) -> tuple[Array, Array]:
        """Panel mm (4N, 2) and photo px (4N, 2) of the markers' corners."""
        return marker_mm(self.panel)[self.ids].reshape(-1, 2), self.corners_px.reshape(-1, 2)


def reduced(grey: Grey, long_px: int) -> Reduced:
    """A picture whose longer side is `long_px`, or the photo itself when it is smaller."""
    scale = long_px / max(grey.shape)
    if scale >= 1:
        return Reduced(grey, 1.0)
    size = (round(grey.shape[1] * scale), round(grey.shape[0] * scale))
    return Reduced(np.asarray(cv2.resize(grey, size, interpolation=cv2.INTER_AREA), np.uint8), size[0] / grey.shape[1])


def find_markers(picture: Reduced) -> dict[str, Markers]:
    """All of the card's markers that can be read, by panel; an id seen twice is in the list twice."""
    settings = cv2.aruco.DetectorParameters()
    settings.minMarkerPerimeterRate = SMALLEST_PX / max(picture.grey.shape)
    corners, ids, _ = cv2.aruco.ArucoDetector(dictionary(), settings).detectMarkers(picture.grey)
    if ids is None or len(ids) == 0:
        return {}
    ids = np.ravel(ids)
    places = picture.to_photo(np.asarray(corners, float).reshape(-1, 4, 2))
    out = {}
    for panel, first in FIRST_ID.items():
        mine = (ids >= first) & (ids < first + MARKERS)
        if mine.any():
            out[panel] = Markers(panel, (ids[mine] - first).astype(np.int64), places[mine])
    return out


def seen_twice(markers: Markers) -> int:
    """How many of a panel's markers were read at two places that are farther apart than a marker is large."""
    twice = 0
    for number in np.unique(markers.ids):
        mine = markers.corners_px[markers.ids == number]
        middles = mine.mean(1)
        side = np.linalg.norm(np.diff(mine, axis=1), axis=2).max()
        twice += int(np.linalg.norm(middles - middles[0], axis=1).max() > 1.5 * side)
    return twice


def rough_map(markers: Markers, noise_px: float) -> PanelMap | None:
    """A panel's map from its markers, None when fewer than two of them agree."""
    if len(markers.ids) < 2:
        return None
    points_mm, points_px = markers.points()
    found, away = fit_robust(points_mm, points_px, np.ones(len(points_mm)), 2, noise_px)
    if found is None or not upright(found.homography):
        return None
    agreeing = (away.reshape(-1, 4) < 6 * noise_px).all(1)
    return found if agreeing.sum() >= 2 else None


def upright(homography: Array) -> bool:
    """Whether the panel is seen from its printed side and lies before the camera."""
    square = np.array([[0.0, 0], [105, 0], [105, 105], [0, 105]])
    depth = square @ homography[2, :2] + homography[2, 2]
    if (depth <= 0).any() if depth[0] > 0 else (depth >= 0).any():
        return False
    q = project(homography, square)
    a, b = q[1] - q[0], q[2] - q[1]
    return bool(a[0] * b[1] - a[1] * b[0] > 0)
