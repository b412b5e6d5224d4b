"""The icing's colour, what shows through it, and its blemishes, on the flattened side and top.

Each photo is flattened, its light is taken off (`qc.shading`), and what is left is compared with the icing's own
colour, white-balanced on the card's paper. Borders, decorations and the card in front of the side are left out.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from qc.blemishes import Spot
from qc.body import Body
from qc.camera import View
from qc.clock import clock_of
from qc.colour import delta_e2000, lab_of_linear, luminance
from qc.face import Face, IcingSettings, face_spots, place_mm, read_face
from qc.finder import Finding
from qc.quantities import Blemish, Decoration, Measurement
from qc.unroll import SidePicture, TopPicture, merge_sides

Array = NDArray[Any]
# spots at most, on 60 rendered cakes seen through their own fit, 8 of them with sponge; many lie under pieces, where
# the truth counts them
OVERLOOKED, OVERLOOKED_AMONG_SPONGE = 2.5, 8.0


@dataclass(frozen=True)
class Patch:
    """One patch of filling or sponge that shows."""

    photo: str
    clock: float
    height_mm: float
    area_mm2: float


@dataclass(frozen=True)
class IcingResult:
    """What the surface shows."""

    measurements: tuple[Measurement, ...]
    blemishes: tuple[Blemish, ...]
    patches: tuple[Patch, ...]
    colour_lab: tuple[float, float, float] | None
    faces: tuple[Face, ...]
    scraped: bool  # sponge shows all over the side, as on a semi-naked cake
    warnings: tuple[str, ...]

    @cached_property
    def side(self) -> SidePicture | None:
        """All side photos in one, made when it is asked for."""
        sides = {f.photo: f.picture for f in self.faces if isinstance(f.picture, SidePicture)}
        return merge_sides(sides) if sides else None

    @property
    def top(self) -> TopPicture | None:
        """The top seen square from above."""
        return next((f.picture for f in self.faces if isinstance(f.picture, TopPicture)), None)


def measure_icing(
    photos: Mapping[str, NDArray[np.uint8]],
    views: Mapping[str, View],
    body: Body,
    findings: Mapping[str, Finding],
    paper_px: Mapping[str, Array | None] | None,
    decorations: Sequence[Decoration],
    semi_naked: bool = False,
    settings: IcingSettings | None = None,
) -> IcingResult:
    """Read the icing's surface.

    Parameters
    ----------
    photos : mapping of str to ndarray, shape (H, W, 3), uint8
        Upright RGB photos "top", "side", "side2".
    views, findings : mapping
        Their cameras in the cake frame and what they show.
    paper_px : mapping of str to ndarray, shape (3,), or None
        Linear RGB of the card's paper in each photo, where it was seen.
    decorations : sequence of Decoration
        Pieces on the top, to be left out.
    semi_naked : bool
        Sponge is meant to show: the share is nominal, and crumbs can't be told from it.
    """
    settings = settings or IcingSettings()
    paper = paper_px or {}
    names = [n for n in ("side", "side2", "top") if n in photos and n in views]

    def one(name: str) -> tuple[Face, list[Spot]] | None:
        face = read_face(
            name, photos[name], views[name], body, findings.get(name), paper.get(name), decorations, settings
        )
        return (face, face_spots(face, settings)) if face is not None else None

    read = [one(name) for name in names]  # one by one: the network's own threads fill the cores
    warnings = [
        f"The icing can't be read in the {name} photo: too little of it is seen."
        for name, pair in zip(names, read, strict=True)
        if pair is None
    ]
    spots = [pair for pair in read if pair is not None]
    faces = [face for face, _ in spots]
    if not faces:
        return IcingResult((), (), (), None, (), False, tuple(warnings))
    rows, lab = _colour_rows(faces, settings, warnings)
    mirrors = float(np.mean([luminance(f.own) for f in faces])) < settings.show.least_luminance
    rows += _show_rows(faces, body, mirrors, semi_naked, warnings)
    scraped = not mirrors and any(f.shown.widely for f in faces if f.photo != "top")
    strewn = scraped or (semi_naked and not mirrors)
    blemishes = _blemishes(spots, body, strewn, settings, warnings)
    rows.append(_count_row(blemishes, faces, strewn))
    return IcingResult(
        tuple(rows),
        tuple(blemishes),
        _patches(faces, body, mirrors, settings),
        lab,
        tuple(faces),
        scraped,
        tuple(warnings),
    )


def colour_shift(icing: IcingResult, house_lab: tuple[float, float, float]) -> Measurement | None:
    """CIEDE2000 distance of the icing's colour from the house colour; None where no colour was had."""
    if icing.colour_lab is None:
        return None
    own = np.array(icing.colour_lab)
    value = float(delta_e2000(own, np.array(house_lab)))
    sigma = {m.name: m.uncertainty / 2 for m in icing.measurements if m.name.startswith("colour_")}
    steps = np.diag([sigma["colour_L"], sigma["colour_a"], sigma["colour_b"]])
    moved = [float(delta_e2000(own + s, np.array(house_lab))) - value for s in (*steps, *-steps)]
    u = float(np.sqrt((np.square(moved)).sum() / 2))
    photos = next(m.photos for m in icing.measurements if m.name == "colour_L")
    return Measurement("colour_shift", value, 2 * u, "1", photos, interval=(max(0.0, value - 2 * u), value + 2 * u))


