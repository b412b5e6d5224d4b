"""Sponge that is meant to show: how much of each place of a semi-naked side is sponge.

No row of such a side is free of sponge, so ridges can't be told by a median along the rows. What is known is the sponge
itself: its colour is that of the strongest places, and thin icing over it mixes both. The light of the ridges is the
mean along the row of what is not sponge; what it leaves is weighed by how the icing itself varies (the linear
discriminant; Fisher, Annals of Eugenics 7, 1936), so that ridges in two lights count by their colour where they are
deep and by their darkness where the sponge is dark.
"""

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from qc.colour import delta_e2000, lab_of_linear
from qc.shading import channel_mean

Array = NDArray[Any]
Mask = NDArray[np.bool_]


@dataclass(frozen=True)
class SpongeSettings:
    """How sponge is told from icing."""

    clip: tuple[float, float] = (-3.0, 1.0)  # log light: beyond are holes and mirrored lamps
    first_colour: float = 4.0  # CIEDE2000 at equal lightness that is taken for sponge before it is known ...
    first_dark: float = 0.5  # ... and log light
    row_mm: float = 60.0  # length of row whose icing tells the ridges' light
    beside_px: int = 2  # so near to sponge the icing does not tell it
    trust: float = 0.1  # share of a row that must be icing for half of what it tells to be believed
    rounds: int = 3  # of light, variation and sponge
    icing_below: float = 0.7  # of the limit: what tells the ridges' light in the next round
    calm: float = 0.95  # share of the icing by which its variation is judged: the rest is fringe
    grain: float = 0.01  # log light that no icing is calmer than
    # JPEG halves the resolution of colour, which widens what it tells: least RMS error on 56 rendered cakes with a
    # sixth to three fifths of sponge (1.6 % of the side, bias -0.3; 1.8 and -0.9 with 0.55, 1.9 and +0.4 with none)
    blurred: float = 0.3


def sponge_score(
    log: Array,
    ok: Mask,
    colour: Array,
    strong: Mask,
    own: Array,
    limit: float,
    px_per_mm: float,
    settings: SpongeSettings,
) -> Array:
    """How far (rows, cols) each place is on the way from icing to what counts as sponge: from 1 it does.

    Parameters
    ----------
    log : ndarray, shape (rows, cols, 3)
        Unlit picture, its colour smoothed.
    ok : ndarray, shape (rows, cols), bool
        Where the side is seen.
    colour : ndarray, shape (rows, cols)
        CIEDE2000 against the icing's own colour at equal lightness.
    strong : ndarray, shape (rows, cols), bool
        What is sponge for certain.
    own : ndarray, shape (3,)
        The icing's own linear colour, 1 the perfect white.
    limit : float
        CIEDE2000 from which it counts.
    px_per_mm : float
        Of the picture.
    """
    log = np.clip(log, *settings.clip).astype(np.float32)
    step = _at_limit(_deepest(log, colour, strong), own, limit)
    sponge = ok & ((colour > settings.first_colour) | (channel_mean(log) < -settings.first_dark))
    around = np.ones((2 * settings.beside_px + 1,) * 2, np.uint8)
    weigh = np.zeros(3)
    for _ in range(settings.rounds):
        icing = ok & (cv2.dilate(sponge.astype(np.uint8), around) == 0)
        flat = log - _along_rows(log, icing, int(settings.row_mm * px_per_mm) | 1, settings.trust)
        weigh = np.linalg.solve(_variation(flat[icing], settings), step)
        weigh /= weigh @ step  # 1 at the limit
        score = cv2.transform(flat, weigh[None].astype(np.float32))
        sponge = ok & (score > settings.icing_below)
    by_colour = max(float(weigh @ (step - step.mean())), 0.0)
    return np.asarray(score / (1 + settings.blurred * by_colour))


def _along_rows(log: Array, icing: Mask, width: int, trust: float) -> Array:
    """Mean (rows, cols, 3) of the icing along each row; drawn to nothing where the row hardly has any."""
    weight = icing.astype(np.float32)
    share = cv2.blur(weight, (width, 1)) + np.float32(trust)
    return np.asarray(cv2.blur(log * weight[..., None], (width, 1)) / share[..., None])


def _variation(icing: Array, settings: SpongeSettings) -> Array:
    """Covariance (3, 3) of the icing's own log colour (n, 3)."""
    least = settings.grain**2 * np.eye(3)
    size = np.abs(icing).max(1) if len(icing) else np.zeros(0)
    calm = icing[size <= np.quantile(size, settings.calm)] if len(size) > 50 else icing[:0]
    return np.asarray(np.cov(calm.T) + least if len(calm) else np.eye(3))


def _deepest(log: Array, colour: Array, strong: Mask) -> Array:
    """Log colour (3,) of bare sponge: of the stronger half of the strong places."""
    bare = strong & (colour >= np.median(colour[strong]))
    return np.asarray(np.median(log[bare], axis=0))


def _at_limit(sponge: Array, own: Array, limit: float) -> Array:
    """Log colour (3,) of the thinnest sponge over icing that is off by the limit."""
    share = np.linspace(0.005, 1, 200)[:, None]
    mixed = np.log(1 - share + share * np.exp(sponge))
    off = delta_e2000(lab_of_linear(np.minimum(own * np.exp(mixed), 1.5)), lab_of_linear(own)) > limit
    return np.asarray(mixed[int(off.argmax()) if off.any() else -1])
