"""Iced bodies of many kinds for the teaching pictures: quick, coarse (about 1 mm) and far more varied than geometry.py.

A body is a side (unrolled texture: u around, v from the rim down to the foot) and a top (planar texture); a cut cake
has two cut faces more. Nothing here is measured: for exact truth use geometry.py.
"""

from dataclasses import dataclass

import cv2
import numpy as np

from . import paints, surfaces
from .geometry import TAU, grid_faces, smoothstep
from .things import CREAM, FONDANT, GLOSS, MATT, SATIN, Thing, vertex_normals

SIDES = ("smooth", "combed", "ribbed", "rustic", "ruffled", "fondant", "naked", "fingers", "coated", "spiral", "petals")
HELD_OUT_SIDE = "zigzag"  # never in training: the style that the evaluation keeps for itself
COLS, EDGE_ROWS, TOP_ROWS = 480, 14, 60


@dataclass(frozen=True)
class Tier:
    """One tier: its things and where the next tier or the toppings stand."""

    things: tuple[Thing, ...]
    radius: float
    height: float
    edge: float
    finish: str
    rgb: np.ndarray
    gap: tuple[float, float] | None  # start and width (rad) of a missing wedge


def sample_tier(rng, radius, height, finish, rgb, cut=None, topless=False):
    """Build one tier standing on z = 0 with the given nominal size (mm)."""
    edge = _edge(rng, finish, radius, height)
    rows = int(np.clip(height / 0.9, 50, 150))
    th = np.linspace(0, TAU, COLS + 1)[None]
    z = np.linspace(0, height - edge, rows)[:, None] + 0 * th
    phi = np.linspace(0, np.pi / 2, EDGE_ROWS + 1)[1:, None]
    ze = height - edge + edge * np.sin(phi) + 0 * th
    z = np.concatenate([z, ze])
    inset = np.concatenate([np.zeros((rows, 1)), edge * (1 - np.cos(phi))])
    relief = side_relief(rng, finish, radius, height, th, z)
    drips = paints.drips(rng, radius, height, th, z, rgb) if finish != "fingers" and rng.random() < 0.22 else None
    if drips is not None:
        relief = relief + drips.thick
    lean = rng.normal(0, 0.012, 2) if finish != "fondant" else (0, 0)
    taper = rng.normal(-0.01, 0.025)
    barrel = rng.normal(0, 0.012) * np.sin(np.pi * z / height)
    plan = plan_factor(rng, th)
    r = (radius * (1 + taper * (z / height - 0.5) + barrel) * plan - inset + relief) * np.ones_like(z)
    top_z, top_r, rim = top_grid(rng, finish, radius, height, th, r[-1:], z[-1:])
    look = _look(rng, finish)
    wall = np.stack([r * np.cos(th) + lean[0] * z, r * np.sin(th) + lean[1] * z, z], -1)
    cap = np.stack([top_r * np.cos(th) + lean[0] * rim, top_r * np.sin(th) + lean[1] * rim, top_z], -1)
    wall[:, -1], cap[:, -1] = wall[:, 0], cap[:, 0]
    paint = paints.body(rng, finish, rgb, radius, height, drips)
    gap = (float(rng.uniform(0, TAU)), float(rng.uniform(0.3, 1.4))) if cut else None
    things = [_side(wall, paint.side, look, gap)]
    if not topless:
        things.append(_top(cap, paint.top, look, radius, gap))
    if gap:
        things += [_cut(wall, cap, (a % TAU), paint.cut, rgb) for a in (gap[0], gap[0] + gap[1])]
    return Tier(tuple(things), float(radius), float(height), float(edge), finish, np.asarray(rgb), gap)


def _edge(rng, finish, radius, height):
    """Rounding of the top edge in mm."""
    lo, hi = {"fondant": (5, 24), "rustic": (3, 12), "fingers": (1, 3), "spiral": (2, 12)}.get(finish, (0.8, 7))
    return float(min(rng.uniform(lo, hi), 0.35 * height, 0.3 * radius))


def _look(rng, finish):
    if finish == "fondant":
        return FONDANT
    if finish in ("fingers", "coated", "naked"):
        return MATT
    return [CREAM, CREAM, SATIN, GLOSS if finish == "smooth" else CREAM][int(rng.integers(4))]


