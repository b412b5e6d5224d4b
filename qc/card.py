"""The reference card: its layout, the printable sheet, finding it in a photo (card.md)."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from qc.photo import Photo

PANEL_MM, SQUARES, SQUARE_MM, MARKER_MM, MARGIN_MM = 120.0, 7, 15.0, 11.0, 7.5
THICKNESS_MM = 0.25  # printed face above the bench


@dataclass(frozen=True)
class PanelView:
    """Inner chessboard corners of one panel found in a photo."""

    panel: str  # "floor" or "standing"
    ids: NDArray[np.int64]  # (N,) 0..35, reading order
    corners_px: NDArray[np.float64]  # (N, 2)
    sigma_px: NDArray[np.float64]  # (N,) standard uncertainty of each coordinate


@dataclass(frozen=True)
class CardView:
    """What a photo shows of the card; a panel that was not found has no entry."""

    floor: PanelView | None
    standing: PanelView | None

    @property
    def corner_count(self) -> int:
        return sum(len(p.ids) for p in (self.floor, self.standing) if p is not None)


def corner_mm(ids: NDArray[np.int64]) -> NDArray[np.float64]:
    """Nominal (u right, v down) mm (N, 2) of inner corners from the top-left corner of a panel's chessboard."""
    ids = np.asarray(ids)
    return SQUARE_MM * np.stack([1 + ids % (SQUARES - 1), 1 + ids // (SQUARES - 1)], -1).astype(float)


def find_card(photo: Photo) -> CardView:
    """Both panels' corners to a tenth of a pixel, also of a floor panel seen at a grazing angle."""
    from qc.card_find import find_card as find

    return find(photo)
