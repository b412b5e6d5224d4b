"""The cake's silhouette in a side photo, to a fraction of a pixel, about a line that is known (`qc.outline_strip`).

A strip of the photo is laid along that line (a row for each of its points, columns across it, in linear light). The
edge is first followed as the cheapest path through the strip, then placed in every row by matching the row to the mean
profile of its neighbours (least squares on the derivative of that profile, as in image registration), so that the blur,
sharpening and contrast of the photo cancel. Neighbours are rows that have the same before and behind the edge: those
above and below the place where the rim of the board runs behind the cake don't. Where the neighbours' mean profile
itself lies is the place half-way between its two plateaus.

Pixel coordinates: the centre of the top-left pixel is (0, 0).
"""

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d, maximum_filter1d
from scipy.spatial.distance import cdist

from qc.body import Body
from qc.camera import View

Array = NDArray[Any]

_CODE = np.arange(256) / 255
LINEAR: NDArray[Any] = np.where(_CODE <= 0.04045, _CODE / 12.92, ((_CODE + 0.055) / 1.055) ** 2.4).astype(
    np.float32
)  # IEC 61966-2-1: sRGB code value to linear light


CHROMA_FLOOR = 0.3  # share of the mean noise added to each channel: JPEG's colour blocks are no independent noise


@dataclass(frozen=True)
class EdgeSettings:
    """How the edge is looked for."""

    step_px: float = 0.25  # spacing of the strip's columns
    reach_mm: float = 1.2  # how far the edge may be from the line that is followed
    least_reach_px: float = 9.0  # plateaus of a blurred edge need this much room
    blur_px: float = 1.2  # derivative filter across the edge: the blur of a phone's photo
    prior_mm: float = 0.4  # standard deviation of the edge about that line
    prior_weight: float = 0.15  # of the prior against the edge's strength (0..1)
    turn_price: float = 0.3  # of the steepest slope of the path, in a row
    steepest: float = 1.0  # largest slope of the edge against the body's outline (mm per mm)
    neighbours_mm: float = 3.0  # rows that share one mean profile (standard deviation) ...
    alike: float = 0.25  # ... as far as what is before and behind the edge differs by this share of its step at most
    alike_noise: float = 2.0  # ... or by this much noise (rendered cakes)
    plateau_mm: float = 0.3  # rows over which that is averaged (standard deviation)
    outermost: float = 0.2  # weight of change that lies further out, against an edge's strength
    beyond_mm: float = 0.5  # how much further out, to three times this
    beyond_noise: float = 0.8  # change per pixel in units of noise that counts half
    window_px: float = 3.0  # half width of the matching window
    weak: float = 3.0  # contrast in units of noise under which an edge is not trusted
    least_round_mm: float = 5.0  # the strip turns the corner at least this gently, or its rows would cross
    far_rim_rad: float = 0.7  # how far behind the widest place the rim is followed


@dataclass(frozen=True)
class Strip:
    """A part of a photo resampled along an expected curve, in linear light."""

    light: NDArray[Any]  # (n, m, 3) linear light in units of its noise
    offset_px: Array  # (m,) place across the curve, outwards positive
    curve_px: Array  # (n, 2)
    normal_px: Array  # (n, 2) unit, outwards
    px_per_mm: float  # at the cake

    @property
    def row_mm(self) -> float:
        """Spacing of the rows."""
        return float(np.linalg.norm(self.curve_px[1] - self.curve_px[0]) / self.px_per_mm)

    def points_px(self, edge_px: Array) -> Array:
        """Photo pixels (n, 2) of one offset per row."""
        return self.curve_px + edge_px[:, None] * self.normal_px


@dataclass(frozen=True)
class Edge:
    """Where the silhouette runs in a strip."""

    edge_px: Array  # (n,) offset per row
    sigma_px: Array  # (n,) standard uncertainty of each row's place, from how well it matches its neighbours
    contrast: Array  # (n,) step across the edge in units of the strip's noise
    good: NDArray[np.bool_]  # (n,)


@dataclass(frozen=True)
class Outline:
    """The silhouette that a camera should see of a body: up the side, over the rounding, along the far rim."""

    points_mm: Array  # (n, 3) where the lines of sight graze the body
    rise_rad: Array  # (n,) how far the body's normal rises above the horizontal there


