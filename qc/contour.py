"""Where the contours of body and board run in a photo, predicted from their shape.

A pixel's clearance is how far its line of sight passes the body by (mm, negative when it hits). The contour is where
the clearance is zero, so silhouettes, the rounded rim and the line where the icing meets the board are one thing.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from qc.body import Body
from qc.camera import View

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Board:
    """The cake board in the cake frame: upper face at z = 0, lower face on the bench at z = -thickness."""

    half_mm: float  # radius, or half the side of a square board
    x_mm: float
    y_mm: float
    thickness_mm: float
    turn_rad: float  # of a square board
    square: bool
    rounding_mm: float = 0.5  # of its edges: cut card and wrapped drums are not sharp (common practice)

    def distance_mm(self, x: Array, y: Array) -> Array:
        """Signed distance of places (x, y) from the board's edge, positive outside."""
        dx, dy = x - self.x_mm, y - self.y_mm
        if not self.square:
            return np.hypot(dx, dy) - self.half_mm
        c, s = np.cos(self.turn_rad), np.sin(self.turn_rad)
        u, v = np.abs(c * dx + s * dy) - self.half_mm, np.abs(-s * dx + c * dy) - self.half_mm
        return np.hypot(np.maximum(u, 0), np.maximum(v, 0)) + np.minimum(np.maximum(u, v), 0)

    def outward(self, x: Array, y: Array) -> Array:
        """Horizontal unit vectors (N, 2) away from the board across the edge nearest to places (x, y)."""
        d = np.stack([x - self.x_mm, y - self.y_mm], -1)
        if not self.square:
            return np.asarray(d / np.maximum(np.linalg.norm(d, axis=-1, keepdims=True), 1e-9), np.float64)
        c, s = np.cos(self.turn_rad), np.sin(self.turn_rad)
        axes = np.array([[c, s], [-s, c]])
        along = d @ axes.T
        nearest = np.abs(along).argmax(-1)
        sign = np.sign(np.take_along_axis(along, nearest[:, None], -1))
        return np.asarray(sign * axes[nearest], np.float64)

    def outline(self, eye_mm: Array, places: Array, normals: Array) -> tuple[Array, Array]:
        """How far inside (N,) and how far from the face (N,) a lens sees the rounded edge at places (N, 2) end, mm.

        `eye_mm` is the lens (3,), or that of each place (N, 3).
        The line of sight touches the rounding where its normal, which leans from the horizontal by the angle `lean`, is
        at right angles to it: seen flat that is at the face, seen from above at the wall.
        """
        to_eye = eye_mm[..., :2] - places
        lean = np.arctan2(np.abs((to_eye * normals).sum(-1)), np.maximum(eye_mm[..., 2], 1e-6))
        return self.rounding_mm * (1 - np.cos(lean)), self.rounding_mm * (1 - np.sin(lean))

    def edge_points(self, count: int) -> tuple[Array, Array]:
        """Places (count, 2) along the edge and outward normals (count, 2)."""
        a = np.linspace(0, 2 * np.pi, count, endpoint=False) + 0.01
        if not self.square:
            n = np.stack([np.cos(a), np.sin(a)], -1)
            return n * self.half_mm + [self.x_mm, self.y_mm], n
        side, t = np.divmod(np.arange(count) * 4 / count, 1)
        along = (2 * t - 1) * self.half_mm
        turn = self.turn_rad + side * np.pi / 2
        n = np.stack([np.cos(turn), np.sin(turn)], -1)
        tangent = np.stack([-n[:, 1], n[:, 0]], -1)
        return n * self.half_mm + tangent * along[:, None] + [self.x_mm, self.y_mm], n


@dataclass(frozen=True)
class Grazing:
    """Clearance of lines of sight, and where along them they come nearest.

    `along_mm` is the distance from the lens to the nearest place; `foot` marks lines that reach the board there.
    """

    clearance_mm: Array
    along_mm: Array
    foot: NDArray[np.bool_]


FULL_SEARCH, ROUGH_SEARCH = (15, 7, 7, 5), (9, 5)  # samples of each narrower look along a line
NEAR_MM = (8.0, 3.0, 1.0)  # where the place is known roughly: half-widths of the parabolas that follow it


def graze(
    eye_mm: Array, directions: Array, body: Body, near_mm: Array | None = None, samples: tuple[int, ...] = FULL_SEARCH
) -> Grazing:
    """Nearest approach of lines of sight (N, 3) to the body above the board, by a bracketed search.

    They start at one lens (3,) or at one each (N, 3). With near_mm (N,), distances from it that are known roughly, the
    places are followed from there.
    """
    with np.errstate(divide="ignore"):
        to_board = np.where(directions[:, 2] < -1e-9, -eye_mm[..., 2] / directions[:, 2], np.inf)
    if near_mm is not None:
        best = _followed(eye_mm, directions, body, near_mm, to_board)
    else:
        best = _sought(eye_mm, directions, body, to_board, samples)
    clearance = body.distance_mm(eye_mm + best[:, None] * directions)
    return Grazing(clearance, best, best >= to_board - 0.02)


