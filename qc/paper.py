"""The card's paper as the picture's white."""

import cv2
import numpy as np
from numpy.typing import NDArray

from qc.card import MARGIN_MM, SQUARE_MM, SQUARES, CardView, corner_mm
from qc.outline import linear_samples
from qc.photo import Photo

Array = NDArray[np.float64]


def paper_white(photo: Photo, card: CardView) -> Array | None:
    """Linear RGB (3,) of the card's white margin in a photo, or None where it is not seen or burnt out.

    The standing panel of a side photo is lit like the cake's side, the floor panel of a top photo like its top.
    """
    found = [p for p in ((card.standing, card.floor) if photo.name != "top" else (card.floor, card.standing)) if p]
    for panel in found:
        if len(panel.ids) < 8:
            continue
        to_px, _ = cv2.findHomography(corner_mm(panel.ids), panel.corners_px)
        if to_px is None:
            continue
        margin = cv2.perspectiveTransform(_margin_mm()[None], to_px)[0]
        inside = (margin > 2).all(1) & (margin < np.array([photo.width_px, photo.height_px]) - 3).all(1)
        if inside.sum() < 20:
            continue
        light = linear_samples(photo.pixels, margin[inside])
        white = np.median(light, axis=0).astype(float)
        if white.max() < 0.99:
            return white
    return None


def _margin_mm() -> Array:
    """Places in the middle of the white margin round a panel's chessboard (N, 2), from its top-left corner."""
    size = SQUARES * SQUARE_MM
    along = np.arange(4.0, size - 3, 4.0)
    out = 0.45 * MARGIN_MM
    sides = [
        (along, 0 * along - out),
        (along, 0 * along + size + out),
        (0 * along - out, along),
        (0 * along + size + out, along),
    ]
    return np.concatenate([np.stack(s, -1) for s in sides])
