"""Filling or sponge that shows through the icing: colour off the icing's own by CIEDE2000 > 6 once the light is off.

On the side ridges and dents change the light, and between a warm and a cold lamp its colour too: there the surface
network tells them from what shows through. Where much does, as on a semi-naked cake, `qc.sponge` weighs each place by
its colour and darkness, and both are taken together. On the top a place counts where its hue or chroma is off, or
where it is darker than its neighbours.
"""

from dataclasses import dataclass, field
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from qc.colour import delta_e2000, lab_of_linear
from qc.shading import channel_mean
from qc.sponge import SpongeSettings, sponge_score

Array = NDArray[Any]
Mask = NDArray[np.bool_]


@dataclass(frozen=True)
class ShowSettings:
    """What counts as filling or sponge."""

    least_mm2: float = 4.0  # smallest patch
    seed_mm2: float = 1.5  # of certain places that a patch needs
    core_mm: float = 2.0  # how far off the strongest colour of a patch may be from its edge
    part_way: float = 0.3  # share of that colour's difference at which a blurred edge is put
    px_per_mm: float = 2.0
    least_luminance: float = 0.45  # darker icing mirrors as much as it shows: nothing can be told
    # on the side, by the network's probability and by CIEDE2000
    likely: float = 0.45  # probability from which a place counts
    sure: float = 0.75  # the same that makes a place certain
    limit_beside: float = 7.2  # CIEDE2000 by which a place beside a patch belongs to it: a phone's contrast curve makes
    # faint patches stronger than they are
    widely: float = 0.06  # share of likely places from which sponge is taken as meant: semi-naked cakes have 0.10
    veto: float = 0.10  # probability below which nothing beside a patch counts
    steep: float = 3.0  # power with which `qc.sponge`'s score multiplies the network's odds: of 81 rendered cakes with
    # a sixth to three fifths of sponge the share was 1.2 % off (RMS) with 2.5 to 3.5; 1.5 % with the network as a veto
    wide_colour: float = 7.0  # CIEDE2000 at equal lightness by which sponge that is meant is known first
    limit: float = 6.0  # CIEDE2000 against the icing's own colour at which it begins
    certain: float = 4.0  # odds that make a place certain where sponge is meant
    sponge: SpongeSettings = field(default_factory=SpongeSettings)
    # on the top
    limit_seen: float = 10.0  # CIEDE2000 against the icing from which a place counts
    colour: float = 8.0  # CIEDE2000 at equal lightness that makes a place certain: pieces throw shadows, which between
    # a warm and a cold lamp have a colour


@dataclass(frozen=True)
class Shown:
    """Where filling or sponge shows in one flattened picture (at settings.px_per_mm)."""

    valid: Mask  # (rows, cols)
    bad: Mask  # (rows, cols)
    widely: bool


def shows_on_side(
    log: NDArray[Any], chance: NDArray[Any], valid: Mask, own: Array, px_per_mm: float, settings: ShowSettings
) -> Shown:
    """Patches in the unlit picture of a side.

    Parameters
    ----------
    log : ndarray, shape (rows, cols, 3)
        Unlit picture (`qc.shading.Unlit.log`).
    chance : ndarray, shape (n, m)
        How probable it is that something shows through, by the surface network at settings.px_per_mm, filled up beyond
        the picture (`qc.surface_net.Answer`).
    valid : ndarray, shape (rows, cols), bool
        Where the icing is seen.
    own : ndarray, shape (3,)
        The icing's own linear colour, 1 the perfect white.
    px_per_mm : float
        Of the picture.
    """
    small, ok = _smaller(log, valid, px_per_mm, settings)
    said = np.zeros(ok.shape, np.float32)
    rows, cols = np.minimum(ok.shape, chance.shape)
    said[:rows, :cols] = chance[:rows, :cols]
    bad = ok & (said > settings.likely)
    if bad.sum() < settings.widely * max(ok.sum(), 1):
        return Shown(ok, _grown(small, ok, bad, said, own, settings), False)
    return Shown(ok, _sponge(small, ok, said, own, settings), True)


def shows_on_top(log: NDArray[Any], valid: Mask, own: Array, px_per_mm: float, settings: ShowSettings) -> Shown:
    """Patches in the unlit picture of a top, from the same as for a side but the network, which was not taught tops."""
    small, ok = _smaller(log, valid, px_per_mm, settings)
    light, hue = _light_and_hue(small)
    colour = _difference(hue, own, ok & (_largest(hue) > 0.04))
    full = _difference(hue + light, own, ok & ((_largest(hue) > 0.02) | (np.abs(light[..., 0]) > 0.06)))
    off = ok & (full > np.maximum(settings.limit_seen, settings.part_way * _core(full, settings)))
    return Shown(ok, _apart(_patches(off, off & (colour > settings.colour), settings), ok), False)


def _grown(small: NDArray[Any], ok: Mask, bad: Mask, said: Array, own: Array, settings: ShowSettings) -> Mask:
    """The network's patches with what beside them is of their colour, where it is sure somewhere."""
    near = ok & (_core(bad.astype(np.float32), settings) > 0)
    light, hue = _light_and_hue(small)
    full = _difference(hue + light, own, near)
    beside = full > np.maximum(settings.limit_beside, settings.part_way * _core(full, settings))
    every = bad | (near & beside & (said > settings.veto))
    return _patches(every, ok & (said > settings.sure), settings)


def _sponge(small: NDArray[Any], ok: Mask, said: Array, own: Array, settings: ShowSettings) -> Mask:
    """Sponge that is meant to show: the network's odds times what the score makes of them."""
    light, hue = _light_and_hue(small)
    colour = _difference(hue, own, ok & (_largest(hue) > 0.04))
    strong = ok & (colour > settings.wide_colour)
    score = sponge_score(hue + light, ok, colour, strong, own, settings.limit, settings.px_per_mm, settings.sponge)
    said = np.clip(said, 1e-4, 1 - 1e-4)
    odds = said / (1 - said) * np.maximum(score, 0.0) ** settings.steep
    return _patches(ok & (odds > 1), ok & (odds > settings.certain), settings)


def _light_and_hue(small: NDArray[Any]) -> tuple[NDArray[Any], NDArray[Any]]:
    """Log light (rows, cols, 1) and what each channel is off it (rows, cols, 3), smoothed as JPEG blurs colour."""
    light = channel_mean(small)[..., None]
    return light, cv2.GaussianBlur(small - light, (0, 0), 0.8)


def _core(values: NDArray[Any], settings: ShowSettings) -> NDArray[Any]:
    """The strongest value near each place: JPEG blurs colour, so a patch's edge lies part-way up to its core."""
    reach = 2 * round(settings.core_mm * settings.px_per_mm) + 1
    return np.asarray(cv2.dilate(values, np.ones((reach, reach), np.uint8)))


def _smaller(log: NDArray[Any], valid: Mask, px_per_mm: float, settings: ShowSettings) -> tuple[NDArray[Any], Mask]:
    """The picture at settings.px_per_mm, and what is seen of it, without border pixels."""
    factor = settings.px_per_mm / px_per_mm
    size = (max(8, round(log.shape[1] * factor)), max(8, round(log.shape[0] * factor)))
    ok = cv2.resize(valid.astype(np.uint8), size, interpolation=cv2.INTER_AREA) > 0
    ok &= cv2.erode(ok.astype(np.uint8), np.ones((3, 3), np.uint8)) > 0
    return cv2.resize(log, size, interpolation=cv2.INTER_AREA), np.asarray(ok)


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


def _patches(bad: Mask, certain: Mask, settings: ShowSettings) -> Mask:
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
