"""One flattened photo of the icing, read: its light taken off, what shows through it, and its spots."""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from qc.blemishes import Spot, SpotSettings, find_spots
from qc.body import Body
from qc.camera import View
from qc.colour import PAPER_REFLECTANCE, luminance
from qc.finder import Finding
from qc.masks import MaskSettings, side_valid, top_valid, wider
from qc.quantities import Decoration
from qc.shading import ShadingSettings, Unlit, remove_light
from qc.show_through import Shown, ShowSettings, find_show_through
from qc.spot_words import Surface
from qc.unroll import SidePicture, TopPicture, side_picture, top_picture

Array = NDArray[Any]
Mask = NDArray[np.bool_]


@dataclass(frozen=True)
class IcingSettings:
    """How the surface is read."""

    px_per_mm: float = 4.0  # of the flattened pictures: a pit of 1.5 mm is six pixels
    patch_mm2: float = 12.0  # no spots are looked for in patches larger than this ...
    patch_margin_mm: float = 5.0  # ... and this close to them: their ragged fringe is theirs
    thrown_mm: float = 3.0  # pieces on the top throw colour this much further than their margin
    same_mm: float = 6.0  # spots nearer than this are one ...
    same_hours: float = 0.4  # ... and those of two side photos this near on the clock (they differ by 0.14 h rms) ...
    same_height_mm: float = 2.0  # ... and at the same height
    colour_sigma: tuple[float, float, float] = (
        4.0,
        2.0,
        3.0,
    )  # Lab, from rendered cakes: light on card and cake differ
    masks: MaskSettings = field(default_factory=MaskSettings)
    shading: ShadingSettings = field(default_factory=ShadingSettings)
    show: ShowSettings = field(default_factory=ShowSettings)
    show_top: ShowSettings = field(
        default_factory=lambda: ShowSettings(dark=9.0, colour=8.0, limit_seen=10.0, beside=False)
    )  # pieces throw shadows, which between a warm and a cold lamp have a colour
    spots: SpotSettings = field(default_factory=SpotSettings)


@dataclass(frozen=True)
class Face:
    """One flattened photo, read."""

    photo: str
    picture: SidePicture | TopPicture
    valid: Mask
    unlit: Unlit
    own: Array  # (3,) linear colour of the icing, 1 the perfect white
    white: bool  # balanced on the card's paper
    shown: Shown
    mirrors: bool


def read_face(
    name: str,
    pixels: NDArray[np.uint8],
    view: View,
    body: Body,
    finding: Finding | None,
    paper: Array | None,
    decorations: Sequence[Decoration],
    settings: IcingSettings,
) -> Face | None:
    """Flatten one photo, take its light off and find what shows through."""
    scale = settings.px_per_mm
    picture: SidePicture | TopPicture
    if name == "top":
        picture = top_picture(pixels, view, body, scale)
        valid = top_valid(picture, body, finding, decorations, settings.masks)
        height, show = 2 * picture.reach_mm, settings.show_top
    else:
        picture = side_picture(pixels, view, body, name, scale)
        valid = side_valid(picture, body, finding, settings.masks)
        height, show = body.height_mm, settings.show
    unlit = remove_light(picture.pixels, valid, height, scale, settings.shading)
    if unlit is None:
        return None
    white = paper is not None and bool(np.all(np.asarray(paper) > 0.02))
    reference = np.asarray(paper, float) if white else np.full(3, unlit.light.max())
    own = unlit.light / reference * PAPER_REFLECTANCE
    own = own / max(own.max() / 0.93, 1.0)  # nothing is lighter than fresh snow: the card stood in shade
    mirrors = bool(luminance(own) < settings.show.least_luminance)
    away = ~wider(~valid, settings.thrown_mm, scale) if name == "top" else valid
    shown = find_show_through(unlit.log, away, own, scale, name != "top", show)
    return Face(name, picture, valid, unlit, own, white, shown, mirrors)


def face_spots(face: Face, body: Body, settings: IcingSettings) -> list[Spot]:
    """Spots of one face, away from patches; places in pixels of the face's picture."""
    if face.photo == "top":
        surface, x, y = top_surface(face, body, settings)
        spots = []
        for s in find_spots(surface, settings.spots):
            r, c = min(int(s.row_px), x.shape[0] - 1), min(int(s.column_px), x.shape[1] - 1)
            squeeze = float(np.sqrt((x.shape[0] - r) / x.shape[0] / 0.6)) if s.kind == "finger" else 1.0
            spots.append(replace(s, column_px=float(x[r, c]), row_px=float(y[r, c]), size_mm=s.size_mm * squeeze))
        return spots
    return find_spots(side_surface(face, settings), settings.spots)


def side_surface(face: Face, settings: IcingSettings) -> Surface:
    """What of an unrolled side is searched for spots."""
    assert isinstance(face.picture, SidePicture)
    return Surface(
        face.unlit.log,
        _unpatched(face, settings),
        face.picture.facing,
        float(luminance(face.own)),
        False,
        settings.px_per_mm,
    )


def top_surface(face: Face, body: Body, settings: IcingSettings) -> tuple[Surface, Array, Array]:
    """The top unrolled about its middle, so that the blade's rings run along rows, and where each pixel lies (x, y)."""
    scale, n = settings.px_per_mm, face.valid.shape[0]
    middle, outer = (n - 1) / 2, body.radius_mm * scale
    radius = np.arange(outer, 0.06 * outer, -1.0, dtype=np.float32)[:, None]
    turn = np.arange(0, 2 * np.pi, 1 / (0.6 * outer), dtype=np.float32)[None, :]
    x, y = middle + radius * np.cos(turn), middle - radius * np.sin(turn)
    log = cv2.remap(face.unlit.log.astype(np.float32), x, y, cv2.INTER_LINEAR)
    ok = cv2.remap(face.valid.astype(np.uint8), x, y, cv2.INTER_NEAREST) > 0
    return Surface(log, ok, np.ones(ok.shape, np.float32), float(luminance(face.own)), True, scale), x, y


def _unpatched(face: Face, settings: IcingSettings) -> Mask:
    """Where a face shows icing, away from patches of filling: their ragged fringe is theirs."""
    valid = face.valid.copy()
    if face.mirrors:
        return valid
    _, label, stats, _ = cv2.connectedComponentsWithStats(face.shown.bad.astype(np.uint8), connectivity=8)
    large = stats[:, cv2.CC_STAT_AREA] > settings.patch_mm2 * settings.show.px_per_mm**2
    large[0] = False
    patch = cv2.resize(large[label].astype(np.uint8), valid.shape[::-1], interpolation=cv2.INTER_NEAREST) > 0
    return np.asarray(valid & ~wider(patch, settings.patch_margin_mm, settings.px_per_mm))


def place_mm(face: Face, column: float, row: float, body: Body) -> tuple[float, float, float, float]:
    """Direction, height, x and y of a place in a face's picture."""
    if isinstance(face.picture, SidePicture):
        theta, z = (float(v) for v in face.picture.to_mm(np.array([column, row])))
        x, y, _ = body.side_point_mm(theta, z)
        return float(np.arctan2(y, x)), z, float(x), float(y)
    x, y = (float(v) for v in face.picture.to_mm(np.array([column, row])))
    return float(np.arctan2(y, x)), float(body.top_z_mm(x, y)), x, y
