"""Colour: CIELAB of linear pictures, and the CIEDE2000 distance.

Lab is relative to the D65 white of sRGB throughout (IEC 61966-2-1), never to D50.
"""

import numpy as np
from numpy.typing import ArrayLike, NDArray
from skimage.color import deltaE_ciede2000, xyz2lab

Array = NDArray[np.float64]

PAPER_REFLECTANCE = 0.86  # of white office paper, all channels alike (L* about 94; common practice)
LINEAR_TO_XYZ = np.array(  # IEC 61966-2-1: linear sRGB to CIE XYZ, D65
    [[0.4124564, 0.3575761, 0.1804375], [0.2126729, 0.7151522, 0.0721750], [0.0193339, 0.1191920, 0.9503041]]
)


def lab_of_linear(linear: ArrayLike) -> Array:
    """CIELAB (..., 3), D65, of linear sRGB (..., 3) where 1 is the perfect white."""
    xyz = np.asarray(linear, float) @ LINEAR_TO_XYZ.T
    white = LINEAR_TO_XYZ.sum(1)
    d65 = np.array([0.95047, 1.0, 1.08883])  # the white that the library divides by
    return np.asarray(xyz2lab(xyz / white * d65, illuminant="D65", observer="2"))


def delta_e2000(lab_a: ArrayLike, lab_b: ArrayLike) -> Array:
    """CIEDE2000 colour difference (...) of CIELAB colours (..., 3) (Sharma, Wu and Dalal, 2005)."""
    a, b = np.broadcast_arrays(np.asarray(lab_a, float), np.asarray(lab_b, float))
    return np.asarray(deltaE_ciede2000(a, b))


def luminance(linear: ArrayLike) -> Array:
    """Relative luminance (...) of linear sRGB (..., 3)."""
    return np.asarray(np.asarray(linear, float) @ LINEAR_TO_XYZ[1])
