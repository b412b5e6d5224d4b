"""One flattened photo of the icing, read: its light taken off, what shows through it, and its spots."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from qc.blemishes import Spot, SpotSettings, find_spots
from qc.body import Body
from qc.camera import View
from qc.colour import PAPER_REFLECTANCE, luminance
from qc.finder import Finding
from qc.masks import MaskSettings, probabilities, side_valid, top_valid, wider
from qc.quantities import Decoration
from qc.shading import ShadingSettings, Unlit, remove_light
from qc.show_through import Shown, ShowSettings, shows_on_side, shows_on_top
from qc.surface_net import PX_PER_MM, Answer, planes, read
from qc.unroll import SidePicture, TopPicture, side_picture, top_picture

Array = NDArray[Any]
Mask = NDArray[np.bool_]
SEEN_FACING = 0.2  # cosine from which the network is shown a place of the side
SEEN_LOW, SEEN_HIGH = 0.03, 0.97  # shares of the height between which it is shown the side
SEEN_EDGE = 0.7  # share of the edge's rounding that it is not shown of the top


@dataclass(frozen=True)
class IcingSettings:
    """How the surface is read."""

    px_per_mm: float = PX_PER_MM  # of the flattened pictures: a pit of 1.5 mm is six pixels
    thrown_mm: float = 3.0  # pieces on the top throw colour this much further than their margin
    beside_patch_mm: float = 5.0  # crumbs this near to a patch are its own specks, but where sponge is meant to show
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
    answer: Answer  # what the surface network says of it


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
        height = 2 * picture.reach_mm
    else:
        picture = side_picture(pixels, view, body, name, scale)
        valid = side_valid(picture, body, finding, settings.masks)
        height = body.height_mm
    unlit = remove_light(picture.pixels, valid, height, scale, settings.shading)
    if unlit is None:
        return None
    white = paper is not None and bool(np.all(np.asarray(paper) > 0.02))
    reference = np.asarray(paper, float) if white else np.full(3, unlit.light.max())
    own = unlit.light / reference * PAPER_REFLECTANCE
    own = own / max(own.max() / 0.93, 1.0)  # nothing is lighter than fresh snow: the card stood in shade
    mirrors = bool(luminance(own) < settings.show.least_luminance)
    answer = read(shown_to_network(picture, unlit, body, finding))
    if name == "top":
        shown = shows_on_top(unlit.log, ~wider(~valid, settings.thrown_mm, scale), own, scale, settings.show)
    else:
        shown = shows_on_side(unlit.log, answer.show, valid, own, scale, settings.show)
    return Face(name, picture, valid, unlit, own, white, shown, mirrors, answer)


def face_spots(face: Face, settings: IcingSettings) -> list[Spot]:
    """Spots of one face; a finger mark in the middle of a patch is the patch, and so are crumbs strewn beside it."""
    scale, bad = settings.show.px_per_mm, face.shown.bad
    near = np.zeros_like(bad) if face.shown.widely else wider(bad, settings.beside_patch_mm, scale)

    def within(patches: NDArray[np.bool_], spot: Spot) -> bool:
        row, column = (int(v * scale / settings.px_per_mm) for v in (spot.row_px, spot.column_px))
        return bool(patches[min(row, bad.shape[0] - 1), min(column, bad.shape[1] - 1)])

    patches = {"finger": bad, "crumb": near}
    found = find_spots(face.answer, settings.spots)
    return [s for s in found if s.kind not in patches or not within(patches[s.kind], s)]


def shown_to_network(
    picture: SidePicture | TopPicture, unlit: Unlit, body: Body, finding: Finding | None
) -> NDArray[np.float32]:
    """A flattened picture as `qc.surface_net` sees it, pieces and borders included."""
    rows, cols = picture.pixels.shape[:2]
    if isinstance(picture, SidePicture):
        z = picture.z_mm[:, None] / body.height_mm
        seen, facing = picture.seen & (picture.facing > SEEN_FACING) & (z > SEEN_LOW) & (z < SEEN_HIGH), picture.facing
    else:
        k = np.arange(rows) - (rows - 1) / 2
        inner = (body.radius_mm - SEEN_EDGE * body.edge_mm) * picture.px_per_mm
        seen = k[:, None] ** 2 + k[None, :] ** 2 < max(inner, 0.0) ** 2
        facing = np.ones((rows, cols), np.float32)
    pieces = np.max(probabilities(finding, ("decoration", "card", "foot_border"), picture.at_px), axis=0)
    return planes(unlit.log, seen, pieces, facing, isinstance(picture, TopPicture))


def place_mm(face: Face, column: float, row: float, body: Body) -> tuple[float, float, float, float]:
    """Direction, height, x and y of a place in a face's picture."""
    if isinstance(face.picture, SidePicture):
        theta, z = (float(v) for v in face.picture.to_mm(np.array([column, row])))
        x, y, _ = body.side_point_mm(theta, z)
        return float(np.arctan2(y, x)), z, float(x), float(y)
    x, y = (float(v) for v in face.picture.to_mm(np.array([column, row])))
    return float(np.arctan2(y, x)), float(body.top_z_mm(x, y)), x, y
