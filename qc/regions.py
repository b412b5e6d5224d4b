"""How far a cake's own regions in a photo are from what the finder saw there.

The photos' edges say exactly where a line is, not whose: a row of pieces has a rim too, and so has the light mirrored
in a glaze. The finder says roughly where there is icing at all, so it is asked as well when cakes are compared.
"""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from qc.body import Body
from qc.camera import View
from qc.contour import Board
from qc.finder import BOARD, BODY, CARD, OTHER, Finding

Array = NDArray[np.float64]
EDGE_PLACES = 60  # along the board's edge
SUBPIXEL = 4  # bits of a network pixel that outlines are rounded to


@dataclass(frozen=True)
class RegionSettings:
    """What counts how much."""

    board_for_icing: float = 0.25  # white icing and a white board are taken for each other: this share counts


def misfit_mm(
    finding: Finding, view: View, body: Body, board: Board, outline_px: Array, settings: RegionSettings | None = None
) -> float:
    """By how much on average the body's outline lies off the icing that the finder saw, pieces and piping left out.

    Parameters
    ----------
    outline_px : ndarray, shape (N, 2)
        The body's outline in the photo.

    Returns
    -------
    float
        Area where the finder and the cake differ, over the length of the outline; mm at the cake's middle.
    """
    settings = settings or RegionSettings()
    places, _ = board.edge_points(EDGE_PLACES)
    heights = np.repeat([0.0, -board.thickness_mm], EDGE_PLACES)
    edges = view.project(np.concatenate([np.tile(places, (2, 1)), heights[:, None]], 1))
    shape = finding.probabilities.shape[1:]
    at = finding.to_net(outline_px)
    icing = _filled(at, shape)
    hull = cv2.convexHull(finding.to_net(edges).astype(np.float32))[:, 0]
    on_board = _filled(hull.astype(np.float64), shape) & ~icing
    p = finding.probabilities
    on_icing = _total(p[BODY], icing)
    beside = _total(p[BODY], on_board)
    wrong = _total(p[OTHER], icing) + _total(p[CARD], icing) + float(p[BODY].sum()) - on_icing - beside
    mistaken = _total(p[BOARD], icing) + beside
    length = float(np.linalg.norm(np.roll(at, -1, 0) - at, axis=1).sum())
    px_per_mm = view.px_per_mm(np.array([0.0, 0.0, 0.5 * body.height_mm])) * finding.scale_px
    return (wrong + settings.board_for_icing * mistaken) / max(length, 1e-9) / px_per_mm


def _filled(corners: Array, shape: tuple[int, ...]) -> NDArray[np.uint8]:
    """Mask (h, w) of a polygon (N, 2): 255 inside."""
    mask = np.zeros(shape, np.uint8)
    cv2.fillPoly(mask, [np.round(corners * (1 << SUBPIXEL)).astype(np.int32)], 255, cv2.LINE_8, SUBPIXEL)
    return mask


def _total(layer: NDArray[np.float32], mask: NDArray[np.uint8]) -> float:
    """Sum of a layer (h, w) over a mask."""
    return float(cv2.mean(layer, mask)[0]) * cv2.countNonZero(mask)