# ---------------------------------------------------------------- rows
def _colour_rows(
    faces: list[Face], settings: IcingSettings, warnings: list[str]
) -> tuple[list[Measurement], tuple[float, float, float] | None]:
    """Mean colour in Lab, and its evenness."""
    balanced = [f for f in faces if f.white]
    photos = tuple(f.photo for f in balanced)
    even = float(np.mean([_evenness(f) for f in faces]))
    rows = [Measurement("colour_evenness", even, 0.5 + 0.4 * even, "1", tuple(f.photo for f in faces))]
    if not balanced:
        warnings.append("Colour is left out: the card's paper is not seen, or burnt out, so there is no white.")
        return rows, None
    lab = np.array([lab_of_linear(f.own) for f in balanced])
    mean = np.median(lab, axis=0)
    spread = lab.std(0) / np.sqrt(len(lab)) if len(lab) > 1 else np.zeros(3)
    for k, name in enumerate(("colour_L", "colour_a", "colour_b")):
        u = float(np.hypot(settings.colour_sigma[k], spread[k]))
        rows.append(Measurement(name, float(mean[k]), 2 * u, "1", photos, "white is the card's paper"))
    return rows, (float(mean[0]), float(mean[1]), float(mean[2]))


def _evenness(face: Face) -> float:
    """Mean CIEDE2000, at equal lightness, of places about 10 mm wide against the icing's own colour."""
    log = face.unlit.log
    size = (max(2, log.shape[1] // 40), max(2, log.shape[0] // 40))
    sound = face.valid.astype(np.float32)
    weight = cv2.resize(sound, size, interpolation=cv2.INTER_AREA)
    mean = cv2.resize(log * sound[..., None], size, interpolation=cv2.INTER_AREA)[weight > 0.5]
    mean = (mean - mean.mean(-1, keepdims=True)) / weight[weight > 0.5, None]
    if len(mean) < 4:
        return 0.0
    own = face.own
    return float(np.median(delta_e2000(lab_of_linear(own * np.exp(mean)), lab_of_linear(own))))


def _show_rows(
    faces: list[Face], body: Body, mirrors: bool, semi_naked: bool, warnings: list[str]
) -> list[Measurement]:
    """Share of the side, over all side photos, and of the top."""
    rows = []
    sides = [f for f in faces if isinstance(f.picture, SidePicture)]
    tops = [f for f in faces if f.photo == "top"]
    if mirrors and sides:
        warnings.append(
            "Show-through on this dark icing is a lower bound: it mirrors the room, and what is mirrored can't be "
            "told from what shows through."
        )
    for name, group in (("show_through", sides), ("show_through_top", tops)):
        if not group:
            continue
        seen, bad = _union(group, body)
        share = 0.0 if mirrors else 100 * bad / max(seen, 1.0)
        u = min(0.25 + 0.45 * share, 1.3 + 0.03 * share)  # patches that are few err by their edges, many less so
        note = "meant to show on a semi-naked cake" if semi_naked and name == "show_through" else None
        low = max(0.0, share - u)
        rows.append(Measurement(name, share, u, "%", tuple(f.photo for f in group), note, interval=(low, share + u)))
    return rows


def _union(group: list[Face], body: Body) -> tuple[float, float]:
    """Seen and bad area (arbitrary unit) of several faces: each direction counts in the photo that faces it best."""
    if len(group) == 1:
        return float(group[0].shown.valid.sum()), float(group[0].shown.bad.sum())
    middles = [_directions(f) for f in group]
    seen = bad = 0.0
    for i, face in enumerate(group):
        theta, middle = middles[i]
        others = np.min([np.abs(_turn(theta - m)) for k, (_, m) in enumerate(middles) if k != i], axis=0)
        mine = np.abs(_turn(theta - middle)) <= others
        seen += float(face.shown.valid[:, mine].sum())
        bad += float(face.shown.bad[:, mine].sum())
    return seen, bad


def _directions(face: Face) -> tuple[Array, float]:
    """Direction of each column of the show-through picture, and of the middle of what the camera sees."""
    assert isinstance(face.picture, SidePicture)
    theta = face.picture.theta_rad
    few = np.linspace(theta[0], theta[-1], face.shown.valid.shape[1])
    return few, 0.5 * float(theta[0] + theta[-1])


def _turn(angle: Array) -> Array:
    return (angle + np.pi) % (2 * np.pi) - np.pi


def _patches(faces: list[Face], body: Body, mirrors: bool, settings: IcingSettings) -> tuple[Patch, ...]:
    """Where it shows through, largest first."""
    out = []
    for face in faces if not mirrors else []:
        count, _, stats, centre = cv2.connectedComponentsWithStats(face.shown.bad.astype(np.uint8), connectivity=8)
        factor = settings.px_per_mm / settings.show.px_per_mm
        for k in range(1, count):
            theta, z, _, _ = place_mm(face, centre[k][0] * factor, centre[k][1] * factor, body)
            area = stats[k, cv2.CC_STAT_AREA] / settings.show.px_per_mm**2
            out.append(Patch(face.photo, float(clock_of(theta)), z, float(area)))
    return tuple(sorted(out, key=lambda p: -p.area_mm2))


# ---------------------------------------------------------------- spots
def _blemishes(
    found: list[tuple[Face, list[Spot]]],
    body: Body,
    strewn: bool,
    settings: IcingSettings,
    warnings: list[str],
) -> list[Blemish]:
    """Spots of all photos, each once."""
    out: list[Blemish] = []
    if strewn:
        warnings.append("Crumbs on the side are counted only in part: many can't be told from the sponge that shows.")
    for face, spots in found:
        for spot in spots:
            theta, z, x, y = place_mm(face, spot.column_px, spot.row_px, body)
            one = Blemish(spot.kind, face.photo, float(clock_of(theta)), z, spot.size_mm, x, y)
            if not any(_same(one, o, settings) for o in out):
                out.append(one)
    return out


def _same(a: Blemish, b: Blemish, settings: IcingSettings) -> bool:
    if (a.photo == "top") != (b.photo == "top"):
        return False
    if a.photo != b.photo:  # the two side photos' clocks differ a little
        hours = abs((a.clock - b.clock + 6) % 12 - 6)
        if hours < settings.same_hours and abs(a.height_mm - b.height_mm) < settings.same_height_mm:
            return True
    reach = max(settings.same_mm, 0.5 * a.size_mm, 0.5 * b.size_mm)
    return bool(np.sqrt((a.x_mm - b.x_mm) ** 2 + (a.y_mm - b.y_mm) ** 2 + (a.height_mm - b.height_mm) ** 2) < reach)


def _count_row(blemishes: list[Blemish], faces: list[Face], strewn: bool) -> Measurement:
    """Number of blemishes; some are overlooked on grainy, dark or sponge-strewn icing."""
    n = len(blemishes)
    u = float(np.sqrt((OVERLOOKED_AMONG_SPONGE if strewn else OVERLOOKED) ** 2 + 2 * n))
    low = max(0.0, n - 2 * float(np.sqrt(n)))  # fewer are invented than overlooked
    note = "places on the clock are good to about half an hour" if n else None
    photos = tuple(f.photo for f in faces)
    return Measurement("blemishes", float(n), u, "1", photos, note, interval=(low, n + u))
