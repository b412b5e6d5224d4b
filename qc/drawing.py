"""What was measured, drawn over a photo: lines with a dark edge, so that they show on white cream and on chocolate."""

import cv2
import numpy as np
from numpy.typing import NDArray

from qc.card import CardView
from qc.finder import BOARD, CAKE, Finding
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
MARGIN = 0.14  # round cake and board, as a share of their size: room for the words beside the level lines


def draw(photo: Photo, result: CheckResult, name: str, close: bool = False) -> Pixels:
    """The photo, at most LONG_SIDE_PX long, with what was measured drawn in; (h, w, 3) RGB.

    Parameters
    ----------
    close : bool
        Only cake and board with a margin, so that a phone shows them large.
    """
    overlay = result.overlays.get(name)
    low, high = np.zeros(2, int), np.array([photo.width_px, photo.height_px])
    if close and overlay is not None:
        low, high = _around(overlay, high)
    cut = photo.pixels[low[1] : high[1], low[0] : high[0]]
    scale = min(1.0, LONG_SIDE_PX / max(cut.shape[:2]))
    size = (round(cut.shape[1] * scale), round(cut.shape[0] * scale))
    picture = np.asarray(cv2.resize(cut, size, interpolation=cv2.INTER_AREA), np.uint8)
    if overlay is not None:
        draw_overlay(picture, overlay, scale, (float(low[0]), float(low[1])))
    return picture


def draw_seen(photo: Photo, finding: Finding, card: CardView | None, long_side_px: int = LONG_SIDE_PX) -> Pixels:
    """The photo, shrunk, with what the first look saw: cake, board and the card's corners; (h, w, 3) RGB."""
    scale = min(1.0, long_side_px / max(photo.width_px, photo.height_px))
    size = (round(photo.width_px * scale), round(photo.height_px * scale))
    picture = np.asarray(cv2.resize(photo.pixels, size, interpolation=cv2.INTER_AREA), np.uint8)
    labels, inside = finding.net_labels(), finding.inside()
    lines = []
    for kind, these in (("board", (*CAKE, BOARD)), ("body", CAKE)):
        outlines, _ = cv2.findContours(
            (np.isin(labels, these) & inside).astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE
        )
        if outlines:
            largest = max(outlines, key=cv2.contourArea)[:, 0].astype(float)
            lines.append(Line(kind, tuple(map(tuple, finding.to_photo(largest).tolist()))))
    panels = (card.floor, card.standing) if card is not None else ()
    lines += [Line("card", tuple(map(tuple, p.corners_px.tolist())), closed=False) for p in panels if p is not None]
    draw_overlay(picture, Overlay(photo.width_px, photo.height_px, tuple(lines)), scale)
    return picture


def _around(overlay: Overlay, size_px: NDArray[np.int64]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Upper left and lower right corner (x, y) of what holds cake, board and pieces, within the photo."""
    kinds = ("body", "board", "decoration")
    points = [np.array(line.points_px) for line in overlay.lines if line.kind in kinds and line.points_px]
    if not points:
        return np.zeros(2, int), size_px
    every = np.concatenate(points)
    margin = MARGIN * np.ptp(every, axis=0).max()
    low = np.clip(np.floor(every.min(0) - margin), 0, size_px - 2).astype(int)
    return low, np.clip(np.ceil(every.max(0) + margin), low + 2, size_px).astype(int)


def draw_overlay(picture: Pixels, overlay: Overlay, scale: float, origin_px: tuple[float, float] = (0.0, 0.0)) -> None:
    """Draw lines into a picture that begins at `origin_px` (x, y) of the photo and is `scale` times its size."""
    weight = max(2, round(max(picture.shape[:2]) / 700))
    for line in overlay.lines:
        points = (np.array(line.points_px) - origin_px + 0.5) * scale - 0.5
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
