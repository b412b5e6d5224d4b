"""Filling or sponge that shows through the icing: colour off the icing's own by CIEDE2000 > 6 once the light is off.

Ridges and dents change the light along the turn of the table, and between a warm and a cold lamp its colour too. A
place counts where its hue or chroma is off, or where it is darker than its neighbours at the same height. Where sponge
is meant to show `qc.sponge` tells it.
"""

from dataclasses import dataclass, field
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from qc.colour import delta_e2000, lab_of_linear
from qc.rows import channel_mean, row_median
from qc.sponge import SpongeSettings, sponge_score

Array = NDArray[Any]
Mask = NDArray[np.bool_]


@dataclass(frozen=True)
class ShowSettings:
    """What counts as filling or sponge."""

    limit: float = 6.0  # CIEDE2000 against the icing's own colour
    least_mm2: float = 4.0  # smallest patch
    colour: float = 3.4  # CIEDE2000 at equal lightness that makes a patch certain
    core_mm: float = 2.0  # how far off the strongest colour of a patch may be from its edge
    limit_seen: float = 7.2  # a phone's contrast curve makes faint patches stronger than they are
    part_way: float = 0.3  # share of that colour's difference at which a blurred edge is put
    dark: float = 0.33  # log light under its row's median that makes a patch certain
    seed_mm2: float = 1.5  # of certain places that a patch needs
    row_mm: float = 60.0  # length of row whose median takes the ridges off
    wide_colour: float = 7.0  # CIEDE2000 at equal lightness that two lamps do not give a ridge ...
    widely: float = 0.06  # ... and the share of such places from which sponge is taken as meant: rendered semi-naked
    # cakes have 0.10 and more, deep ridges in a warm and a cold light 0.024
    certain: float = 1.5  # times the limit at which sponge that is meant is certain
    sponge: SpongeSettings = field(default_factory=SpongeSettings)
    least_luminance: float = 0.45  # darker icing mirrors as much as it shows: nothing can be told
    beside: bool = True  # whether a patch may run up to what hides the icing
    px_per_mm: float = 2.0


@dataclass(frozen=True)
class Shown:
    """Where filling or sponge shows in one flattened picture (at settings.px_per_mm)."""

    valid: Mask  # (rows, cols)
    bad: Mask  # (rows, cols)
    widely: bool


def find_show_through(
    log: NDArray[Any], valid: Mask, own: Array, px_per_mm: float, rings: bool, settings: ShowSettings
) -> Shown:
    """Patches in an unlit picture.

    Parameters
    ----------
    log : ndarray, shape (rows, cols, 3)
        Unlit picture (`qc.shading.Unlit.log`).
    valid : ndarray, shape (rows, cols), bool
        Where the icing is seen.
    own : ndarray, shape (3,)
        The icing's own linear colour, 1 the perfect white.
    px_per_mm : float
        Of the picture.
    rings : bool
        The picture is the side (ridges run along the rows); False for the top.
    """
    factor = settings.px_per_mm / px_per_mm
    size = (max(8, round(log.shape[1] * factor)), max(8, round(log.shape[0] * factor)))
    small = cv2.resize(log, size, interpolation=cv2.INTER_AREA)
    ok = cv2.resize(valid.astype(np.uint8), size, interpolation=cv2.INTER_AREA) > 0
    ok &= cv2.erode(ok.astype(np.uint8), np.ones((3, 3), np.uint8)) > 0
    light = channel_mean(small)
    hue = cv2.GaussianBlur(small - light[..., None], (0, 0), 0.8)
    colour = _difference(hue, own, ok & (_largest(hue) > 0.04))
    strong = ok & (colour > settings.wide_colour)
    if rings and strong.sum() > settings.widely * max(ok.sum(), 1):
        mixed = hue + light[..., None]
        score = sponge_score(mixed, ok, colour, strong, own, settings.limit, settings.px_per_mm, settings.sponge)
        off = ok & (score > 1)
        return Shown(ok, _grown(off, off & (score > settings.certain), settings), True)
    flat = light
    if rings:
        flat = light - _row_median(light, ok, settings)
        hue = hue - _row_hue(hue, ok, settings)
        colour = _difference(hue, own, ok & (_largest(hue) > 0.02))
    certain = (colour > settings.colour) | (flat < -settings.dark)
    full = _difference(hue + flat[..., None], own, ok & ((_largest(hue) > 0.02) | (np.abs(flat) > 0.06)))
    reach = 2 * round(settings.core_mm * settings.px_per_mm) + 1
    core = cv2.dilate(full, np.ones((reach, reach), np.uint8))  # JPEG blurs colour: an edge lies part-way up
    off = ok & (full > np.maximum(settings.limit_seen, settings.part_way * core))
    bad = _grown(off, off & certain, settings)
    return Shown(ok, bad if settings.beside else _apart(bad, ok), False)


def _difference(log: NDArray[Any], own: Array, where: Mask) -> NDArray[Any]:
    """CIEDE2000 (rows, cols) between own * exp(log) and own; 0 outside `where`."""
    out = np.zeros(log.shape[:2], np.float32)
    if where.any():
        out[where] = delta_e2000(lab_of_linear(np.minimum(own * np.exp(log[where]), 1.5)), lab_of_linear(own))
    return out


def _largest(hue: NDArray[Any]) -> NDArray[Any]:
    """Largest size (rows, cols) of the three channels."""
    size = np.abs(hue)
    return np.maximum(np.maximum(size[..., 0], size[..., 1]), size[..., 2])


def _row_median(light: NDArray[Any], ok: Mask, settings: ShowSettings, step: int = 4) -> NDArray[Any]:
    """Running median along the rows, from every fourth column."""
    filled = np.where(ok, light, np.float32(0))[:, ::step].copy()
    width = max(3, int(settings.row_mm * settings.px_per_mm / step))
    wide = row_median(filled, width)
    return np.asarray(cv2.resize(wide, (light.shape[1], light.shape[0]), interpolation=cv2.INTER_LINEAR))


def _row_hue(hue: NDArray[Any], ok: Mask, settings: ShowSettings) -> NDArray[Any]:
    """Running median of the colour along the rows: a ridge's flanks are lit by two lamps. Channels add up to 0."""
    first, second = (_row_median(hue[..., k], ok, settings, 8) for k in (0, 2))
    return np.stack([first, -first - second, second], -1)


def _grown(bad: Mask, certain: Mask, settings: ShowSettings) -> Mask:
    """Connected patches (8 neighbours) large enough and with enough of certain places in them."""
    count, label, stats, _ = cv2.connectedComponentsWithStats(bad.astype(np.uint8), connectivity=8)
    per_mm2 = settings.px_per_mm**2
    sure = np.bincount(label[certain], minlength=count)
    keep = (stats[:, cv2.CC_STAT_AREA] >= settings.least_mm2 * per_mm2) & (sure >= settings.seed_mm2 * per_mm2)
    keep[0] = False
    return np.asarray(keep[label])


def _apart(bad: Mask, ok: Mask) -> Mask:
    """The patches that don't run up to what is hidden."""
    _, label = cv2.connectedComponents(bad.astype(np.uint8), connectivity=8)
    edge = bad & (cv2.erode(ok.astype(np.uint8), np.ones((3, 3), np.uint8), borderValue=0) == 0)
    return np.asarray(bad & ~np.isin(label, label[edge]))
