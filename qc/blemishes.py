"""Pits, crumbs and finger marks: places in the unlit picture that stand out of the icing's own texture.

Small spots: places where matched filters (`qc.matched`) answer strongest are described by how they stand out of what is
round them, their flanks, their darkness and their colour; a logistic regression learnt on rendered cakes
(`qc.spot_weights`) says how likely each is a blemish. Finger marks are broad hollows with a light and a dark flank; the
ridges, which run along the rows, are taken off them with a running median.
"""

from dataclasses import dataclass, field
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter, median_filter

from qc.matched import MatchedSettings, Responses, respond
from qc.spot_weights import LEARNT

Mask = NDArray[np.bool_]
Picture = NDArray[Any]
Array = NDArray[Any]
Cut = tuple[slice, slice]

NAMES = (
    "strength",
    "over_near",
    "over_median",
    "blob",
    "flanks_up",
    "flanks_across",
    "colour",
    "colour_over_near",
    "dark",
    "light",
    "rivals",
    "row_strong",
    "row_weak",
    "column_strong",
    "column_weak",
    "to_border",
    "facing",
    "glare",
    "luminance",
    "top",
    "grain",
    "dark_over_grain",
    "strength_on_dark",
    "strength_on_top",
    "scale",
    "amplitude",
    "row_peak",
    "row_dark",
    "row_light",
    "row_peak_dark",
)


@dataclass(frozen=True)
class SpotSettings:
    """What counts as a spot."""

    likely: float = 0.25  # probability from which a place is a spot: most right by place on rendered cakes
    weakest: float = 4.0  # strength of the places looked at
    apart_mm: float = 1.6  # half the distance of two places
    most: int = 80  # places looked at in one picture
    border_mm: float = 0.8  # nearer to what hides the icing no place is looked at
    least_facing: float = 0.3  # cosine from which a place is looked at
    ring_mm: tuple[float, float] = (3.0, 7.0)  # what a place is held against
    row_blur_mm: float = 0.30  # finer than this is noise, where a place is held against its row
    row_mm: float = 14.0  # length of row whose median takes ridges off
    shape_mm: float = 0.35  # blur with which darkness is read
    edge: float = 0.45  # share of its peak at which a spot's outline is drawn
    smallest_mm: float = 1.5  # across
    largest_mm: float = 5.0  # of pits and crumbs; larger ones are shadows
    pit_size: float = 1.3  # a hollow's rim is gentle: its shading is narrower than itself (rendered cakes)
    crumb_size: float = 0.92  # blur makes a dark crumb wider
    dark_icing: float = 0.45  # luminance under which icing mirrors as much as it shows
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


@dataclass(frozen=True)
class Surface:
    """An unlit picture whose ridges run along the rows.

    Attributes
    ----------
    log : ndarray, shape (rows, cols, 3)
        `qc.shading.Unlit.log`.
    valid : ndarray, shape (rows, cols), bool
        Where the icing is seen and sound.
    facing : ndarray, shape (rows, cols)
        Cosine between normal and line of sight.
    luminance : float
        Of the icing, 1 the perfect white.
    """

    log: Picture
    valid: Mask
    facing: Array
    luminance: float
    top: bool
    px_per_mm: float


def find_spots(surface: Surface, settings: SpotSettings) -> list[Spot]:
    """Spots of one picture."""
    light = np.where(surface.valid, surface.log.mean(-1), 0).astype(np.float32)
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
    at, said = describe(surface, settings)
    if not len(at):
        return []
    chance = 1 / (1 + np.exp(-(said @ np.array(LEARNT.weight) + LEARNT.offset)))
    matched_mm = 3.3 * said[:, NAMES.index("scale")]  # a hollow's width over its matched blob's (rendered cakes)
    light, _ = _stand_out(
        _filled(surface), surface.valid, surface.px_per_mm, settings.row_blur_mm, settings.row_mm, 9.0
    )
    return [
        _measured(surface, light, int(row), int(column), float(p), float(mm), settings)
        for (row, column), p, mm in zip(at, chance, matched_mm, strict=True)
        if p > settings.likely
    ]


