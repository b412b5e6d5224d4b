"""Running medians along the rows of a picture, and the mean of its channels: what ridges are told by."""

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import median_filter

Array = NDArray[Any]
_THIRDS = np.full((1, 3), 1 / 3, np.float32)


def row_median(picture: Array, width: int) -> Array:
    """Running median (rows, cols) along the rows over an odd number of columns; the ends are carried on.

    The rows are laid end to end, with their ends carried on between them: scipy's median of one dimension is some ten
    times as fast as that of two.
    """
    half = width // 2
    padded = cv2.copyMakeBorder(picture, 0, 0, half, half, cv2.BORDER_REPLICATE)
    line = median_filter(padded.ravel(), 2 * half + 1, mode="nearest")
    return np.asarray(line.reshape(padded.shape)[:, half : half + picture.shape[1]])


def channel_mean(picture: Array) -> Array:
    """Mean (rows, cols) of the three channels of a float32 picture (rows, cols, 3)."""
    return np.asarray(cv2.transform(picture, _THIRDS))
