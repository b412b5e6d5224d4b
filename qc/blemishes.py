"""Pits, crumbs and finger marks: places in the unlit picture that stand out of the icing's own texture.

Small spots: places where matched filters (`qc.matched`) answer strongest are described by how they stand out of what is
round them, their flanks, their darkness and their colour; small networks learnt on rendered cakes
(`qc.spot_weights`) say how likely each is a blemish. Finger marks are broad hollows with a light and a dark flank; the
ridges, which run along the rows, are taken off them with a running median.
"""

from dataclasses import dataclass, field
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from qc.matched import MatchedSettings, respond
from qc.rows import channel_mean, row_median
from qc.spot_weights import LEARNT
from qc.spot_words import NAMES, Around, Surface, say

Mask = NDArray[np.bool_]
Picture = NDArray[Any]
Array = NDArray[Any]


@dataclass(frozen=True)
class SpotSettings:
    """What counts as a spot."""

    likely: float = 0.25  # probability from which a place is a spot: counts err least (rendered cakes, own fit)
    weakest: float = 4.0  # strength of the places looked at
    apart_mm: float = 1.6  # half the distance of two places
    most: int = 80  # places looked at in one picture
    border_mm: float = 0.8  # nearer to what hides the icing no place is looked at
    least_facing: float = 0.3  # cosine from which a place is looked at
    ring_mm: tuple[float, float] = (3.0, 7.0)  # what a place is held against
    row_blur_mm: float = 0.30  # finer than this is noise, where a place is held against its row
    row_mm: float = 14.0  # length of row whose median takes ridges off
    edge: float = 0.45  # share of its peak at which a spot's outline is drawn
    smallest_mm: float = 1.5  # across
    largest_mm: float = 5.0  # of pits and crumbs; larger ones are shadows
    pit_size: float = 1.3  # a hollow's rim is gentle: its shading is narrower than itself (rendered cakes)
    crumb_size: float = 0.92  # blur makes a dark crumb wider
    crumb_dark: float = 0.7  # log light: a crumb is as dark as sponge
    crumb_colour: float = 0.06  # log colour off the icing's from which a dark spot is a crumb
    broad_blur_mm: float = 1.3  # finger marks: finer than this is noise
    broad_row_mm: float = 45.0  # length of row whose median takes ridges off
    broad_near_mm: float = 28.0  # half width of the window in which the grain is measured
    broad_stands_out: float = 5.0  # times the grain
    broad_least: float = 0.10  # log light: fainter marks are not seen by eye
    broad_margin_mm: float = 4.0  # from borders and decorations, which throw soft shadows
    broad_clip: float = 0.4  # log light beyond which no hollow that broad goes
    broad_smallest_mm: float = 6.0
    broad_largest_mm: float = 20.0
    matched: MatchedSettings = field(default_factory=MatchedSettings)


@dataclass(frozen=True)
class Spot:
    """One spot in a picture."""

    kind: str  # "pit", "crumb" or "finger"
    column_px: float
    row_px: float
    size_mm: float  # largest extent
    strength: float  # probability of a small spot; times the grain of a finger mark


def find_spots(surface: Surface, settings: SpotSettings) -> list[Spot]:
    """Spots of one picture."""
    light = np.where(surface.valid, channel_mean(surface.log), np.float32(0))
    half = surface.px_per_mm / 4  # finger marks on a coarser picture
    size = (max(8, int(light.shape[1] / half)), max(8, int(light.shape[0] / half)))
    gentle = np.clip(light, -settings.broad_clip, settings.broad_clip)  # a dark crumb is no finger mark
    coarse = cv2.medianBlur(cv2.resize(gentle, size, interpolation=cv2.INTER_AREA), 5)
    ok = cv2.resize(surface.valid.astype(np.uint8), size, interpolation=cv2.INTER_NEAREST) > 0
    broad = _stand_out(coarse, ok, 4.0, settings.broad_blur_mm, settings.broad_row_mm, settings.broad_near_mm)
    marks = _marks(broad, ok, half, settings)
    found = _small(surface, settings)
    return marks + [s for s in found if not any(_within(s, m, surface.px_per_mm) for m in marks)]


