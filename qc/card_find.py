"""Finding the reference card in a photo (first version: the library's own detector)."""

import cv2
import numpy as np

from qc.card import MARKER_MM, SQUARE_MM, SQUARES, CardView, PanelView, corner_mm
from qc.errors import CardError
from qc.photo import Photo


def find_card(photo: Photo) -> CardView:
    """Both panels' corners."""
    grey = cv2.cvtColor(photo.pixels, cv2.COLOR_RGB2GRAY)
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_100)
    found = {}
    for panel, first in (("floor", 0), ("standing", 24)):
        board = cv2.aruco.CharucoBoard((SQUARES, SQUARES), SQUARE_MM, MARKER_MM, dictionary, np.arange(24) + first)
        corners, ids, *_ = cv2.aruco.CharucoDetector(board).detectBoard(grey)
        if corners is None or ids is None or len(ids) < 6:
            continue
        ids, corners = np.ravel(ids).astype(np.int64), np.reshape(corners, (-1, 2)).astype(float)
        _, keep = cv2.findHomography(corner_mm(ids), corners, cv2.RANSAC, 3.0)
        ok = np.ravel(keep) > 0
        if ok.sum() >= 6:
            found[panel] = PanelView(panel, ids[ok], corners[ok], np.full(int(ok.sum()), 0.1))
    if not found:
        raise CardError(
            f"{photo.name}: the card cannot be found; lay it flat beside the board, whole and in the light."
        )
    return CardView(found.get("floor"), found.get("standing"))
