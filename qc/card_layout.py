"""The reference card's layout (DEVELOPERS.md), and what a photo shows of it.

A panel's own coordinates are millimetres (u right, v down) from the top-left corner of its chessboard.
"""

from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np
from numpy.typing import NDArray

PANEL_MM, SQUARES, SQUARE_MM, MARKER_MM, MARGIN_MM = 120.0, 7, 15.0, 11.0, 7.5
THICKNESS_MM = 0.25  # printed face above the bench
FIRST_ID = {"floor": 0, "standing": 24}
MARKERS = 24  # on a panel
BOARD_MM = SQUARES * SQUARE_MM
CORNERS = (SQUARES - 1) ** 2  # inner corners of a panel

Array = NDArray[np.float64]


@dataclass(frozen=True)
class PanelView:
    """Inner chessboard corners of one panel found in a photo."""

    panel: str  # "floor" or "standing"
    ids: NDArray[np.int64]  # (N,) 0..35, reading order
    corners_px: Array  # (N, 2)
    sigma_px: Array  # (N,) standard uncertainty of each coordinate
    covariance_px2: Array | None = None  # (N, 2, 2) the same in full: seen at a grazing angle x and y differ much
    blur_px: float | None = None  # standard deviation of the edges' blur; 0.3 and less is as sharp as pixels allow
    paper: float | None = None  # linear light of the white paper, 0..1 of the sensor's range (median over the corners)
    ink: float | None = None  # the same of the black squares


@dataclass(frozen=True)
class CardView:
    """What a photo shows of the card; a panel that was not found has no entry."""

    floor: PanelView | None
    standing: PanelView | None

    @property
    def corner_count(self) -> int:
        return sum(len(p.ids) for p in (self.floor, self.standing) if p is not None)


def corner_mm(ids: NDArray[np.int64]) -> Array:
    """Nominal (u right, v down) mm (N, 2) of inner corners from the top-left corner of a panel's chessboard."""
    ids = np.asarray(ids)
    return SQUARE_MM * np.stack([1 + ids % (SQUARES - 1), 1 + ids // (SQUARES - 1)], -1).astype(float)


def dictionary() -> cv2.aruco.Dictionary:
    """The markers' dictionary."""
    return cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_100)


def board(panel: str) -> cv2.aruco.CharucoBoard:
    """OpenCV's description of one panel."""
    ids = np.arange(MARKERS) + FIRST_ID[panel]
    return cv2.aruco.CharucoBoard((SQUARES, SQUARES), SQUARE_MM, MARKER_MM, dictionary(), ids)


@lru_cache(maxsize=4)
def marker_mm(panel: str) -> Array:
    """Corners (24, 4, 2) in panel mm of its markers, in the order of their ids and of OpenCV's marker corners."""
    return np.asarray(board(panel).getObjPoints(), float)[..., :2]
