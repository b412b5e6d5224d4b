"""What is said of a place that stands out of the icing, for `qc.spot_weights` to weigh: thirty numbers, by name.

A place is held against a ring of icing round it (every second pixel each way: the pictures are blurred wider than
that), against its row, and against what the matched filters answer there. All places of a picture are done at once.
"""

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from qc.matched import Responses

Array = NDArray[Any]
Mask = NDArray[np.bool_]

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

    log: Array
    valid: Mask
    facing: Array
    luminance: float
    top: bool
    px_per_mm: float


@dataclass(frozen=True)
class WordSettings:
    """How a place is looked at."""

    shape_mm: float = 0.35  # blur with which darkness is read
    hue_mm: float = 0.4  # blur with which colour is read: JPEG halves its resolution
    core_px: int = 5  # half width of what belongs to a place
    rivals_mm: float = 12.0  # how near other strong places count
    beside_mm: int = 3  # how far along row and column it is looked whether it runs on
    fewest: int = 13  # places of a ring, fewer tell nothing
    dark_icing: float = 0.45  # luminance under which icing mirrors as much as it shows


WORDS = WordSettings()


class Around:
    """Where the pixels of each place, of the ring round it and of the square with that ring in it lie."""

    def __init__(self, at: NDArray[np.int64], surface: Surface, ring_mm: tuple[float, float]) -> None:
        scale = surface.px_per_mm
        self.at, self.surface = at, surface
        reach = int(np.ceil(ring_mm[1] * scale))
        y, x = (v.ravel() for v in np.mgrid[-reach : reach + 1 : 2, -reach : reach + 1 : 2])
        away = np.hypot(y, x) / scale
        in_ring = (away >= ring_mm[0]) & (away <= ring_mm[1])
        self.ring, self.in_ring = self.places(y[in_ring], x[in_ring])
        self.square, self.in_square = self.places(y, x)
        k = WORDS.core_px
        self.core = self.places(*(v.ravel() for v in np.mgrid[-k : k + 1, -k : k + 1]))[0]
        self.quiet = self.in_ring.sum(1) < WORDS.fewest  # hardly any icing round it

    def places(self, y: Array, x: Array) -> tuple[tuple[Array, Array], Mask]:
        """Rows and columns (n, m) of offsets (m,) about each place, and where icing is seen there."""
        row, column = self.at[:, :1] + y, self.at[:, 1:] + x
        rows, columns = self.surface.valid.shape
        inside = (row >= 0) & (row < rows) & (column >= 0) & (column < columns)
        row, column = np.clip(row, 0, rows - 1), np.clip(column, 0, columns - 1)
        return (row, column), inside & self.surface.valid[row, column]

    def ring_quantile(self, values: Array, share: float, otherwise: float) -> Array:
        """Quantile (n,) of values (n, m) over the ring of each place."""
        return np.where(self.quiet, otherwise, _quantile(values, self.in_ring, share))


def _quantile(values: Array, known: Mask, share: float) -> Array:
    """Quantile (n,) of the known values (n, m) of each row; 0 where none is known."""
    count = known.sum(1)
    order = np.sort(np.where(known, values, np.inf), 1)
    order[np.isinf(order)] = 0.0  # never picked where any is known
    place = share * np.maximum(count - 1, 0)
    low = np.floor(place).astype(int)
    high, row = np.minimum(low + 1, np.maximum(count - 1, 0)), np.arange(len(order))
    out = order[row, low] + (place - low) * (order[row, high] - order[row, low]) if len(order) else place
    return np.where(count > 0, out, 0.0)