def _filled(surface: Surface) -> Array:
    """Log light (rows, cols), running on smoothly where the icing is not seen."""
    light, ok = surface.log.mean(-1), surface.valid.astype(np.float32)
    weight = cv2.GaussianBlur(ok, (0, 0), 6)
    smooth = cv2.GaussianBlur(np.where(surface.valid, light, 0).astype(np.float32), (0, 0), 6)
    return np.where(surface.valid, light, smooth / np.maximum(weight, 1e-3)).astype(np.float32)


def describe(surface: Surface, settings: SpotSettings) -> tuple[NDArray[np.int64], Array]:
    """Places (n, 2) (row, column) that stand out, and what is said of each (n, len(NAMES))."""
    scale = surface.px_per_mm
    log = np.clip(surface.log, -1.5, 1.2)  # beyond are mirrored lamps, and shadows
    surface = Surface(log, surface.valid, surface.facing, surface.luminance, surface.top, scale)
    light = _filled(surface)
    answers = respond(light, surface.valid, scale, settings.matched)
    border = cv2.distanceTransform(surface.valid.astype(np.uint8), cv2.DIST_L2, 5) / scale
    strong = np.where((border > settings.border_mm) & (surface.facing > settings.least_facing), answers.strength, 0)
    wide = 2 * round(settings.apart_mm * scale) + 1
    at = np.argwhere((maximum_filter(strong, wide) == strong) & (strong > settings.weakest))
    at = at[np.argsort(-strong[at[:, 0], at[:, 1]])[: settings.most]]
    if not len(at):
        return at, np.zeros((0, len(NAMES)))
    near = _Neighbourhood(surface, light, answers, settings)
    peak = strong[at[:, 0], at[:, 1]]
    rows = []
    for (row, column), s in zip(at, peak, strict=True):
        rivals = (np.hypot(*(at - (row, column)).T) < 12 * scale) & (peak > 0.5 * s)
        rows.append(near.say(int(row), int(column), int(rivals.sum()) - 1, min(float(border[row, column]), 5.0)))
    return at, np.array(rows)


