"""Why a photo shows no card that can be read: too dark, burnt out, blurred, or just not there."""

import cv2
import numpy as np
from numpy.typing import NDArray

from qc.card_layout import CORNERS
from qc.photo import Photo

DARK = 60  # grey levels of the photo's brightest parts below which marker and paper cannot be told apart
WHITE = 250  # grey levels of half the photo above which the print has drowned in light
BLURRED_PX = 4.5  # width of the steepest edges in a 2000 pixel photo; sharp photos have 3 and less


def why_no_card(photo: Photo, corners: int) -> str:
    """One sentence: what keeps the card from being read, and what to do."""
    if corners > 0:
        return (
            f"{photo.said} shows only {corners} of a card panel's {CORNERS} corners; "
            "clear what hides the card and take the photo with the whole card in it."
        )
    step = max(1, max(photo.pixels.shape[:2]) // 1000)
    grey = cv2.cvtColor(np.ascontiguousarray(photo.pixels[::step, ::step]), cv2.COLOR_RGB2GRAY)
    middle, bright = np.percentile(np.asarray(grey), [50, 98])
    if bright < DARK:
        return f"{photo.said} is too dark for the card to be read; bring more light to the bench and take it again."
    if middle > WHITE:
        return f"{photo.said} is burnt out to white; take a lamp away or turn the exposure down, and take it again."
    if edge_width_px(photo.pixels) > BLURRED_PX:
        return f"{photo.said} is too blurred for the card to be read; hold still, tap to focus and take it again."
    return (
        f"{photo.said} does not show the reference card, or shows it too small or covered; "
        "stand the card beside the board, whole and in the light, and take the photo again."
    )


def edge_width_px(pixels: NDArray[np.uint8]) -> float:
    """How wide the steepest edges of a photo are: 10 to 90 % of their height, in pixels of a 2000 pixel photo.

    An edge of height h blurred by s rises at most h / (s sqrt(2 pi)) a pixel, and from 10 to 90 % over 2.56 s.
    """
    scale = 2000 / max(pixels.shape[:2])
    size = (round(pixels.shape[1] * scale), round(pixels.shape[0] * scale))
    small = cv2.cvtColor(cv2.resize(pixels, size, interpolation=cv2.INTER_AREA), cv2.COLOR_RGB2GRAY)
    grey = np.asarray(small, np.float32)
    slope = np.hypot(cv2.Sobel(grey, cv2.CV_32F, 1, 0, scale=1 / 8), cv2.Sobel(grey, cv2.CV_32F, 0, 1, scale=1 / 8))
    steepest = float(np.percentile(slope[::2, ::2], 99.9))
    low, high = np.percentile(grey[::8, ::8], [3, 97])
    return float(2.56 / np.sqrt(2 * np.pi) * (high - low) / max(steepest, 1e-3))
