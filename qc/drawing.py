"""What was measured, drawn over a photo: lines with a dark edge, so that they show on white cream and on chocolate."""

import cv2
import numpy as np
from numpy.typing import NDArray

from qc.card import CardView
from qc.finder import BOARD, CAKE, Finding
from qc.lettering import width_px, write
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
WHITE = (255, 255, 255)
DASHED = {"board", "true level"}
LONG_SIDE_PX = 1600  # of the drawn picture
WORD, NUMBER = 0.03, 0.026  # height of words and of the pieces' numbers, as a share of the long side: read on a phone
SMALLEST_NUMBER = 0.016  # likewise, on small pieces
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

    def drawn(line: Line) -> NDArray[np.float64]:
        return (np.array(line.points_px) - origin_px + 0.5) * scale - 0.5

    bodies = [drawn(line).astype(np.float32) for line in overlay.lines if line.kind == "body"]
    for line in overlay.lines:
        points = drawn(line)
        colour = COLOURS.get(line.kind, WHITE)
        if line.kind == "card":
            for p in points:
                _ring(picture, p, 2 * weight, colour, weight)
        else:
            _polyline(picture, points, line, colour, weight, bodies if line.kind == "board" else [])
        if line.text and line.closed:
            _number(picture, points, line.text, colour)
    ends = [
        (drawn(line)[-1], line.text, COLOURS.get(line.kind, WHITE))
        for line in overlay.lines
        if line.text and not line.closed
    ]
    _words(picture, sorted(ends, key=lambda end: end[0][1]))


def _ring(picture: Pixels, at: NDArray[np.float64], radius: int, colour: tuple[int, int, int], weight: int) -> None:
    centre = (round(float(at[0])), round(float(at[1])))
    cv2.circle(picture, centre, radius, (0, 0, 0), weight + 2, cv2.LINE_AA)
    cv2.circle(picture, centre, radius, colour, weight, cv2.LINE_AA)


def _polyline(
    picture: Pixels,
    points: NDArray[np.float64],
    line: Line,
    colour: tuple[int, int, int],
    weight: int,
    hidden_by: list[NDArray[np.float32]],
) -> None:
    """A line; dashes that lie behind one of the outlines in `hidden_by` are left out."""
    fixed = np.round(points * 16).astype(np.int32)
    if line.kind in DASHED:
        dense = _dense(points, line.closed, 2.0)
        for k in range(0, len(dense) - 6, 12):
            x, y = dense[k + 3].tolist()
            if any(cv2.pointPolygonTest(outline, (x, y), False) > 0 for outline in hidden_by):
                continue
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


def _number(picture: Pixels, outline: NDArray[np.float64], text: str, colour: tuple[int, int, int]) -> None:
    """A piece's number on it, no larger than the piece where that can still be read."""
    long_px = max(picture.shape[:2])
    room = 0.55 * float(np.ptp(outline, axis=0).min())
    height = max(SMALLEST_NUMBER * long_px, min(NUMBER * long_px, room))
    _write(picture, outline.mean(0), text, colour, height, middle=True)


def _words(picture: Pixels, ends: list[tuple[NDArray[np.float64], str, tuple[int, int, int]]]) -> None:
    """Words beside the ends of lines, the upper end's first: never over one another, nor beyond the picture."""
    height = WORD * max(picture.shape[:2])
    free = -np.inf
    for k, (end, text, colour) in enumerate(ends):
        wanted = end[1] - 0.4 * height if k == 0 and len(ends) > 1 else end[1] + height
        base = max(wanted, free + 1.35 * height)
        _write(picture, np.array([end[0] + 0.5 * height, base]), text, colour, height)
        free = base


def _write(
    picture: Pixels,
    at: NDArray[np.float64],
    text: str,
    colour: tuple[int, int, int],
    height: float,
    middle: bool = False,
) -> None:
    """Text of a height in px with a dark edge, its lower left corner or its middle at a place, kept in the picture."""
    w, h = width_px(text, height), round(height)
    x, y = at + [-w / 2, h / 2] if middle else at
    place = (round(min(max(float(x), 2), picture.shape[1] - w - 2)), round(min(max(float(y), h), picture.shape[0] - 3)))
    write(picture, text, place, height, colour, (0, 0, 0))
