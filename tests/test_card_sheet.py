"""The printable sheet: measured on its own raster, read by the detector, laid out on the papers."""

import re
import shutil
import subprocess
from pathlib import Path

import cv2
import numpy as np
import pytest

from qc.card_layout import MARGIN_MM, PANEL_MM, board, corner_mm
from qc.card_sheet import LAYOUT, LINE_ACROSS_MM, LINE_ALONG_MM, PAPERS_MM, card_pdf, write_card
from qc.commands.card import Paper, card
from qc.errors import CardError
from tests.published import optics

DPI = 600
PX_PER_MM = DPI / 25.4


def raster(pdf: Path, page: int, dpi: int = DPI) -> np.ndarray:
    """One page as grey levels."""
    if shutil.which("pdftoppm") is None:
        pytest.skip("pdftoppm (poppler-utils) is not installed")
    stem = pdf.with_suffix("")
    subprocess.run(
        ["pdftoppm", "-r", str(dpi), "-gray", "-f", str(page), "-l", str(page), str(pdf), str(stem)], check=True
    )
    return cv2.imread(str(next(pdf.parent.glob(f"{stem.name}-*{page}.pgm"))), cv2.IMREAD_GRAYSCALE)


@pytest.fixture(scope="module", params=sorted(PAPERS_MM))
def sheet(request, tmp_path_factory) -> tuple[str, Path, np.ndarray]:
    path = tmp_path_factory.mktemp("sheet") / f"{request.param}.pdf"
    write_card(path, request.param)
    return request.param, path, raster(path, 1)


def corner_of(paper: str) -> np.ndarray:
    """The card's upper left corner on the page, mm."""
    return (np.array(PAPERS_MM[paper]) - [PANEL_MM, 2 * PANEL_MM]) / 2


def dark_middle_mm(profile: np.ndarray, near_mm: float, reach_mm: float = 1.0) -> float:
    """Where a thin line crosses a row or column of the raster, mm from the page's edge."""
    a, b = round((near_mm - reach_mm) * PX_PER_MM), round((near_mm + reach_mm) * PX_PER_MM)
    weight = 255.0 - profile[a:b]
    return float((a + 0.5 + (weight * np.arange(b - a)).sum() / weight.sum()) / PX_PER_MM)


def test_papers_are_the_standards():
    """ISO 216 and ANSI/ASME Y14.1 (tests/published/optics.py)."""
    assert PAPERS_MM == optics.PAPERS_MM
    for paper, size in PAPERS_MM.items():
        box = re.search(rb"/MediaBox\s*\[0 0 ([\d.]+) ([\d.]+)\]", card_pdf(paper))
        assert box is not None
        assert [float(v) * 25.4 / 72 for v in box.groups()] == pytest.approx(size, abs=0.01)


def test_measuring_lines_are_exact_to_half_a_part_in_a_thousand(sheet):
    """Both lines, from tick to tick, to 0.05 %, as the raster shows them."""
    paper, _, page = sheet
    x0, y0 = corner_of(paper)
    beside = page[:, round((x0 + LAYOUT.line_along_x - 0.7) * PX_PER_MM)]  # through the ticks, left of the line
    ends = [dark_middle_mm(beside, y0 + LAYOUT.line_along_y + k) for k in (0.0, LINE_ALONG_MM)]
    assert ends[1] - ends[0] == pytest.approx(200.0, rel=5e-4)
    above = page[round((y0 + LAYOUT.line_across_y - 0.7) * PX_PER_MM)]
    ends = [dark_middle_mm(above, x0 + LAYOUT.line_across_x + k) for k in (0.0, LINE_ACROSS_MM)]
    assert ends[1] - ends[0] == pytest.approx(100.0, rel=5e-4)


@pytest.mark.parametrize("panel", ["standing", "floor"])
def test_detector_reads_every_corner_where_the_layout_says(sheet, panel):
    paper, _, page = sheet
    corners, ids, _, marker_ids = cv2.aruco.CharucoDetector(board(panel)).detectBoard(page)
    assert len(np.ravel(ids)) == 36
    assert sorted(np.ravel(marker_ids).tolist()) == list(range(48))  # each marker of both panels once
    top = 0.0 if panel == "standing" else PANEL_MM
    expected = corner_of(paper) + np.array([MARGIN_MM, MARGIN_MM + top]) + corner_mm(np.ravel(ids))
    found = (np.reshape(corners, (-1, 2)) + 0.5) / PX_PER_MM
    assert np.abs(found - expected).max() < 0.05  # mm; a raster pixel is 0.042 mm
    scale = np.polyfit(expected[:, 0], found[:, 0], 1)[0], np.polyfit(expected[:, 1], found[:, 1], 1)[0]
    assert scale == pytest.approx((1.0, 1.0), abs=5e-4)


def test_no_seam_shows_in_the_markers(sheet):
    """Cells of one colour that touch are one piece: the page holds next to no pixel between ink and paper."""
    paper, _, page = sheet
    x0, y0 = np.round((corner_of(paper) + MARGIN_MM + 0.5) * PX_PER_MM).astype(int)
    side = round((PANEL_MM - 2 * MARGIN_MM - 1) * PX_PER_MM)
    inner = page[y0 : y0 + side, x0 : x0 + side]
    assert ((inner > 40) & (inner < 215)).mean() < 0.02


def test_card_and_words_stay_within_a_printers_reach(sheet):
    paper, path, page = sheet
    x0, y0 = corner_of(paper)
    assert min(x0, y0) > 7
    for number in (1, 2):
        dark = (page if number == 1 else raster(path, 2)) < 128
        rows, columns = np.flatnonzero(dark.any(1)), np.flatnonzero(dark.any(0))
        width, height = PAPERS_MM[paper]
        assert min(rows[0], columns[0]) / PX_PER_MM > 5
        assert height - rows[-1] / PX_PER_MM > 5
        assert width - columns[-1] / PX_PER_MM > 5


def test_printer_is_asked_for_full_size_and_fonts_are_inside():
    content = card_pdf("a4")
    assert b"/PrintScaling /None" in content
    assert content.count(b"/FontFile2") == 2
    assert content.count(b"/Type /Page\n") == 2


def test_guide_shows_cautions_and_the_quarter_turn(sheet):
    if shutil.which("pdftotext") is None:
        pytest.skip("pdftotext (poppler-utils) is not installed")
    _, path, _ = sheet
    raw = subprocess.run(["pdftotext", "-f", "2", str(path), "-"], capture_output=True, text=True, check=True).stdout
    words = " ".join(raw.split())
    for phrase in (
        "not food-contact surfaces",
        "carries allergens",
        "Local codes",
        "quarter turn clockwise as seen from above",
        "from the turntable to the bench",
        "whole board",
        "both panels in view",
    ):
        assert phrase in words


def test_bad_paper_and_bad_place(tmp_path):
    with pytest.raises(CardError, match=r"no sheet for paper 'a5'; choose a4 or letter\."):
        card_pdf("a5")
    with pytest.raises(CardError, match="cannot be written"):
        write_card(tmp_path / "none" / "card.pdf", "a4")


def test_command_writes_the_sheet(tmp_path, capsys):
    out = tmp_path / "card.pdf"
    card(out=out, paper=Paper.LETTER)
    assert out.read_bytes().startswith(b"%PDF")
    assert "print it at 100 %" in capsys.readouterr().out
