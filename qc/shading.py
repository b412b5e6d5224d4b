"""The icing with the light taken off: a smooth model of how the body is lit, and what is left.

The logarithm of the linear picture is a smooth function of direction and height on the side (the body's normal turns
evenly round it), or of the place on the top, plus what the icing itself does: colour, ridges, faults. The smooth part
is a low-order Chebyshev polynomial fitted with Tukey's biweight (Beaton and Tukey, 1974), so that faults, which are
small or few, don't take part. Where sponge is meant to show they are not few: the fit starts from the lighter part of
the picture.
"""

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from qc.silhouette import LINEAR

Array = NDArray[Any]
Picture = NDArray[Any]
_THIRDS = np.full((1, 3), 1 / 3, np.float32)


@dataclass(frozen=True)
class ShadingSettings:
    """How the light is modelled."""

    order_across: int = 7  # of the polynomial round the side; a window and two lamps bend it this much
    order_up: int = 3
    foot_mm: float = 7.0  # the board darkens or lights the foot over this height
    rim_mm: float = 3.0  # the rounded edge catches the ceiling over this height
    step: int = 5  # every fifth pixel of the picture takes part
    rounds: int = 9
    tukey: float = 4.0  # in standard deviations: from there a pixel counts nothing
    darkest: float = 2e-3  # of full light: below it is noise


@dataclass(frozen=True)
class Unlit:
    """A flattened picture without its light.

    Attributes
    ----------
    log : ndarray, shape (rows, cols, 3)
        Logarithm of linear RGB over the smooth light: 0 is the icing's own colour.
    light : ndarray, shape (3,)
        Typical linear RGB of the icing in the picture.
    spread : ndarray, shape (3,)
        Robust standard deviation of `log` where the icing is sound.
    """

    log: Picture
    light: Array
    spread: Array


def channel_mean(picture: Picture) -> Picture:
    """Mean (rows, cols) of the three channels of a float32 picture (rows, cols, 3)."""
    return np.asarray(cv2.transform(picture, _THIRDS))


def _columns(x: Array, y: Array, low: Array, high: Array, settings: ShadingSettings) -> Array:
    """Basis (n, k) at places x, y in -1..1, and the distances (mm) to the foot and the rim."""
    cx = np.polynomial.chebyshev.chebvander(x, settings.order_across)
    cy = np.polynomial.chebyshev.chebvander(y, settings.order_up)
    most = settings.order_across + 1
    parts = [
        cx[:, i] * cy[:, j]
        for i in range(settings.order_across + 1)
        for j in range(settings.order_up + 1)
        if i + j <= most
    ]
    foot, rim = np.exp(-low / settings.foot_mm), np.exp(-high / settings.rim_mm)
    parts += [edge * cx[:, i] for edge in (foot, rim) for i in range(4)]
    return np.stack(parts, 1)


def remove_light(
    pixels: NDArray[np.uint8], sound: NDArray[np.bool_], height_mm: float, px_per_mm: float, settings: ShadingSettings
) -> Unlit | None:
    """Take the light off a flattened picture.

    Parameters
    ----------
    pixels : ndarray, shape (rows, cols, 3), uint8
        Side or top picture; rows run down.
    sound : ndarray, shape (rows, cols), bool
        What is icing.
    height_mm : float
        Of the picture's rows (the foot is its last row).

    Returns
    -------
    Unlit or None
        None where hardly any icing is in the picture.
    """
    rows, cols = sound.shape
    log = cv2.LUT(pixels, np.log(np.maximum(LINEAR, np.float32(settings.darkest))))
    r, c = (v.ravel() for v in np.mgrid[2 : rows : settings.step, 2 : cols : settings.step])
    keep = sound[r, c]
    r, c = r[keep], c[keep]
    if len(r) < 400:
        return None
    basis = _at(r, c, rows, cols, height_mm, px_per_mm, settings)
    answer, spread = _fit(basis, cv2.blur(log, (3, 3))[r, c].astype(float), settings)
    light = np.exp(np.median(basis @ answer, axis=0))
    few_r, few_c = np.linspace(0, rows - 1, 60), np.linspace(0, cols - 1, 160)
    rr, cc = (v.ravel() for v in np.meshgrid(few_r, few_c, indexing="ij"))
    smooth = (_at(rr, cc, rows, cols, height_mm, px_per_mm, settings) @ answer).reshape(60, 160, 3).astype(np.float32)
    at_c = np.broadcast_to(np.linspace(0, 159, cols, dtype=np.float32)[None], (rows, cols))
    at_r = np.broadcast_to(np.linspace(0, 59, rows, dtype=np.float32)[:, None], (rows, cols))
    return Unlit(log - cv2.remap(smooth, at_c.copy(), at_r.copy(), cv2.INTER_LINEAR), light, spread)


def _at(
    r: Array, c: Array, rows: int, cols: int, height_mm: float, px_per_mm: float, settings: ShadingSettings
) -> Array:
    up = (rows - 1 - r) / px_per_mm
    return _columns(2 * c / (cols - 1) - 1, 2 * r / (rows - 1) - 1, up, height_mm - up, settings)


def _fit(basis: Array, values: Array, settings: ShadingSettings) -> tuple[Array, Array]:
    """Coefficients (k, 3) and robust spread (3,) of a fit that starts from the lighter part."""
    weight = np.ones(len(basis))
    tie = 1e-3 * np.eye(basis.shape[1])
    for i in range(settings.rounds):
        weighted = basis * weight[:, None]
        answer = np.linalg.solve(weighted.T @ basis + tie, weighted.T @ values)
        rest = values - basis @ answer
        if i < 4:  # towards the lighter part: asymmetric least squares (Newey and Powell, 1987)
            weight = np.where(rest.mean(1) > 0, 1.0, 0.05)
            continue
        above = np.abs(rest[rest.mean(1) > 0])  # the darker half may hold sponge; the lighter is the icing's own noise
        spread = np.maximum(1.4826 * np.median(above, axis=0), 0.01)
        far = (np.abs(rest) / spread).max(1) / settings.tukey
        weight = np.where(far < 1, (1 - far**2) ** 2, 0.0)
    return answer, spread
