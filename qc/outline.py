"""Where body and board end in a photo, to a fraction of a pixel.

The predicted contour says where to look; the finder says what lies on either side; the picture, in linear light, says
where exactly the edge is. Every point keeps its own quality; which edges belong to the cake is decided by the joint
fit, not here.
"""

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.special import expit

from qc.contour import Contour
from qc.edge_weights import LEARNT
from qc.edge_words import Profiles, Surroundings, candidates, say
from qc.finder import BOARD, BODY, CARD, DECORATION, FOOT_BORDER, OTHER, Finding, net_samples

Array = NDArray[np.float64]


@dataclass(frozen=True)
class EdgeSettings:
    """How edges are sought along the normals of a predicted contour."""

    step_px: float = 0.5  # sampling along the normal
    blur_px: float = 1.4  # derivative-of-Gaussian width: about a phone's own blur, so noise is averaged, edges are not
    beside_net: float = 3.0  # network pixels from the contour at which the finder is asked what lies there
    least_probability: float = 0.5  # of the label expected on a side of the contour
    clear_net: int = 13  # network pixels across: nearer than half of this to a piece, the finder's border counts as its
    least_extra: float = 0.35  # probability of decoration or piping near a contour point that rules it out
    noise_factor: float = 5.0  # an edge must stand out this much over the profile's own noise
    least_worth: float = 0.0  # log odds against none from which an edge is the icing's
    board_px: float = 2.5  # nearer to the board's own edge than this an edge is the board's
    hypotheses: int = 4  # edges of a board's profile among which its neighbours have a say
    jump: float = 0.8  # of the expected error: an edge that lies so far from its neighbours' is on another line
    jump_price: float = 1.5  # natural logarithm of how much more likely it must be for that
    quiet_px: float = 14.0  # half length of the profiles from which the noise is taken


@dataclass(frozen=True)
class Edges:
    """Edge points found along a contour, one per contour point that has one.

    index (M,) into the contour; points_px (M, 2); sigma_px (M,) of the offset along the normal; strength (M,); sure
    (M,): probability that it is the edge looked for.
    """

    index: NDArray[np.int64]
    points_px: Array
    sigma_px: Array
    strength: Array
    sure: Array


NO_EDGES = Edges(np.zeros(0, np.int64), np.zeros((0, 2)), *np.zeros((3, 0)))
WORTHLESS = -1e6  # of a candidate that is no edge
_SRGB = np.arange(256) / 255.0
LINEAR = np.where(_SRGB <= 0.04045, _SRGB / 12.92, ((_SRGB + 0.055) / 1.055) ** 2.4).astype(np.float32)


def linear_samples(pixels: NDArray[np.uint8], points_px: Array) -> NDArray[np.float32]:
    """Linear-light RGB (..., 3) at sub-pixel places (..., 2), bilinear in linear light; outside: the border's value."""
    h, w = pixels.shape[:2]
    x = np.clip(np.asarray(points_px[..., 0], np.float32), 0, w - 1.001)
    y = np.clip(np.asarray(points_px[..., 1], np.float32), 0, h - 1.001)
    x0, y0 = x.astype(np.int32), y.astype(np.int32)
    fx, fy = (x - x0)[..., None], (y - y0)[..., None]
    flat, i = pixels.reshape(-1, 3), y0 * w + x0
    here, right, below, across = (LINEAR.take(flat.take(k, axis=0)) for k in (i, i + 1, i + w, i + w + 1))
    upper = here + (right - here) * fx
    lower = below + (across - below) * fx
    return np.asarray(upper + (lower - upper) * fy, np.float32)


def inside_photo(points_px: Array, size_px: tuple[int, int], margin_px: float) -> NDArray[np.bool_]:
    """Which points (N, 2) lie in the photo, a margin away from its border."""
    return np.asarray(((points_px >= margin_px) & (points_px <= np.array(size_px) - 1 - margin_px)).all(-1))


