"""Words in pictures: of a height in pixels, with an edge all round, so that they are read on cream and on chocolate."""

import cv2
import numpy as np
from numpy.typing import NDArray

Pixels = NDArray[np.uint8]
Colour = tuple[int, int, int]
FONT = cv2.FONT_HERSHEY_SIMPLEX
EDGE = 0.09  # width of the edge as a share of the height
_AT_ONE_PX = cv2.getTextSize("8", FONT, 1.0, 1)[0][1]  # height of a figure at scale 1


def width_px(text: str, height_px: float) -> int:
    """How wide a text is drawn."""
    return int(cv2.getTextSize(text, FONT, height_px / _AT_ONE_PX, _weight(height_px))[0][0])


def write(picture: Pixels, text: str, at: tuple[int, int], height_px: float, colour: Colour, edge: Colour) -> None:
    """Draw a text into a picture, shape (H, W, 3) RGB, its lower left corner at `at` (x, y).

    The edge is the text itself, shifted to eight sides: heavier strokes are not wider in every font of OpenCV.
    """
    size, weight, step = height_px / _AT_ONE_PX, _weight(height_px), max(1, round(EDGE * height_px))
    for dx, dy in ((-1, -1), (0, -1), (1, -1), (-1, 0), (1, 0), (-1, 1), (0, 1), (1, 1)):
        place = (at[0] + dx * step, at[1] + dy * step)
        cv2.putText(picture, text, place, FONT, size, edge, weight, cv2.LINE_AA)
    cv2.putText(picture, text, at, FONT, size, colour, weight, cv2.LINE_AA)


def _weight(height_px: float) -> int:
    return max(1, round(height_px / 11))
