"""How high the top lies and how domed it is, from the marks on its icing that two photos show.

The blade leaves rings and smears on a top, and crumbs lie on it. The top photo shows where they are; a side photo that
looks a little down on the top shows them too, moved along the line of sight by the height at which they lie: at 10
degrees a millimetre of height moves a mark by almost 6 mm. For every supposed height the side photo is laid out flat
and correlated with the top photo, block by block (normalised cross-correlation of log light, its broad changes taken
off, as in plane-sweep stereo: Collins, 1996), and for every supposed turn of the cake between the photos. How well all
blocks agree is a likelihood over rise and dome, to be weighed with what the rim and the decorations' feet say
(`top_height`).
"""

from collections.abc import Mapping
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from qc.body import RIM, Body
from qc.camera import View
from qc.finder import Finding
from qc.masks import probabilities, wider

Array = NDArray[np.float64]
Picture = NDArray[np.float32]


@dataclass(frozen=True)
class TextureSettings:
    """Sizes and limits; `worth` and `wrong_share` from 128 rendered cakes (tests/long/top_marks.py)."""

    px_per_mm: float = 1.5  # a side photo shows less than one along the line of sight
    fine_mm: float = 0.8  # Gaussian: finer marks are noise
    coarse_mm: float = 5.0  # Gaussian: broader changes are light
    block_px: int = 15
    black: float = 0.02  # of full light, added before the logarithm: sensor noise in the dark
    noise: float = 0.004  # standard deviation of log light that is not the icing's
    least_area: float = 0.3  # of a block that must be seen in both photos
    least_blocks: int = 5
    least_elevation_deg: float = 2.0  # of the camera above the top's plane: below it the top is a line
    rim_mm: float = 3.0  # the top counts this far inside the rounding of its edge
    piece: float = 0.3  # probability of a decoration or the card from which a place is not icing
    around_piece_mm: float = 2.0
    rise_mm: float = 6.0  # furthest that the top is looked for above and below the fitted one
    dome_mm: float = 4.0  # the same for its dome
    step_mm: float = 0.25
    turn_step_rad: float = 0.02
    rings: int = 24  # of blocks whose heights go with the dome alike
    worth: float = 0.5  # of a block's log likelihood as if its pixels had independent noise
    wrong_share: float = 0.2  # of photos whose best match is not the true one

    def rises_mm(self) -> Array:
        """The supposed rises above the fitted top, evenly spaced."""
        return np.arange(-self.rise_mm, self.rise_mm + 1e-9, self.step_mm)

    def domes_mm(self) -> Array:
        """The supposed changes of the dome, evenly spaced."""
        return np.arange(-self.dome_mm, self.dome_mm + 1e-9, self.step_mm)


@dataclass(frozen=True)
class _Flat:
    """One photo laid flat on the top, marks alone: where it shows icing they are left, elsewhere zero."""

    marks: Picture  # (..., n, n)
    mask: Picture  # (n, n)


def texture_log(
    pixels: Mapping[str, NDArray[np.uint8]],
    views: Mapping[str, View],
    body: Body,
    findings: Mapping[str, Finding],
    turn_sd_rad: float,
    settings: TextureSettings | None = None,
) -> Array | None:
    """Log likelihood (rises, domes) of the top's rise and change of dome against the fitted body.

    Parameters
    ----------
    pixels, views, findings : mapping of photo names
        Upright photos (H, W, 3), RGB, with "top" among them; their fitted views; what the finder saw in them.
    turn_sd_rad : float
        Standard uncertainty of the cake's turn between the top photo and a side photo.

    Returns
    -------
    ndarray, shape (len(settings.rises_mm()), len(settings.domes_mm())), or None where no photo shows enough of the top
    """
    settings = settings or TextureSettings()
    seen = [n for n in views if n != "top" and _elevation_deg(views[n], body) > settings.least_elevation_deg]
    if not seen:
        return None
    above = _seen_from_above(pixels["top"], views["top"], body, findings["top"], settings)
    turns = np.arange(-2.5 * turn_sd_rad, 2.5 * turn_sd_rad + 1e-9, settings.turn_step_rad)
    prior = -0.5 * (turns / turn_sd_rad) ** 2
    turned = _turned(above, turns, settings)
    said = []
    for name in seen:
        aside = _seen_aside(pixels[name], views[name], body, findings[name], settings)
        agreement = _agreement(turned, aside, body, settings)
        if agreement is not None:
            said.append(_mixed(agreement + prior[:, None, None], settings))
    return np.asarray(sum(said), np.float64) if said else None


