"""The printable sheet: the card in vectors, exact to the printer's own error, and a second page that shows the capture.

All coordinates are millimetres from the page's top-left corner. The card lies in the middle of the page; its own
coordinates are x from the left edge and y from the upper edge, the standing panel above, the floor panel below.
"""

from dataclasses import dataclass
from importlib import resources
from pathlib import Path

import cv2
import numpy as np
from fpdf import FPDF, ViewerPreferences

from qc.card_guide import draw_guide
from qc.card_layout import FIRST_ID, MARGIN_MM, MARKER_MM, MARKERS, PANEL_MM, SQUARE_MM, SQUARES, dictionary, marker_mm
from qc.errors import CardError

PAPERS_MM = {"a4": (210.0, 297.0), "letter": (215.9, 279.4)}  # ISO 216:2007; ANSI/ASME Y14.1
LINE_ALONG_MM, LINE_ACROSS_MM = 200.0, 100.0
BITS = 6  # cells of a marker, its black border included
EDGE_MM = 8.0  # from the paper's edge; most printers reach to 5
GREY, LIGHT = 70, 150  # grey levels of text and of marks that must not disturb
CUT = (
    "2  Cut and fold",
    "Cut along the thin outline.",
    "Score the dotted line and fold the printed sides towards each other, to a right angle.",
    "Tape a square block behind the standing panel so that it stands upright in a draught.",
    "Matt laminate keeps it wipeable; gloss mirrors the lamps.",
)
MEASURE = (
    "1  Measure",
    "Lay a steel ruler along both lines, before folding, and read them from tick to tick to 0.2 mm.",
    "If they are not 200 and 100 mm, keep the card and tell the program: 198.0 mm on the long line is a print scale "
    "of 0.990.",
)


@dataclass(frozen=True)
class SheetLayout:
    """Where things stand on the card, in mm from its upper left corner."""

    line_along_x: float = PANEL_MM - 3.5  # in the white margin at the right, clear of the chessboards
    line_along_y: float = 20.0
    line_across_x: float = 10.0
    line_across_y: float = 2 * PANEL_MM - 3.5  # in the white margin nearest the person
    tick_mm: float = 1.0  # half length of a measuring line's end ticks
    line_mm: float = 0.15  # width of the measuring lines; they are measured from tick middle to tick middle


LAYOUT = SheetLayout()


def card_pdf(paper: str) -> bytes:
    """The sheet as a PDF of two pages.

    Parameters
    ----------
    paper : str
        "a4" or "letter".

    Raises
    ------
    CardError
        No such paper.
    """
    size = PAPERS_MM.get(paper.lower())
    if size is None:
        raise CardError(f"There is no sheet for paper {paper!r}; choose {' or '.join(PAPERS_MM)}.")
    pdf = FPDF(unit="mm", format=size)
    pdf.set_auto_page_break(False)
    pdf.set_margin(0)
    pdf.set_title("Reference card for measuring cakes")
    pdf.set_creator("cakeqc")
    pdf.viewer_preferences = ViewerPreferences(print_scaling="None")
    fonts = resources.files("qc") / "fonts"
    pdf.add_font("sans", "", str(fonts / "DejaVuSans.ttf"))
    pdf.add_font("sans", "B", str(fonts / "DejaVuSans-Bold.ttf"))
    pdf.add_page()
    _card_page(pdf, size)
    pdf.add_page()
    draw_guide(pdf, size)
    return bytes(pdf.output())


def write_card(path: Path, paper: str) -> None:
    """Write the sheet to a file.

    Raises
    ------
    CardError
        No such paper, or the file cannot be written.
    """
    content = card_pdf(paper)
    try:
        path.write_bytes(content)
    except OSError as error:
        raise CardError(f"{path} cannot be written ({error.strerror}); choose another folder or name.") from error


# ---------------------------------------------------------------- the card
def _card_page(pdf: FPDF, size: tuple[float, float]) -> None:
    x0, y0 = (size[0] - PANEL_MM) / 2, (size[1] - 2 * PANEL_MM) / 2
    pdf.set_fill_color(0)
    _chessboard(pdf, "standing", x0, y0)
    _chessboard(pdf, "floor", x0, y0 + PANEL_MM)
    _measuring_lines(pdf, x0, y0)
    _cut_and_fold(pdf, x0, y0)
    _words(pdf, size, x0, y0)


def _chessboard(pdf: FPDF, panel: str, left: float, top: float) -> None:
    """One panel's chessboard with its markers; (left, top) is the panel's corner."""
    x0, y0 = left + MARGIN_MM, top + MARGIN_MM
    for row in range(SQUARES):
        for column in range(SQUARES):
            if (row + column) % 2 == 0:  # the top-left square is black
                pdf.rect(x0 + column * SQUARE_MM, y0 + row * SQUARE_MM, SQUARE_MM, SQUARE_MM, style="F")
    for number in range(MARKERS):
        u, v = marker_mm(panel)[number].min(0)
        _marker(pdf, FIRST_ID[panel] + number, x0 + u, y0 + v)


def _marker(pdf: FPDF, number: int, x: float, y: float) -> None:
    """A marker: its black square, and the white cells on it."""
    cells = np.asarray(cv2.aruco.generateImageMarker(dictionary(), number, BITS, borderBits=1)) > 127
    cell = MARKER_MM / BITS
    pdf.set_fill_color(0)
    pdf.rect(x, y, MARKER_MM, MARKER_MM, style="F")
    pdf.set_fill_color(255)
    # each run of white cells is one rectangle, along rows and again along columns: no seam stays between neighbours
    for row in range(BITS):
        for first, count in _runs(cells[row]):
            pdf.rect(x + first * cell, y + row * cell, count * cell, cell, style="F")
    for column in range(BITS):
        for first, count in _runs(cells[:, column]):
            pdf.rect(x + column * cell, y + first * cell, cell, count * cell, style="F")
    pdf.set_fill_color(0)


