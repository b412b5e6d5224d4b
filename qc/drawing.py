"""What was measured, drawn over a photo: lines with a dark edge, so that they show on white cream and on chocolate."""

import cv2
import numpy as np
from numpy.typing import NDArray

from qc.photo import Photo
from qc.quantities import CheckResult, Line, Overlay

Pixels = NDArray[np.uint8]
# (red, green, blue): light tones that colour-blind people tell apart by lightness too; every line kind has its own dash
COLOURS = {
    "body": (255, 214, 64),
    "board": (120, 220, 255),
    "card": (255, 120, 60),
    "level": (255, 214, 64),
    "true level": (255, 255, 255),
    "decoration": (150, 255, 190),
    "band": (255, 255, 255),
}
DASHED = {"board", "true level"}
LONG_SIDE_PX = 1600  # of the drawn picture


def draw(photo: Photo, result: CheckResult, name: str) -> Pixels:
    """The photo, at most LONG_SIDE_PX long, with what was measured drawn in; (h, w, 3) RGB."""
    scale = min(1.0, LONG_SIDE_PX / max(photo.width_px, photo.height_px))
    size = (round(photo.width_px * scale), round(photo.height_px * scale))
    picture = np.asarray(cv2.resize(photo.pixels, size, interpolation=cv2.INTER_AREA), np.uint8)
    overlay = result.overlays.get(name)
    if overlay is not None:
        draw_overlay(picture, overlay, scale)
    return picture


def draw_overlay(picture: Pixels, overlay: Overlay, scale: float) -> None:
    """Draw lines into a picture that is `scale` times the photo's size."""
    weight = max(1, round(max(picture.shape[:2]) / 700))
    for line in overlay.lines:
        points = (np.array(line.points_px) + 0.5) * scale - 0.5
        colour = COLOURS.get(line.kind, (255, 255, 255))
        if line.kind == "card":
            for p in points:
                _ring(picture, p, 2 * weight, colour, weight)
        else:
            _polyline(picture, points, line, colour, weight)
        if line.text:
            _label(picture, points, line, colour, weight)


def _ring(picture: Pixels, at: NDArray[np.float64], radius: int, colour: tuple[int, int, int], weight: int) -> None:
    centre = (round(float(at[0])), round(float(at[1])))
    cv2.circle(picture, centre, radius, (0, 0, 0), weight + 2, cv2.LINE_AA)
    cv2.circle(picture, centre, radius, colour, weight, cv2.LINE_AA)


def _polyline(
    picture: Pixels, points: NDArray[np.float64], line: Line, colour: tuple[int, int, int], weight: int
) -> None:
    fixed = np.round(points * 16).astype(np.int32)
    if line.kind in DASHED:
        dense = _dense(points, line.closed, 2.0)
        for k in range(0, len(dense) - 6, 12):
            piece = np.round(dense[k : k + 6] * 16).astype(np.int32)
            cv2.polylines(picture, [piece], False, (0, 0, 0), weight + 2, cv2.LINE_AA, 4)
            cv2.polylines(picture, [piece], False, colour, weight, cv2.LINE_AA, 4)
        return
    cv2.polylines(picture, [fixed], line.closed, (0, 0, 0), weight + 2, cv2.LINE_AA, 4)
    cv2.polylines(picture, [fixed], line.closed, colour, weight, cv2.LINE_AA, 4)


def _dense(points: NDArray[np.float64], closed: bool, step_px: float) -> NDArray[np.float64]:
    p = np.concatenate([points, points[:1]]) if closed else points
    along = np.concatenate([[0], np.cumsum(np.hypot(*np.diff(p, axis=0).T))])
    s = np.arange(0, along[-1], step_px)
    return np.stack([np.interp(s, along, p[:, 0]), np.interp(s, along, p[:, 1])], -1)


def _label(picture: Pixels, points: NDArray[np.float64], line: Line, colour: tuple[int, int, int], weight: int) -> None:
    size = 0.45 * weight
    (w, h), _ = cv2.getTextSize(line.text, cv2.FONT_HERSHEY_SIMPLEX, size, weight)
    at = (
        points.mean(0) + [-w / 2, h / 2]
        if line.closed
        else points[-1] + [6 * weight, h / 2 * (1 if line.kind == "level" else -1.5)]
    )
    place = (round(float(at[0])), round(float(at[1])))
    cv2.putText(picture, line.text, place, cv2.FONT_HERSHEY_SIMPLEX, size, (0, 0, 0), weight + 3, cv2.LINE_AA)
    cv2.putText(picture, line.text, place, cv2.FONT_HERSHEY_SIMPLEX, size, colour, weight, cv2.LINE_AA)