def graze_outline(view: View, body: Body, left: bool, settings: EdgeSettings) -> Outline:
    """Points of a body that lines of sight graze, evenly spaced, with a rounding wide enough for a strip to follow.

    A ray touches a surface of revolution where |eye| cos(theta - theta_eye) = rho + tan(rise) (z - z_eye): the normal
    stands square to the ray.
    """
    eye, round_mm = view.eye_mm, max(body.edge_mm, settings.least_round_mm)
    round_mm = min(round_mm, 0.3 * body.height_mm)
    rise = np.concatenate([np.zeros(400), np.linspace(0, 1.4, 160)[1:]])
    low, theta, top = 0.02 * body.height_mm, np.zeros(len(rise)), np.full(len(rise), body.height_mm)
    for _ in range(4):
        z = np.linspace(low, top[0] - round_mm, 400)
        z = np.concatenate([z, top[400:] - round_mm * (1 - np.sin(rise[400:]))])
        centre = body.centre_mm(z)
        rho = body.side_radius_mm(theta, np.minimum(z, body.height_mm)) - round_mm * (1 - np.cos(rise))
        away, to_eye = eye[:2] - centre, np.arctan2(eye[1] - centre[:, 1], eye[0] - centre[:, 0])
        share = (rho + np.tan(rise) * (z - eye[2])) / np.hypot(away[:, 0], away[:, 1])
        theta = to_eye + (-1 if left else 1) * np.arccos(np.clip(share, -1, 1))
        x, y = centre[:, 0] + rho * np.cos(theta), centre[:, 1] + rho * np.sin(theta)
        top = body.top_z_mm(x, y)
    keep = (share > -np.sin(settings.far_rim_rad)) & (np.abs(share) < 1)
    keep = np.cumprod(keep).astype(bool)
    return Outline(np.stack([x, y, z], -1)[keep], rise[keep])


def linear_crop(pixels: NDArray[np.uint8], points_px: Array, margin: int = 4) -> tuple[NDArray[Any], Array]:
    """The part of a photo round some points in linear light, and its first pixel (x, y)."""
    x, y = points_px[..., 0], points_px[..., 1]
    low = np.maximum(np.floor([x.min(), y.min()]).astype(int) - margin, 0)
    high = np.minimum(np.ceil([x.max(), y.max()]).astype(int) + margin + 1, [pixels.shape[1], pixels.shape[0]])
    high = np.maximum(high, low + 1)
    part = np.ascontiguousarray(pixels[low[1] : high[1], low[0] : high[0]])
    return cv2.LUT(part, LINEAR), low.astype(float)