# ---------------------------------------------------------------- small spots
def _small(surface: Surface, settings: SpotSettings) -> list[Spot]:
    """Pits and crumbs."""
    at, said, off_row = _look(surface, settings)
    if not len(at):
        return []
    chance = LEARNT.chance(said)
    matched_mm = 3.3 * said[:, NAMES.index("scale")]  # a hollow's width over its matched blob's (rendered cakes)
    return [
        _measured(surface, off_row, int(row), int(column), float(p), float(mm), settings)
        for (row, column), p, mm in zip(at, chance, matched_mm, strict=True)
        if p > settings.likely
    ]


def _filled(light: Array, valid: Mask) -> Array:
    """Log light (rows, cols), running on smoothly where the icing is not seen."""
    weight = cv2.GaussianBlur(valid.astype(np.float32), (0, 0), 6)
    smooth = cv2.GaussianBlur(np.where(valid, light, np.float32(0)), (0, 0), 6)
    return np.where(valid, light, smooth / np.maximum(weight, np.float32(1e-3)))


def describe(surface: Surface, settings: SpotSettings) -> tuple[NDArray[np.int64], Array]:
    """Places (n, 2) (row, column) that stand out, and what is said of each (n, len(NAMES))."""
    return _look(surface, settings)[:2]


def _look(surface: Surface, settings: SpotSettings) -> tuple[NDArray[np.int64], Array, Array]:
    """`describe`, and the light off its row (rows, cols)."""
    scale, valid = surface.px_per_mm, surface.valid
    log = np.minimum(np.maximum(surface.log, np.float32(-1.5)), np.float32(1.2))  # beyond are mirrored lamps, shadows
    light = _filled(channel_mean(log), valid)
    answers = respond(light, valid, scale, settings.matched)
    border = cv2.distanceTransform(valid.astype(np.uint8), cv2.DIST_L2, 5) / np.float32(scale)
    wanted = (border > settings.border_mm) & (surface.facing > settings.least_facing)
    strong = np.where(wanted, answers.strength, np.float32(0))
    wide = 2 * round(settings.apart_mm * scale) + 1
    peaks = (cv2.dilate(strong, np.ones((wide, wide), np.uint8)) == strong) & (strong > settings.weakest)
    at = np.argwhere(peaks)
    at = at[np.argsort(-strong[at[:, 0], at[:, 1]])[: settings.most]]
    off_row, grain = _stand_out(light, valid, scale, settings.row_blur_mm, settings.row_mm, settings.matched.near_mm)
    if not len(at):
        return at, np.zeros((0, len(NAMES))), off_row
    around = Around(at, surface, settings.ring_mm)
    said = say(around, log, light, answers, (off_row, grain), border, settings.matched.scales_mm)
    return at, said, off_row


def _measured(
    surface: Surface, light: Array, row: int, column: int, chance: float, matched_mm: float, settings: SpotSettings
) -> Spot:
    """A spot with its size and kind, from its outline at a share of its depth; from its filter where that runs away."""
    k = round(4.0 * surface.px_per_mm)
    top, left = max(row - k, 0), max(column - k, 0)
    part, ok = (a[top : row + k + 1, left : column + k + 1] for a in (light, surface.valid))
    away = part - float(np.median(part[ok]))
    middle = (slice(max(row - top - 4, 0), row - top + 5), slice(max(column - left - 4, 0), column - left + 5))
    peak = float(np.abs(away[middle]).max())
    inside = (np.abs(away) > settings.edge * peak) & ok
    joined = cv2.morphologyEx(inside.astype(np.uint8), cv2.MORPH_CLOSE, _disc(0.35 * surface.px_per_mm))
    _, label = cv2.connectedComponents(joined, connectivity=8)
    core = label[middle]
    own = int(np.bincount(core[core > 0]).argmax()) if (core > 0).any() else 0
    if own == 0:
        return Spot("pit", column, row, matched_mm, chance)
    spot = label == own
    kind = _kind(away, surface.log[top : row + k + 1, left : column + k + 1], spot & ok, settings)
    size = _extent(spot, surface.px_per_mm)[0] * (settings.crumb_size if kind == "crumb" else settings.pit_size)
    fair = settings.smallest_mm <= size <= settings.largest_mm
    return Spot(kind, float(column), float(row), size if fair else matched_mm, chance)


def _within(spot: Spot, mark: Spot, px_per_mm: float) -> bool:
    away = np.hypot(spot.column_px - mark.column_px, spot.row_px - mark.row_px)
    return bool(away < 0.6 * mark.size_mm * px_per_mm)


