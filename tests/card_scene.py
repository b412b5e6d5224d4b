"""A drawn scene: the folded card on a bench as a pinhole camera sees it, with its true corners.

The print is drawn by OpenCV's own board generator, each panel warped by its exact homography at three times the
resolution and averaged in linear light; blur, noise and the sRGB curve (IEC 61966-2-1) follow. No lens distortion, no
bow.
"""

from dataclasses import dataclass
from hashlib import sha256

import cv2
import numpy as np

from qc.camera import Lens, View, focal_px_from_35mm
from qc.card_layout import MARGIN_MM, PANEL_MM, board
from qc.photo import Photo
from qc.pose import floor_points, standing_points

PAPER, INK, BENCH = 0.60, 0.03, 0.22  # linear light
FINE = 3  # samples per pixel and direction
PRINT_PX_PER_MM = 16
ALL = np.arange(36)


@dataclass(frozen=True)
class Scene:
    """What is drawn."""

    elevation_deg: float = 12.0
    azimuth_deg: float = 5.0
    distance_mm: float = 520.0
    fold_deg: float = 90.0
    size: tuple[int, int] = (2016, 1512)
    focal_35mm: float = 26.0
    blur_px: float = 0.7
    noise: float = 1.5  # grey levels
    exposure: float = 1.0
    aim_mm: tuple[float, float, float] = (60.0, -20.0, 40.0)  # card frame
    focal_ratio: float = 1.0  # true focal length over the EXIF's
    make: str | None = "Demo"
    model: str | None = "Demo phone"


def view_of(scene: Scene) -> View:
    """The camera in the card frame."""
    e, a = np.radians(scene.elevation_deg), np.radians(scene.azimuth_deg)
    back = np.array([np.sin(a) * np.cos(e), -np.cos(a) * np.cos(e), np.sin(e)])  # from the card to the camera
    up = np.array([0.0, 1, 0]) if scene.elevation_deg > 60 else np.array([0.0, 0, 1])
    z = -back
    x = np.cross(z, up)
    x /= np.linalg.norm(x)
    rotation = np.stack([x, np.cross(z, x), z])
    eye = np.array(scene.aim_mm) + scene.distance_mm * back
    width, height = scene.size
    f = scene.focal_ratio * focal_px_from_35mm(scene.focal_35mm, width, height)
    lens = Lens(f, (width - 1) / 2, (height - 1) / 2)
    return View(lens, rotation, -rotation @ eye, width, height)


def true_corners(scene: Scene) -> dict[str, np.ndarray]:
    """Pixels (36, 2) of both panels' corners."""
    view, one = view_of(scene), np.ones(2)
    return {
        "floor": view.project(floor_points(ALL, one)),
        "standing": view.project(standing_points(ALL, one, np.radians(scene.fold_deg), 0.0, 0.0)),
    }


def draw(scene: Scene, rng: np.random.Generator, name: str = "side") -> Photo:
    """The photo."""
    view = view_of(scene)
    width, height = scene.size
    light = np.full((height, width), BENCH, np.float32)
    light += 0.03 * cv2.resize(
        rng.normal(size=(height // 40, width // 40)).astype(np.float32), (width, height), interpolation=cv2.INTER_CUBIC
    )
    a = np.radians(scene.fold_deg)
    upwards = np.array([0, -np.cos(a), np.sin(a)])
    _paint(light, view, "standing", PANEL_MM * upwards, -upwards)
    _paint(light, view, "floor", np.zeros(3), np.array([0.0, -1, 0]))
    if scene.blur_px > 0:
        light = cv2.GaussianBlur(light, (0, 0), scene.blur_px)
    return photo_of(light * scene.exposure, scene, rng, name)


def photo_of(light: np.ndarray, scene: Scene, rng: np.random.Generator, name: str) -> Photo:
    """Linear light (H, W) as a developed photo."""
    light = np.clip(light, 0, 1)
    srgb = np.where(light <= 0.0031308, 12.92 * light, 1.055 * np.maximum(light, 1e-6) ** (1 / 2.4) - 0.055)
    grey = 255 * srgb[..., None] + scene.noise * rng.normal(size=(*light.shape, 3))
    pixels = np.clip(grey + 0.5, 0, 255).astype(np.uint8)
    return Photo(name, pixels, scene.focal_35mm, 6.86, scene.make, scene.model, 1, sha256(pixels.tobytes()).hexdigest())


def _paint(light: np.ndarray, view: View, panel: str, origin: np.ndarray, v: np.ndarray) -> None:
    """Lay one panel into the picture; origin: its upper left corner (card frame), v: its direction downwards."""
    u = np.array([1.0, 0, 0])
    side = round((PANEL_MM - 2 * MARGIN_MM) * PRINT_PX_PER_MM)
    m = round(MARGIN_MM * PRINT_PX_PER_MM)
    print_ = board(panel).generateImage((side, side), None, 0, 1)
    print_ = cv2.copyMakeBorder(print_, m, m, m, m, cv2.BORDER_CONSTANT, value=255).astype(np.float32) / 255
    matrix = view.lens.matrix @ np.column_stack(
        [view.rotation @ u, view.rotation @ v, view.rotation @ origin + view.translation_mm]
    )
    corners = matrix @ np.array([[0, PANEL_MM, PANEL_MM, 0], [0, 0, PANEL_MM, PANEL_MM], [1, 1, 1, 1.0]])
    if (corners[2] <= 1).any():
        return
    corners = corners[:2] / corners[2]
    x0, y0 = np.maximum(np.floor(corners.min(1)).astype(int) - 2, 0)
    x1, y1 = np.minimum(np.ceil(corners.max(1)).astype(int) + 3, light.shape[::-1])
    if x1 <= x0 or y1 <= y0:
        return
    k = PRINT_PX_PER_MM
    to_mm = np.array([[1 / k, 0, 0.5 / k], [0, 1 / k, 0.5 / k], [0, 0, 1.0]])
    # fine pixel -> photo pixel: (i + 0.5) / FINE - 0.5 + corner of the box
    s = FINE
    to_fine = np.array([[s, 0, 0.5 * s - 0.5 - s * x0], [0, s, 0.5 * s - 0.5 - s * y0], [0, 0, 1.0]])
    size = ((x1 - x0) * s, (y1 - y0) * s)
    flags = cv2.INTER_AREA
    fine = cv2.warpPerspective(INK + (PAPER - INK) * print_, to_fine @ matrix @ to_mm, size, flags=flags)
    there = cv2.warpPerspective(np.ones_like(print_), to_fine @ matrix @ to_mm, size, flags=flags)
    box = (x1 - x0, y1 - y0)
    fine, there = (cv2.resize(q, box, interpolation=cv2.INTER_AREA) for q in (fine, there))
    light[y0:y1, x0:x1] = light[y0:y1, x0:x1] * (1 - there) + fine
