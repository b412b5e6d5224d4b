"""Drawn cakes whose surface is known exactly: a ridged body's silhouette, and a painted cylinder."""

from collections.abc import Callable

import cv2
import numpy as np

from qc.body import HARMONICS, PROFILE_KNOTS, Body
from qc.camera import Lens, View

Array = np.ndarray
PAPER = np.array([0.62, 0.60, 0.55])  # linear RGB of white paper in the drawn light


def round_body(radius_mm: float = 80.0, height_mm: float = 70.0, edge_mm: float = 4.0) -> Body:
    """A cake without any fault."""
    zero = np.zeros(2)
    return Body(
        radius_mm,
        height_mm,
        0.0,
        zero,
        zero,
        0.0,
        edge_mm,
        np.zeros((len(HARMONICS), 2)),
        np.zeros(len(PROFILE_KNOTS)),
    )


def side_view(elevation_deg: float = 9.0, away_mm: float = 700.0, f_px: float = 2900.0) -> View:
    """A camera at 6 o'clock."""
    e = np.radians(elevation_deg)
    eye = np.array([0.0, -away_mm * np.cos(e), 35 + away_mm * np.sin(e)])
    forward = np.array([0, 0, 35.0]) - eye
    forward /= np.linalg.norm(forward)
    right = np.array([1.0, 0, 0])
    rotation = np.stack([right, np.cross(forward, right), forward])
    return View(Lens(f_px, 503.5, 377.5), rotation, -rotation @ eye, 1008, 756)


def top_view(away_mm: float = 600.0, f_px: float = 2000.0) -> View:
    """A camera straight above."""
    eye = np.array([0.0, 0.0, 70 + away_mm])
    rotation = np.array([[1.0, 0, 0], [0, -1, 0], [0, 0, -1]])
    return View(Lens(f_px, 503.5, 377.5), rotation, -rotation @ eye, 1008, 756)


def photograph(linear: Array, rng: np.random.Generator, noise: float = 0.004) -> Array:
    """Linear light (H, W, 3) as an 8-bit sRGB photo with noise."""
    x = np.clip(linear + rng.normal(size=linear.shape) * noise * np.sqrt(linear + 0.02), 0, 1)
    code = np.where(x <= 0.0031308, 12.92 * x, 1.055 * np.maximum(x, 0.0031308) ** (1 / 2.4) - 0.055)
    return np.asarray(255 * code + 0.5, np.uint8)


def draw_silhouette(view: View, radius: Callable[[Array], Array], height_mm: float, rng: np.random.Generator) -> Array:
    """A light body of revolution before a dark wall: the union of the pictures of all its level circles."""
    fine, shift = 4, 4
    mask = np.zeros((view.height_px * fine, view.width_px * fine), np.uint8)
    turn = np.linspace(0, 2 * np.pi, 721)
    for z in np.arange(0.0, height_mm + 0.05, 0.1):
        r = float(radius(np.array([z]))[0])
        ring = view.project(np.stack([r * np.cos(turn), r * np.sin(turn), np.full_like(turn, z)], -1))
        at = np.round(((ring + 0.5) * fine - 0.5) * 2**shift).astype(np.int32)
        cv2.fillPoly(mask, [at], 255, cv2.LINE_8, shift)
    share = cv2.GaussianBlur(mask.astype(np.float32) / 255, (0, 0), 1.0 * fine)
    share = cv2.resize(share, (view.width_px, view.height_px), interpolation=cv2.INTER_AREA)
    wall, cake = np.array([0.06, 0.07, 0.08]), np.array([0.55, 0.52, 0.47])
    return photograph(wall + share[..., None] * (cake - wall), rng)


def rounded(radius_mm: float, height_mm: float, edge_mm: float, ridge_mm: float = 0.0, pitch_mm: float = 6.0):
    """Radius of a ridged side with a rounded top edge, as a function of height."""

    def radius(z: Array) -> Array:
        up = np.maximum(z - (height_mm - edge_mm), 0)
        corner = edge_mm - np.sqrt(np.maximum(edge_mm**2 - up**2, 0))
        return radius_mm + ridge_mm * np.sin(2 * np.pi * z / pitch_mm) - corner

    return radius


def draw_cylinder(view: View, body: Body, albedo: Callable[[Array, Array], Array], rng: np.random.Generator) -> Array:
    """A painted cylinder lit from the left: albedo(theta, z) gives (..., 3) reflectances, 1 the perfect white."""
    u, v = np.meshgrid(np.arange(view.width_px, dtype=float), np.arange(view.height_px, dtype=float))
    d, eye = view.rays(np.stack([u, v], -1)), view.eye_mm
    a = (d[..., :2] ** 2).sum(-1)
    b = (d[..., :2] * eye[:2]).sum(-1)
    c = (eye[:2] ** 2).sum() - body.radius_mm**2
    root = b * b - a * c
    s = (-b - np.sqrt(np.maximum(root, 0))) / a
    p = eye + s[..., None] * d
    side = (root > 0) & (p[..., 2] >= 0) & (p[..., 2] <= body.height_mm)
    theta = np.arctan2(p[..., 1], p[..., 0])
    light = 0.55 + 0.35 * np.cos(theta - np.radians(215)) + 0.001 * p[..., 2]
    colour = albedo(theta, p[..., 2]) / 0.86 * PAPER * light[..., None] * 1.1
    linear = np.where(side[..., None], colour, np.array([0.07, 0.07, 0.08]))
    return photograph(cv2.GaussianBlur(linear, (0, 0), 0.8), rng)
