"""The first cake: boards drawn as the finder would see them."""

import cv2
import numpy as np
import pytest

from qc import joint
from qc.body import Body
from qc.camera import View
from qc.contour import body_contour
from qc.finder import BOARD, BODY, LABELS, OTHER, Finding
from qc.start import StartSettings, board_as_icing, cover_board, misread_board
from tests.test_joint import SIZE, photo_block

NET = 640 / SIZE[0]
NAMES = ("top", "side", "side2")


def tall_cake(half_mm: float) -> np.ndarray:
    """A cake's block: 84 mm in radius, 115 mm high, on a round card."""
    cake = np.zeros(joint.CAKE)
    cake[[joint.RADIUS, joint.HEIGHT, joint.EDGE]] = 84.0, 115.0, 3.0
    cake[[joint.BOARD_HALF, joint.BOARD_X, joint.BOARD_Y, joint.BOARD_T]] = half_mm, -2.0, 3.0, 2.6
    return cake


def seen(view: View, body: Body, board_points: np.ndarray, false_rim: bool) -> Finding:
    """What the finder says: bench, board, before it the cake, and perhaps a board where the cake's rim is."""
    label = np.full((480, 640), OTHER, np.uint8)
    cake = body_contour(view, body, 180).points_px
    fills = [(board_points, BOARD), (cake, BODY)]
    if false_rim:
        middle = cake.mean(0)
        fills = [(cake, BOARD), (middle + 0.93 * (cake - middle) + [2.0, -4.0], BODY)]
    for points, value in fills:
        hull = cv2.convexHull(np.round((points + 0.5) * NET - 0.5).astype(np.int32))
        cv2.fillConvexPoly(label, hull, int(value))
    probabilities = (np.arange(len(LABELS))[:, None, None] == label).astype(np.float32)
    return Finding(probabilities, NET, (0.5 * NET - 0.5, 0.5 * NET - 0.5), SIZE, 1.0, ())


@pytest.mark.parametrize(("half_mm", "false_rim"), [(95.0, True), (95.0, False), (130.0, False)])
def test_a_rim_taken_for_the_board_is_noticed(half_mm: float, false_rim: bool) -> None:
    """From straight above the tall cake hides a board of 95 mm; both side photos show it."""
    cake, blocks = tall_cake(half_mm), [photo_block(88.0, 0.0), photo_block(10.0, 0.0), photo_block(14.0, -90.0)]
    body, board = joint.body_of(cake), joint.board_of(cake, False)
    edge = np.concatenate([np.pad(board.edge_points(90)[0], ((0, 0), (0, 1)), constant_values=z) for z in (0.0, -2.6)])
    views = [joint.cake_view(cake, b, SIZE) for b in blocks]
    findings = {n: seen(v, body, v.project(edge), false_rim and n == "top") for n, v in zip(NAMES, views, strict=True)}
    start, sizes, settings = np.concatenate([cake, *blocks]), [SIZE] * 3, StartSettings()
    start[[joint.BOARD_HALF, joint.BOARD_X, joint.BOARD_Y]] = 105.0, 0.0, 0.0
    found, left_out = cover_board(findings, start, sizes, False, settings)
    assert misread_board(findings, start, sizes, (left_out, False), settings) == false_rim
    findings["top"] = board_as_icing(findings["top"]) if false_rim else findings["top"]
    found, left_out = cover_board(findings, start, sizes, False, settings)
    assert left_out < 0.1
    assert found[joint.BOARD_HALF] == pytest.approx(half_mm, abs=2.0)