class _Neighbourhood:
    """Pictures padded so that what is round a place can be cut out of them."""

    def __init__(self, surface: Surface, light: Array, answers: Responses, settings: SpotSettings) -> None:
        self.surface, self.answers, self.settings = surface, answers, settings
        scale = surface.px_per_mm
        self.reach = int(np.ceil(settings.ring_mm[1] * scale))
        hue = cv2.GaussianBlur(surface.log - surface.log.mean(-1, keepdims=True), (0, 0), 0.4 * scale)
        dark = cv2.GaussianBlur(light, (0, 0), settings.shape_mm * scale)
        fine = light - cv2.GaussianBlur(light, (0, 0), settings.matched.high_pass_mm * scale)
        two = ((self.reach, self.reach), (self.reach, self.reach))
        self.hue = np.pad(hue, (*two, (0, 0)), mode="edge")
        self.dark, self.fine = np.pad(dark, two, mode="edge"), np.pad(fine, two)
        off_row, row_grain = _stand_out(
            light, surface.valid, scale, settings.row_blur_mm, settings.row_mm, settings.matched.near_mm
        )
        self.off_row, self.row_grain = np.pad(off_row, two), row_grain
        self.strength, self.valid = np.pad(answers.strength, two), np.pad(surface.valid, two)
        y, x = np.mgrid[-self.reach : self.reach + 1, -self.reach : self.reach + 1] / scale
        away = np.hypot(x, y)
        self.ring = (away >= settings.ring_mm[0]) & (away <= settings.ring_mm[1])

    def say(self, row: int, column: int, rivals: int, border_mm: float) -> list[float]:
        """What is said of a place, in the order of NAMES."""
        surface = self.surface
        scale = int((self.answers.normed[:, :, row, column] ** 2).sum(1).argmax())
        units, size = self.answers.normed[scale, :, row, column], self.answers.amplitude[scale, :, row, column]
        peak = float(self.answers.strength[row, column])
        cut = (slice(row, row + 2 * self.reach + 1), slice(column, column + 2 * self.reach + 1))
        ring = self.ring & self.valid[cut]
        quiet = bool(ring.sum() < 50)  # hardly any icing round it
        others = np.array([9.0]) if quiet else self.strength[cut][ring]
        on_dark = surface.luminance < self.settings.dark_icing
        low, high, glare, grain = self._darkness(cut, ring, quiet)
        return [
            np.log(peak),
            np.log(peak / (np.quantile(others, 0.9) + 0.1)),
            np.log(peak / (np.median(others) + 0.5)),
            units[0] / peak,
            units[1] / peak,
            abs(units[2]) / peak,
            *self._colour(cut, ring, quiet),
            low,
            high,
            np.log1p(rivals),
            *self._beside(cut, peak),
            border_mm,
            float(surface.facing[row, column]),
            glare,
            np.log(surface.luminance + 0.02),
            float(surface.top),
            np.log(grain + 0.01),
            np.log(-low / (grain + 0.01) + 0.1),
            on_dark * np.log(peak),
            surface.top * np.log(peak),
            self.settings.matched.scales_mm[scale],
            np.log(float(np.linalg.norm(size)) + 0.01),
            *self._off_row(cut, float(self.row_grain[row, column])),
        ]

    def _darkness(self, cut: Cut, ring: Mask, quiet: bool) -> tuple[float, float, float, float]:
        """Darkest and lightest of a place against its ring, the ring's own lightest, and the grain."""
        dark, k = self.dark[cut], self.reach
        level = 0.0 if quiet else float(np.median(dark[ring]))
        core = dark[k - 5 : k + 6, k - 5 : k + 6]
        rest = np.abs(self.fine[cut][self.valid[cut]])
        grain = 1.48 * float(np.median(rest)) if len(rest) else 0.05
        glare = 0.0 if quiet else float(np.quantile(dark[ring], 0.95)) - level
        return min(float(core.min()) - level, 0.0), float(core.max()) - level, glare, grain

    def _colour(self, cut: Cut, ring: Mask, quiet: bool) -> tuple[float, float]:
        """How far a place's colour is off its ring's, by itself and against the ring's own spread."""
        hue, k = self.hue[cut], self.reach
        own = np.zeros(3) if quiet else np.median(hue[ring], axis=0)
        off = float(np.abs(np.median(hue[k - 1 : k + 2, k - 1 : k + 2].reshape(-1, 3), axis=0) - own).max())
        near = 0.0 if quiet else float(np.quantile(np.abs(hue[ring] - own).max(-1), 0.8))
        return float(np.log(off + 0.02)), float(np.log((off + 0.02) / (near + 0.02)))

    def _beside(self, cut: Cut, peak: float) -> tuple[float, float, float, float]:
        """How strong it is 3 mm along the row (stronger, weaker side) and along the column: ridges run on."""
        strength, k, step = self.strength[cut], self.reach, 3 * round(self.surface.px_per_mm)
        row = [float(strength[k - 2 : k + 3, k + d - 2 : k + d + 3].max()) / peak for d in (-step, step)]
        column = [float(strength[k + d - 2 : k + d + 3, k - 2 : k + 3].max()) / peak for d in (-step, step)]
        return max(row), min(row), max(column), min(column)

    def _off_row(self, cut: Cut, grain: float) -> tuple[float, float, float, float]:
        """How a place stands out of its row."""
        k = self.reach
        off = self.off_row[cut][k - 5 : k + 6, k - 5 : k + 6]
        peak, low = float(np.log1p(np.abs(off).max() / grain)), float(off.min())
        return peak, max(low, -0.8), min(float(off.max()), 0.5), peak * min(-low, 0.4)


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
    median = median_filter(thin, (1, max(3, int(row_mm * px_per_mm / step) | 1)), mode="nearest")
    flat = light - cv2.resize(median, (light.shape[1], light.shape[0]), interpolation=cv2.INTER_LINEAR)
    flat = cv2.GaussianBlur(np.where(valid, flat, 0), (0, 0), blur_mm * px_per_mm)
    size = np.abs(flat)
    cap = 3.5 * float(np.median(size[valid])) if valid.any() else 1.0
    window = (2 * int(near_mm * px_per_mm) + 1,) * 2
    count = cv2.blur(valid.astype(np.float32), window)
    power = cv2.blur(np.where(valid, np.minimum(size, cap) ** 2, 0).astype(np.float32), window)
    return flat, np.sqrt(np.maximum(power, 0) / np.maximum(count, 1e-3)) + 1e-3


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