def beyond(finding: Finding, points_px: Array, normals: Array, settings: EdgeSettings) -> NDArray[np.float32]:
    """Finder's probabilities (6, N) a little outside points (N, 2) with outward normals (N, 2)."""
    return net_samples(finding, points_px + settings.beside_net / finding.scale_px * normals)


def body_sides_fit(finding: Finding, contour: Contour, settings: EdgeSettings) -> NDArray[np.bool_]:
    """Contour points (N,) with plain icing inside and neither decoration nor piping on either side.

    What lies outside is not asked: where a shape predicts the contour, the picture's edges decide.
    """
    return icing_ends(finding, contour.points_px, contour.normals, settings) > 0


def icing_ends(finding: Finding, points_px: Array, normals: Array, settings: EdgeSettings) -> Array:
    """How much the finder believes (...) that plain icing ends at points (..., 2): not at pieces, not amid icing.

    At least 1e-6 where plain icing lies inside and no piece is near, whatever lies outside.
    """
    inner, at, outer = _across(finding, points_px, normals, settings)
    extra = np.maximum(np.maximum(outer, inner), at)[[DECORATION, FOOT_BORDER]].sum(0)
    plain = (inner[BODY] > 1 - settings.least_probability) & (extra < settings.least_extra)
    return np.where(plain, np.maximum(1 - outer[BODY], 1e-6), 0.0)


@dataclass(frozen=True)
class SureSides:
    """Points (N,) of the finder's own border: which part icing from what is unlike it, and which have board outside."""

    icing_ends: NDArray[np.bool_]
    board_outside: NDArray[np.bool_]

    def where(self, foot: NDArray[np.bool_]) -> NDArray[np.bool_]:
        """Points (N,) that count: where the icing meets the board (`foot`), only those with board outside."""
        return self.icing_ends & (~foot | self.board_outside)


def sure_sides(finding: Finding, border: "Border", settings: EdgeSettings) -> SureSides:
    """What the finder sees on either side of its own border of the icing, clear of decoration and piping."""
    inner, at, outer = _across(finding, border.points_px, border.normals, settings)
    extra = np.maximum(np.maximum(outer, inner), at)[[DECORATION, FOOT_BORDER]].sum(0)
    ok = (inner[BODY] > settings.least_probability) & (outer[BODY] < 1 - settings.least_probability)
    ok &= (extra < settings.least_probability) & ~_near_extras(finding, border.points_px, settings)
    return SureSides(ok, outer[BOARD] > settings.least_probability)


def piece_sides(finding: Finding, border: "Border", settings: EdgeSettings) -> NDArray[np.bool_]:
    """Points (N,) of the finder's own border of the icing beyond which a piece hides how far the icing goes on."""
    inner, _, outer = _across(finding, border.points_px, border.normals, settings)
    return (inner[BODY] > settings.least_probability) & (outer[DECORATION] > settings.least_probability)


def _across(finding: Finding, points_px: Array, normals: Array, settings: EdgeSettings) -> NDArray[np.float32]:
    """Finder's probabilities (3, 6, N) a little inside, at and a little outside points (N, 2)."""
    d = settings.beside_net / finding.scale_px * normals
    return net_samples(finding, np.stack([points_px - d, points_px, points_px + d])).swapaxes(0, 1)


def _near_extras(finding: Finding, points_px: Array, settings: EdgeSettings) -> NDArray[np.bool_]:
    """Points beside decoration or piping, where the finder's border of the icing is drawn round the piece."""
    extras = (finding.probabilities[[DECORATION, FOOT_BORDER]].sum(0) > 0.3).astype(np.uint8)
    wide = cv2.dilate(extras, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (settings.clear_net, settings.clear_net)))
    at = np.rint(finding.to_net(points_px)).astype(int)
    h, w = wide.shape
    return wide[np.clip(at[:, 1], 0, h - 1), np.clip(at[:, 0], 0, w - 1)] > 0