def _sought(eye_mm: Array, directions: Array, body: Body, to_board: Array, samples: tuple[int, ...]) -> Array:
    """Where along lines of sight (N, 3) the body is nearest (N,), wherever it lies."""
    centre = ((np.array([0.0, 0.0, 0.5 * body.height_mm]) - eye_mm) * directions).sum(1)
    reach = 1.2 * np.hypot(body.radius_mm, body.height_mm)
    low, high = centre - reach, np.minimum(centre + reach, to_board)
    low = np.minimum(low, high - 1e-3)
    columns = np.ascontiguousarray(directions.T)[..., None]
    for look, count in enumerate(samples, 1):
        t = low[:, None] + (high - low)[:, None] * np.linspace(0, 1, count)
        x, y, z = (e + t * along for e, along in zip(eye_mm.T[..., None], columns, strict=True))
        d = body.distance_at_mm(x, y, z, waves=look == len(samples))
        k = d.argmin(1)
        step = (high - low) / (count - 1)
        best = low + k * step
        low, high = np.maximum(best - step, low), np.minimum(best + step, high)
    rows = np.arange(len(t))
    inner = (k > 0) & (k < count - 1)
    before, here, after = d[rows, np.maximum(k - 1, 0)], d[rows, k], d[rows, np.minimum(k + 1, count - 1)]
    return best + np.where(inner, _lowest(before, here, after, 0.5), 0.0) * step


def _followed(eye_mm: Array, directions: Array, body: Body, near_mm: Array, to_board: Array) -> Array:
    """Where along lines of sight (N, 3) the body is nearest (N,), near places that are known roughly."""
    best, columns = near_mm, np.ascontiguousarray(directions.T)[:, None]
    for half in NEAR_MM:
        t = np.minimum(best, to_board - half) + np.array([[-half], [0.0], [half]])
        x, y, z = (e + t * along for e, along in zip(eye_mm.T, columns, strict=True))
        before, here, after = body.distance_at_mm(x, y, z)
        best = np.minimum(t[1] + half * _lowest(before, here, after, 1.0), to_board)
    return best


def _lowest(before: Array, here: Array, after: Array, most: float) -> Array:
    """Where the parabola through three values, a step apart, is lowest: steps from the middle one, `most` at most."""
    curve = before - 2 * here + after
    bent = np.maximum(curve, 1e-12)  # where they lie on a line the lower end is far off
    return np.clip(0.5 * (before - after) / bent, -most, most)


@dataclass(frozen=True)
class Contour:
    """Points of a predicted contour.

    points_px (N, 2), outward normals (N, 2) in the picture, gradient_mm (N,): clearance gained per pixel outwards, and
    along_mm (N,): where the lines of sight graze the body, of the body's own contours.
    """

    points_px: Array
    normals: Array
    gradient_mm: Array
    foot: NDArray[np.bool_]
    along_mm: Array | None = None


SHIFT_PX = 0.75
_SHIFTS = SHIFT_PX * np.array([[1, 0], [-1, 0], [0, 1], [0, -1]])[:, None]


def clearance_gradient(view: View, body: Body, points_px: Array, near_mm: Array | None = None) -> tuple[Grazing, Array]:
    """Clearance at pixels (N, 2) and its gradient (N, 2) in mm per pixel; near_mm as for `graze`.

    Where a line of sight passes nearest, the place does not matter to first order: neighbouring lines are looked at at
    the same distance from the lens, or on the board when the line ends there.
    """
    return _clearance_gradient(view.eye_mm, view.rays(points_px), view.rays(points_px + _SHIFTS), body, near_mm)


def _clearance_gradient(
    eye_mm: Array, rays: Array, beside: Array, body: Body, near_mm: Array | None
) -> tuple[Grazing, Array]:
    """`clearance_gradient` from lines of sight (N, 3) and those through the pixels' four neighbours (4, N, 3)."""
    g = graze(eye_mm, rays, body, near_mm)
    along = np.where(g.foot, -eye_mm[..., 2] / beside[..., 2], g.along_mm)
    c = body.distance_mm(eye_mm + along[..., None] * beside)
    return g, np.stack([c[0] - c[1], c[2] - c[3]], -1) / (2 * SHIFT_PX)


def body_contour(view: View, body: Body, count: int) -> Contour:
    """The body's outline in a photo: `body_contours` of one."""
    return body_contours([view], body, count)[0]


def body_contours(
    views: Sequence[View], body: Body, count: int, near_px: Sequence[Array] | None = None
) -> list[Contour]:
    """The body's outlines in photos: traced roughly outwards from its middle in `count` directions, then polished.

    All photos together take little longer than one. With near_px (count, 2) each, the outlines of a body and views that
    differ little, they are not traced again.
    """
    points = np.stack(_traced(views, body, count) if near_px is None else near_px)
    eye, along = np.repeat([v.eye_mm for v in views], count, axis=0), None  # the first time looked for everywhere
    for _ in range(3):
        rays = np.concatenate([v.rays(p) for v, p in zip(views, points, strict=True)])
        beside = np.concatenate([v.rays(p + _SHIFTS) for v, p in zip(views, points, strict=True)], axis=1)
        g, gradient = _clearance_gradient(eye, rays, beside, body, along)
        along = g.along_mm
        square = np.maximum((gradient**2).sum(1), 1e-12)
        step = np.clip(g.clearance_mm / square, -60, 60)[:, None] * gradient
        points = points - step.reshape(points.shape)
    size = np.sqrt(square)
    normals = gradient / size[:, None]
    parts = [slice(k * count, (k + 1) * count) for k in range(len(views))]
    return [Contour(p, normals[at], size[at], g.foot[at], g.along_mm[at]) for p, at in zip(points, parts, strict=True)]


