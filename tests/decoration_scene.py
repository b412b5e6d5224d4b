"""Drawn cakes: solids of revolution on a flat top, drawn circle by circle through a lens."""

from dataclasses import dataclass

import cv2
import numpy as np

from qc.body import HARMONICS, PROFILE_KNOTS, Body
from qc.camera import Lens, View
from qc.decoration_regions import RegionSettings, TopMap, surface_z_mm
from qc.decoration_shapes import SHAPES, Outline, Shape

ICING, PIECE, BENCH = (232, 226, 214), (205, 150, 160), (70, 80, 90)


@dataclass(frozen=True)
class Scene:
    """A photo of a cake with pieces, and where they stand."""

    pixels: np.ndarray  # (H, W, 3)
    mask: np.ndarray  # (H, W) share of each pixel that a piece covers
    view: View
    body: Body
    centres_mm: np.ndarray  # (N, 2)
    diameters_mm: np.ndarray  # (N,)


def shape(name: str) -> Shape:
    return next(s for s in SHAPES if s.name == name)


def flat_body(radius_mm: float = 80.0, height_mm: float = 70.0) -> Body:
    zero = np.zeros
    return Body(
        radius_mm,
        height_mm,
        0.0,
        zero(2),
        zero(2),
        0.0,
        3.0,
        zero((len(HARMONICS), 2)),
        zero(len(PROFILE_KNOTS)),
    )


def looking_down(eye_mm: tuple[float, float, float], aim_mm: tuple[float, float, float] = (0.0, 0.0, 60.0)) -> View:
    """Camera at eye that looks at aim, 6 o'clock downwards in the picture."""
    eye, aim = np.array(eye_mm), np.array(aim_mm)
    z = (aim - eye) / np.linalg.norm(aim - eye)
    x = np.cross(z, [0.0, 1.0, 0.0])
    x = x / np.linalg.norm(x)
    rotation = np.stack([x, np.cross(z, x), z])
    return View(Lens(1500.0, 1007.5, 755.5), rotation, -rotation @ eye, 2016, 1512)


def circles_mm(solid: Shape, centre: np.ndarray, diameter: float, floor_mm: float, levels: int = 60) -> np.ndarray:
    """Horizontal circles (levels, 120, 3) of a solid that stands on z = floor."""
    u = np.linspace(0, 1, levels)
    r = 0.5 * diameter * np.interp(u, solid.height_share, solid.radius_share)
    z = floor_mm + u * solid.height_ratio * diameter
    a = np.linspace(0, 2 * np.pi, 120)
    x = centre[0] + r[:, None] * np.cos(a)
    y = centre[1] + r[:, None] * np.sin(a)
    return np.stack([x, y, np.broadcast_to(z[:, None], x.shape)], -1)


def draw_scene(
    solid: Shape,
    places_mm: np.ndarray,
    diameters_mm: np.ndarray,
    eye_mm: tuple[float, float, float],
    rng: np.random.Generator,
    piece_rgb: tuple[int, int, int] = PIECE,
) -> Scene:
    """Photo of the cake, three times oversampled, with sensor noise."""
    view, body = looking_down(eye_mm), flat_body()
    over = 3
    big = np.full((view.height_px * over, view.width_px * over, 3), BENCH, np.uint8)
    mask = np.zeros(big.shape[:2], np.uint8)
    a = np.linspace(0, 2 * np.pi, 360)
    for z in np.linspace(0, body.height_mm, 15):
        rim = np.stack([body.radius_mm * np.cos(a), body.radius_mm * np.sin(a), np.full_like(a, z)], -1)
        _fill(big, view, rim, ICING, over)
    for centre, diameter in zip(places_mm, diameters_mm, strict=True):
        for circle in circles_mm(solid, centre, diameter, body.height_mm):
            _fill(big, view, circle, piece_rgb, over)
            _fill(mask, view, circle, 255, over)
    size = (view.width_px, view.height_px)
    pixels = cv2.resize(big, size, interpolation=cv2.INTER_AREA).astype(float)
    pixels = np.clip(pixels + rng.normal(0, 2.0, pixels.shape), 0, 255).astype(np.uint8)
    small = cv2.resize(mask, size, interpolation=cv2.INTER_AREA).astype(np.float32) / 255
    return Scene(pixels, small, view, body, np.asarray(places_mm, float), np.asarray(diameters_mm, float))


def _fill(picture: np.ndarray, view: View, points_mm: np.ndarray, colour: object, over: int) -> None:
    p = (view.project(points_mm) + 0.5) * over - 0.5
    cv2.fillPoly(picture, [np.round(p * 16).astype(np.int32)], colour, cv2.LINE_AA, 4)


def coarse_map(scene: Scene, settings: RegionSettings, blur_mm: float = 0.6) -> TopMap:
    """The pieces' mask on the top map, as blurred as a network at 640 pixels would give it."""
    reach = settings.reach * scene.body.radius_mm
    n = int(np.ceil(2 * reach * settings.px_per_mm)) + 1
    g = np.arange(n) / settings.px_per_mm
    places = np.stack(np.meshgrid(g - reach, reach - g), -1)
    q = scene.view.project(np.concatenate([places, surface_z_mm(places, scene.body)[..., None]], -1))
    q = q.astype(np.float32)
    flat = cv2.remap(scene.mask, q[..., 0], q[..., 1], cv2.INTER_LINEAR)
    flat = cv2.GaussianBlur(flat, (0, 0), blur_mm * settings.px_per_mm)
    return TopMap(np.asarray(flat, np.float32), settings.px_per_mm, reach)


def ring_places(n: int, radius: float, rng: np.random.Generator, unsteady_mm: float = 1.5) -> np.ndarray:
    a = 0.3 + 2 * np.pi * np.arange(n) / n
    return radius * np.stack([np.cos(a), np.sin(a)], -1) + rng.normal(0, unsteady_mm, (n, 2))


def outlines_of(
    name: str, places: np.ndarray, diameters: np.ndarray, eye: np.ndarray, noise: float, rng
) -> list[Outline]:
    """Outlines of solids on the plane z = 0, by drawing their circles and looking where they end along rays."""
    out = []
    a = 2 * np.pi * np.arange(64) / 64
    ray = np.stack([np.cos(a), np.sin(a)], -1)
    for centre, diameter in zip(places, diameters, strict=True):
        solid = circles_mm(shape(name), centre, diameter, 0.0, 120)
        k = eye[2] / (eye[2] - solid[..., 2:])
        flat = eye[:2] + (solid[..., :2] - eye[:2]) * k
        scale, low = 16, flat.min((0, 1)) - 1
        picture = np.zeros(np.ceil((np.ptp(flat, axis=(0, 1)) + 2) * scale).astype(int)[::-1] + 2, np.uint8)
        for circle in (flat - low) * scale:
            cv2.fillPoly(picture, [np.round(circle).astype(np.int32)], 1)
        middle = np.argwhere(picture).mean(0)[::-1] / scale + low
        far = np.arange(0, 60, 0.05)
        at = ((middle + ray[:, None] * far[:, None] - low) * scale).astype(np.float32)
        inside = cv2.remap(picture, at[..., 0], at[..., 1], cv2.INTER_NEAREST)
        length = np.array([far[np.nonzero(row)[0].max()] for row in inside]) + rng.normal(0, noise, 64)
        out.append(Outline(middle, ray, length, np.ones(64), eye))
    return out