def strip_along(
    pixels: NDArray[np.uint8], curve_px: Array, normal_px: Array, px_per_mm: float, settings: EdgeSettings
) -> Strip:
    """Strip of a photo along a line (n, 2) with unit normals (n, 2), about which an edge runs."""
    half = int(np.ceil(max(settings.reach_mm * px_per_mm, settings.least_reach_px) / settings.step_px))
    offset = np.arange(-half, half + 1) * settings.step_px
    at = curve_px[:, None] + offset[None, :, None] * normal_px[:, None]
    light, low = linear_crop(pixels, at)
    at = (at - low).astype(np.float32)
    strip = cv2.remap(light, at[..., 0], at[..., 1], cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
    return Strip(_whitened(np.asarray(strip, np.float32)), offset, curve_px, normal_px, px_per_mm)


def _whitened(light: NDArray[Any]) -> NDArray[Any]:
    """A strip (n, m, 3) in units of its noise, the channels' common noise taken out.

    The noise is what second differences along the rows leave; they ignore what is smooth along the edge.
    """
    second = (light[2:] - 2 * light[1:-1] + light[:-2]).reshape(-1, 3) / np.sqrt(6)
    size = np.sqrt(np.einsum("ij,ij->i", second, second))
    calm = second[size < 3 * np.median(size)]
    covariance = calm.T @ calm / len(calm) + 4e-8 * np.eye(3)
    covariance += CHROMA_FLOOR * np.trace(covariance) / 3 * np.eye(3)
    return light @ np.linalg.inv(np.linalg.cholesky(covariance)).T.astype(np.float32)


def trace(strip: Strip, settings: EdgeSettings) -> NDArray[np.int64]:
    """Column of the edge in every row: the path of strongest change, smooth and near the expected outline."""
    mm_per_row, px_per_mm = strip.row_mm, strip.px_per_mm
    sigma = settings.blur_px / settings.step_px
    slopes = _filtered(strip.light, _bell(0.35 / mm_per_row), _bell(sigma, slope=True))
    change = np.sqrt(cv2.transform(slopes * slopes, np.ones((1, 3), np.float32)))
    strength = change / (change + np.quantile(change.max(1), 0.2) * 0.5 + 0.3 * settings.step_px)
    strength -= settings.outermost * _change_beyond(change, strip, settings)
    strength[:, :3] = strength[:, -3:] = -2.0
    reach = max(1, int(np.ceil(settings.steepest * mm_per_row * px_per_mm / settings.step_px)))
    offset_mm = strip.offset_px / px_per_mm
    rest = np.repeat((offset_mm[None, :] / settings.prior_mm) ** 2, len(strength), 0)
    return cheapest(settings.prior_weight * rest - strength, reach, settings.turn_price)


def _bell(sigma: float, slope: bool = False) -> Array:
    """Gaussian weights out to four standard deviations, or their derivative."""
    x = np.arange(-int(4 * sigma + 0.5), int(4 * sigma + 0.5) + 1)
    weight = np.exp(-0.5 * (x / sigma) ** 2)
    weight /= weight.sum()
    return np.asarray(weight * x / sigma**2 if slope else weight)


def _filtered(strip: NDArray[Any], down: Array, across: Array) -> NDArray[Any]:
    """A strip (n, m, 3) correlated with weights down its columns and along its rows; mirrored at its ends."""
    return np.asarray(cv2.sepFilter2D(strip, -1, across, down, borderType=cv2.BORDER_REFLECT))


def _change_beyond(change: NDArray[Any], strip: Strip, settings: EdgeSettings) -> Array:
    """Whether (n, m), 0..1, the picture still changes a little further out: what is behind the cake is smooth."""
    near, far = (int(mm * strip.px_per_mm / settings.step_px) for mm in (settings.beyond_mm, 3 * settings.beyond_mm))
    wide = far - near + 1
    most = maximum_filter1d(change, wide, axis=1, mode="constant")
    shift = near + wide // 2
    beyond = np.zeros_like(change)
    beyond[:, :-shift] = most[:, shift:]
    floor = settings.beyond_noise * settings.step_px
    return beyond**2 / (beyond**2 + floor**2)


def cheapest(cost: Array, reach: int, turn_price: float) -> NDArray[np.int64]:
    """Column of the cheapest path from the first row to the last that moves by at most `reach` columns a row."""
    price = turn_price * (np.arange(-reach, reach + 1)[:, None] / reach) ** 2
    n, m = cost.shape
    back, column = np.empty((n, m), np.int64), np.arange(m)
    padded = np.full(m + 2 * reach, np.inf)
    total = padded[reach : reach + m]  # a view
    total[:] = cost[0]
    from_where = np.lib.stride_tricks.sliding_window_view(padded, m)  # (2 reach + 1, m), by shift
    for i in range(1, n):
        ways = from_where + price
        back[i] = best = ways.argmin(0)
        total[:] = cost[i] + ways[best, column]
    path = np.empty(n, np.int64)
    path[-1] = int(total.argmin())
    for i in range(n - 1, 0, -1):
        path[i - 1] = path[i] + back[i, path[i]] - reach
    return path


def _aligned(strip: Strip, edge_px: Array, across_px: Array) -> NDArray[Any]:
    """Rows (n, k, 3) shifted so that the edge lies at 0."""
    col = (edge_px[:, None] + across_px[None, :] - strip.offset_px[0]) / (strip.offset_px[1] - strip.offset_px[0])
    row = np.repeat(np.arange(len(edge_px), dtype=np.float32)[:, None], len(across_px), 1)
    return np.asarray(
        cv2.remap(strip.light, col.astype(np.float32), row, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    )


def refine(strip: Strip, path: NDArray[np.int64], settings: EdgeSettings) -> Edge:
    """Place the edge in every row by matching it to its neighbours' mean profile."""
    edge = strip.offset_px[path].astype(float)
    edge = gaussian_filter1d(edge, 0.5)
    across = np.arange(-settings.window_px - 1.5, settings.window_px + 1.5 + 1e-9, settings.step_px)
    core = np.abs(across) <= settings.window_px
    neighbours = _neighbours(_aligned(strip, edge, across), strip.row_mm, settings)
    mean: NDArray[Any] = np.empty(0)
    for _ in range(4):
        rows = _aligned(strip, edge, across)
        flat = rows.reshape(len(edge), -1)
        mean = np.concatenate([weight @ flat[near] for near, weight in neighbours]).reshape(rows.shape)
        slope = np.gradient(mean, settings.step_px, axis=1)
        inner = mean - mean[:, -5:].mean(1, keepdims=True)
        outer = mean - mean[:, :5].mean(1, keepdims=True)
        basis = np.stack([x[:, core].reshape(len(edge), -1) for x in (slope, inner, outer)], -1)
        rest = (rows - mean)[:, core].reshape(len(edge), -1)
        normal = basis.transpose(0, 2, 1) @ basis
        normal += np.eye(3) * (1e-6 * np.trace(normal, axis1=1, axis2=2)[:, None, None] + 1e-12)
        answer = np.linalg.solve(normal, (rest[:, None] @ basis).transpose(0, 2, 1))[..., 0]
        shift = answer[:, 0]
        edge = edge - np.clip(shift, -0.6, 0.6)
        edge = np.clip(edge, strip.offset_px[0] + 1, strip.offset_px[-1] - 1)
    left = ((rest - (basis @ answer[..., None])[..., 0]) ** 2).mean(1)
    freedom = 2 * settings.window_px * 3 / 4  # a noise value every pixel or so, in three half-independent channels
    sigma = np.sqrt((left + 1) * np.linalg.inv(normal)[:, 0, 0] * basis.shape[1] / freedom)
    step = mean[:, :5].mean(1) - mean[:, -5:].mean(1)
    contrast = np.linalg.norm(step, axis=1)
    edge = edge + _half_way(mean, across)
    near_end = (edge < strip.offset_px[0] + 3) | (edge > strip.offset_px[-1] - 3)
    return Edge(edge, sigma, contrast, (contrast > settings.weak) & ~near_end)


def _neighbours(rows: NDArray[Any], row_mm: float, settings: EdgeSettings) -> list[tuple[slice, NDArray[Any]]]:
    """Which rows (n, k, 3) share a mean profile: for one block of them after the other, the rows near it and weights.

    Near counts, and the same before and behind the edge: where the rim of the board or a shelf runs behind the cake,
    rows above and below have little in common, and a glaze mirrors that rim on the cake as well. Bilateral weights:
    Tomasi and Manduchi, ICCV 1998, section 2.
    """
    at = np.arange(len(rows)) * row_mm / settings.neighbours_mm
    plateaus = np.concatenate([rows[:, :5].mean(1), rows[:, -5:].mean(1)], 1)
    plateaus = gaussian_filter1d(plateaus, settings.plateau_mm / row_mm, axis=0)
    step = np.linalg.norm(plateaus[:, :3] - plateaus[:, 3:], axis=1)
    borne = np.hypot(settings.alike * step, settings.alike_noise)
    reach = int(np.ceil(3 * settings.neighbours_mm / row_mm))
    out = []
    for first in range(0, len(rows), reach):
        block, near = slice(first, first + reach), slice(max(0, first - reach), first + 2 * reach)
        apart = cdist(plateaus[block], plateaus[near], "sqeuclidean") / (borne[block, None] * borne[near])
        weight = np.exp(-0.5 * ((at[block, None] - at[near]) ** 2 + apart).astype(np.float32))
        out.append((near, weight / weight.sum(1, keepdims=True)))
    return out


def _half_way(mean: NDArray[Any], across: Array) -> Array:
    """Where (n,) each mean profile (n, k, 3) crosses half-way between its plateaus, nearest to 0."""
    low, high = mean[:, -5:].mean(1), mean[:, :5].mean(1)
    step = high - low
    level = ((mean - low[:, None]) * step[:, None]).sum(-1) / np.maximum((step**2).sum(-1), 1e-12)[:, None] - 0.5
    crosses = (level[:, :-1] > 0) & (level[:, 1:] <= 0)
    x = across[:-1] + (across[1] - across[0]) * level[:, :-1] / np.where(crosses, level[:, :-1] - level[:, 1:], 1)
    away = np.where(crosses, np.abs(x), np.inf)
    pick = away.argmin(1)
    found = np.isfinite(away[np.arange(len(x)), pick])
    return np.where(found, np.clip(x[np.arange(len(x)), pick], -1.5, 1.5), 0.0)
