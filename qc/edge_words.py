"""What is said of every edge along an outline's normals, by which `qc.edge_weights` tells the icing's from others.

The icing's edge is not always the strongest: amid sponge, glare and shade others are, and on a board of its colour it
is faint. What tells it is what lies on either side: how it stands out among the others of its profile, how light and
colour change towards it, across it and beyond it, and what the finder sees there.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from qc.contour import Contour
from qc.finder import BOARD, BODY, CARD, DECORATION, OTHER, Finding, net_samples

Array = NDArray[Any]
COUNT = 6  # edges of a profile that are weighed
NEAR, FAR, GAP = 3.0, 8.0, 0.8  # windows on either side of an edge (px per 2016 of width): from GAP to NEAR to FAR
BESIDE_NET = (-3.0, -1.5, 0.0, 1.5, 3.0)  # network pixels across at which the finder is asked
APART = 1.5  # px per 2016: nearer than this another edge is the same
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


@dataclass(frozen=True)
class Surroundings:
    """What is known of the surroundings of an icing's contour, for the choice among edges.

    plain (N,): outside lies plain board; board_px (N,): how far outwards the board's own edge crosses the normal,
    infinite where it does not: that edge is no edge of the icing; zoom: pixels per pixel of a photo 2016 wide.
    """

    finding: Finding
    plain: NDArray[np.bool_]
    board_px: Array
    zoom: float


def candidates(p: Profiles, peak: NDArray[np.bool_]) -> NDArray[np.int64]:
    """The strongest peaks (N, COUNT) of each profile, places along s; -1 where there are fewer."""
    size = np.where(peak & p.core, p.slope, 0.0)
    at = np.argpartition(-size, COUNT - 1, axis=1)[:, :COUNT]
    return np.where(np.take_along_axis(size, at, 1) > 0, at, -1)


def say(p: Profiles, at: NDArray[np.int64], contour: Contour, expected_px: float, around: Surroundings) -> Array:
    """What is said (N, COUNT, WORDS) of candidates (N, COUNT); `qc.edge_weights` weighs it in this order."""
    k, zoom = np.maximum(at, 0), around.zoom
    s = p.s[k]
    normals = contour.normals[p.index][:, None]
    sees = _finder_across(contour.points_px[p.index][:, None] + s[..., None] * normals, normals, around.finding)

    def alike(v: Array) -> Array:
        """The same of all candidates of a point."""
        return np.broadcast_to(np.asarray(v, float).reshape(-1, 1), s.shape)

    words = [
        *_standing_out(p, k, zoom),
        s / zoom / 8,
        np.abs(s) / expected_px,
        (s / expected_px) ** 2 / 4,
        np.full(s.shape, expected_px / zoom / 4),
        *_colours_beside(p, k, zoom),
        *sees,
        alike(contour.foot[p.index]),
        alike(around.plain[p.index]),
        np.clip((around.board_px[p.index, None] - s) / zoom / 8, -1, 2),
        alike(normals[..., 0] ** 2),
        alike(normals[..., 1]),
        np.full(s.shape, zoom),
    ]
    return np.stack(words, -1)


def _standing_out(p: Profiles, k: NDArray[np.int64], zoom: float) -> list[Array]:
    """How an edge stands out: over the noise, its profile's strongest, and the strongest further out and in."""
    rows, size = np.arange(len(k))[:, None], p.slope.shape[1]
    here, edge = p.slope[rows, k] + 1e-9, np.where(p.core, p.slope, 0.0)
    outer = np.maximum.accumulate(edge[:, ::-1], axis=1)[:, ::-1]
    inner = np.maximum.accumulate(edge, axis=1)
    gap = round(APART * zoom / float(p.s[1] - p.s[0]))
    beyond = outer[rows, np.minimum(k + gap, size - 1)], inner[rows, np.maximum(k - gap, 0)]
    return [
        np.log(here / p.noise),
        np.log(here / (edge.max(1)[:, None] + 1e-9)),
        *(np.clip(np.log((other + 1e-9) / here), -3, 3) for other in beyond),
    ]


def _colours_beside(p: Profiles, k: NDArray[np.int64], zoom: float) -> list[Array]:
    """How light and colour change near an edge: towards it from inside, across it, and away from it outside."""
    step, (n, size) = float(p.s[1] - p.s[0]) / zoom, p.slope.shape
    rows, log = np.arange(n)[:, None], np.log(p.light + BLACK)
    lum = log.mean(-1)
    planes = np.stack([lum, log[..., 0] - log[..., 2], log[..., 1] - lum, lum * lum], -1)
    total = np.concatenate([np.zeros((n, 1, 4)), np.cumsum(planes, axis=1)], axis=1)

    def mean(low: float, high: float) -> Array:
        a = np.clip(k + round(low / step), 0, size - 1)
        b = np.clip(k + round(high / step), a + 1, size)
        return np.asarray((total[rows, b] - total[rows, a]) / (b - a)[..., None])

    in_far, in_near, out_near, out_far = mean(-FAR, -NEAR), mean(-NEAR, -GAP), mean(GAP, NEAR), mean(NEAR, FAR)
    changes = (in_near - in_far, out_near - in_near, out_far - out_near)
    return [
        *(d[..., 0] for d in changes),
        *(np.abs(d[..., c]) for d in changes for c in (1, 2)),
        changes[1][..., 1],
        changes[1][..., 2],
        *(np.abs(d[..., 0]) for d in changes),
        in_near[..., 0],
        out_near[..., 0],
        *(np.sqrt(np.maximum(m[..., 3] - m[..., 0] ** 2, 0)) for m in (in_far, out_far)),  # how rough it is there
    ]


def _finder_across(points_px: Array, normals: Array, finding: Finding) -> list[Array]:
    """What the finder sees at and on both sides of edges at points (N, COUNT, 2) with normals (N, 1, 2)."""
    away = np.array(BESIDE_NET)[:, None, None, None] / finding.scale_px * normals
    seen = net_samples(finding, points_px + away)  # (6, len(BESIDE_NET), N, COUNT)
    return [*seen[BODY], *seen[BOARD, 2:], seen[OTHER, -1], seen[CARD, -1], seen[DECORATION, -1]]
