"""The second page of the card's sheet: how the photos are taken, in pictures.

Each picture is drawn in a box of its own, in millimetres from the box's upper left corner.
"""

from collections.abc import Callable
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from fpdf import FPDF

DARK, MIDDLE, PALE = (45, 45, 50), (120, 120, 125), (222, 222, 226)
CREAM, BOARD, BERRY = (250, 240, 214), (214, 196, 160), (176, 42, 66)
SIGHT, ACTION = (0, 110, 120), (190, 90, 0)
COLUMNS, GAP_MM, EDGE_MM, TOP_MM, CAUTIONS_MM = 2, 6.0, 12.0, 20.0, 31.0
CAPTION_MM, PICTURE_MM = 13.5, 50.0

CAUTIONS = (
    "The card and the phone are not food-contact surfaces: beside the board, never on or over the cake.",
    "Wipe the card between cakes and wash your hands after handling the phone. A card that goes from a nut cake to a "
    "nut-free one carries allergens: keep a card of its own for a bench that must stay free of nuts.",
    "Cold cakes: the time for photos counts as time out of the cold. Local codes, your food-safety plan and licensed "
    "practice decide.",
)


@dataclass(frozen=True)
class Pen:
    """Draws in a box whose upper left corner is (x, y)."""

    pdf: FPDF
    x: float
    y: float

    def style(self, line: tuple[int, int, int] = DARK, fill: tuple[int, int, int] | None = None, width: float = 0.3):
        """Colours and line width of what comes next; returns the drawing style."""
        self.pdf.set_draw_color(*line)
        self.pdf.set_line_width(width)
        if fill is not None:
            self.pdf.set_fill_color(*fill)
        return "D" if fill is None else "DF"

    def shape(self, points: list[tuple[float, float]], style: str) -> None:
        """A closed polygon."""
        self.pdf.polygon([(self.x + a, self.y + b) for a, b in points], style=style)

    def ellipse(self, cx: float, cy: float, rx: float, ry: float, style: str) -> None:
        """An ellipse about (cx, cy)."""
        self.pdf.ellipse(self.x + cx - rx, self.y + cy - ry, 2 * rx, 2 * ry, style=style)

    def box(self, x: float, y: float, w: float, h: float, style: str, radius: float = 0.0) -> None:
        """A rectangle, with rounded corners where a radius is given."""
        self.pdf.rect(self.x + x, self.y + y, w, h, style=style, round_corners=radius > 0, corner_radius=radius)

    def line(self, x0: float, y0: float, x1: float, y1: float, dash: float = 0.0) -> None:
        """A straight line, dashed where a dash length is given."""
        if dash:
            self.pdf.set_dash_pattern(dash=dash, gap=dash)
        self.pdf.line(self.x + x0, self.y + y0, self.x + x1, self.y + y1)
        if dash:
            self.pdf.set_dash_pattern()

    def curve(self, points: np.ndarray) -> None:
        """An open line through points (N, 2)."""
        for (x0, y0), (x1, y1) in pairwise(points):
            self.pdf.line(self.x + x0, self.y + y0, self.x + x1, self.y + y1)

    def arrow(self, x0: float, y0: float, x1: float, y1: float, size: float = 1.8) -> None:
        """A line with a filled head at its end."""
        self.line(x0, y0, x1, y1)
        self.head(x1, y1, np.arctan2(y1 - y0, x1 - x0), size)

    def head(self, x: float, y: float, towards_rad: float, size: float = 1.8) -> None:
        """An arrow's head whose tip is at (x, y)."""
        c, s = np.cos(towards_rad), np.sin(towards_rad)
        back = [(x - size * c + k * size * 0.45 * s, y - size * s - k * size * 0.45 * c) for k in (1, -1)]
        if self.pdf.draw_color is not None:
            self.pdf.set_fill_color(self.pdf.draw_color)
        self.shape([(x, y), *back], "F")

    def text(self, x: float, y: float, words: str, points: float = 7.5, colour=DARK, style: str = "", align="L"):
        """Words whose base line is at y; x is their left end, middle (C) or right end (R)."""
        self.pdf.set_font("sans", style, points)
        self.pdf.set_text_color(*colour)
        shift = {"L": 0.0, "C": 0.5, "R": 1.0}[align] * self.pdf.get_string_width(words)
        self.pdf.text(self.x + x - shift, self.y + y, words)


