"""The reference card in a photo: both panels' corners, with how sure each is.

Found in a reduced picture by its markers, refined in the photo itself (`qc.card_refine`); a floor panel seen too flat
for its markers to be read is looked for where the standing panel says that it must be (`qc.card_fold`). The layout is
in `qc.card_layout`, the printable sheet in `qc.card_sheet`.
"""

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from qc.card_fold import search_floor, standing_pose
from qc.card_layout import (
    CORNERS,
    MARGIN_MM,
    MARKER_MM,
    PANEL_MM,
    SQUARE_MM,
    SQUARES,
    THICKNESS_MM,
    CardView,
    PanelView,
    corner_mm,
)
from qc.card_map import PanelMap, fit_robust
from qc.card_markers import Markers, Reduced, find_markers, reduced, rough_map, seen_twice
from qc.card_missing import why_no_card
from qc.card_refine import REFINE, Refined, panel_print, refine
from qc.errors import CardError
from qc.lens_prior import exif_prior
from qc.photo import Photo

__all__ = [
    "MARGIN_MM",
    "MARKER_MM",
    "PANEL_MM",
    "SQUARES",
    "SQUARE_MM",
    "THICKNESS_MM",
    "CardView",
    "PanelView",
    "corner_mm",
    "find_card",
]

Grey = NDArray[np.uint8]
Array = NDArray[np.float64]
LOOK_PX = (1344, 2688, 100_000)  # longer side of the pictures that markers are looked for in, the cheapest first
CORNER_MM = corner_mm(np.arange(CORNERS))


@dataclass(frozen=True)
class CardSettings:
    """How the card is accepted."""

    least_corners: int = 12  # corners of a panel; fewer fix its pose too weakly
    least_panel: int = 6  # corners below which a panel is left out
    noise_inflation: float = 1.6  # 1; noise is smeared over neighbours: 1.5 on 50 rendered cakes (tests/long/card.py)
    noise_floor_px: float = 0.025  # px; tone curve, sharpening, compression: 0.021 on the same cakes
    outlier_sigma: float = 4.5  # standard uncertainties off the panel's smooth shape
    outlier_px: float = 0.25  # px that are always allowed: bow and lens are not quite cubic
    reduced_passes: int = 1  # refinements in the reduced picture
    photo_passes: int = 4  # at most, in the photo
    still_px: float = 0.08  # px; median movement below which a refinement ends
    soft_px: float = 0.9  # px of blur in the reduced picture from which the photo itself shows no more than that
    most_blur_px: float = 4.0  # px; edges wider than that are not drawn any wider
    odd_fit: float = 5.0  # times the panel's median misfit above which a corner is taken for partly hidden
    odd_fit_least: float = 0.03  # share of variance that is always allowed on top of that
    twice: int = 2  # markers read at two places from which it is two cards


CARD = CardSettings()


def find_card(photo: Photo, settings: CardSettings = CARD) -> CardView:
    """Both panels' corners to a few hundredths of a pixel, also of a floor panel seen at a grazing angle.

    Parameters
    ----------
    photo : Photo
    settings : CardSettings, optional

    Returns
    -------
    CardView
        Panels of which at least `least_panel` corners can be seen; at least one has `least_corners`.

    Raises
    ------
    CardError
        No card, too little of it, or two cards in the photo.
    """
    grey = np.asarray(cv2.cvtColor(photo.pixels, cv2.COLOR_RGB2GRAY), np.uint8)
    picture, markers = _look(grey)
    if any(seen_twice(m) >= settings.twice for m in markers.values()):
        raise CardError(f"{photo.said} shows two reference cards; take one away and take the photo again.")
    views = {panel: _panel(grey, picture, m, settings) for panel, m in markers.items()}
    floor, standing = views.get("floor"), views.get("standing")
    if standing is not None and (floor is None or len(floor.ids) < CORNERS):
        floor = _better(floor, _foretold_floor(photo, grey, picture, standing, settings))
    most = max((len(p.ids) for p in (floor, standing) if p is not None), default=0)
    if most < settings.least_corners:
        raise CardError(why_no_card(photo, most))
    return CardView(floor, standing)


def _look(grey: Grey) -> tuple[Reduced, dict[str, Markers]]:
    """Markers at the smallest size at which a few can be read, or at the photo's own."""
    picture = reduced(grey, LOOK_PX[0])
    markers = find_markers(picture)
    for long_px in LOOK_PX[1:]:
        if picture.scale == 1.0 or max((len(m.ids) for m in markers.values()), default=0) >= 4:
            break
        picture = reduced(grey, long_px)
        markers = find_markers(picture)
    return picture, markers


