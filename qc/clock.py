"""The cake's clock: hours seen from above, 12 o'clock is +Y, 3 o'clock +X (DEVELOPERS.md, Frames)."""

import numpy as np
from numpy.typing import ArrayLike, NDArray


def clock_of(theta_rad: ArrayLike) -> NDArray[np.float64]:
    """Hours in (0, 12] of directions given counter-clockwise from +X in radians."""
    hours = (90 - np.degrees(np.asarray(theta_rad, float))) / 30 % 12
    return np.where(hours < 1e-9, 12.0, hours)


def theta_of(hours: ArrayLike) -> NDArray[np.float64]:
    """Radians counter-clockwise from +X of clock hours."""
    return np.radians(90 - 30 * np.asarray(hours, float))


def hours_between(a: ArrayLike, b: ArrayLike) -> NDArray[np.float64]:
    """Signed shortest way from b to a on the clock, in [-6, 6) hours."""
    return (np.asarray(a, float) - np.asarray(b, float) + 6) % 12 - 6