# ---------------------------------------------------------------- things
def _phone(pen: Pen, x: float, y: float, upright: bool) -> None:
    """A phone seen edge on, its lens in the middle of the side that faces the cake (below, or to the right)."""
    w, h = (3.0, 17.0) if upright else (17.0, 3.0)
    pen.box(x - w / 2, y - h / 2, w, h, pen.style(DARK, (70, 70, 76)), 1.2)
    if upright:
        pen.box(x + w / 2, y - 1.2, 0.9, 2.4, pen.style(DARK, DARK))
    else:
        pen.box(x - 1.2, y + h / 2, 2.4, 0.9, pen.style(DARK, DARK))


def _bench(pen: Pen, width: float, y: float) -> None:
    pen.box(4, y, width - 8, 2.2, pen.style(MIDDLE, PALE, 0.2))


def _cake_aside(pen: Pen, x: float, y: float, w: float, h: float) -> None:
    """A cake on its board from the side, standing at height y."""
    pen.box(x - w / 2 - 4, y - 1.2, w + 8, 1.2, pen.style(DARK, BOARD, 0.2))
    pen.box(x - w / 2, y - 1.2 - h, w, h, pen.style(DARK, CREAM, 0.3), 1.2)
    for k in range(5):
        cx = x + (k - 2) * w * 0.2
        pen.ellipse(cx, y - 1.6 - h, w * 0.075, w * 0.06, pen.style(DARK, BERRY, 0.2))


def _cake_above(pen: Pen, cx: float, cy: float, r: float, turn_deg: float = 0.0) -> None:
    """A cake on its round board from above; `turn_deg` clockwise."""
    pen.ellipse(cx, cy, r * 1.24, r * 1.24, pen.style(DARK, BOARD, 0.25))
    pen.ellipse(cx, cy, r, r, pen.style(DARK, CREAM, 0.3))
    for k in range(8):
        a = np.radians(45 * k + turn_deg)
        pen.ellipse(cx + 0.7 * r * np.sin(a), cy - 0.7 * r * np.cos(a), 0.15 * r, 0.15 * r, pen.style(DARK, BERRY, 0.2))


def _chequer(pen: Pen, corners: list[tuple[float, float]]) -> None:
    """A panel of the card as a quadrangle (far left, far right, near right, near left) with its chequers."""
    p = np.array(corners)
    pen.shape(corners, pen.style(DARK, (255, 255, 255), 0.25))

    def at(u: float, v: float) -> tuple[float, float]:
        q = (1 - v) * ((1 - u) * p[0] + u * p[1]) + v * ((1 - u) * p[3] + u * p[2])
        return float(q[0]), float(q[1])

    pen.pdf.set_fill_color(30, 30, 30)
    g = np.linspace(0.07, 0.93, 8)
    for i in range(7):
        for j in range(7):
            if (i + j) % 2 == 0:
                pen.shape([at(g[i], g[j]), at(g[i + 1], g[j]), at(g[i + 1], g[j + 1]), at(g[i], g[j + 1])], "F")


def _card_aside(pen: Pen, x: float, y: float, size: float) -> None:
    """The folded card from its side: lying to the left of x, standing at x."""
    pen.style(DARK, None, 0.7)
    pen.line(x - size, y - 0.3, x, y - 0.3)
    pen.line(x, y - 0.3, x, y - size)


def _frame(pen: Pen, x: float, y: float, w: float, h: float) -> None:
    """The edge of a photo."""
    pen.box(x, y, w, h, pen.style(SIGHT, (247, 250, 250), 0.7), 1.0)


def _clock(pen: Pen, cx: float, cy: float, r: float) -> None:
    for hour, dx, dy in ((12, 0, -1), (3, 1, 0), (6, 0, 1), (9, -1, 0)):
        pen.text(cx + dx * r, cy + dy * r + 1.1, str(hour), 7, SIGHT, "B", "C")


