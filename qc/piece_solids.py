"""Decorations as solids on the top, and how they and the top's rim lie in a photo."""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from qc.body import Body
from qc.camera import View
from qc.decoration_kinds import KindFit
from qc.decoration_shapes import SHAPES

Array = NDArray[np.float64]
FAINT = -1e9  # of a row of pixels: above every picture
_ROUND = np.linspace(0, 2 * np.pi, 16, endpoint=False)
_UP = np.array([s.height_share for s in SHAPES])
_OUT = np.array([s.radius_share for s in SHAPES])
_LOWER_UP = np.linspace(0, 1, 10) * np.maximum(_UP[np.arange(len(SHAPES)), _OUT.argmax(1)], 0.1)[:, None]
_LOWER_OUT = np.array([np.interp(up, s.height_share, s.radius_share) for up, s in zip(_LOWER_UP, SHAPES, strict=True)])
_RIM = np.linspace(0, 2 * np.pi, 180, endpoint=False)


@dataclass(frozen=True)
class Solids:
    """The pieces as solids that stand on the top, each with several shapes that it may have.

    Attributes
    ----------
    centre_mm : (K, N, 2), radius_mm : (K, N), height_mm : (K, N), for each of the K shapes
    share : (K, N) probability of each shape
    kind : (N,) number of the kind that a piece belongs to
    """

    centre_mm: Array
    radius_mm: Array
    height_mm: Array
    share: Array
    kind: NDArray[np.int64]

    def turned(self, turn_rad: float) -> "Solids":
        """The same pieces turned about the cake's axis."""
        centre = self.centre_mm @ turn_matrix(turn_rad).T
        return Solids(centre, self.radius_mm, self.height_mm, self.share, self.kind)

    def likeliest(self) -> NDArray[np.int64]:
        """Number (N,) of the likeliest shape of each piece."""
        return np.asarray(self.share.argmax(0), np.int64)


def solids_of(kinds: tuple[KindFit, ...]) -> Solids:
    """Solids of all pieces, in the order in which the kinds number them."""
    n = sum(len(k.members) for k in kinds)
    count = len(SHAPES)
    centre, radius = np.zeros((count, n, 2)), np.zeros((count, n))
    height, share, number = np.zeros((count, n)), np.zeros((count, n)), np.zeros(n, np.int64)
    for j, kind in enumerate(kinds):
        at = kind.members
        centre[:, at] = [f.centres_mm for f in kind.fits]
        radius[:, at] = [f.radii_mm * np.sqrt(1 + 0.5 * (f.harmonics**2).sum(1)) for f in kind.fits]
        height[:, at] = [2 * f.height_ratio * f.radii_mm for f in kind.fits]
        share[:, at], number[at] = kind.share[:, None], j
    return Solids(centre, radius, height, share, number)


def turn_matrix(angle_rad: float) -> Array:
    """Rotation (2, 2) about the cake's axis."""
    c, s = np.cos(angle_rad), np.sin(angle_rad)
    return np.array([[c, -s], [s, c]])


def rim_mm(body: Body) -> Array:
    """Points (180, 3) where the top turns into the side."""
    r = body.radius_mm - 0.3 * body.edge_mm
    return body.top_point_mm(r * np.cos(_RIM), r * np.sin(_RIM))


def front_arc(curve_px: Array, depth: Array) -> tuple[Array, Array]:
    """The nearer one of a closed curve's two arcs between its left and right end, as rows over columns."""
    u, v = curve_px.T
    n = len(u)
    left, right = int(u.argmin()), int(u.argmax())
    one = (left + np.arange((right - left) % n + 1)) % n
    other = (left - np.arange((left - right) % n + 1)) % n
    near = one if depth[one].mean() < depth[other].mean() else other
    return np.maximum.accumulate(u[near]), v[near]


def near_arcs_mm(solids: Solids, shapes: NDArray[np.int64], body: Body, eye_mm: Array) -> Array:
    """The half that faces the camera of each solid's circles up to its widest: (M, 10, 25, 3), from left to right.

    shapes (M, 2): number of the shape and of the piece.
    """
    k, i = shapes.T
    c, r = solids.centre_mm[k, i], solids.radius_mm[k, i][:, None] * _LOWER_OUT[k]
    facing = np.arctan2(eye_mm[1] - c[:, 1], eye_mm[0] - c[:, 0])[:, None] + np.linspace(-0.5, 0.5, 25) * np.pi
    z = body.top_z_mm(*c.T)[:, None] + solids.height_mm[k, i][:, None] * _LOWER_UP[k]
    x = c[:, 0, None, None] + r[..., None] * np.cos(facing)[:, None]
    y = c[:, 1, None, None] + r[..., None] * np.sin(facing)[:, None]
    return np.stack([x, y, np.broadcast_to(z[..., None], x.shape)], -1)


def hulls_px(view: View, body: Body, solids: Solids, levels: int) -> list[Array]:
    """Outline (P, 2) of each piece in the photo."""
    k = solids.likeliest()
    i = np.arange(len(k))
    pick = np.linspace(0, len(SHAPES[0].height_share) - 1, levels).round().astype(int)
    c, r = solids.centre_mm[k, i], solids.radius_mm[k, i][:, None] * _OUT[k][:, pick]
    z = body.top_z_mm(*c.T)[:, None] + solids.height_mm[k, i][:, None] * _UP[k][:, pick]
    x = c[:, 0, None, None] + r[..., None] * np.cos(_ROUND)
    y = c[:, 1, None, None] + r[..., None] * np.sin(_ROUND)
    points = np.stack([x, y, np.broadcast_to(z[..., None], x.shape)], -1)
    px = view.project(points).reshape(len(k), -1, 2).astype(np.float32)
    return [np.asarray(cv2.convexHull(p)[:, 0], float) for p in px]


def chains(hull: Array) -> tuple[tuple[Array, Array], tuple[Array, Array]]:
    """Upper and lower chain of a convex outline, as rows over columns."""
    n = len(hull)
    left, right = int(hull[:, 0].argmin()), int(hull[:, 0].argmax())
    one = hull[(left + np.arange((right - left) % n + 1)) % n]
    other = hull[(left - np.arange((left - right) % n + 1)) % n]
    upper, lower = (one, other) if one[:, 1].mean() < other[:, 1].mean() else (other, one)
    return (upper[:, 0], upper[:, 1]), (lower[:, 0], lower[:, 1])


def base_mm(solids: Solids) -> Array:
    """Radius (N,) of the circle on which each piece rests, the mean over its shapes."""
    out = np.array([shape.radius_share[0] for shape in SHAPES])
    return np.asarray((solids.share * out[:, None] * solids.radius_mm).sum(0) / solids.share.sum(0), float)
