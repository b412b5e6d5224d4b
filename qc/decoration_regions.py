"""Where pieces stand on the top, roughly: one region per piece on a flat map of the top, before any shape is fitted."""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import ndimage
from skimage.feature import peak_local_max
from skimage.segmentation import relabel_sequential, watershed

from qc.body import Body
from qc.camera import View
from qc.finder import DECORATION, Finding, find

Array = NDArray[np.float64]
_S = np.arange(256) / 255


@dataclass(frozen=True)
class RegionSettings:
    """Limits of the search for pieces."""

    px_per_mm: float = 2.5  # of the map: the network's own pixels are 0.3 to 0.8 mm there
    reach: float = 1.32  # half the map's side in shares of the radius: tall pieces lean out over the rim
    crop: float = 1.30  # radius of the part of the photo that the network sees enlarged, in shares of the cake's
    sure: float = 0.5  # probability from which a pixel belongs to a piece
    far_share: float = 0.3  # weight of the whole photo's finding beside the closer look
    hue_bins: int = 64  # over 4 units of log ratio: one bin is 6 % of a colour ratio
    dark: float = 0.01  # of full light, added before the logarithm: sensor noise
    rare: float = 1e-4  # share of pixels below which a hue says nothing
    hue_worth: float = 3.0  # natural log odds, at most, that a hue may add: the network can still overrule it
    hole_mm2: float = 60.0  # of a piece: glare on it is smaller
    smallest_mm: float = 6.0  # diameter; smaller things are crumbs, sugar pearls, glare
    apart: float = 0.45  # least distance of two pieces' middles in inner radii
    waist: float = 0.84  # share of the smaller inner radius above which a neck is none
    convex: float = 0.96  # solidity from which two parts make one piece
    joined_area: float = 1.7  # usual areas that a piece may have after joining
    least_share: float = 0.45  # of the usual inner radius below which a region is no piece, unless it is certain
    least_probability: float = 0.72  # mean over a region
    certain: float = 0.9  # mean over a region from which it is a piece whatever its size, and may say what is usual; of
    # all that was refused on 218 rendered cakes only a piece had more than 0.76
    doubt_share: float = 0.4  # of the usual inner radius, and ...
    doubt_probability: float = 0.6  # ... mean from which what is refused may yet be a piece


@dataclass(frozen=True)
class TopMap:
    """A raster over the top surface: column = (x + reach) * px_per_mm, row = (reach - y) * px_per_mm."""

    probability: NDArray[np.float32]  # (N, N) that a pixel shows a decoration
    px_per_mm: float
    reach_mm: float

    def to_mm(self, points_px: Array) -> Array:
        """Cake-frame (x, y) of map points (..., 2)."""
        p = np.asarray(points_px, float) / self.px_per_mm
        return np.stack([p[..., 0] - self.reach_mm, self.reach_mm - p[..., 1]], -1)

    def to_px(self, points_mm: Array) -> Array:
        """Map points (..., 2) of cake-frame (x, y)."""
        p = np.asarray(points_mm, float)
        return np.stack([p[..., 0] + self.reach_mm, self.reach_mm - p[..., 1]], -1) * self.px_per_mm


@dataclass(frozen=True)
class Region:
    """What of the map belongs to one piece as drawn on the top (leaning outwards still)."""

    label: int
    middle_mm: Array  # (2,)
    inner_mm: float  # radius of the largest disc inside
    area_mm2: float
    probability: float  # mean


@dataclass(frozen=True)
class Regions:
    """All pieces of one photo."""

    map: TopMap
    labels: NDArray[np.int32]  # (N, N) 0 none
    pieces: tuple[Region, ...]
    refused: tuple[Region, ...]  # seen, but too small or too unsure for pieces

    def doubtful_mm(self, settings: RegionSettings) -> Array:
        """Places (M, 2) of what was refused but may yet be a piece."""
        usual = float(np.median([p.inner_mm for p in self.pieces])) if self.pieces else settings.smallest_mm
        return np.array(
            [
                r.middle_mm
                for r in self.refused
                if r.inner_mm > settings.doubt_share * usual and r.probability > settings.doubt_probability
            ]
        ).reshape(-1, 2)


def closer_look(pixels: NDArray[np.uint8], view: View, body: Body, settings: RegionSettings) -> tuple[Finding, Array]:
    """The network's finding on the part of the photo that holds the top, and the (x, y) pixel where it starts."""
    a = np.linspace(0, 2 * np.pi, 73)
    r = settings.crop * body.radius_mm
    q = view.project(np.stack([r * np.cos(a), r * np.sin(a), np.full_like(a, body.height_mm)], -1))
    size = np.array([pixels.shape[1], pixels.shape[0]])
    low = np.clip(np.floor(q.min(0)), 0, size - 33).astype(int)
    high = np.clip(np.ceil(q.max(0)), low + 33, size).astype(int)
    part = np.ascontiguousarray(pixels[low[1] : high[1], low[0] : high[0]])
    return find(part), low.astype(float)