# ---------------------------------------------------------------- pictures
def _off_turntable(pen: Pen, width: float) -> None:
    """Cake on the bench, the card beside it; a turntable crossed out."""
    y, half = 40.0, width / 2
    pen.box(6, y, half - 12, 2.2, pen.style(MIDDLE, PALE, 0.2))
    pen.shape(
        [(half / 2 - 9, y), (half / 2 + 9, y), (half / 2 + 2, y - 8), (half / 2 - 2, y - 8)], pen.style(DARK, PALE)
    )
    pen.box(half / 2 - 15, y - 10, 30, 2, pen.style(DARK, PALE))
    _cake_aside(pen, half / 2, y - 10, 22, 14)
    pen.style(ACTION, None, 1.2)
    pen.line(half / 2 - 15, y - 28, half / 2 + 15, y - 2)
    pen.line(half / 2 - 15, y - 2, half / 2 + 15, y - 28)
    pen.box(half, y, half - 6, 2.2, pen.style(MIDDLE, PALE, 0.2))
    _cake_aside(pen, half + 15, y, 20, 14)
    _card_aside(pen, half + 41, y, 9)
    pen.text(half + 37, y - 10.5, "card", 7, DARK, "", "C")
    pen.text(half + 15, y + 7, "same surface", 7, SIGHT, "", "C")
    pen.text(half / 2, y + 7, "not on the turntable", 7, ACTION, "", "C")


def _above_held(pen: Pen, width: float) -> None:
    """Phone level above the cake, with its lines of sight and its height."""
    y, cx = 46.0, width * 0.44
    _bench(pen, width, y)
    lens = (cx + 4, 9.4)
    pen.pdf.set_fill_color(232, 243, 244)
    pen.shape([lens, (cx - 20, y), (cx + 34, y)], "F")
    _cake_aside(pen, cx - 3, y, 22, 11)
    pen.style(DARK, None, 0.8)
    pen.line(cx + 16, y - 0.4, cx + 31, y - 0.4)
    pen.text(cx + 23.5, y - 2, "card", 7, DARK, "", "C")
    _phone(pen, lens[0], lens[1] - 2.4, False)
    pen.style(SIGHT, None, 0.25)
    pen.line(*lens, cx - 20, y, 1.2)
    pen.line(*lens, cx + 34, y, 1.2)
    pen.style(ACTION, None, 0.4)
    pen.arrow(9, 30, 9, 10)
    pen.arrow(9, 30, 9, y - 0.5)
    pen.text(11, 28, "lens 40 to", 7.5, ACTION)
    pen.text(11, 31.6, "60 cm up", 7.5, ACTION)
    pen.text(cx + 15, 8.5, "phone level", 7.5, ACTION)


def _above_seen(pen: Pen, width: float) -> None:
    """The photo from above: whole board, cake, card; the clock."""
    w, h = 66.0, 47.0
    x, y = (width - w) / 2, 2.0
    _frame(pen, x, y, w, h)
    cx, cy, r = x + 24, y + 23.5, 14.5
    _cake_above(pen, cx, cy, r)
    _clock(pen, cx, cy, r * 1.24 + 2.6)
    s = 15.0
    px, py = x + w - s - 4, y + 23.5
    _chequer(pen, [(px, py), (px + s, py), (px + s, py + s), (px, py + s)])
    _chequer(pen, [(px, py - s), (px + s, py - s), (px + s, py), (px, py)])
    pen.text(px + s / 2, py + s + 3.2, "floor panel", 6.5, DARK, "", "C")
    pen.text(px + s / 2, py - s - 1.2, "folded back", 6.5, DARK, "", "C")


def _side_held(pen: Pen, width: float) -> None:
    """Phone at 6 o'clock, a little above the cake's top edge."""
    y = 40.0
    _bench(pen, width, y)
    lens = (17.4, 18.0)
    pen.pdf.set_fill_color(232, 243, 244)
    pen.shape([lens, (width - 8, 5), (width - 8, y)], "F")
    _cake_aside(pen, width - 34, y, 20, 15)
    _phone(pen, lens[0] - 2.4, lens[1], True)
    pen.style(SIGHT, None, 0.25)
    pen.line(*lens, width - 8, 5, 1.2)
    pen.line(*lens, width - 8, y, 1.2)
    pen.style(DARK, None, 0.2)
    pen.line(*lens, width - 34, lens[1], 0.8)
    pen.style(SIGHT, None, 0.35)
    pen.arrow(*lens, width - 35, y - 9)
    pen.text(20, 4.5, "look down by 5 to 15 degrees", 7.5, ACTION)
    pen.style(ACTION, None, 0.4)
    pen.arrow(width / 2 - 8, y + 5.5, 17, y + 5.5)
    pen.arrow(width / 2 - 8, y + 5.5, width - 34, y + 5.5)
    pen.text(width / 2 - 8, y + 9.4, "50 to 80 cm", 7.5, ACTION, "", "C")
    pen.text(5, 32, "stand at", 7.5, ACTION)
    pen.text(5, 35.6, "6 o'clock", 7.5, ACTION)


