"""The body's quantities, as measurements.md defines them, from the fitted shape."""

import numpy as np
from numpy.typing import NDArray

from qc.body import HIGH, LOW, Body

Array = NDArray[np.float64]
_THETA = np.linspace(0, 2 * np.pi, 180, endpoint=False)
UPR = 15  # undulations per revolution of the roundness filter (ISO 12181-2)


def outline_radius_mm(body: Body, theta_rad: Array = _THETA) -> Array:
    """Plan outline: distance from the origin of the outline seen from straight above, at directions theta."""
    z = np.linspace(0, 1, 60)[:, None] * body.height_mm
    wall = _wall_radius(body, theta_rad, z)
    c = body.centre_mm(z[:, 0])
    along = c[:, :1] * np.cos(theta_rad) + c[:, 1:] * np.sin(theta_rad)
    return (wall + along).max(0)


def _wall_radius(body: Body, theta: Array, z: Array) -> Array:
    """Radius about the centre line at heights z (K, 1), the rounded edge included; (K, len(theta))."""
    r = body.side_radius_mm(theta[None], z)
    rim = body.radius_mm
    top = body.top_z_mm(rim * np.cos(theta), rim * np.sin(theta))[None]
    over = np.clip(z - (top - body.edge_mm), 0, body.edge_mm)
    r = r - body.edge_mm + np.sqrt(np.maximum(body.edge_mm**2 - over**2, 0))
    return np.where(z <= top, r, 0.0)


def section_mean_mm(body: Body, share: float) -> float:
    """Mean radius of the cross-section at a share of the height."""
    return float(_wall_radius(body, _THETA, np.array([[share * body.height_mm]])).mean())


def quantities(body: Body, board_xy: Array) -> Array:
    """Signed components from which all shape quantities follow.

    Returns
    -------
    ndarray, shape (12,)
        diameter, height, level towards 3 and towards 12 o'clock (rise across the diameter), dome, lean towards 3 and
        12, taper, board offset x and y, plan centre x and y.
    """
    r = outline_radius_mm(body)
    cx, cy = 2 * np.mean(r * np.cos(_THETA)), 2 * np.mean(r * np.sin(_THETA))
    diameter = 2 * float(r.mean())
    height = body.height_mm + body.slope[0] * cx + body.slope[1] * cy
    taper = 2 * (section_mean_mm(body, HIGH) - section_mean_mm(body, LOW))
    return np.array(
        [diameter, height, *(diameter * body.slope), body.dome_mm, *body.lean_mm, taper, cx - board_xy[0],
         cy - board_xy[1], cx, cy]
    )


def roundness_mm(body: Body) -> float:
    """Peak-to-valley roundness deviation about the least-squares circle, Gaussian low-pass at 15 upr (ISO 12181)."""
    r = outline_radius_mm(body)
    f = np.fft.rfft(r)
    n = np.arange(len(f))
    keep = 0.5 ** ((n / UPR) ** 2)
    keep[:2] = 0
    return float(np.ptp(np.fft.irfft(f * keep, len(r))))
