"""One photo of the top and no card: what needs no scale, by taking the cake's rim as round.

The rim is drawn as an ellipse. The stretch that makes it a circle again (an affine one: the lens is taken to be far
away against the cake's size) makes the top a plan in shares of the cake's radius. Pieces stand on it; they lean
outwards by an unknown amount, so places are good to some hundredths of the radius and no better.
"""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from qc.clock import clock_of
from qc.decoration_regions import Regions, RegionSettings, TopMap, by_colour, find_regions
from qc.errors import OutlineError
from qc.finder import BODY, DECORATION, Finding, find
from qc.pattern import Ring, analyse_ring, robust_circle
from qc.quantities import Measurement

Array = NDArray[np.float64]
SAYS = (
    "Measured without a card: the rim was taken as a round circle, so nothing is in millimetres; "
    "angles are as seen on that circle, lengths are shares of the cake's radius."
)


@dataclass(frozen=True)
class NoCardSettings:
    """Sizes of the plan and limits of the rim."""

    radius_as_mm: float = 80.0  # the rim's radius while pieces are looked for: cakes are about so large
    least_points: int = 40  # outline points of the rim
    walls: int = 24  # directions in which the wall is looked for
    wall_rad: float = 1.25  # half the arc that the wall may take up
    round_price: float = 0.02  # px per px of flattening: of two ellipses that fit, the rounder one
    most_oblique: float = 0.45  # ratio of the rim's axes below which the top is seen too flat
    off_mean: float = 0.025  # standard uncertainty of a place, shares of the radius, seen from straight above
    off_oblique: float = 0.55  # ... and per unit of the rim's flattening: lean, perspective and the wall are unknown
    ring_width: float = 0.13  # shares of the radius by which pieces may stand off their ring


@dataclass(frozen=True)
class Rim:
    """The rim's ellipse in the photo."""

    centre_px: Array  # (2,)
    axes_px: Array  # (2,) half axes
    turn_rad: float  # of the first axis


@dataclass(frozen=True)
class PlanPiece:
    """One piece on the plan: shares of the cake's radius, x to the right, y away from 6 o'clock."""

    x: float
    y: float
    diameter: float
    clock: float
    ring: int


@dataclass(frozen=True)
class NoCardResult:
    """What one photo says without a scale; the measurements' units are "1", "deg" and "%"."""

    pieces: tuple[PlanPiece, ...]
    measurements: tuple[Measurement, ...]
    gaps_deg: tuple[float, ...]
    warnings: tuple[str, ...]


def measure_without_card(
    pixels: NDArray[np.uint8], finding: Finding, settings: NoCardSettings | None = None
) -> NoCardResult:
    """Count the pieces and judge their spacing from one photo of the top, whatever its scale.

    Parameters
    ----------
    pixels : ndarray, shape (H, W, 3), uint8
        Upright RGB photo.
    finding : Finding
        What the network saw in it.

    Raises
    ------
    OutlineError
        No whole, roughly round top is in the photo.
    """
    settings = settings or NoCardSettings()
    rim = find_rim(finding, settings)
    regions = _regions(pixels, finding, rim, settings)
    points = np.array([r.middle_mm for r in regions.pieces]).reshape(-1, 2) / settings.radius_as_mm
    sizes = np.array([2 * np.sqrt(r.area_mm2 / np.pi) for r in regions.pieces]) / settings.radius_as_mm
    order = np.argsort(np.asarray(clock_of(np.arctan2(points[:, 1], points[:, 0])), float))
    points, sizes = points[order], sizes[order]
    ring, members = _ring(points, settings)
    hours = np.asarray(clock_of(np.arctan2(points[:, 1], points[:, 0])), float)
    pieces = tuple(
        PlanPiece(float(p[0]), float(p[1]), float(d), float(h), int(m))
        for p, d, h, m in zip(points, sizes, hours, members, strict=True)
    )
    u = settings.off_mean + settings.off_oblique * (1 - float(rim.axes_px.min() / rim.axes_px.max()))
    gaps = tuple(float(g) for g in ring.gaps_deg) if ring else ()
    return NoCardResult(pieces, tuple(_rows(len(points), ring, hours, u)), gaps, _warnings(len(points), ring))