def _side_seen(pen: Pen, width: float) -> None:
    """The photo from the side: whole cake and board, the card standing beside it, both panels in view."""
    w, h = 66.0, 47.0
    x, y = (width - w) / 2, 2.0
    _frame(pen, x, y, w, h)
    base = y + 37
    pen.style(MIDDLE, None, 0.2)
    pen.line(x + 0.5, base - 8, x + w - 0.5, base - 8)
    cx, half, tall = x + 25, 15.0, 19.0
    pen.ellipse(cx, base, half + 5, 3.2, pen.style(DARK, BOARD, 0.25))
    pen.ellipse(cx, base - 0.6, half, 2.4, pen.style(DARK, CREAM, 0.3))
    pen.box(cx - half, base - tall, 2 * half, tall - 0.6, pen.style(CREAM, CREAM, 0.1))
    pen.style(DARK, None, 0.3)
    pen.line(cx - half, base - tall, cx - half, base - 0.6)
    pen.line(cx + half, base - tall, cx + half, base - 0.6)
    pen.ellipse(cx, base - tall, half, 2.4, pen.style(DARK, CREAM, 0.3))
    for k in range(7):
        a = np.radians(180 * k / 6)
        pen.ellipse(cx - 11.5 * np.cos(a), base - tall - 0.9 + 1.4 * np.sin(a), 1.5, 1.4, pen.style(DARK, BERRY, 0.2))
    s, px = 14.0, x + w - 20
    _chequer(pen, [(px, base - s - 1), (px + s, base - s - 1), (px + s, base - 1), (px, base - 1)])
    _chequer(pen, [(px, base - 1), (px + s, base - 1), (px + s + 1.2, base + 4.5), (px - 1.2, base + 4.5)])
    pen.text(px + s / 2, base + 8, "both panels", 6.5, DARK, "", "C")


def _quarter_turn(pen: Pen, width: float) -> None:
    """From above: the board turned clockwise by a quarter, so that 3 o'clock comes to face the camera."""
    cy, r = 25.0, 13.5
    left, right = width * 0.25, width * 0.75
    for cx, turn in ((left, 0.0), (right, 90.0)):
        _cake_above(pen, cx, cy, r, turn)
        a = np.radians(90 + turn)
        pen.pdf.set_fill_color(*ACTION)
        pen.ellipse(cx + 1.12 * r * np.sin(a), cy - 1.12 * r * np.cos(a), 1.1, 1.1, "F")
        pen.box(cx - 8.5, cy + 21.5, 17, 3, pen.style(DARK, (70, 70, 76)), 1.2)
        pen.box(cx - 1.2, cy + 20.6, 2.4, 0.9, pen.style(DARK, DARK))
    pen.text(left + 1.24 * r + 2.5, cy + 1, "3", 7.5, ACTION, "B", "C")
    pen.text(right + 4.5, cy + 1.24 * r + 1.5, "3", 7.5, ACTION, "B", "C")
    t = np.radians(np.linspace(12, 78, 24))
    pen.style(ACTION, None, 0.7)
    path = np.stack([left + (1.24 * r + 4) * np.cos(t), cy + (1.24 * r + 4) * np.sin(t)], 1)
    pen.curve(path)
    (x0, y0), (x1, y1) = path[-3], path[-1]
    pen.head(x1, y1, float(np.arctan2(y1 - y0, x1 - x0)), 2.4)
    pen.style(MIDDLE, None, 0.4)
    pen.arrow(width / 2 - 5, cy - 8, width / 2 + 5, cy - 8, 2.2)
    pen.text(left, cy - 1.24 * r - 2.5, "photo 2: side", 7.5, DARK, "", "C")
    pen.text(right, cy - 1.24 * r - 2.5, "photo 3: side2", 7.5, DARK, "", "C")