def board_ends(finding: Finding, points_px: Array, normals: Array, settings: EdgeSettings) -> Array:
    """1 at points (..., 2) with board inside and none of cake, card or board outside, else 0."""
    inner, _, outer = _across(finding, points_px, normals, settings)
    least = settings.least_probability
    return ((inner[BOARD] > least) & (outer[OTHER] > least) & (outer[CARD] < 0.3)).astype(float)


@dataclass(frozen=True)
class Border:
    """Points (N, 2) of the border of some labels as the finder drew it, with outward normals (N, 2); photo pixels."""

    points_px: Array
    normals: Array


def largest_share(finding: Finding, label: int) -> float:
    """Share of a label's pixels that lie in its largest patch; 1 where there is none."""
    mask = (finding.probabilities[label] > 0.5).astype(np.uint8)
    sizes = cv2.connectedComponentsWithStats(mask, connectivity=4)[2][1:, cv2.CC_STAT_AREA]
    return float(sizes.max() / sizes.sum()) if len(sizes) else 1.0


def finder_border(finding: Finding, labels: tuple[int, ...], count: int) -> Border:
    """The border of the largest patch of the given labels: coarse, but never far away."""
    p = finding.probabilities[list(labels)].sum(0)
    mask = (p > 0.5).astype(np.uint8)
    _, patches, stats, _ = cv2.connectedComponentsWithStats(mask, connectivity=4)
    if len(stats) < 2:
        return Border(np.zeros((0, 2)), np.zeros((0, 2)))
    largest = (patches == 1 + stats[1:, 4].argmax()).astype(np.uint8)
    found, _ = cv2.findContours(largest, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    at = max(found, key=len)[:, 0].astype(float)
    at = at[:: max(1, len(at) // count)]
    soft = cv2.GaussianBlur(largest.astype(np.float32), (0, 0), 2.0)
    soft = cv2.copyMakeBorder(soft, 1, 1, 1, 1, cv2.BORDER_REPLICATE)
    i, j = at[:, 1].astype(int) + 1, at[:, 0].astype(int) + 1
    normals = np.stack([soft[i, j - 1] - soft[i, j + 1], soft[i - 1, j] - soft[i + 1, j]], -1).astype(float)
    normals /= np.maximum(np.linalg.norm(normals, axis=1, keepdims=True), 1e-9)
    return Border(finding.to_photo(at + 0.5 * normals), normals)


def photo_edges(
    pixels: NDArray[np.uint8],
    contour: Contour,
    keep: NDArray[np.bool_],
    reach_px: float,
    expected_px: float,
    settings: EdgeSettings,
    icing: Surroundings | None = None,
) -> Edges:
    """Edges of the photo along the normals of the kept contour points.

    Parameters
    ----------
    reach_px : float
        How far to look on either side.
    expected_px : float
        Standard deviation of the true edge about the contour, which weighs nearness against strength.
    icing : Surroundings, optional
        Of the icing's contour: among edges those like an icing's count (`qc.edge_weights`), not the strongest.
    """
    profiles = light_across(pixels, contour, keep, reach_px, settings)
    if profiles is None:
        return NO_EDGES
    index, s, slope, noise = profiles.index, profiles.s, profiles.slope, profiles.noise
    if icing is None:
        score = np.where(profiles.core & _peaks(slope), np.log(slope + 1e-9) - 0.5 * (s / expected_px) ** 2, -np.inf)
        at, worth = _best(score, settings.hypotheses)
        least = -np.inf
    else:
        at, worth = _like_icing(profiles, contour, expected_px, icing, settings)
        least = settings.least_worth
    offset, strength, width, chosen = _choose(profiles, at, worth, expected_px, settings)
    ok = (strength > settings.noise_factor * noise) & (chosen > least)
    sigma = np.hypot(0.25 * width * np.sqrt(noise / np.maximum(strength, 1e-9)), 0.10)
    points = contour.points_px[index] + offset[:, None] * contour.normals[index]
    sure = np.ones(len(index)) if icing is None else expit(chosen)
    return Edges(index[ok], points[ok], sigma[ok], strength[ok], sure[ok])


def light_across(
    pixels: NDArray[np.uint8], contour: Contour, keep: NDArray[np.bool_], reach_px: float, settings: EdgeSettings
) -> Profiles | None:
    """Light and its slope along the normals of those kept points whose normals lie in the photo; None without any."""
    index = _within(pixels, contour, keep, reach_px)
    if len(index) == 0:
        return None
    pad = 3 * settings.blur_px
    wide = max(reach_px, settings.quiet_px)  # noise is judged where the edge itself does not reach
    s = np.arange(-wide - pad, wide + pad + 1e-6, settings.step_px)
    light = _profiles(pixels, contour, index, s)
    slope = _slope(light, settings)
    noise = float(np.percentile(slope[:, np.abs(s) <= wide], 25)) + 1e-6
    return Profiles(index, s, light, slope, np.abs(s) <= reach_px + 1e-6, noise)


def _best(score: Array, count: int) -> tuple[NDArray[np.int64], Array]:
    """The samples (N, count) with the highest scores, and these."""
    at = np.argpartition(-score, count - 1, axis=1)[:, :count] if count > 1 else score.argmax(1)[:, None]
    return at, np.maximum(np.take_along_axis(score, at, 1), WORTHLESS)


def _like_icing(
    profiles: Profiles, contour: Contour, expected_px: float, icing: Surroundings, settings: EdgeSettings
) -> tuple[NDArray[np.int64], Array]:
    """The strongest edges (N, COUNT) of each profile, and the log odds that they are the icing's against none."""
    at, words = weighed(profiles, contour, expected_px, icing, settings)
    return np.maximum(at, 0), np.where(at >= 0, LEARNT.log_odds(words), WORTHLESS)


def weighed(
    profiles: Profiles, contour: Contour, expected_px: float, icing: Surroundings, settings: EdgeSettings
) -> tuple[NDArray[np.int64], Array]:
    """The strongest edges (N, COUNT) of each profile, -1 where there are fewer, and what is said of them."""
    away = np.abs(profiles.s - icing.board_px[profiles.index, None])
    at = candidates(profiles, _peaks(profiles.slope) & (away > settings.board_px))
    return at, say(profiles, at, contour, expected_px, icing)


def _within(pixels: NDArray[np.uint8], contour: Contour, keep: NDArray[np.bool_], reach_px: float) -> NDArray[np.int64]:
    """Which kept points have their whole profile in the photo."""
    return np.nonzero(keep & inside_photo(contour.points_px, (pixels.shape[1], pixels.shape[0]), reach_px + 4))[0]


def _profiles(pixels: NDArray[np.uint8], contour: Contour, index: NDArray[np.int64], s: Array) -> NDArray[np.float32]:
    """Linear light (N, S, 3) along the normals of some points, at distances s (S,) outwards."""
    return linear_samples(pixels, contour.points_px[index, None] + s[:, None] * contour.normals[index, None])


def _highest_before(rows: Array, count: int) -> Array:
    """Highest of each value and the `count` before it, along rows (N, S)."""
    return np.asarray(cv2.dilate(rows, np.ones((1, count + 1), np.uint8), anchor=(count, 0)), np.float64)


def edges_along(
    pixels: NDArray[np.uint8], contour: Contour, reach_px: float, zoom: float, count: int, settings: EdgeSettings
) -> tuple[Array, Array]:
    """Offsets (N, count) and strengths (N, count; 0: none) of the strongest edges along a contour's normals.

    A rough look: reach, sampling and blur are meant per 2016 px of width and grow with `zoom`.
    """
    n = len(contour.points_px)
    if n == 0:
        return np.zeros((0, count)), np.zeros((0, count))
    rough = replace(settings, step_px=1.4 * settings.step_px * zoom, blur_px=settings.blur_px * zoom)
    pad = reach_px * zoom + 3 * rough.blur_px
    s = np.arange(-pad, pad, rough.step_px)
    places = contour.points_px[:, None] + s[:, None] * contour.normals[:, None]
    slope = _slope(linear_samples(pixels, places), rough)
    h, w = pixels.shape[:2]
    x, y = places[..., 0], places[..., 1]
    slope[(x < 2) | (y < 2) | (x > w - 3) | (y > h - 3)] = 0
    core = np.abs(s) <= reach_px * zoom
    noise = float(np.percentile(slope[:, core], 25)) + 1e-6
    high = np.where(_peaks(slope) & core & (slope > rough.noise_factor * noise), slope, 0.0)
    k = np.argpartition(-high, count, axis=1)[:, :count]
    return s[k], np.take_along_axis(high, k, 1)


def _peaks(slope: Array) -> NDArray[np.bool_]:
    """Where profiles (N, S) have a local maximum."""
    peak = np.zeros(slope.shape, bool)
    peak[:, 1:-1] = (slope[:, 1:-1] >= slope[:, :-2]) & (slope[:, 1:-1] > slope[:, 2:])
    return peak


def _slope(light: NDArray[np.float32], settings: EdgeSettings) -> Array:
    """Size of the smoothed derivative (N, S) over the three channels of profiles (N, S, 3)."""
    half = int(np.ceil(3 * settings.blur_px / settings.step_px))
    x = np.arange(-half, half + 1) * settings.step_px
    kernel = -x * np.exp(-0.5 * (x / settings.blur_px) ** 2)
    kernel = (kernel / np.abs(kernel * x).sum()).astype(np.float32)
    n, size, _ = light.shape
    rows = np.ascontiguousarray(light.transpose(0, 2, 1)).reshape(n * 3, size)
    d = cv2.filter2D(rows, -1, -kernel[None, :], borderType=cv2.BORDER_REPLICATE)
    return np.linalg.norm(d.reshape(n, 3, size), axis=1)


def _choose(
    profiles: Profiles, at: NDArray[np.int64], worth: Array, expected_px: float, settings: EdgeSettings
) -> tuple[Array, Array, Array, Array]:
    """Sub-pixel offset, strength, width and worth of each profile's likeliest edge, among candidates (N, K) of some
    worth (N, K): one that is no jump away from its neighbours' edges.
    """
    s, slope, rows = profiles.s, profiles.slope, np.arange(len(at))
    path = _smoothest(worth, s[at] / (settings.jump * expected_px), profiles.index, settings)
    k = np.clip(at[rows, path], 1, len(s) - 2)
    left, here, right = slope[rows, k - 1], slope[rows, k], slope[rows, k + 1]
    curve = left - 2 * here + right
    shift = np.where(curve < 0, 0.5 * (left - right) / np.where(curve < 0, curve, 1), 0)
    step = s[1] - s[0]
    offset = s[k] + np.clip(shift, -1, 1) * step
    width = step * np.sqrt(np.maximum(here, 1e-9) / np.maximum(-curve, 1e-9))
    strength = np.where(worth[rows, path] > WORTHLESS, here, 0.0)
    return offset, strength, np.minimum(width, 6.0), worth[rows, path]


def _smoothest(worth: Array, place: Array, index: NDArray[np.int64], settings: EdgeSettings) -> NDArray[np.int64]:
    """Which candidate of each profile (N, K) lies on the path of the highest worth with few jumps (N,).

    A jump by 1 in `place` (N, K) or more costs as much as `settings.jump_price`, less where points between were not
    kept. Viterbi's algorithm.
    """
    n, count = worth.shape
    if count == 1 or not settings.jump_price:
        return np.asarray(worth.argmax(1), np.int64)
    step = np.minimum(np.abs(place[1:, :, None] - place[:-1, None, :]), 1.0)  # (N - 1, now, before)
    price = settings.jump_price * step / np.diff(index)[:, None, None]
    came = np.zeros((n, count), np.int64)
    total = worth[0]
    for i in range(1, n):
        gain = total - price[i - 1]
        came[i] = gain.argmax(1)
        total = worth[i] + gain.max(1)
    out = np.zeros(n, np.int64)
    out[-1] = total.argmax()
    for i in range(n - 1, 0, -1):
        out[i - 1] = came[i, out[i]]
    return out