def find_rim(finding: Finding, settings: NoCardSettings) -> Rim:
    """Ellipse of the top's rim.

    A cake seen a little from one side shows its wall there: on that side its outline is the foot's, on the others the
    rim's. Which side it is is tried out all round: the ellipse through the other three fifths of the outline must fit
    them best and may not reach beyond the cake.
    """
    cake = np.isin(finding.net_labels(), (BODY, DECORATION)) & finding.inside()
    contours, _ = cv2.findContours(cake.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    if not contours:
        raise OutlineError("No cake was seen in the photo: take it from above with the whole cake in the frame.")
    outline = max(contours, key=cv2.contourArea)[:, 0].astype(float)
    if len(outline) < settings.least_points:
        raise OutlineError("Too little of the cake's rim is in the photo: bring the whole cake into the frame.")
    best = _best_ellipse(outline, finding.net_labels() == BODY, settings)
    if best is None:
        raise OutlineError("The top is seen too flat to judge its pattern: take the photo from higher above the cake.")
    (x, y), (a, b), turn = best
    centre = finding.to_photo(np.array([[x, y]]))[0]
    return Rim(centre, np.array([a, b]) / 2 / finding.scale_px, float(np.radians(turn)))


Ellipse = tuple[tuple[float, float], tuple[float, float], float]


def _best_ellipse(outline: Array, body: NDArray[np.bool_], settings: NoCardSettings) -> Ellipse | None:
    """The rim among the ellipses through the outline without one side of it."""
    at = np.clip(outline.astype(int), 0, np.array(body.shape[::-1]) - 1)
    bare = cv2.dilate(body.astype(np.uint8), np.ones((3, 3), np.uint8))[at[:, 1], at[:, 0]] > 0  # no piece juts out
    hull = cv2.minEnclosingCircle(outline.astype(np.float32))
    angle = np.arctan2(*(outline - hull[0]).T[::-1])
    best, best_cost = None, np.inf
    for wall in np.linspace(0, 2 * np.pi, settings.walls, endpoint=False):
        free = np.abs((angle - wall + np.pi) % (2 * np.pi) - np.pi) > settings.wall_rad
        if (free & bare).sum() < settings.least_points // 2:
            continue
        ellipse = _robust_ellipse(outline[free & bare])
        (_, _), (a, b), _ = ellipse
        if not 0 < settings.most_oblique * max(a, b) <= min(a, b):
            continue
        off = _beyond(ellipse, outline)
        cost = float(np.median(np.abs(off[free & bare]))) + float(np.maximum(-off[~free], 0).mean())
        cost += settings.round_price * (1 - min(a, b) / max(a, b)) * max(a, b)
        if cost < best_cost:
            best, best_cost = ellipse, cost
    return best


def _beyond(ellipse: Ellipse, points: Array) -> Array:
    """Roughly how far (N,) points lie outside an ellipse, in its pixels."""
    (x, y), (a, b), turn = ellipse
    c, s = np.cos(np.radians(turn)), np.sin(np.radians(turn))
    d = points - [x, y]
    u = np.hypot((d[:, 0] * c + d[:, 1] * s) / (a / 2), (-d[:, 0] * s + d[:, 1] * c) / (b / 2))
    return np.asarray((u - 1) / np.maximum(u, 1e-9) * np.hypot(*d.T), float)


def _robust_ellipse(points: Array, rounds: int = 5) -> Ellipse:
    """Direct ellipse fit (Fitzgibbon, Pilu, Fisher 1999, as in OpenCV), points far off left out again and again."""
    ellipse = _fit_ellipse(points)
    for _ in range(rounds):
        off = np.abs(_beyond(ellipse, points))
        near = off < max(1.5, 2.5 * 1.4826 * float(np.median(off)))
        if near.sum() < 12:
            break
        ellipse = _fit_ellipse(points[near])
    return ellipse


def _fit_ellipse(points: Array) -> Ellipse:
    (x, y), (a, b), turn = cv2.fitEllipseDirect(points.astype(np.float32))
    return (float(x), float(y)), (float(a), float(b)), float(turn)


def _regions(pixels: NDArray[np.uint8], finding: Finding, rim: Rim, settings: NoCardSettings) -> Regions:
    """Pieces on the plan, in shares of the radius times `radius_as_mm`."""
    regions = RegionSettings()
    reach = 1.25
    n = int(2 * reach * settings.radius_as_mm * regions.px_per_mm) + 1
    g = np.arange(n) / (settings.radius_as_mm * regions.px_per_mm)
    x, y = np.meshgrid(g - reach, reach - g)
    photo_px = _to_photo(np.stack([x, y], -1), rim).astype(np.float32)
    low = np.maximum(np.floor(photo_px.min((0, 1))), 0).astype(int)
    high = np.minimum(np.ceil(photo_px.max((0, 1))), [pixels.shape[1], pixels.shape[0]]).astype(int)
    near = find(np.ascontiguousarray(pixels[low[1] : high[1], low[0] : high[0]]))
    layers = []
    for seen, start in ((near, low), (finding, np.zeros(2))):
        q = ((photo_px - start) * seen.scale_px + seen.offset_px).astype(np.float32)
        layers.append(cv2.remap(seen.probabilities[DECORATION], q[..., 0], q[..., 1], cv2.INTER_LINEAR))
    share = regions.far_share
    probability = np.asarray((1 - share) * layers[0] + share * layers[1], np.float32)
    colour = np.asarray(cv2.remap(pixels, photo_px[..., 0], photo_px[..., 1], cv2.INTER_AREA), np.uint8)
    probability = by_colour(probability, colour, np.hypot(x, y) < 0.95, regions)
    probability[np.hypot(x, y) > 1.2] = 0.0
    return find_regions(TopMap(probability, regions.px_per_mm, reach * settings.radius_as_mm), regions)


def _to_photo(plan: Array, rim: Rim) -> Array:
    """Photo pixels (..., 2) of plan places: the affine map that makes the ellipse of the unit circle, unturned."""
    c, s = np.cos(rim.turn_rad), np.sin(rim.turn_rad)
    axes = np.array([[c, -s], [s, c]])
    stretch = axes @ np.diag(rim.axes_px) @ axes.T
    return rim.centre_px + (plan * [1, -1]) @ stretch.T


def _ring(points: Array, settings: NoCardSettings) -> tuple[Ring | None, NDArray[np.int64]]:
    member = np.zeros(len(points), np.int64)
    free = np.nonzero(np.hypot(points[:, 0], points[:, 1]) > 0.12)[0] if len(points) else np.zeros(0, np.int64)
    found = robust_circle(points[free], settings.ring_width, 0.25) if len(free) >= 3 else None
    if found is None or found[1].sum() < 3:
        return None, member
    member[free[found[1]]] = 1
    return analyse_ring(points, np.nonzero(member)[0]), member


def _rows(count: int, ring: Ring | None, hours: Array, u: float) -> list[Measurement]:
    """All rows; u is the standard uncertainty of a place against the rim, in shares of the radius."""
    top = ("top",)
    rows = [Measurement("decoration_count", float(count), 0.0, "1", top)]
    if ring is None:
        return rows
    n = len(ring.members)
    circle = ring.circle
    angle = float(2 * np.sqrt(2) * np.degrees(0.6 * u / circle.radius_mm))  # of a gap, k = 2; neighbours share much
    rows.append(Measurement("decoration_missing", float(ring.missing), 0.0, "1", top))
    rows.append(Measurement("spacing_error", ring.spacing_error_deg, angle, "deg", top))
    for name, share, sd in (
        ("ring_radius", circle.radius_mm, 0.5 * u),
        ("ring_scatter", ring.scatter_mm, u / 2),
        ("ring_offset", float(np.hypot(circle.x_mm, circle.y_mm)), 1.6 * u),
    ):
        note = "share of the cake's radius"
        low = (max(100 * (share - 2 * sd), 0.0), 100 * (share + 2 * sd))
        rows.append(Measurement(name, 100 * share, 200 * sd, "%", top, note, interval=low))
    for k, gap in enumerate(ring.gaps_deg):
        a, b = ring.members[k], ring.members[(k + 1) % n]
        middle = float(np.mod(hours[a] - np.mod(hours[a] - hours[b], 12) / 2, 12)) or 12.0
        note = f"gap of {int(ring.gap_places[k])} places"
        rows.append(Measurement("gap", float(gap), angle, "deg", top, note, clock=middle))
    return rows


def _warnings(count: int, ring: Ring | None) -> tuple[str, ...]:
    out = [SAYS]
    if count == 0:
        out.append("No decorations were seen on the top.")
    elif ring is None:
        out.append("The decorations form no ring (fewer than three on one circle): spacing is left out.")
    return tuple(out)