def _panel(grey: Grey, picture: Reduced, markers: Markers, settings: CardSettings) -> PanelView | None:
    """One panel from its markers."""
    rough = rough_map(markers, 1.0 / picture.scale)
    return None if rough is None else _refined(grey, picture, markers.panel, rough, settings)


def _refined(grey: Grey, picture: Reduced, panel: str, rough: PanelMap, settings: CardSettings) -> PanelView | None:
    """Corners from a rough map: first in the reduced picture, then in the photo until they stand still."""
    where, blur, level = rough, REFINE.blur_px, picture
    for number in range(settings.reduced_passes + settings.photo_passes):
        if number == settings.reduced_passes and blur < settings.soft_px:
            level, blur = Reduced(grey, 1.0), REFINE.blur_px
        result = _at_level(level, panel, where, blur)
        good = _plausible(result, settings)
        if good.sum() < settings.least_panel:
            return None
        sigma = np.sqrt(np.einsum("nii->n", result.covariance_px2[good]) / 2 + settings.noise_floor_px**2)
        found, away = fit_robust(CORNER_MM[good], result.corners_px[good], sigma, 4, 0.1 / level.scale)
        if found is None:
            return None
        where = found
        blur = float(np.clip(np.median(result.blur_px[good]), 0.3, settings.most_blur_px))
        still = float(np.median(result.shift_px[good])) * level.scale
        if number > settings.reduced_passes and still < settings.still_px:
            break
    return _accepted(panel, result, np.flatnonzero(good), away, blur, level.scale, settings)


def _accepted(
    panel: str,
    result: Refined,
    good: NDArray[np.int64],
    away: Array,
    blur: float,
    scale: float,
    settings: CardSettings,
) -> PanelView | None:
    """The corners that lie on the panel's smooth shape, with their uncertainties; away: px off it, of the good ones."""
    floor_px = settings.noise_floor_px / scale
    covariance = settings.noise_inflation**2 * result.covariance_px2 + floor_px**2 * np.eye(2)
    sigma = np.sqrt(np.einsum("nii->n", covariance) / 2)
    kept = good[away < np.maximum(settings.outlier_sigma * sigma[good], settings.outlier_px)]
    if len(kept) < settings.least_panel:
        return None
    paper = float(np.median(result.contrast[kept] + result.ink[kept]))
    ink = float(np.median(result.ink[kept]))
    return PanelView(panel, kept, result.corners_px[kept], sigma[kept], covariance[kept], blur / scale, paper, ink)


def _plausible(result: Refined, settings: CardSettings) -> NDArray[np.bool_]:
    """Corners (N,) whose surroundings look like the print, about as much as the panel's other corners do."""
    good = result.fit > REFINE.least_fit
    if good.any():
        usual = float(np.median(1 - result.fit[good]))
        good &= 1 - result.fit < settings.odd_fit * usual + settings.odd_fit_least
    return good


def _at_level(level: Reduced, panel: str, where: PanelMap, blur_px: float) -> Refined:
    """Refine in a reduced picture; places come back in photo pixels."""
    s = level.scale
    to_level = np.array([[s, 0, 0.5 * s - 0.5], [0, s, 0.5 * s - 0.5], [0, 0, 1.0]])
    local = PanelMap(to_level @ where.homography, where.bend * s, where.degree)
    found = refine(level.grey, panel_print(panel), CORNER_MM, local, replace(REFINE, blur_px=blur_px))
    return replace(
        found,
        corners_px=level.to_photo(found.corners_px),
        covariance_px2=found.covariance_px2 / s**2,
        shift_px=found.shift_px / s,
    )


def _foretold_floor(
    photo: Photo, grey: Grey, picture: Reduced, standing: PanelView, settings: CardSettings
) -> PanelView | None:
    """The floor panel where the standing panel says that it lies."""
    lens = exif_prior(photo).lens
    pose = standing_pose(corner_mm(standing.ids), standing.corners_px, lens)
    if pose is None:
        return None
    found = search_floor(picture, pose, lens)
    return None if found is None else _refined(grey, picture, "floor", found[0], settings)


def _better(one: PanelView | None, other: PanelView | None) -> PanelView | None:
    """The view with more corners."""
    if one is None or other is None:
        return one or other
    return other if len(other.ids) > len(one.ids) else one