def top_map(
    pixels: NDArray[np.uint8], view: View, body: Body, finding: Finding | None, settings: RegionSettings
) -> TopMap:
    """Probability of a decoration over the top: the network's two looks, sharpened by the pieces' own colour."""
    reach = settings.reach * body.radius_mm
    n = int(np.ceil(2 * reach * settings.px_per_mm)) + 1
    g = np.arange(n) / settings.px_per_mm
    places = np.stack(np.meshgrid(g - reach, reach - g), -1)
    photo_px = view.project(np.concatenate([places, surface_z_mm(places, body)[..., None]], -1)).astype(np.float32)
    near, start = closer_look(pixels, view, body, settings)
    out = _resample(near, photo_px - start.astype(np.float32))
    if finding is not None:
        out = (1 - settings.far_share) * out + settings.far_share * _resample(finding, photo_px)
    colour = cv2.remap(pixels, photo_px[..., 0], photo_px[..., 1], cv2.INTER_AREA)
    on_top = np.hypot(places[..., 0], places[..., 1]) < 0.97 * body.radius_mm
    return TopMap(by_colour(out, np.asarray(colour, np.uint8), on_top, settings), settings.px_per_mm, reach)


def surface_z_mm(points_mm: Array, body: Body) -> Array:
    """Height of the map's surface: the top itself, carried on level beyond the rim."""
    rho = np.hypot(points_mm[..., 0], points_mm[..., 1])
    shrink = np.minimum(1.0, body.radius_mm / np.maximum(rho, 1e-9))
    return body.top_z_mm(points_mm[..., 0] * shrink, points_mm[..., 1] * shrink)


def _resample(finding: Finding, photo_px: NDArray[np.float32]) -> NDArray[np.float32]:
    q = (photo_px * np.float32(finding.scale_px) + np.asarray(finding.offset_px, np.float32)).astype(np.float32)
    layer = finding.probabilities[DECORATION]
    return np.asarray(cv2.remap(layer, q[..., 0], q[..., 1], cv2.INTER_LINEAR, borderValue=0.0), np.float32)


_LINEAR = (np.where(_S <= 0.04045, _S / 12.92, ((_S + 0.055) / 1.055) ** 2.4)).astype(np.float32)  # IEC 61966-2-1


def by_colour(
    probability: NDArray[np.float32], colour: NDArray[np.uint8], on_top: NDArray[np.bool_], settings: RegionSettings
) -> NDArray[np.float32]:
    """Weigh each pixel by how much more its hue is found on surely seen pieces than on the surely bare top.

    Hues are ratios of linear light, so a shadow keeps its hue. Where pieces and icing share a colour, as cream on
    cream does, both histograms agree and nothing changes.
    """
    piece, bare = probability > 0.9, (probability < 0.05) & on_top
    if piece.sum() < 200 or bare.sum() < 200:
        return probability
    light = np.log(_LINEAR[colour] + settings.dark)
    hue = np.stack([light[..., 0] - light[..., 1], light[..., 2] - light[..., 1]], -1)
    bins = settings.hue_bins
    index = np.clip((hue + 2.0) * (bins / 4.0), 0, bins - 1).astype(np.int64)
    flat = index[..., 0] * bins + index[..., 1]
    odds = np.zeros(bins * bins)
    for sign, where in ((1, piece), (-1, bare)):
        count = np.bincount(flat[where], minlength=bins * bins).reshape(bins, bins).astype(float)
        share = ndimage.gaussian_filter(count, 1.2) / count.sum()
        odds += sign * np.log(share + settings.rare).ravel()
    odds = np.clip(odds, -settings.hue_worth, settings.hue_worth)
    p = np.clip(probability, 0.01, 0.99)
    logit = np.log(p / (1 - p)) + cv2.GaussianBlur(odds[flat].astype(np.float32), (0, 0), 0.8)
    return np.asarray(1 / (1 + np.exp(-logit)), np.float32)


def find_regions(top: TopMap, settings: RegionSettings) -> Regions:
    """Split the map's decorations into pieces."""
    scale = top.px_per_mm
    mask = _filled(ndimage.binary_opening(top.probability > settings.sure, iterations=2), settings.hole_mm2 * scale**2)
    inside = np.asarray(cv2.distanceTransform(mask.astype(np.uint8), cv2.DIST_L2, 5) / scale, np.float32)
    inside = np.asarray(cv2.GaussianBlur(inside, (0, 0), 0.4 * scale), np.float32)
    labels = _split(inside, mask, scale, settings)
    labels = _join(labels, inside, settings)
    pieces, refused = _judge(_measure(top, labels, inside), settings)
    return Regions(top, labels, tuple(pieces), tuple(refused))


def _filled(mask: NDArray[np.bool_], most_px: float) -> NDArray[np.bool_]:
    """A mask without its small holes: a large one is bare top that pieces go round, touching each other."""
    labels, _ = ndimage.label(ndimage.binary_fill_holes(mask) & ~mask)
    small = np.bincount(labels.ravel()) <= most_px
    small[0] = False
    return np.asarray(mask | small[labels], np.bool_)


