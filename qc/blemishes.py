"""Pits, crumbs and finger marks: places where the surface network (`qc.surface_net`) is sure enough of one."""

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from qc.surface_net import PX_PER_MM, SPOT_PX_PER_MM, Answer

Array = NDArray[Any]


@dataclass(frozen=True)
class SpotSettings:
    """What counts as a spot."""

    likely: float = 0.7  # probability from which a place is a pit or crumb
    finger_likely: float = 0.6  # the same of a finger mark
    apart_mm: float = 1.5  # half the distance of two spots
    fingers_apart_mm: float = 5.0  # the same of two finger marks
    smallest_mm: float = 1.5  # across


@dataclass(frozen=True)
class Spot:
    """One spot in a picture."""

    kind: str  # "pit", "crumb" or "finger"
    column_px: float
    row_px: float
    size_mm: float  # largest extent
    chance: float


def find_spots(answer: Answer, settings: SpotSettings) -> list[Spot]:
    """Spots of one flattened picture, in its pixels."""
    marks = [
        _spot("finger", place, answer.finger, answer)
        for place in _peaks(answer.finger, settings.finger_likely, settings.fingers_apart_mm)
    ]
    small = [
        _spot("crumb" if answer.crumb[place] > 0.5 else "pit", place, answer.spot, answer)
        for place in _peaks(answer.spot, settings.likely, settings.apart_mm)
    ]
    fair = [s for s in small if s.size_mm >= settings.smallest_mm and not any(_within(s, m) for m in marks)]
    return marks + fair


def _peaks(chance: Array, likely: float, apart_mm: float) -> list[tuple[int, int]]:
    """Places (row, column) that are likely, and likelier than all near them."""
    wide = 2 * round(apart_mm * SPOT_PX_PER_MM) + 1
    highest = cv2.dilate(chance, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (wide, wide)))
    rows, columns = np.nonzero((chance >= highest) & (chance > likely))
    return list(zip(rows.tolist(), columns.tolist(), strict=True))


def _spot(kind: str, place: tuple[int, int], chance: Array, answer: Answer) -> Spot:
    step = PX_PER_MM / SPOT_PX_PER_MM
    return Spot(kind, place[1] * step, place[0] * step, float(answer.size_mm[place]), float(chance[place]))


def _within(spot: Spot, mark: Spot) -> bool:
    away = np.hypot(spot.column_px - mark.column_px, spot.row_px - mark.row_px)
    return bool(away < 0.6 * mark.size_mm * PX_PER_MM)