def _stand_out(
    light: Picture, valid: Mask, px_per_mm: float, blur_mm: float, row_mm: float, near_mm: float
) -> tuple[Picture, Picture]:
    """Light off its row's median, and its grain nearby, both (rows, cols)."""
    step = max(1, round(row_mm * px_per_mm / 24))
    thin = cv2.blur(light, (step, 1))[:, ::step]
    median = row_median(thin, max(3, int(row_mm * px_per_mm / step) | 1))
    flat = light - cv2.resize(median, (light.shape[1], light.shape[0]), interpolation=cv2.INTER_LINEAR)
    flat = cv2.GaussianBlur(np.where(valid, flat, np.float32(0)), (0, 0), blur_mm * px_per_mm)
    size, seen = np.abs(flat), valid.astype(np.float32)
    known = size[::3, ::3][valid[::3, ::3]]
    cap = 3.5 * float(np.median(known)) if len(known) else 1.0
    window = (2 * int(near_mm * px_per_mm) + 1,) * 2
    count = cv2.blur(seen, window)
    power = cv2.blur(np.minimum(size, np.float32(cap)) ** 2 * seen, window)
    spread = np.sqrt(np.maximum(power, 0) / np.maximum(count, np.float32(1e-3)))
    return flat, spread + np.float32(1e-3)


def _marks(pair: tuple[Picture, Picture], ok: Mask, half: float, settings: SpotSettings) -> list[Spot]:
    """Finger marks: broad hollows with a dark and a light flank, on the coarse picture (4 px/mm)."""
    flat, grain = pair
    size = np.abs(flat)
    inner = cv2.erode(ok.astype(np.uint8), _disc(4.0 * settings.broad_margin_mm), borderValue=0) > 0
    core = inner & (size > np.maximum(settings.broad_stands_out * grain, settings.broad_least))
    body = ok & (size > np.maximum(0.4 * settings.broad_stands_out * grain, 0.5 * settings.broad_least))
    joined = cv2.morphologyEx(body.astype(np.uint8), cv2.MORPH_CLOSE, _disc(6))
    count, label, stats, centre = cv2.connectedComponentsWithStats(joined, connectivity=8)
    peak = np.zeros(count)
    np.maximum.at(peak, np.asarray(label, int)[core], (size / grain)[core])
    out = []
    for k in np.flatnonzero(peak[1:] > 0) + 1:
        x, y, w, h, _ = stats[k]
        part = label[y : y + h, x : x + w] == k
        long, short = _extent(part, 4.0)
        inside = flat[y : y + h, x : x + w][part]
        both = min(inside.max(), -inside.min()) > 0.25 * np.abs(inside).max()
        if settings.broad_smallest_mm <= long <= settings.broad_largest_mm and long < 2.2 * short and both:
            out.append(Spot("finger", float(centre[k][0]) * half, float(centre[k][1]) * half, long, float(peak[k])))
    return out


def _disc(radius_px: float) -> NDArray[np.uint8]:
    n = max(1, round(radius_px))
    return np.asarray(cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * n + 1, 2 * n + 1)), np.uint8)


def _extent(part: Mask, px_per_mm: float) -> tuple[float, float]:
    """Length and width (mm) of a patch, as of the ellipse with its second moments."""
    m = cv2.moments(part.astype(np.uint8), True)
    a = m["m00"]
    xx, yy, xy = m["mu20"] / a + 1 / 12, m["mu02"] / a + 1 / 12, m["mu11"] / a
    middle, half = (xx + yy) / 2, np.hypot((xx - yy) / 2, xy)
    return 4 * float(np.sqrt(middle + half)) / px_per_mm, 4 * float(np.sqrt(max(middle - half, 1e-6))) / px_per_mm


def _kind(flat: Picture, log: Picture, part: Mask, settings: SpotSettings) -> str:
    """A crumb is dark and of another colour; a hollow has a light flank as well."""
    inside = flat[part]
    light = log.mean(-1)
    hue = np.abs(np.median((log - light[..., None])[part], axis=0)).max()
    only_dark = inside.max() < 0.3 * -inside.min()
    return (
        "crumb"
        if only_dark and inside.min() < -settings.crumb_dark and (hue > settings.crumb_colour or inside.min() < -1.2)
        else "pit"
    )