def _runs(row: np.ndarray) -> list[tuple[int, int]]:
    """Start and length of each run of true values."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], row.astype(int), [0]])))
    return [(int(a), int(b - a)) for a, b in zip(edges[::2], edges[1::2], strict=True)]


def _measuring_lines(pdf: FPDF, x0: float, y0: float, at: SheetLayout = LAYOUT) -> None:
    """One line of exactly 200 mm lengthwise and one of exactly 100 mm across, with ticks at their ends."""
    pdf.set_draw_color(0)
    pdf.set_line_width(at.line_mm)
    x, y = x0 + at.line_along_x, y0 + at.line_along_y
    pdf.line(x, y, x, y + LINE_ALONG_MM)
    for end in (y, y + LINE_ALONG_MM):
        pdf.line(x - at.tick_mm, end, x + at.tick_mm, end)
    x, y = x0 + at.line_across_x, y0 + at.line_across_y
    pdf.line(x, y, x + LINE_ACROSS_MM, y)
    for end in (x, x + LINE_ACROSS_MM):
        pdf.line(end, y - at.tick_mm, end, y + at.tick_mm)


def _cut_and_fold(pdf: FPDF, x0: float, y0: float) -> None:
    """Marks outside the card at its corners and at the fold, a thin line to cut along, a dotted one to fold along."""
    x1, y1, fold = x0 + PANEL_MM, y0 + 2 * PANEL_MM, y0 + PANEL_MM
    pdf.set_draw_color(LIGHT)
    pdf.set_line_width(0.1)
    pdf.rect(x0, y0, PANEL_MM, 2 * PANEL_MM)
    pdf.set_draw_color(0)
    pdf.set_line_width(0.2)
    for x, out in ((x0, -1), (x1, 1)):
        for y, up in ((y0, -1), (y1, 1)):
            pdf.line(x + 2 * out, y, x + 7 * out, y)
            pdf.line(x, y + 2 * up, x, y + 6 * up)
    pdf.set_dash_pattern(dash=2, gap=1.2)
    for x, out in ((x0, -1), (x1, 1)):
        pdf.line(x + 2 * out, fold, x + 12 * out, fold)
    pdf.set_draw_color(LIGHT)
    pdf.set_line_width(0.15)
    pdf.set_dash_pattern(dash=0.8, gap=1.6)
    pdf.line(x0, fold, x1, fold)
    pdf.set_dash_pattern()


# ---------------------------------------------------------------- words
def _words(pdf: FPDF, size: tuple[float, float], x0: float, y0: float) -> None:
    """Title, labels and steps, all outside the card; nothing nearer to the paper's edge than a printer reaches."""
    width, _ = size
    y1, fold, x1 = y0 + 2 * PANEL_MM, y0 + PANEL_MM, x0 + PANEL_MM
    pdf.set_text_color(0)
    _centred(pdf, width / 2, y0 - 10.5, "Reference card", 12, "B")
    _centred(pdf, width / 2, y0 - 6.0, 'print at 100 % ("actual size"), on stiff matt white stock', 7.5)
    pdf.set_text_color(GREY)
    _turned(pdf, x0 - 4, y0 + PANEL_MM / 2, "standing panel: stands upright at the far edge", 7.5)
    _turned(pdf, x0 - 4, fold + PANEL_MM / 2, "floor panel: lies flat on the bench, towards you", 7.5)
    _turned(pdf, x1 + 4, y0 + 66, "this line must measure 200 mm", 7.5, 270)
    _centred(pdf, width / 2, y1 + 4.6, "the line above must measure 100 mm", 7.5)
    column = x0 - 7 - EDGE_MM
    _paragraph(pdf, EDGE_MM + 2, fold - 9, column - 5, ("fold upwards", "to an L"))
    _paragraph(pdf, x1 + 8, y0 + 8, column, MEASURE)
    _paragraph(pdf, x1 + 8, y0 + 132, column, CUT)


def _paragraph(pdf: FPDF, x: float, y: float, width: float, lines: tuple[str, ...]) -> None:
    """Short paragraphs in a narrow column, the first one bold where there are more than two."""
    pdf.set_text_color(GREY)
    pdf.set_xy(x, y)
    for number, line in enumerate(lines):
        pdf.set_font("sans", "B" if number == 0 and len(lines) > 2 else "", 7.5)
        pdf.set_x(x)
        pdf.multi_cell(width, 3.4, line, align="L", new_x="LEFT", new_y="NEXT")
        pdf.set_y(pdf.get_y() + (1.2 if len(lines) > 2 else 0))


def _centred(pdf: FPDF, x: float, y: float, text: str, points: float, style: str = "") -> None:
    """Text whose middle is at x and whose base line is at y."""
    pdf.set_font("sans", style, points)
    pdf.text(x - pdf.get_string_width(text) / 2, y, text)


def _turned(pdf: FPDF, x: float, y: float, text: str, points: float, angle: float = 90) -> None:
    """Text turned about its middle."""
    with pdf.rotation(angle, x, y):
        _centred(pdf, x, y + 0.35 * points * 0.3528, text, points)