def _elevation_deg(view: View, body: Body) -> float:
    """Of a camera, above the plane of the top, seen from its middle."""
    x, y, z = view.eye_mm
    return float(np.degrees(np.arctan2(z - body.height_mm, np.hypot(x, y))))


def _places(body: Body, settings: TextureSettings) -> tuple[Array, Array]:
    """Places (n, n) each of the top, in mm; n is a multiple of the block."""
    n = settings.block_px * int(np.ceil(2 * body.radius_mm * settings.px_per_mm / settings.block_px))
    along = (np.arange(n) - (n - 1) / 2) / settings.px_per_mm
    x, y = np.meshgrid(along, -along)
    return x, y


@dataclass(frozen=True)
class _Light:
    """Log of the light in the part of a photo that shows the top."""

    log: Picture  # (h, w)
    first_px: Picture  # (2,) the photo's (x, y) of its first pixel

    def at(self, at_px: Picture) -> Picture:
        """At places (n, n, 2) of the photo, as (n, n); beyond its border without marks of its own."""
        at = at_px - self.first_px
        return np.asarray(
            cv2.remap(self.log, at[..., 0], at[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        )


def _light(pixels: NDArray[np.uint8], corners_px: Picture, settings: TextureSettings) -> _Light:
    """The part of a photo that spans some points (..., 2)."""
    size = np.array(pixels.shape[1::-1])
    points = corners_px.reshape(-1, 2)
    low = np.clip(np.floor(points.min(0)).astype(int) - 2, 0, size - 2)
    high = np.clip(np.ceil(points.max(0)).astype(int) + 3, low + 2, size)
    grey = cv2.cvtColor(pixels[low[1] : high[1], low[0] : high[0]], cv2.COLOR_RGB2GRAY)
    table = np.log(np.arange(256) / 255 + settings.black).astype(np.float32)
    return _Light(np.asarray(cv2.LUT(grey, table)), low.astype(np.float32))


def _blurred(picture: Picture, mm: float, settings: TextureSettings) -> Picture:
    return np.asarray(cv2.GaussianBlur(picture, (0, 0), mm * settings.px_per_mm))


def _marks(light: Picture, mask: Picture, reach: Picture, settings: TextureSettings) -> Picture:
    """What is left of log light without its broad changes; reach (n, n) is the mask's own blur."""
    broad = _blurred(light * mask, settings.coarse_mm, settings) / (reach + np.float32(1e-4))
    return np.asarray(_blurred((light - broad) * mask, settings.fine_mm, settings) * mask)


def _mask(at_px: Picture, inside: NDArray[np.bool_], finding: Finding, settings: TextureSettings) -> Picture:
    """1 where a photo shows the top's icing."""
    pieces = np.maximum(*probabilities(finding, ("decoration", "card"), at_px)) > settings.piece
    return (inside & ~wider(pieces, settings.around_piece_mm, settings.px_per_mm)).astype(np.float32)


def _inside(body: Body, x: Array, y: Array, settings: TextureSettings) -> NDArray[np.bool_]:
    return np.asarray(np.hypot(x, y) < body.radius_mm - body.edge_mm - settings.rim_mm)


def _seen_from_above(
    pixels: NDArray[np.uint8], view: View, body: Body, finding: Finding, settings: TextureSettings
) -> _Flat:
    x, y = _places(body, settings)
    at = view.project(body.top_point_mm(x, y)).astype(np.float32)
    mask = _mask(at, _inside(body, x, y, settings), finding, settings)
    reach = _blurred(mask, settings.coarse_mm, settings)
    return _Flat(_marks(_light(pixels, at, settings).at(at), mask, reach, settings), mask)


def _seen_aside(
    pixels: NDArray[np.uint8], view: View, body: Body, finding: Finding, settings: TextureSettings
) -> _Flat:
    """A side photo at all supposed rises: marks (rises, n, n)."""
    x, y = _places(body, settings)
    rises, point = settings.rises_mm(), body.top_point_mm(x, y)
    low, middle, high = (
        view.project(point + np.array([0, 0, r])).astype(np.float32) for r in (rises[0], 0.0, rises[-1])
    )
    mask = _mask(middle, _inside(body, x, y, settings), finding, settings)
    reach = _blurred(mask, settings.coarse_mm, settings)
    light, up = _light(pixels, np.stack([low, high]), settings), high - low
    share = ((rises - rises[0]) / (rises[-1] - rises[0])).astype(np.float32)
    return _Flat(np.stack([_marks(light.at(low + u * up), mask, reach, settings) for u in share]), mask)


def _turned(flat: _Flat, turns_rad: Array, settings: TextureSettings) -> tuple[Picture, Picture]:
    """Marks and mask (turns, n, n) as they lie in a frame to which the top photo's is turned."""
    n = flat.mask.shape[0]
    middle = ((n - 1) / 2, (n - 1) / 2)
    turn = [cv2.getRotationMatrix2D(middle, float(np.degrees(t)), 1.0) for t in turns_rad]
    marks, mask = ([cv2.warpAffine(v, t, (n, n)) for t in turn] for v in (flat.marks, flat.mask))
    return np.asarray(marks, np.float32), np.asarray(mask, np.float32)


def _by_block(pictures: Picture, settings: TextureSettings) -> Picture:
    """(m, n, n) -> (blocks, m, pixels of a block)."""
    m, n = pictures.shape[:2]
    b = settings.block_px
    return pictures.reshape(m, n // b, b, n // b, b).transpose(1, 3, 0, 2, 4).reshape(-1, m, b * b)


def _agreement(turned: tuple[Picture, Picture], aside: _Flat, body: Body, settings: TextureSettings) -> Array | None:
    """Log likelihood (turns, rises, domes), or None where too few blocks are seen in both photos."""
    above, shown = (_by_block(v, settings) for v in turned)
    below, mask = _by_block(aside.marks, settings), _by_block(aside.mask[None], settings)
    area = (shown * mask).sum(-1)  # (blocks, turns)
    kept = area.max(1) > settings.least_area * settings.block_px**2
    if kept.sum() < settings.least_blocks:
        return None
    above, below, mask, area = above[kept] * mask[kept], below[kept], mask[kept], area[kept]
    floor = settings.noise**2 * area[:, :, None] + 1e-9
    own, other = (above**2).sum(-1)[:, :, None] + floor, (below**2).sum(-1)[:, None, :] + floor
    alike = np.clip(above @ below.transpose(0, 2, 1) / np.sqrt(own * other), 0, 0.98)  # (blocks, turns, rises)
    gain = -settings.worth * np.log1p(-(alike**2)) * (area / settings.block_px**2)[:, :, None]
    x, y = (_by_block(v[None].astype(np.float32), settings)[kept].mean((1, 2)) for v in _places(body, settings))
    return _over_domes(gain, 0.5 - (x * x + y * y) / (RIM * body.radius_mm) ** 2, settings)


def _over_domes(gain: Picture, rise_by_dome: Picture, settings: TextureSettings) -> Array:
    """Sum (turns, rises, domes) of gains (blocks, turns, rises) whose rises go with the dome."""
    bounds = np.linspace(rise_by_dome.min(), rise_by_dome.max() + 1e-6, settings.rings + 1)
    ring = np.digitize(rise_by_dome, bounds) - 1
    member = (ring == np.arange(settings.rings)[:, None]).astype(np.float32)
    total = np.tensordot(member, gain, 1)  # (rings, turns, rises)
    middle = 0.5 * (bounds[1:] + bounds[:-1])
    rises, domes = settings.rises_mm(), settings.domes_mm()
    at = np.arange(len(rises)) + domes[:, None, None] * middle[:, None] / settings.step_mm  # (domes, rings, rises)
    at = np.clip(at, 0, len(rises) - 1)
    low = np.minimum(at.astype(int), len(rises) - 2)
    share, k = at - low, np.arange(settings.rings)[:, None]
    out = [
        (total[k, :, i] * (1 - u)[..., None] + total[k, :, i + 1] * u[..., None]).sum(0)
        for i, u in zip(low, share, strict=True)
    ]
    return np.stack(out, -1).transpose(1, 0, 2).astype(np.float64)


def _mixed(log: Array, settings: TextureSettings) -> Array:
    """Log density (rises, domes) of one photo, whatever its turn, against an even one; it may be wrong outright."""
    density = np.exp(log - log.max()).sum(0)
    return np.asarray(np.log((1 - settings.wrong_share) * density / density.mean() + settings.wrong_share))


def finer(log: Array, rises_mm: Array, domes_mm: Array, settings: TextureSettings | None = None) -> Array:
    """A log likelihood as `texture_log` gives it at other places: rises (R, 1) by domes (1, D) -> (R, D)."""
    settings = settings or TextureSettings()
    row = (rises_mm.ravel() + settings.rise_mm) / settings.step_mm
    column = (domes_mm.ravel() + settings.dome_mm) / settings.step_mm
    grid = np.meshgrid(column, row)
    at_column, at_row = (v.astype(np.float32) for v in grid)
    worst = float(np.log(settings.wrong_share))
    out = cv2.remap(log.astype(np.float32), at_column, at_row, cv2.INTER_LINEAR, None, cv2.BORDER_CONSTANT, (worst,))
    return np.asarray(out, np.float64)