TRACED = 64  # directions in which the outline is traced; between them it runs smoothly enough to begin with


def _traced(views: Sequence[View], body: Body, count: int) -> list[Array]:
    """Points (count, 2) near each photo's outline, by regula falsi with a bisection now and then."""
    middle_mm = np.array([0.0, 0.0, 0.5 * body.height_mm])
    middles, scales = [v.project(middle_mm) for v in views], np.array([v.px_per_mm(middle_mm) for v in views])
    asked, few = np.linspace(0, 2 * np.pi, count, endpoint=False), min(count, TRACED)
    a = np.linspace(0, 2 * np.pi, few, endpoint=False)
    u = np.stack([np.cos(a), np.sin(a)], -1)
    eye = np.repeat([v.eye_mm for v in views], few, axis=0)
    near = np.zeros((len(views), few))
    far = np.repeat(2.0 * scales[:, None] * np.hypot(body.radius_mm, body.height_mm), few, 1)

    def clearance(at: Array) -> Array:
        rays = [v.rays(middle + r[:, None] * u) for v, middle, r in zip(views, middles, at, strict=True)]
        return graze(eye, np.concatenate(rays), body, samples=ROUGH_SEARCH).clearance_mm.reshape(at.shape)

    f_near, f_far = clearance(near), clearance(far)
    for step in range(7):
        mid = (near * f_far - far * f_near) / (f_far - f_near) if step % 3 else 0.5 * (near + far)
        f = clearance(mid)
        inside = f < 0
        near, f_near = np.where(inside, mid, near), np.where(inside, f, f_near)
        far, f_far = np.where(inside, far, mid), np.where(inside, f_far, f)
    reach = (near * f_far - far * f_near) / (f_far - f_near)
    directions = np.stack([np.cos(asked), np.sin(asked)], -1)
    return [
        middle + np.interp(asked, a, r, period=2 * np.pi)[:, None] * directions
        for middle, r in zip(middles, reach, strict=True)
    ]


def board_contours(view: View, board: Board, count: int) -> tuple[Contour, Contour]:
    """Upper and lower edge of the board as seen, hidden parts included; `foot` marks where the wall faces the lens."""
    out = []
    places, n = board.edge_points(count)
    eye = view.eye_mm
    wall_seen = ((eye[:2] - places) * n).sum(1) > 0
    inside, off_face = board.outline(eye, places, n)
    for z in (-off_face, off_face - board.thickness_mm):
        at = np.concatenate([places - inside[:, None] * n, z[:, None]], 1)
        px = view.project(at)
        outwards = view.project(at + np.concatenate([n, np.zeros((count, 1))], 1) * 0.5)
        tangent = np.roll(px, -1, 0) - np.roll(px, 1, 0)
        normal = np.stack([tangent[:, 1], -tangent[:, 0]], -1)
        normal /= np.maximum(np.linalg.norm(normal, axis=1, keepdims=True), 1e-9)
        along = ((outwards - px) * normal).sum(1)
        normal *= np.sign(along)[:, None]
        out.append(Contour(px, normal, 0.5 / np.maximum(np.abs(along), 1e-6), wall_seen))
    return out[0], out[1]


def board_crossings(contour: Contour, edges: tuple[Contour, Contour], inside_px: float) -> Array:
    """How far outwards (N,) along the normals of a body's contour the board's edges cross them first.

    edges: as `board_contours` has them. Infinite where they do not, or only further inside than `inside_px`, where the
    cake hides them.
    """
    along = np.stack([-contour.normals[:, 1], contour.normals[:, 0]], -1)
    out = np.full(len(contour.points_px), np.inf)
    for edge, seen in zip(edges, (np.ones(len(edges[0].foot), bool), edges[1].foot), strict=True):
        sideways = along @ edge.points_px.T - (along * contour.points_px).sum(1)[:, None]
        outwards = contour.normals @ edge.points_px.T - (contour.normals * contour.points_px).sum(1)[:, None]
        ahead = np.roll(sideways, -1, 1)
        crossed = (sideways * ahead <= 0) & (sideways != ahead) & seen
        i, k = np.nonzero(crossed)
        share = sideways[i, k] / (sideways[i, k] - ahead[i, k])
        at = outwards[i, k] + share * (outwards[i, (k + 1) % len(seen)] - outwards[i, k])
        np.minimum.at(out, i, np.where(at > -inside_px, at, np.inf))
    return out
