"""A cake's regions against what the finder saw, and which of the finder's border points count: drawn findings."""

from dataclasses import replace

import cv2
import numpy as np
import pytest

from qc import joint
from qc.contour import body_contour
from qc.finder import BOARD, BODY, CARD, DECORATION, LABELS, OTHER, Finding
from qc.fit_terms import PhotoInput, crowding
from qc.outline import EdgeSettings, finder_border, largest_share, piece_sides
from qc.regions import RegionSettings, misfit_mm
from tests.test_joint import SIZE, photo_block
from tests.test_start import seen, tall_cake


def pictured(height_mm: float = 115.0) -> tuple[Finding, joint.View, joint.Body, joint.Board, np.ndarray]:
    """The tall cake as a side photo's finding shows it, and its outline were it as high as told."""
    cake = tall_cake(120.0)
    view = joint.cake_view(cake, photo_block(2.0, 0.0), SIZE)
    body, board = joint.body_of(cake), joint.board_of(cake, False)
    edge = np.concatenate([np.pad(board.edge_points(90)[0], ((0, 0), (0, 1)), constant_values=z) for z in (0.0, -2.6)])
    finding = seen(view, body, view.project(edge), False)
    other = replace(body, height_mm=height_mm)
    return finding, view, other, board, body_contour(view, other, 240).points_px


def test_the_right_cake_hardly_differs() -> None:
    """What is left is the drawn picture's own pixels: 1.2 mm each."""
    assert misfit_mm(*pictured()) < 0.25


@pytest.mark.parametrize("off_mm", [-10.0, 10.0])
def test_a_height_that_is_wrong_shows(off_mm: float) -> None:
    """Analytic: seen from the side, a strip of diameter by error, over an outline of two heights and two diameters."""
    expected = 168 * abs(off_mm) / (2 * (168 + 115))
    assert misfit_mm(*pictured(115.0 + off_mm)) == pytest.approx(expected, abs=0.8)


def relabelled(finding: Finding, where: np.ndarray, label: int) -> Finding:
    """A finding with another label at some places."""
    labels = finding.net_labels().copy()
    labels[where] = label
    return replace(finding, probabilities=(np.arange(len(LABELS))[:, None, None] == labels).astype(np.float32))


def test_pieces_hide_and_boards_are_mistaken() -> None:
    """A strip of icing taken for pieces counts nothing, for the board a quarter of bench, for the card as for bench."""
    finding, *cake = pictured()
    strip = (np.arange(480) < 200)[:, None] & (finding.net_labels() == BODY)
    assert strip.sum() > 1000
    as_it_is, as_pieces, as_board, as_bench, as_card = (
        misfit_mm(f, *cake)
        for f in (finding, *(relabelled(finding, strip, label) for label in (DECORATION, BOARD, OTHER, CARD)))
    )
    assert as_pieces == pytest.approx(as_it_is, abs=0.1)
    assert as_bench - as_it_is > 1.0
    assert as_card == pytest.approx(as_bench, abs=1e-6)
    quarter = RegionSettings().board_for_icing
    assert as_board - as_pieces == pytest.approx(quarter * (as_bench - as_pieces), rel=0.05)


def test_icing_under_a_piece_is_told_from_icing_before_the_bench() -> None:
    """Three pieces stand along the top: the border below them is theirs, in the gaps it is the icing's own."""
    finding, *_ = pictured()
    body = finding.net_labels() == BODY
    top = int(np.nonzero(body.any(1))[0][0])
    left, right = np.nonzero(body.any(0))[0][[0, -1]]
    width = (right - left) // 7
    pieces = np.zeros(body.shape, np.uint8)
    for k in (1, 3, 5):
        x = int(left + k * width)
        cv2.rectangle(pieces, (x, top - 30), (x + int(width), top + 12), 1, -1)
    found = relabelled(finding, pieces > 0, DECORATION)
    border = finder_border(found, (BODY,), 200)
    under = piece_sides(found, border, EdgeSettings())
    at = found.to_net(border.points_px)
    inside = cv2.dilate(pieces, np.ones((5, 5)))[tuple(np.rint(at[:, ::-1]).astype(int).T)] > 0
    assert under.sum() > 10
    assert inside[under].all()
    assert not under[at[:, 1] > top + 40].any()


def test_a_closed_ring_of_pieces_does_not_hide_the_rim() -> None:
    """Pieces that touch part the icing; its middle is then the largest patch, and all its border is theirs."""
    labels = np.zeros((480, 640), np.uint8)
    cv2.circle(labels, (320, 240), 170, BODY, -1)
    for a in np.arange(10) * np.pi / 5:
        cv2.circle(labels, (round(320 + 125 * np.cos(a)), round(240 + 125 * np.sin(a))), 40, DECORATION, -1)
    seen_as = (np.arange(len(LABELS))[:, None, None] == labels).astype(np.float32)
    found = Finding(seen_as, 0.5, (0.0, 0.0), (1280, 960), 1.0, ())
    assert largest_share(found, BODY) < 0.7
    given = PhotoInput(None, None, found, None)  # type: ignore[arg-type]
    alone = given.icing_sides(1).where(np.zeros(len(given.icing_border.points_px), bool))
    off = np.linalg.norm(given.icing_border.points_px[alone] / 2 - (320, 240), axis=1)
    assert alone.sum() > 40
    assert np.abs(off - 170).max() < 2


def test_a_few_points_by_themselves_count_as_one() -> None:
    """Analytic: a run of n tells as much as n over the crowd squared, but not less than one; the border is closed."""
    assert crowding(np.array([5, 6, 7]), 200, 4.0) == pytest.approx([3**0.5] * 3)
    assert crowding(np.array([0, 1, 50, 199]), 200, 4.0) == pytest.approx([3**0.5, 3**0.5, 1.0, 3**0.5])
    assert crowding(np.arange(200), 200, 4.0) == pytest.approx([4.0] * 200)
    assert crowding(np.arange(20, 80), 200, 4.0) == pytest.approx([4.0] * 60)
    assert len(crowding(np.zeros(0, int), 200, 4.0)) == 0