def _split(
    inside: NDArray[np.float32], mask: NDArray[np.bool_], scale: float, settings: RegionSettings
) -> NDArray[np.int32]:
    """Rather too many parts than too few: one round every local maximum of the distance to the outside."""
    components, count = ndimage.label(mask)
    if count == 0:
        return np.asarray(components, np.int32)
    tops = _largest(inside, components)
    usual = float(np.median(tops[tops > 0.5 * tops.max()]))
    apart = max(1, int(settings.apart * usual * scale))
    least = min(0.3 * usual, 0.5 * settings.smallest_mm)
    peaks = peak_local_max(inside, min_distance=apart, threshold_abs=least, labels=components, exclude_border=False)
    markers = np.zeros(mask.shape, np.int32)
    markers[tuple(peaks.T)] = np.arange(1, len(peaks) + 1)
    return np.asarray(watershed(-inside, markers, mask=mask), np.int32)


def _largest(values: NDArray[np.float32], labels: NDArray[np.int32]) -> Array:
    """Largest value of each label 1, 2, ... (scipy's sorts the whole picture for it)."""
    at = np.nonzero(labels)
    out = np.zeros(int(labels.max()) + 1)
    np.maximum.at(out, labels[at], values[at])
    return out[1:]


def _join(labels: NDArray[np.int32], inside: NDArray[np.float32], settings: RegionSettings) -> NDArray[np.int32]:
    """Put parts together again that have no waist between them, or that make one convex piece of the usual size."""
    labels = labels.copy()
    for _ in range(int(labels.max())):
        area = np.bincount(labels.ravel())[1:]
        usual = float(np.median(area[area > 0.3 * area.max()])) if area.size else 0.0
        waists = _waists(labels, inside)
        inner = _largest(inside, labels)
        joined = False
        for (i, j), waist in sorted(waists.items(), key=lambda item: -item[1]):
            size = area[i - 1] + area[j - 1]
            smooth = waist > settings.waist * min(inner[i - 1], inner[j - 1])
            if size < settings.joined_area * usual and (smooth or _solidity(labels, i, j) > settings.convex):
                labels[labels == j] = i
                joined = True
                break
        if not joined:
            break
        labels = np.asarray(relabel_sequential(labels)[0], np.int32)
    return labels


def _waists(labels: NDArray[np.int32], inside: NDArray[np.float32]) -> dict[tuple[int, int], float]:
    """Half the width of the neck between every two parts that touch."""
    out: dict[tuple[int, int], float] = {}
    for a, b, u, v in (
        (labels[:, 1:], labels[:, :-1], inside[:, 1:], inside[:, :-1]),
        (labels[1:], labels[:-1], inside[1:], inside[:-1]),
    ):
        at = (a != b) & (a > 0) & (b > 0)
        for p, q, w in zip(a[at], b[at], np.minimum(u, v)[at], strict=True):
            key = (int(min(p, q)), int(max(p, q)))
            out[key] = max(out.get(key, 0.0), float(w))
    return out


def _solidity(labels: NDArray[np.int32], i: int, j: int) -> float:
    """Area of two parts together over that of their convex hull."""
    rows, columns = np.nonzero((labels == i) | (labels == j))
    hull = cv2.convexHull(np.stack([columns, rows], -1).astype(np.int32))
    polygon = np.zeros((int(rows.max()) + 1, int(columns.max()) + 1), np.uint8)
    cv2.fillConvexPoly(polygon, hull, 1)
    return len(rows) / float(polygon.sum())


def _measure(top: TopMap, labels: NDArray[np.int32], inside: NDArray[np.float32]) -> list[Region]:
    at = np.nonzero(labels)
    label = labels[at]
    count = np.bincount(label)[1:]
    if len(count) == 0:
        return []
    middle = np.stack([np.bincount(label, axis)[1:] for axis in at[::-1]], -1) / count[:, None]
    mean = np.bincount(label, top.probability[at])[1:] / count
    inner, place = _largest(inside, labels), top.to_mm(middle)
    area = count / top.px_per_mm**2
    return [Region(i + 1, place[i], float(inner[i]), float(area[i]), float(mean[i])) for i in range(len(count))]


def _judge(seen: list[Region], settings: RegionSettings) -> tuple[list[Region], list[Region]]:
    """Pieces are nearly alike: keep what is large and sure enough against the usual one, and what is certain anyhow.

    One large piece in the middle of many small ones is not the usual one: where the sure ones are smaller, they are.
    One berry amid large discs is a piece all the same.
    """
    if not seen:
        return [], []
    inner = np.array([r.inner_mm for r in seen])
    sure = np.array([r.probability for r in seen])
    usual = float(np.median(inner[inner >= 0.5 * np.max(inner)]))
    certain = (sure >= settings.certain) & (2 * inner >= settings.smallest_mm)
    if certain.any():
        usual = min(usual, float(np.median(inner[certain])))
    like = (inner >= settings.least_share * usual) & (sure >= settings.least_probability)
    good = certain | (like & (2 * inner >= settings.smallest_mm))
    return [r for r, g in zip(seen, good, strict=True) if g], [r for r, g in zip(seen, good, strict=True) if not g]
