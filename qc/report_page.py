"""What the printed pages share: an A4 page with our type, colours and small vector charts. Lengths are millimetres."""

import io
from collections.abc import Callable, Sequence
from importlib.resources import as_file, files

import numpy as np
from fpdf import FPDF
from numpy.typing import NDArray
from PIL import Image

from qc.limits import Limit
from qc.quantities import QUANTITIES, Measurement
from qc.trends import Trend

Colour = tuple[int, int, int]
TEAL: Colour = (15, 92, 115)  # within
ORANGE: Colour = (194, 87, 26)  # outside; differs from the teal in lightness too
GREY: Colour = (109, 102, 94)
BAND: Colour = (213, 229, 233)
PALE: Colour = (241, 235, 225)
INK: Colour = (43, 38, 34)
VERDICT_COLOURS = {"within": TEAL, "outside": ORANGE}
MARGIN_MM = 14.0
FAMILY = "DejaVu"
JPEG_QUALITY = 82
CAUTION = (
    "Local codes, the business's own food-safety plan and licensed practice decide; no cake is called safe here. "
    "Scores are about cakes, for coaching: no ranking of people and no decision about a person by the program."
)


class Page(FPDF):
    """An A4 page in our type."""

    def __init__(self, invented: bool) -> None:
        super().__init__("portrait", "mm", "A4")
        self.invented = invented
        fonts = files("qc") / "fonts"
        for style, name in (("", "DejaVuSans.ttf"), ("B", "DejaVuSans-Bold.ttf")):
            with as_file(fonts / name) as path:
                self.add_font(FAMILY, style, path)
        self.set_margins(MARGIN_MM, MARGIN_MM)
        self.set_auto_page_break(False)
        self.c_margin = 0.0  # paragraphs start where everything else does
        self.add_page()

    @property
    def width_mm(self) -> float:
        """Between the margins."""
        return self.w - 2 * MARGIN_MM

    def say(
        self,
        text: str,
        size_pt: float = 9,
        bold: bool = False,
        colour: Colour = INK,
        x_mm: float | None = None,
        width_mm: float | None = None,
    ) -> None:
        """A paragraph, plain text only; the next thing stands below it."""
        self.set_font(FAMILY, "B" if bold else "", size_pt)
        self.set_text_color(*colour)
        self.set_x(MARGIN_MM if x_mm is None else x_mm)
        self.multi_cell(width_mm or self.width_mm, size_pt * 0.48, text, align="L", new_x="LMARGIN", new_y="NEXT")

    def put(
        self, x_mm: float, y_mm: float, text: str, size_pt: float = 8, bold: bool = False, colour: Colour = INK
    ) -> None:
        """One line of text with its left end at (x, y), y on the base line."""
        self.set_font(FAMILY, "B" if bold else "", size_pt)
        self.set_text_color(*colour)
        self.text(x_mm, y_mm, text)

    def fitted(self, text: str, width_mm: float, size_pt: float, bold: bool = False) -> str:
        """The text, shortened with dots to a width."""
        self.set_font(FAMILY, "B" if bold else "", size_pt)
        if self.get_string_width(text) <= width_mm:
            return text
        while text and self.get_string_width(text + "...") > width_mm:
            text = text[:-1]
        return text + "..."

    def finish(self) -> bytes:
        """Cautions at the foot, the mark of invented data, and the file's bytes."""
        self.set_y(self.h - MARGIN_MM - 8)
        self.say(CAUTION, 6.5, colour=GREY)
        if self.invented:
            self.put(self.w - MARGIN_MM - 34, MARGIN_MM - 3, "INVENTED DEMO DATA", 8, True, ORANGE)
        return bytes(self.output())


def jpeg(picture: NDArray[np.uint8], longest_px: int = 1100) -> io.BytesIO:
    """An (h, w, 3) RGB picture as JPEG, small enough for a printed page."""
    image = Image.fromarray(picture)
    image.thumbnail((longest_px, longest_px))
    out = io.BytesIO()
    image.save(out, "JPEG", quality=JPEG_QUALITY)
    out.seek(0)
    return out


