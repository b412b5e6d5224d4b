"""The outline of each piece in the full photo, to a fraction of a pixel, from a rough one."""

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d

from qc.body import Body
from qc.camera import View
from qc.decoration_regions import Region, Regions, surface_z_mm
from qc.decoration_shapes import Outline

Array = NDArray[np.float64]


@dataclass(frozen=True)
class EdgeSettings:
    """Search across a rough outline."""

    rays: int = 64  # directions about the middle
    reach_mm: float = 3.0  # to each side of the rough outline: twice what the network is wrong by at most
    step_mm: float = 0.1
    blur_mm: float = 0.25  # of the picture along the ray, or 0.8 px where that is more
    trust_mm: float = 1.7  # distance from the rough outline at which an edge loses half of a strong edge's worth
    smooth: float = 3.0  # price of a step of 1 mm (squared) between neighbouring rays
    strong: float = 1.5  # edges count up to so many times the piece's 90th percentile: glints are no better edges
    black: float = 0.02  # of full light, added before the logarithm: sensor noise in the dark


def rough_outlines(regions: Regions, view: View, body: Body, settings: EdgeSettings) -> list[Outline]:
    """Outline of every region on the horizontal plane through its foot, where its probability falls below one half."""
    return [_rough(piece, regions, view, body, settings) for piece in regions.pieces]


def _rough(piece: Region, regions: Regions, view: View, body: Body, settings: EdgeSettings) -> Outline:
    top, rays = regions.map, settings.rays
    step = 0.5 / top.px_per_mm
    angle = 2 * np.pi * np.arange(rays) / rays
    ray = np.stack([np.cos(angle), np.sin(angle)], -1)
    far = np.arange(0.3 * piece.inner_mm, 4 * piece.inner_mm, step)
    px = top.to_px(piece.middle_mm + ray[:, None] * far[:, None]).astype(np.float32)
    value = cv2.remap(top.probability, px[..., 0], px[..., 1], cv2.INTER_LINEAR)
    label = cv2.remap(regions.labels.astype(np.float32), px[..., 0], px[..., 1], cv2.INTER_NEAREST)
    other = (label != 0) & (label != piece.label)
    stop = (value < 0.5) | other
    end = np.maximum(stop.argmax(1), 1)
    rows = np.arange(rays)
    v0, v1 = value[rows, end - 1], value[rows, end]
    radius = far[end] - step * (1 - np.clip((v0 - 0.5) / np.maximum(v0 - v1, 1e-6), 0, 1))
    touches = np.zeros(rays, bool)
    for k in range(4):
        touches |= other[rows, np.minimum(end + k, len(far) - 1)]
    weight = np.where(stop.any(1) & ~touches, 1.0, 0.0)
    eye = view.eye_mm
    foot_z = float(body.top_z_mm(*piece.middle_mm))
    edge = onto_foot(piece.middle_mm + ray * radius[:, None], eye, body, foot_z)
    middle = onto_foot(piece.middle_mm[None], eye, body, foot_z)[0]
    length = np.hypot(*(edge - middle).T)
    return Outline(
        middle, (edge - middle) / length[:, None], length, weight, np.array([eye[0], eye[1], eye[2] - foot_z]), foot_z
    )


def onto_foot(points_mm: Array, eye_mm: Array, body: Body, z_mm: float) -> Array:
    """Where lines of sight through places of the top map meet the horizontal plane z (N, 2)."""
    k = (eye_mm[2] - z_mm) / (eye_mm[2] - surface_z_mm(points_mm, body))
    return eye_mm[:2] + (points_mm - eye_mm[:2]) * k[..., None]


def refine(
    outlines: list[Outline],
    pixels: NDArray[np.uint8],
    view: View,
    settings: EdgeSettings,
    trust_mm: float | None = None,
) -> list[Outline]:
    """Move each outline onto the strongest edges near it, as one closed smooth line (dynamic programming).

    Edges are gradients of the logarithm of linear light: a step from light to dark weighs the same in sun and shade.
    """
    if not outlines:
        return []
    trust = settings.trust_mm if trust_mm is None else trust_mm
    half = min(settings.reach_mm, 2 * trust)
    offset = np.arange(-half, half + 1e-9, settings.step_mm)
    score = np.stack([_edge_score(o, pixels, view, offset, trust, settings) for o in outlines])
    path = _closed_path(score, settings.smooth * settings.step_mm**2)
    return [replace(o, radius_mm=o.radius_mm + offset[p]) for o, p in zip(outlines, path, strict=True)]


LINEAR = np.where(
    np.arange(256) <= 10, np.arange(256) / 255 / 12.92, ((np.arange(256) / 255 + 0.055) / 1.055) ** 2.4
).astype(np.float32)  # IEC 61966-2-1


def _edge_score(
    outline: Outline, pixels: NDArray[np.uint8], view: View, offset: Array, trust_mm: float, settings: EdgeSettings
) -> Array:
    """Worth (J, K) of every place across the outline."""
    places = outline.middle_mm + outline.ray[:, None] * np.maximum(outline.radius_mm[:, None] + offset, 0.1)[..., None]
    q = view.project(np.concatenate([places, np.full((*places.shape[:2], 1), outline.foot_z_mm)], -1))
    q = q.astype(np.float32)
    light = LINEAR[cv2.remap(pixels, q[..., 0], q[..., 1], cv2.INTER_LINEAR)]
    px_per_mm = view.px_per_mm(np.array([*outline.middle_mm, outline.foot_z_mm]))
    blur = max(settings.blur_mm, 0.8 / px_per_mm) / settings.step_mm
    slope = gaussian_filter1d(np.log(light + settings.black), blur, axis=1, order=1, mode="nearest")
    edge = np.sqrt((slope**2).sum(-1))
    edge = np.minimum(edge / max(float(np.percentile(edge, 90)), 1e-6), settings.strong)
    return np.asarray(edge - 0.5 * (offset / trust_mm) ** 2, float)


def _closed_path(score: Array, price: float, jump: int = 8) -> NDArray[np.int64]:
    """Best closed path (N, J) of columns through scores (N, J, K): twice round, the middle of it kept."""
    n, rays, width = score.shape
    long = np.concatenate([score, score[:, : rays // 2]], 1)
    cost = long[:, 0]
    back = np.zeros((n, long.shape[1], width), np.int64)
    shifts = np.arange(-jump, jump + 1)
    padded = np.full((n, width + 2 * jump), -1e9)
    for j in range(1, long.shape[1]):
        padded[:, jump : jump + width] = cost
        options = np.lib.stride_tricks.sliding_window_view(padded, width, axis=1) - price * (shifts**2)[:, None]
        back[:, j] = options.argmax(1)
        cost = options.max(1) + long[:, j]
    path = np.zeros((n, long.shape[1]), np.int64)
    path[:, -1] = cost.argmax(1)
    rows = np.arange(n)
    for j in range(long.shape[1] - 1, 0, -1):
        path[:, j - 1] = path[:, j] + back[rows, j, path[:, j]] - jump
    out = path[:, :rays].copy()
    out[:, : rays // 4] = path[:, rays : rays + rays // 4]
    return out