def say(
    around: Around,
    log: Array,
    light: Array,
    answers: Responses,
    row: tuple[Array, Array],
    border_mm: Array,
    scales_mm: tuple[float, ...],
) -> Array:
    """What is said of each place (n, len(NAMES)).

    Parameters
    ----------
    log, light : ndarray, shape (rows, cols, 3), (rows, cols)
        Log light of the picture, clipped; its mean, filled in.
    row : tuple of ndarray, shape (rows, cols)
        Light off its row, and the grain of that nearby.
    border_mm : ndarray, shape (rows, cols)
        Distance to what hides the icing.
    scales_mm : tuple of float
        Of the matched filters.
    """
    at, surface = around.at, around.surface
    r, c = at.T
    n = len(at)
    peak = answers.strength[r, c].astype(float)
    best = (answers.normed[:, :, r, c] ** 2).sum(1).argmax(0)
    units = answers.normed[best, :, r, c].astype(float)
    size = answers.amplitude(r, c)[best, :, np.arange(n)]
    others = answers.strength[around.ring]
    dark = _darkness(around, light, answers.fine)
    columns = [
        np.log(peak),
        np.log(peak / (around.ring_quantile(others, 0.9, 9.0) + 0.1)),
        np.log(peak / (around.ring_quantile(others, 0.5, 9.0) + 0.5)),
        units[:, 0] / peak,
        units[:, 1] / peak,
        np.abs(units[:, 2]) / peak,
        *_colour(around, log),
        dark.low,
        dark.high,
        np.log1p(_rivals(at, peak, WORDS.rivals_mm * surface.px_per_mm)),
        *_beside(around, answers.strength, peak),
        np.minimum(border_mm[r, c], 5.0),
        surface.facing[r, c],
        dark.glare,
        np.full(n, np.log(surface.luminance + 0.02)),
        np.full(n, float(surface.top)),
        np.log(dark.grain + 0.01),
        np.log(-dark.low / (dark.grain + 0.01) + 0.1),
        (surface.luminance < WORDS.dark_icing) * np.log(peak),
        surface.top * np.log(peak),
        np.asarray(scales_mm)[best],
        np.log(np.linalg.norm(size, axis=1) + 0.01),
        *_off_row(around, *row),
    ]
    return np.stack([np.asarray(v, float) for v in columns], 1)


def _rivals(at: NDArray[np.int64], peak: Array, reach_px: float) -> Array:
    """How many other places (n,) near each are at least half as strong."""
    away = np.hypot(*(at[:, None] - at[None]).transpose(2, 0, 1))
    return ((away < reach_px) & (peak[None] > 0.5 * peak[:, None])).sum(1) - 1


@dataclass(frozen=True)
class _Darkness:
    low: Array  # (n,) darkest of a place against its ring
    high: Array  # (n,) lightest
    glare: Array  # (n,) the ring's own lightest
    grain: Array  # (n,)


def _darkness(around: Around, light: Array, fine: Array) -> _Darkness:
    """How dark and light places are against their rings."""
    dark = cv2.GaussianBlur(light, (0, 0), WORDS.shape_mm * around.surface.px_per_mm)
    ring, core = dark[around.ring], dark[around.core]
    level = around.ring_quantile(ring, 0.5, 0.0)
    glare = np.where(around.quiet, 0.0, around.ring_quantile(ring, 0.95, 0.0) - level)
    grain = 1.48 * _quantile(np.abs(fine[around.square]), around.in_square, 0.5)
    grain = np.where(around.in_square.any(1), grain, 0.05)
    return _Darkness(np.minimum(core.min(1) - level, 0.0), core.max(1) - level, glare, grain)


def _colour(around: Around, log: Array) -> tuple[Array, Array]:
    """How far each place's colour is off its ring's, by itself and against the ring's own spread."""
    smooth = cv2.GaussianBlur(log, (0, 0), WORDS.hue_mm * around.surface.px_per_mm)

    def hue(where: tuple[Array, Array]) -> Array:
        colour = smooth[where]
        return np.asarray(colour - colour.mean(-1, keepdims=True))

    ring, k = hue(around.ring), np.arange(9)
    own = np.stack([around.ring_quantile(ring[..., j], 0.5, 0.0) for j in range(3)], -1)
    middle = hue(around.places(k // 3 - 1, k % 3 - 1)[0])
    off = np.abs(np.median(middle, axis=1) - own).max(-1)
    near = around.ring_quantile(np.abs(ring - own[:, None]).max(-1), 0.8, 0.0)
    return np.log(off + 0.02), np.log((off + 0.02) / (near + 0.02))


def _beside(around: Around, strength: Array, peak: Array) -> tuple[Array, Array, Array, Array]:
    """How strong it is 3 mm along the row (stronger, weaker side) and along the column: ridges run on."""
    step, k = WORDS.beside_mm * round(around.surface.px_per_mm), np.arange(25)
    y, x = k // 5 - 2, k % 5 - 2
    sides = []
    for down, right in ((0, -step), (0, step), (-step, 0), (step, 0)):
        where, seen = around.places(y + down, x + right)
        sides.append((strength[where] * seen).max(1) / peak)
    row, column = sides[:2], sides[2:]
    return np.maximum(*row), np.minimum(*row), np.maximum(*column), np.minimum(*column)


def _off_row(around: Around, off_row: Array, row_grain: Array) -> tuple[Array, Array, Array, Array]:
    """How each place stands out of its row."""
    off, grain = off_row[around.core], row_grain[around.at[:, 0], around.at[:, 1]]
    peak, low = np.log1p(np.abs(off).max(1) / grain), off.min(1)
    return peak, np.maximum(low, -0.8), np.minimum(off.max(1), 0.5), peak * np.minimum(-low, 0.4)