def limit_bar(page: Page, x_mm: float, y_mm: float, width_mm: float, limit: Limit, measured: Measurement) -> None:
    """Tolerance band, value and uncertainty on one line; three widths of the tolerance are shown."""
    low, high = _span(limit)
    start, stop = low - (high - low), high + (high - low)
    if limit.low is None and measured.value >= 0:
        start, stop = low, high + (high - low)

    def at(value: float) -> float:
        return x_mm + width_mm * min(max((value - start) / (stop - start), 0.0), 1.0)

    page.set_fill_color(*PALE)
    page.rect(x_mm, y_mm - 1.2, width_mm, 2.4, "F")
    page.set_fill_color(*BAND)
    page.rect(at(low), y_mm - 1.2, at(high) - at(low), 2.4, "F")
    left, right = measured.interval or (measured.value - measured.uncertainty, measured.value + measured.uncertainty)
    page.set_draw_color(*INK)
    page.set_line_width(0.35)
    page.line(at(left), y_mm, at(right), y_mm)
    page.set_fill_color(*INK)
    page.circle(at(measured.value), y_mm, 0.8, "F")


def _span(limit: Limit) -> tuple[float, float]:
    if limit.kind == "count":
        return (limit.target or 0.0) - 0.5, (limit.target or 0.0) + 0.5
    if limit.low is not None and limit.high is not None:
        return limit.low, limit.high
    if limit.high is not None:
        return 0.0, limit.high
    assert limit.low is not None
    return limit.low, 2 * limit.low


def trend_picture(
    page: Page,
    x_mm: float,
    y_mm: float,
    width_mm: float,
    height_mm: float,
    title: str,
    found: Trend,
    limit: Limit | None,
) -> None:
    """A small individuals chart: points, centre line, limits, house limit, signals as rings."""
    page.put(x_mm, y_mm - 1.5, page.fitted(title, width_mm, 7.5, True), 7.5, True)
    page.set_draw_color(*GREY)
    page.set_line_width(0.15)
    page.rect(x_mm, y_mm, width_mm, height_mm)
    value = found.series.value[found.used]
    if found.chart is None or not len(value):
        page.put(x_mm + 2, y_mm + height_mm / 2, page.fitted(found.sentences[0], width_mm - 4, 6.5), 6.5, colour=GREY)
        return
    chart = found.chart
    house = [] if limit is None else [v for v in (limit.low, limit.high) if v is not None]
    low, high = _padded([*value.tolist(), chart.low, chart.high, *house])
    quantity = QUANTITIES[found.series.quantity]
    low = max(low, 0.0) if quantity.magnitude else low

    def up(v: float) -> float:
        return y_mm + height_mm * (1 - (v - low) / (high - low))

    def across(i: float) -> float:
        return x_mm + 2 + (width_mm - 4) * (i / max(len(value) - 1, 1))

    _level_lines(page, x_mm, width_mm, up, [(chart.low, GREY, 1.0), (chart.high, GREY, 1.0)], (low, high))
    _level_lines(page, x_mm, width_mm, up, [(chart.centre, GREY, 0.0)], (low, high))
    _level_lines(page, x_mm, width_mm, up, [(v, ORANGE, 2.5) for v in house], (low, high))
    page.set_fill_color(*TEAL)
    for i, v in enumerate(value.tolist()):
        page.circle(across(i), up(v), 0.45, "F")
    page.set_draw_color(*ORANGE)
    page.set_line_width(0.3)
    places = {at: i for i, at in enumerate(np.flatnonzero(found.used).tolist())}
    for signal in found.signals:
        i = places[signal.at]
        page.circle(across(i), up(float(value[i])), 1.1, "D")
    for v in (low, high):
        page.put(x_mm + width_mm + 0.5, up(v) + (0 if v == low else 2), f"{v:.{quantity.decimals}f}", 5.5, colour=GREY)


def _padded(values: Sequence[float]) -> tuple[float, float]:
    low, high = min(values), max(values)
    pad = 0.05 * (high - low or 1.0)
    return low - pad, high + pad


def _level_lines(
    page: Page,
    x_mm: float,
    width_mm: float,
    up: Callable[[float], float],
    lines: list[tuple[float, Colour, float]],
    shown: tuple[float, float],
) -> None:
    for value, colour, dash_mm in lines:
        if not shown[0] <= value <= shown[1]:
            continue
        page.set_draw_color(*colour)
        page.set_line_width(0.25)
        page.set_dash_pattern(dash_mm, dash_mm)
        page.line(x_mm, up(value), x_mm + width_mm, up(value))
        page.set_dash_pattern()
