"""What is said of every edge along an outline's normals, by which `qc.edge_weights` tells the icing's from others."""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from qc.contour import Contour
from qc.finder import BOARD, BODY, CARD, DECORATION, OTHER, Finding

Array = NDArray[Any]
COUNT = 6  # edges of a profile that are weighed
NEAR, FAR, GAP = 3.0, 8.0, 0.8  # windows on either side of an edge (px per 2016 of width): from GAP to NEAR to FAR
BESIDE_NET = (-3.0, -1.5, 0.0, 1.5, 3.0)  # network pixels across at which the finder is asked
BLACK = 0.02  # of linear light, below which its logarithm says nothing
WORDS = 43


@dataclass(frozen=True)
class Profiles:
    """Light along the normals of some points of a contour.

    Attributes
    ----------
    index : ndarray, shape (N,)
        Of the contour's points.
    s : ndarray, shape (S,)
        Distances outwards, pixels.
    light : ndarray, shape (N, S, 3)
    slope : ndarray, shape (N, S)
        Size of its smoothed derivative.
    core : ndarray of bool, shape (S,)
        Where edges are looked for.
    noise : float
        Slope of what is no edge.
    """

    index: NDArray[np.int64]
    s: Array
    light: Array
    slope: Array
    core: NDArray[np.bool_]
    noise: float


def candidates(p: Profiles, peak: NDArray[np.bool_]) -> NDArray[np.int64]:
    """The strongest peaks (N, COUNT) of each profile, places along s; -1 where there are fewer."""
    size = np.where(peak & p.core, p.slope, 0.0)
    at = np.argpartition(-size, COUNT - 1, axis=1)[:, :COUNT]
    return np.where(np.take_along_axis(size, at, 1) > 0, at, -1)


def say(
    p: Profiles,
    at: NDArray[np.int64],
    contour: Contour,
    finding: Finding,
    sampled: Any,
    expected_px: float,
    zoom: float,
    plain: Array,
    end: Array,
) -> Array:
    """Words (N, COUNT, WORDS) of candidates (N, COUNT)."""
    n, size = p.slope.shape
    step = float(p.s[1] - p.s[0]) / zoom
    rows, k = np.arange(n)[:, None], np.maximum(at, 0)
    log = np.log(p.light + BLACK)
    lum = log.mean(-1)
    planes = np.stack([lum, log[..., 0] - log[..., 2], log[..., 1] - lum, lum * lum], -1)
    total = np.concatenate([np.zeros((n, 1, 4)), np.cumsum(planes, axis=1)], axis=1)

    def mean(low: float, high: float) -> Array:
        a = np.clip(k + round(low / step), 0, size - 1)
        b = np.clip(k + round(high / step), a + 1, size)
        return (total[rows, b] - total[rows, a]) / (b - a)[..., None]

    in_far, in_near = mean(-FAR, -NEAR), mean(-NEAR, -GAP)
    out_near, out_far = mean(GAP, NEAR), mean(NEAR, FAR)
    inside, across, outside = in_near - in_far, out_near - in_near, out_far - out_near
    rough = [np.sqrt(np.maximum(m[..., 3] - m[..., 0] ** 2, 0)) for m in (in_far, out_far)]
    here = p.slope[rows, k] + 1e-9
    edge = np.where(p.core, p.slope, 0.0)
    outer = np.maximum.accumulate(edge[:, ::-1], axis=1)[:, ::-1]
    inner = np.maximum.accumulate(edge, axis=1)
    gap = round(1.5 / step)
    further_out = outer[rows, np.minimum(k + gap, size - 1)]
    further_in = inner[rows, np.maximum(k - gap, 0)]
    s = p.s[k]
    points = contour.points_px[p.index][:, None] + s[..., None] * contour.normals[p.index][:, None]
    away = np.array(BESIDE_NET)[:, None, None, None] / finding.scale_px * contour.normals[p.index][None, :, None]
    seen = sampled(finding, points + away)  # (6, 5, N, COUNT)
    normal = np.broadcast_to(contour.normals[p.index][:, None], (n, COUNT, 2))

    def wide(v: Array) -> Array:
        return np.broadcast_to(np.asarray(v, float)[:, None], (n, COUNT))

    words = [
        np.log(here / p.noise),
        np.log(here / (edge.max(1)[:, None] + 1e-9)),
        np.clip(np.log((further_out + 1e-9) / here), -3, 3),
        np.clip(np.log((further_in + 1e-9) / here), -3, 3),
        s / zoom / 8,
        np.abs(s) / expected_px,
        (s / expected_px) ** 2 / 4,
        np.full(s.shape, expected_px / zoom / 4),
        inside[..., 0],
        across[..., 0],
        outside[..., 0],
        *(np.abs(d[..., c]) for d in (inside, across, outside) for c in (1, 2)),
        across[..., 1],
        across[..., 2],
        np.abs(inside[..., 0]),
        np.abs(across[..., 0]),
        np.abs(outside[..., 0]),
        in_near[..., 0],
        out_near[..., 0],
        *rough,
        *(seen[BODY, j] for j in range(5)),
        *(seen[BOARD, j] for j in (2, 3, 4)),
        seen[OTHER, 4],
        seen[CARD, 4],
        seen[DECORATION, 4],
        wide(contour.foot[p.index]),
        wide(plain),
        np.clip((end[:, None] - s) / zoom / 8, -1, 2),
        normal[..., 0] ** 2,
        normal[..., 1],
        np.full(s.shape, zoom),
    ]
    return np.stack(words, -1)