def plan_factor(rng, th):
    """Shape of the plan: round with small errors; now and then oval, square or heart-like."""
    out = 1.0 + sum(abs(rng.normal(0, 0.004)) * np.cos(m * th + rng.uniform(0, 6)) for m in range(2, 6))
    u = rng.random()
    if u < 0.03:
        return out * (1 + 0.12 * np.cos(2 * th))
    if u < 0.07:
        p = rng.uniform(5, 12)
        a = th + rng.uniform(0, TAU)
        return out * 0.92 / (np.abs(np.cos(a)) ** p + np.abs(np.sin(a)) ** p) ** (1 / p)
    if u < 0.08:
        return out * (0.95 + 0.12 * np.cos(3 * th) - 0.10 * np.abs(np.sin(th / 2)) ** 6)
    return out


def field(rng, shape, cell):
    """Smooth noise of unit rms that repeats along the columns."""
    n = surfaces.noise(rng, (shape[0], shape[1]), cell)
    k = max(int(min(cell[1], shape[1] // 3)), 2)
    w = np.linspace(0, 1, k)[None]
    n[:, -k:] = n[:, -k:] * (1 - w) + n[:, :k] * w
    n[:, -1] = n[:, 0]
    return n


def side_relief(rng, finish, radius, height, th, z):
    """Radial relief in mm of a finish over angle and height (rows of z, columns of th)."""
    shape = (z.shape[0], th.shape[1])
    base = rng.uniform(0.1, 0.6) * field(rng, shape, (30, 60)) + rng.uniform(0.02, 0.15) * field(rng, shape, (3, 14))
    a = rng.uniform(0.5, 2.2)
    if finish in ("smooth", "naked"):
        pitch = rng.uniform(3, 9)
        return base + rng.uniform(0, 0.35) * np.sin(TAU * z / pitch + field(rng, shape, (40, 90)))
    if finish == "combed":
        return (
            base
            + a
            * 0.7
            * np.sign(s := np.sin(TAU * z / rng.uniform(4, 14) + 0.2 * field(rng, shape, (50, 80))))
            * np.abs(s) ** 0.6
        )
    if finish == "ribbed":
        return base + a * np.abs(np.sin(int(rng.integers(20, 70)) * th / 2 + rng.normal(0, 0.01) * z)) ** 0.7
    if finish == HELD_OUT_SIDE:
        n, amp = int(rng.integers(10, 24)), rng.uniform(3, 8)
        saw = np.abs((n * th / TAU) % 1 - 0.5) * 2
        return base + a * 0.8 * np.sin(TAU * (z + amp * saw) / rng.uniform(5, 10))
    if finish == "rustic":
        return (
            base
            + rng.uniform(0.8, 3.0) * np.abs(field(rng, shape, (rng.uniform(8, 20), rng.uniform(10, 45))))
            + 0.6 * np.abs(field(rng, shape, (4, 12)))
        )
    if finish == "ruffled":
        pitch = rng.uniform(6, 18)
        wave = 1 + 0.5 * field(rng, shape, (60, 9))
        return base + rng.uniform(1.5, 4) * ((z / pitch) % 1) ** 2 * wave
    if finish == "petals":
        pitch, n = rng.uniform(8, 16), int(rng.integers(24, 44))
        row = np.floor(z / pitch)
        across = np.abs(((th * n / TAU) + 0.5 * (row % 2)) % 1 - 0.5) * 2
        return base + rng.uniform(1.5, 4) * np.clip(1 - across**2, 0, 1) * (1 - (z / pitch) % 1)
    if finish == "spiral":
        pitch = rng.uniform(9, 22)
        return base + a * np.sin(TAU * z / pitch + th)
    if finish == "fingers":
        n = int(rng.integers(18, 40))
        crest = np.sqrt(np.clip(1 - ((th * n / TAU % 1) * 2 - 1) ** 2, 0, 1))
        end = smoothstep(-z, -height - 2, -height + rng.uniform(6, 14))
        return base + rng.uniform(4, 9) * crest * (0.3 + 0.7 * end)
    if finish == "coated":
        return base + rng.uniform(0.4, 1.4) * field(rng, shape, (2, 4))
    return 0.15 * base  # fondant


def top_grid(rng, finish, radius, height, th, rim_r, rim_z):
    """(z, r, z of the rim) of the top from the rim to the middle."""
    f = np.linspace(1, 0.004, TOP_ROWS)[:, None]
    rho = f * radius
    dome = rng.normal(0.01, 0.025) * radius if finish != "fondant" else rng.uniform(0, 0.04) * radius
    z = rim_z + dome * (1 - f**2)
    wobble = {"rustic": 1.6, "coated": 0.6, "fondant": 0.1, "spiral": 0.8}.get(finish, rng.uniform(0.05, 0.6))
    swirl = rng.uniform(0, 1.0) * wobble
    pitch = rng.uniform(8, 20)
    z = z + swirl * np.sin(TAU * rho / pitch + rng.choice([-1, 1]) * th) * smoothstep(rho, 3, 15) * smoothstep(
        -f, -1, -0.9
    )
    shape = (TOP_ROWS, th.shape[1])
    z = z + wobble * field(rng, shape, (9, 40)) * smoothstep(-f, -1, -0.9) * smoothstep(rho, 2, 20)
    if finish in ("ribbed", "fingers", "petals"):
        z = z - rng.uniform(0, 8) * smoothstep(-f, -0.97, -0.9)
    if rng.random() < 0.2 and finish != "fondant":  # a lip left by the blade
        z = z + rng.uniform(0.5, 2.5) * np.exp(-((((1 - f) * radius - 2) / 2.5) ** 2))
    z[-1] = z[-1].mean()
    return z, f * rim_r, rim_z + 0 * z


def _keep(F, cols, gap, angle_of_col):
    """Faces outside the missing wedge."""
    if gap is None:
        return F
    mid = angle_of_col[F % cols].mean(1)
    inside = ((mid - gap[0]) % TAU) < gap[1]
    return F[~inside]


def _side(wall, texture, look, gap):
    rows, cols = wall.shape[:2]
    u = np.linspace(0, 1, cols)[None] + np.zeros((rows, 1))
    v = 1 - wall[..., 2] / wall[..., 2].max()
    V, F = wall.reshape(-1, 3), grid_faces(rows, cols)
    N = vertex_normals(V, F)
    F = _keep(F, cols, gap, np.linspace(0, TAU, cols))
    return Thing("body", V, F, look, uv=np.stack([u, v], -1).reshape(-1, 2), texture=texture, N=N)


def _top(cap, texture, look, radius, gap):
    rows, cols = cap.shape[:2]
    V, F = cap.reshape(-1, 3), grid_faces(rows, cols)
    uv = np.clip(V[:, :2] / (2.3 * radius) + 0.5, 0, 1)
    N = vertex_normals(V, F)
    F = _keep(F, cols, gap, np.linspace(0, TAU, cols))
    return Thing("body", V, F, look, uv=uv, texture=texture, N=N)


def _cut(wall, cap, angle, texture, rgb):
    """Cut face at one angle: from the axis to the profile, painted in layers."""
    j = round(angle / TAU * (wall.shape[1] - 1)) % wall.shape[1]
    edge = wall[:, j]
    axis = np.stack([cap[-1, j, 0] + 0 * edge[:, 0], cap[-1, j, 1] + 0 * edge[:, 1], edge[:, 2]], -1)
    t = np.linspace(0, 1, 40)[None, :, None]
    P = axis[:, None] * (1 - t) + edge[:, None] * t
    uv = np.stack(np.broadcast_arrays(t[..., 0], 1 - P[..., 2] / P[..., 2].max()), -1)
    return Thing("body", P.reshape(-1, 3), grid_faces(*P.shape[:2]), MATT, uv=uv.reshape(-1, 2), texture=texture)


def resize(texture, height_px):
    """The texture with at most so many rows."""
    k = height_px / texture.shape[0]
    return texture if k >= 1 else cv2.resize(texture, None, fx=k, fy=k, interpolation=cv2.INTER_AREA)
