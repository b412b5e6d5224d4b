"""The flattened top as a picture: pieces numbered by the clock, the even pattern under them, arrows for the moves."""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from qc.body import Body
from qc.camera import View
from qc.decorations import DecorationResult
from qc.quantities import Decoration
from qc.unroll import TopPicture, top_picture

Pixels = NDArray[np.uint8]
Array = NDArray[np.float64]


@dataclass(frozen=True)
class DrawingSettings:
    """Sizes in shares of the picture's side, so that a phone shows the same as a laptop."""

    side_px: int = 1000
    line: float = 0.0035
    text: float = 0.0013  # scale of the font
    least_move_mm: float = 1.0  # smaller moves need no arrow
    stretch: float = 1.0  # arrows are drawn so many times as long as the move
    dark: tuple[int, int, int] = (20, 20, 20)
    light: tuple[int, int, int] = (255, 255, 255)
    ideal: tuple[int, int, int] = (86, 180, 233)  # sky blue and orange: told apart with any colour vision
    arrow: tuple[int, int, int] = (230, 159, 0)


def draw_pattern(
    pixels: Pixels, view: View, body: Body, result: DecorationResult, settings: DrawingSettings | None = None
) -> Pixels:
    """Picture (N, N, 3) RGB of the top seen square from above, 12 o'clock up.

    White rings with a dark edge are the pieces' footprints, numbered clockwise from 12 o'clock; dashed blue rings are
    the places of the even pattern; orange arrows say which piece to move where on the next cake.
    """
    settings = settings or DrawingSettings()
    reach = 1.08 * body.radius_mm
    flat = top_picture(pixels, view, body, settings.side_px / (2 * reach))
    picture = cv2.addWeighted(flat.pixels, 0.82, np.full_like(flat.pixels, 255), 0.18, 0)
    pen = _Pen(np.ascontiguousarray(picture), flat, settings)
    for ring, ideal in zip(result.rings, result.ideals, strict=True):
        size = float(np.median([result.pieces[i].diameter_mm for i in ring.members]))
        pen.dashed_circle((ring.circle.x_mm, ring.circle.y_mm), ring.circle.radius_mm, settings.ideal, 90)
        for place in ideal.places_mm:
            pen.dashed_circle((float(place[0]), float(place[1])), 0.5 * size, settings.ideal, 18)
    for piece in result.pieces:
        pen.footprint(piece)
    for number, piece in enumerate(result.pieces, 1):
        pen.move(piece)
        pen.number(piece, number)
    pen.clock(body.radius_mm)
    return np.asarray(pen.picture, np.uint8)


class _Pen:
    """Draws in millimetres; every line has a dark edge, so that it shows on white cream and on chocolate."""

    def __init__(self, picture: Pixels, flat: TopPicture, settings: DrawingSettings) -> None:
        self.picture, self._flat, self._settings = picture, flat, settings
        self.weight = max(1, round(settings.line * settings.side_px))

    def line(self, points_mm: Array, colour: tuple[int, int, int], closed: bool = False) -> None:
        fixed = np.round(self._flat.to_px(points_mm) * 16).astype(np.int32)
        for shade, width in ((self._settings.dark, self.weight + 3), (colour, self.weight)):
            cv2.polylines(self.picture, [fixed], closed, shade, width, cv2.LINE_AA, 4)

    def dashed_circle(
        self, centre_mm: tuple[float, float], radius_mm: float, colour: tuple[int, int, int], dashes: int
    ) -> None:
        for k in range(dashes):
            a = 2 * np.pi * (k + np.linspace(0, 0.55, 8)) / dashes
            self.line(np.array(centre_mm) + radius_mm * np.stack([np.cos(a), np.sin(a)], -1), colour)

    def footprint(self, piece: Decoration) -> None:
        self.line(np.array(piece.outline_mm), self._settings.light, closed=True)

    def move(self, piece: Decoration) -> None:
        if piece.move_x_mm is None or piece.move_y_mm is None:
            return
        move = np.array([piece.move_x_mm, piece.move_y_mm])
        length = float(np.hypot(*move))
        if length < self._settings.least_move_mm:
            return
        start = np.array([piece.x_mm, piece.y_mm])
        end = start + self._settings.stretch * move
        along = move / length
        across = np.array([-along[1], along[0]])
        head = min(2.5, 0.6 * length + 0.8)
        self.line(np.stack([start, end]), self._settings.arrow)
        self.line(
            np.stack([end - head * along + 0.6 * head * across, end, end - head * along - 0.6 * head * across]),
            self._settings.arrow,
        )

    def number(self, piece: Decoration, number: int) -> None:
        """Beside the piece, towards the middle of the cake; a middle piece's number stands below it."""
        place = np.array([piece.x_mm, piece.y_mm])
        rho = float(np.hypot(*place))
        inwards = -place / rho if rho > 0.15 * self._flat.reach_mm else np.array([0.0, -1.0])
        self._text(place + inwards * (0.5 * piece.diameter_mm + 0.05 * self._flat.reach_mm), str(number), 1.0)

    def clock(self, radius_mm: float) -> None:
        for hour, direction in ((12, (0, 1)), (3, (1, 0)), (6, (0, -1)), (9, (-1, 0))):
            self._text(1.035 * radius_mm * np.array(direction), str(hour), 0.8, self._settings.ideal)

    def _text(self, at_mm: Array, text: str, scale: float, colour: tuple[int, int, int] | None = None) -> None:
        size = scale * self._settings.text * self._settings.side_px
        (w, h), _ = cv2.getTextSize(text, cv2.FONT_HERSHEY_SIMPLEX, size, self.weight)
        x, y = self._flat.to_px(at_mm[None])[0]
        pad = 0.35 * h
        side = self.picture.shape[0] - 1
        left = float(np.clip(x - w / 2, pad, side - w - pad))
        base = float(np.clip(y + h / 2, h + pad, side - pad))
        low, high = (round(left - pad), round(base - h - pad)), (round(left + w + pad), round(base + pad))
        cv2.rectangle(self.picture, low, high, self._settings.dark, cv2.FILLED, cv2.LINE_AA)
        place = (round(left), round(base))
        shade = colour or self._settings.light
        cv2.putText(self.picture, text, place, cv2.FONT_HERSHEY_SIMPLEX, size, shade, self.weight, cv2.LINE_AA)