@dataclass(frozen=True)
class Picture:
    """One box of the guide."""

    title: str
    words: str
    draw: Callable[[Pen, float], None]


PICTURES = (
    Picture(
        "Cake and card on one surface",
        "Move the cake on its board from the turntable to the bench. Stand the card beside the board, 1 to 4 cm away, "
        "floor panel towards you.",
        _off_turntable,
    ),
    Picture(
        "Photo 1, from above",
        "Hold the phone level above the cake, your feet at 6 o'clock. Fold the standing panel flat behind, or leave it "
        "out of the frame.",
        _above_held,
    ),
    Picture(
        "Photo 1 must show",
        "The whole board, the whole cake and the card's floor panel. The lower edge of the photo is 6 o'clock.",
        _above_seen,
    ),
    Picture(
        "Photo 2, from the side",
        "Stand the card up again. From 6 o'clock, with the lens a little above the cake's top edge. No wide-angle "
        "lens, no portrait mode.",
        _side_held,
    ),
    Picture(
        "Photo 2 must show",
        "The whole cake and its board and the card, with both panels in view. Nothing in front of them, no lamp "
        "mirrored on the card.",
        _side_seen,
    ),
    Picture(
        "Photo 3, after a quarter turn",
        "Turn the board a quarter turn clockwise as seen from above: 3 o'clock now faces you. Leave the card, take the "
        "side photo again.",
        _quarter_turn,
    ),
)


def draw_guide(pdf: FPDF, size: tuple[float, float]) -> None:
    """The guide on the current page of a PDF in mm with the fonts "sans" and bold "sans"; size: (width, height) mm."""
    width, height = size
    page = Pen(pdf, 0, 0)
    page.text(width / 2, 12.5, "Three photos of a finished cake", 15, DARK, "B", "C")
    page.text(
        width / 2, 17.5, "take them as soon as the cake is finished, before it goes to the case", 8, MIDDLE, "", "C"
    )
    column = (width - 2 * EDGE_MM - (COLUMNS - 1) * GAP_MM) / COLUMNS
    row_mm = (height - TOP_MM - CAUTIONS_MM) / 3
    for number, picture in enumerate(PICTURES):
        x = EDGE_MM + (number % COLUMNS) * (column + GAP_MM)
        y = TOP_MM + (number // COLUMNS) * row_mm
        _panel(Pen(pdf, x, y), picture, number + 1, column, row_mm - 3.5)
    _cautions(page, width, TOP_MM + 3 * row_mm)


def _panel(pen: Pen, picture: Picture, number: int, width: float, height: float) -> None:
    """A box with its number, title, drawing and words."""
    pen.box(0, 0, width, height, pen.style(PALE, (255, 255, 255), 0.4), 2.0)
    pen.ellipse(6, 6, 3.2, 3.2, pen.style(DARK, DARK))
    pen.text(6, 7.4, str(number), 9, (255, 255, 255), "B", "C")
    pen.text(11, 7.4, picture.title, 9, DARK, "B")
    top = 9.0 + max(0.0, (height - 9 - CAPTION_MM - PICTURE_MM) / 2)
    picture.draw(Pen(pen.pdf, pen.x, pen.y + top), width)
    pen.pdf.set_font("sans", "", 7.2)
    pen.pdf.set_text_color(*DARK)
    pen.pdf.set_xy(pen.x + 3, pen.y + height - CAPTION_MM + 1)
    pen.pdf.multi_cell(width - 6, 3.5, picture.words, align="L", new_x="LEFT", new_y="NEXT")


def _cautions(pen: Pen, width: float, y: float) -> None:
    pen.text(EDGE_MM, y + 3, "Cautions", 9, ACTION, "B")
    pen.pdf.set_xy(EDGE_MM, y + 5)
    for words in CAUTIONS:
        pen.pdf.set_font("sans", "", 7.2)
        pen.pdf.set_text_color(*DARK)
        pen.pdf.set_x(EDGE_MM)
        pen.pdf.multi_cell(width - 2 * EDGE_MM, 3.5, "•  " + words, align="L", new_x="LEFT", new_y="NEXT")
        pen.pdf.set_y(pen.pdf.get_y() + 0.5)
