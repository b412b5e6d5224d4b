"""Pits, crumbs and finger marks: spots in the unlit picture that stand out of the icing's own grain.

Ridges run along the rows (round the cake) and are taken off with a running median along them. What is left is
compared with its own spread nearby, so that a grainy cream needs a stronger spot than a smooth glaze. A pit or a
finger mark is a hollow: one flank is lighter, the other darker than the icing; a crumb is dark, and of another colour.
"""

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import median_filter

Mask = NDArray[np.bool_]
Picture = NDArray[Any]


@dataclass(frozen=True)
class SpotSettings:
    """What counts as a spot."""

    blur_mm: float = 0.30  # finer than this is noise
    row_mm: float = 14.0  # length of row whose median takes ridges off, for small spots
    near_mm: float = 9.0  # half width of the window in which the grain is measured
    stands_out: float = 5.0  # times the grain: where a spot's outline begins
    certain: float = 9.0  # times the grain at its strongest place
    certain_dark: float = 16.0  # the same on dark icing, which mirrors lamps and the room
    shadow: float = 0.16  # log light: a pit or crumb is at least this dark somewhere
    least: float = 0.055  # log light: fainter spots are not seen by eye
    edge: float = 0.45  # share of its peak at which a spot's outline is drawn
    join_mm: float = 0.7  # dark and light flanks this close are one hollow
    smallest_mm: float = 1.5  # across
    largest_mm: float = 5.0  # of pits and crumbs; larger ones are shadows
    pit_size: float = 1.3  # a hollow's rim is gentle: its shading is narrower than itself (rendered cakes)
    crumb_size: float = 0.92  # blur makes a dark crumb wider
    longest: float = 3.2  # length over width
    broad_blur_mm: float = 1.3  # the same for finger marks
    broad_row_mm: float = 45.0
    broad_near_mm: float = 28.0
    broad_stands_out: float = 5.0
    broad_least: float = 0.10
    broad_margin_mm: float = 4.0  # from borders and decorations, which throw soft shadows
    broad_clip: float = 0.4  # log light beyond which no hollow that broad goes
    broad_smallest_mm: float = 6.0
    broad_largest_mm: float = 20.0
    crumb_dark: float = 0.7  # log light: a crumb is as dark as sponge
    crumb_colour: float = 0.06  # log colour off the icing's from which a dark spot is a crumb


@dataclass(frozen=True)
class Spot:
    """One spot in a picture."""

    kind: str  # "pit", "crumb" or "finger"
    column_px: float
    row_px: float
    size_mm: float  # largest extent
    strength: float  # times the grain


def find_spots(log: Picture, valid: Mask, px_per_mm: float, mirrors: bool, settings: SpotSettings) -> list[Spot]:
    """Spots in an unlit picture whose ridges run along the rows.

    Parameters
    ----------
    log : ndarray, shape (rows, cols, 3)
        `qc.shading.Unlit.log`.
    valid : ndarray, shape (rows, cols), bool
        Where the icing is seen and sound.
    mirrors : bool
        The icing is so dark that it mirrors as much as it shows.
    """
    light = np.where(valid, log.mean(-1), 0).astype(np.float32)
    rim = cv2.erode(valid.astype(np.uint8), np.ones((5, 5), np.uint8)) > 0
    small = _stand_out(light, valid, px_per_mm, settings.blur_mm, settings.row_mm, settings.near_mm)
    spots = _spots(small, rim, log, px_per_mm, settings.certain_dark if mirrors else settings.certain, settings)
    half = px_per_mm / 4  # finger marks on a coarser picture
    size = (max(8, int(light.shape[1] / half)), max(8, int(light.shape[0] / half)))
    gentle = np.clip(light, -settings.broad_clip, settings.broad_clip)  # a dark crumb is no finger mark
    coarse = cv2.medianBlur(cv2.resize(gentle, size, interpolation=cv2.INTER_AREA), 5)
    ok = cv2.resize(valid.astype(np.uint8), size, interpolation=cv2.INTER_NEAREST) > 0
    broad = _stand_out(coarse, ok, 4.0, settings.broad_blur_mm, settings.broad_row_mm, settings.broad_near_mm)
    marks = _marks(broad, ok, half, settings)
    return marks + [s for s in spots if not any(_within(s, m, px_per_mm) for m in marks)]


def _within(spot: Spot, mark: Spot, px_per_mm: float) -> bool:
    away = np.hypot(spot.column_px - mark.column_px, spot.row_px - mark.row_px)
    return bool(away < 0.6 * mark.size_mm * px_per_mm)


def _stand_out(
    light: Picture, valid: Mask, px_per_mm: float, blur_mm: float, row_mm: float, near_mm: float
) -> tuple[Picture, Picture]:
    """Light off its row's median, and its grain nearby, both (rows, cols)."""
    step = max(1, round(row_mm * px_per_mm / 24))
    thin = cv2.blur(light, (step, 1))[:, ::step]
    median = median_filter(thin, (1, max(3, int(row_mm * px_per_mm / step) | 1)), mode="nearest")
    flat = light - cv2.resize(median, (light.shape[1], light.shape[0]), interpolation=cv2.INTER_LINEAR)
    flat = cv2.GaussianBlur(np.where(valid, flat, 0), (0, 0), blur_mm * px_per_mm)
    size = np.abs(flat)
    cap = 3.5 * float(np.median(size[valid])) if valid.any() else 1.0
    window = (2 * int(near_mm * px_per_mm) + 1,) * 2
    count = cv2.blur(valid.astype(np.float32), window)
    power = cv2.blur(np.where(valid, np.minimum(size, cap) ** 2, 0).astype(np.float32), window)
    return flat, np.sqrt(np.maximum(power, 0) / np.maximum(count, 1e-3)) + 1e-3


def _spots(
    pair: tuple[Picture, Picture], rim: Mask, log: Picture, px_per_mm: float, certain: float, settings: SpotSettings
) -> list[Spot]:
    """Pits and crumbs."""
    flat, grain = pair
    size = np.abs(flat)
    core = rim & (size > np.maximum(settings.stands_out * grain, settings.least))
    if not core.any():
        return []
    around = cv2.dilate(np.where(core, size, 0).astype(np.float32), _disc(1.2 * px_per_mm))
    body = rim & (size > np.maximum(settings.edge * around, 2.0 * grain)) & (around > 0)
    joined = cv2.morphologyEx((body | core).astype(np.uint8), cv2.MORPH_CLOSE, _disc(settings.join_mm * px_per_mm / 2))
    count, label, stats, centre = cv2.connectedComponentsWithStats(joined, connectivity=8)
    peak = np.zeros(count)
    np.maximum.at(peak, np.asarray(label, int)[core], (size / grain)[core])
    out = []
    for k in np.flatnonzero(peak[1:] > certain) + 1:
        x, y, w, h, _ = stats[k]
        part = label[y : y + h, x : x + w] == k
        if flat[y : y + h, x : x + w][part].min() > -settings.shadow:
            continue
        long, short = _extent(part, px_per_mm)
        kind = _kind(flat[y : y + h, x : x + w], log[y : y + h, x : x + w], part, settings)
        if long > settings.longest * max(short, 0.3) or long > settings.largest_mm:
            continue
        long *= settings.crumb_size if kind == "crumb" else settings.pit_size
        if long < settings.smallest_mm:
            continue
        out.append(Spot(kind, float(centre[k][0]), float(centre[k][1]), long, float(peak[k])))
    return out


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
