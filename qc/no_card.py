"""One photo of the top and no card: what needs no scale, by taking the cake as a round, upright cylinder.

The cake's outline in the photo is that of a cylinder: its rim, its foot and the two tangents between them. Fitting
that outline gives the camera's tilt, the cake's place and its height, all in shares of the cake's radius; only the
size of everything stays unknown. From there on pieces are found and judged as with a card.
"""

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from qc.body import HARMONICS, PROFILE_KNOTS, Body
from qc.camera import FULL_FRAME_DIAGONAL_MM, Lens, View
from qc.decorations import DecorationResult, find_decorations
from qc.errors import OutlineError
from qc.finder import BODY, DECORATION, Finding
from qc.pattern import Ring
from qc.quantities import Decoration, Measurement

Array = NDArray[np.float64]
SAYS = (
    "Measured without a card: the rim was taken as a round circle, so nothing is in millimetres; "
    "angles are as seen on that circle, lengths are shares of the cake's radius."
)


@dataclass(frozen=True)
class NoCardSettings:
    """What is assumed about camera and cake, and what that leaves unsure."""

    radius_as_mm: float = 80.0  # the cake's radius while pieces are looked for: cakes are about so large
    focal_35mm: tuple[float, ...] = (26.0, 52.0)  # usual main and tele lens of a phone; the better fit counts
    tilt: tuple[float, float] = (0.0, -0.2)  # expected tangents of the camera's tilt to the side and towards 6 o'clock
    starts: tuple[tuple[float, float], ...] = ((0.0, -0.2), (0.3, -0.2), (-0.3, -0.2), (0.0, -0.45), (0.0, 0.1))
    tilt_sd: float = 0.2
    height: float = 0.85  # expected height in radii
    height_log_sd: float = 0.3
    outline_px: float = 1.8  # network pixels: standard uncertainty of the outline
    least_points: int = 40  # of the outline
    off_mean: float = 0.012  # standard uncertainty of the rim's place in radii, where the fit is as good as the network
    off_fit: float = 0.032  # ... and for each unit of the outline's misfit (rms in standard uncertainties)
    least_elevation: float = 0.5  # sine of the angle over the top below which it is seen too flat
    odd_outline: float = 2.0  # misfit from which the outline is hardly that of a round cake
    directions: int = 96
    odd_offset: float = 0.08  # radii by which hands hardly set a ring off centre
    ring_sd: float = 0.05  # radii: how far pieces stand from a circle about the cake's axis, by hand


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
        No whole, roughly round cake is in the photo.
    """
    settings = settings or NoCardSettings()
    cake, found = _look(pixels, finding, settings, None)
    if found.rings and _off_centre(found) > settings.odd_offset * settings.radius_as_mm:
        # hands set rings nearly round and in the middle: where the outline left the tilt open, the ring tells it
        members = [found.pieces[i] for i in found.rings[0].members]
        feet = np.array([[d.x_mm, d.y_mm, cake.body.height_mm] for d in members])
        cake, found = _look(pixels, finding, settings, cake.view.project(feet))
    radius = settings.radius_as_mm
    pieces = tuple(
        PlanPiece(d.x_mm / radius, d.y_mm / radius, d.diameter_mm / radius, d.clock, d.ring) for d in found.pieces
    )
    ring = found.rings[0] if found.rings else None
    odd = cake.misfit > settings.odd_outline
    gaps = tuple(float(g) for g in ring.gaps_deg) if ring and not odd else ()
    rows = _rows(found, settings.off_mean + settings.off_fit * cake.misfit, settings)
    if odd:
        rows = [replace(m, uncertainty=max(m.uncertainty, 1.0)) for m in rows[:2]]
    return NoCardResult(pieces, tuple(rows), gaps, _warnings(len(pieces), ring, odd))


def _look(
    pixels: NDArray[np.uint8], finding: Finding, settings: NoCardSettings, ring_px: Array | None
) -> tuple["Cylinder", DecorationResult]:
    """The cake as a cylinder, and the pieces on it."""
    cake = fit_cylinder(finding, settings, ring_px)
    towards = cake.view.eye_mm - [0, 0, cake.body.height_mm]
    if towards[2] < settings.least_elevation * np.linalg.norm(towards):
        raise OutlineError("The top is seen too flat to judge its pattern: take the photo from higher above the cake.")
    return cake, find_decorations(pixels, cake.view, cake.body, finding)


def _off_centre(found: DecorationResult) -> float:
    circle = found.rings[0].circle
    return float(np.hypot(circle.x_mm, circle.y_mm))


@dataclass(frozen=True)
class Cylinder:
    """The cake as a cylinder of radius `radius_as_mm`, and the camera, as the outline says."""

    view: View
    body: Body
    misfit: float  # rms of the outline in standard uncertainties


def fit_cylinder(finding: Finding, settings: NoCardSettings, ring_px: Array | None = None) -> Cylinder:
    """Camera and cake from the cake's outline, and from a ring's feet (N, 2) in the photo where they are given.

    Where decorations reach over the rim the outline says nothing and is left out.

    Raises
    ------
    OutlineError
        No cake, or too little of its outline.
    """
    seen = _outline(finding, settings)
    best = None
    for focal in settings.focal_35mm:
        lens = _lens(finding, focal)
        for tilt in settings.starts:
            x = _start(seen, lens, np.array(tilt), settings)
            fit = least_squares(
                lambda v, lens=lens: _misfit(v, lens, seen, settings, ring_px),
                x,
                jac=lambda v, lens=lens: _slopes(v, lens, seen, settings, ring_px),
                loss="soft_l1",
                x_scale=_STEPS,
                max_nfev=30,
            )
            if best is None or fit.cost < best[0]:
                best = (float(fit.cost), fit.x, lens)
    assert best is not None
    rotation, top, height = _pose(best[1], best[2])
    scale = settings.radius_as_mm
    view = View(best[2], rotation, scale * (top - height * rotation[:, 2]), *finding.photo_size_px)
    zero = np.zeros
    shape = (zero((len(HARMONICS), 2)), zero(len(PROFILE_KNOTS)))
    body = Body(scale, scale * height, 0.0, zero(2), zero(2), 0.0, 0.05 * scale, *shape)
    return Cylinder(view, body, float(np.sqrt(2 * best[0] / max(seen.bare.sum(), 1))))


@dataclass(frozen=True)
class _Seen:
    """The cake's outline about its middle: distance (J,) at even directions, and where the icing itself bounds it."""

    middle_px: Array
    direction: Array  # (J, 2)
    radius_px: Array
    bare: NDArray[np.bool_]
    sigma_px: float


def _outline(finding: Finding, settings: NoCardSettings) -> _Seen:
    labels = finding.net_labels()
    cake = np.isin(labels, (BODY, DECORATION)) & finding.inside()
    contours, _ = cv2.findContours(cake.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    if not contours:
        raise OutlineError("No cake was seen in the photo: take it from above with the whole cake in the frame.")
    outline = max(contours, key=cv2.contourArea)[:, 0]
    if len(outline) < settings.least_points:
        raise OutlineError("The cake is too small in the photo: go closer, with the whole cake in the frame.")
    piece = cv2.dilate((labels == DECORATION).astype(np.uint8), np.ones((5, 5), np.uint8))
    bare = piece[outline[:, 1], outline[:, 0]] == 0
    if bare.mean() < 0.3:
        raise OutlineError("Decorations hide most of the cake's rim, so the top's shape cannot be told.")
    points = finding.to_photo(outline.astype(float))
    middle = 0.5 * (points.min(0) + points.max(0))
    away = points - middle
    angle = np.arctan2(away[:, 1], away[:, 0]) % (2 * np.pi)
    order = np.argsort(angle)
    even = 2 * np.pi * np.arange(settings.directions) / settings.directions
    radius = np.interp(even, angle[order], np.hypot(*away.T)[order], period=2 * np.pi)
    free = np.interp(even, angle[order], bare[order].astype(float), period=2 * np.pi) > 0.99
    direction = np.stack([np.cos(even), np.sin(even)], -1)
    return _Seen(middle, direction, radius, free, settings.outline_px / finding.scale_px)


def _lens(finding: Finding, focal_35mm: float) -> Lens:
    width, height = finding.photo_size_px
    focal = focal_35mm * float(np.hypot(width, height)) / FULL_FRAME_DIAGONAL_MM
    return Lens(focal, (width - 1) / 2, (height - 1) / 2)


_STEPS = np.array([1.0, 1.0, 0.004, 0.015, 0.015, 0.03])  # of the six unknowns: where one step moves about a pixel


def _start(seen: _Seen, lens: Lens, tilt: Array, settings: NoCardSettings) -> Array:
    """Unknowns for a tilt: the rim lies half a wall's length from the outline's middle, the way the wall leans."""
    radius = float(np.median(seen.radius_px))
    lean = tilt + (seen.middle_px - [lens.cx_px, lens.cy_px]) / lens.f_px
    place = seen.middle_px + 0.5 * settings.height * radius * lean
    return np.array([*place, np.log(lens.f_px / radius), *tilt, np.log(settings.height)])


def _pose(unknown: Array, lens: Lens) -> tuple[Array, Array, float]:
    """Rotation (3, 3) cake to camera, the top's middle (3,) in the camera frame, the height; lengths in radii.

    unknown: picture place of the top's middle (2), log distance, tangents of the tilt (2), log height.
    """
    up = np.array([unknown[3], unknown[4], -1.0])
    up /= np.linalg.norm(up)
    far = np.array([0.0, -1.0, 0.0])
    far -= up * (up @ far)
    far /= np.linalg.norm(far)
    rotation = np.stack([np.cross(far, up), far, up], -1)
    ray = np.array([(unknown[0] - lens.cx_px) / lens.f_px, (unknown[1] - lens.cy_px) / lens.f_px, 1.0])
    return rotation, np.exp(unknown[2]) * ray, float(np.exp(unknown[5]))


_RING = np.stack([f(np.linspace(0, 2 * np.pi, 72, endpoint=False)) for f in (np.cos, np.sin)], -1)


def _misfit(unknown: Array, lens: Lens, seen: _Seen, settings: NoCardSettings, ring_px: Array | None) -> Array:
    """Outline of the cylinder (the hull of rim and foot) minus the one seen, and what is expected of the unknowns."""
    rotation, top, height = _pose(unknown, lens)
    rim = top + _RING @ rotation[:, :2].T
    points = lens.to_pixels(np.concatenate([rim, rim - height * rotation[:, 2]]))
    off = np.where(seen.bare, (_reach(points - seen.middle_px, seen.direction) - seen.radius_px) / seen.sigma_px, 0.0)
    expected = [
        *(unknown[3:5] - settings.tilt) / settings.tilt_sd,
        (unknown[5] - np.log(settings.height)) / settings.height_log_sd,
    ]
    uneven = np.zeros(0)
    if ring_px is not None:
        ray = lens.to_directions(ring_px)
        foot = ray * (top @ rotation[:, 2] / (ray @ rotation[:, 2]))[:, None] - top
        rho = np.hypot(*(foot @ rotation[:, :2]).T)
        uneven = (rho - rho.mean()) / settings.ring_sd
    return np.concatenate([off, expected, uneven])


def _slopes(unknown: Array, lens: Lens, seen: _Seen, settings: NoCardSettings, ring_px: Array | None) -> Array:
    """Central differences over steps of a pixel: the hull's corners make smaller ones rough."""
    of = lambda v: _misfit(v, lens, seen, settings, ring_px)  # noqa: E731
    columns = [
        (of(unknown + step) - of(unknown - step)) / (2 * size)
        for step, size in zip(np.diag(_STEPS), _STEPS, strict=True)
    ]
    return np.stack(columns, 1)


def _reach(points: Array, direction: Array) -> Array:
    """Distance (J,) from the origin to the convex hull of points (N, 2) along directions (J, 2)."""
    hull = cv2.convexHull(points.astype(np.float32))[:, 0].astype(float)
    angle = np.arctan2(hull[:, 1], hull[:, 0])
    order = np.argsort(angle)
    hull, angle = hull[order], angle[order]
    after = np.searchsorted(angle, np.arctan2(direction[:, 1], direction[:, 0])) % len(hull)
    p, side = hull[after - 1], hull[after] - hull[after - 1]
    return np.asarray(
        (p[:, 0] * side[:, 1] - p[:, 1] * side[:, 0])
        / (direction[:, 0] * side[:, 1] - direction[:, 1] * side[:, 0] + 1e-12),
        float,
    )


_SHARES = {"ring_radius": 0.6, "ring_scatter": 0.4, "ring_offset": 1.0}  # of the rim's uncertainty that each takes on


def _rows(found: DecorationResult, u: float, settings: NoCardSettings) -> list[Measurement]:
    """Rows without a millimetre; u is the standard uncertainty of the rim's place in radii."""
    got, radius_mm = {m.name: m for m in found.measurements}, settings.radius_as_mm
    rows = [got["decoration_count"], got["decoration_missing"]]
    if not found.rings:
        return rows
    ring = found.rings[0]
    if _off_centre(found) > settings.odd_offset * radius_mm:  # the rim is not where it was taken to be
        rows[1] = replace(rows[1], uncertainty=1.0)
    angle = float(np.degrees(0.5 * u * radius_mm / ring.circle.radius_mm))
    spacing = got["spacing_error"]
    wide = float(np.hypot(spacing.uncertainty, 2 * angle))
    rows.append(Measurement("spacing_error", spacing.value, wide, "deg", ("top",)))
    for name, share in _SHARES.items():
        value = 100 * got[name].value / radius_mm
        wide = 100 * float(np.hypot(got[name].uncertainty / radius_mm, 2 * share * u))
        note = "share of the cake's radius"
        low = (max(value - wide, 0.0), value + wide)
        rows.append(Measurement(name, value, wide, "%", ("top",), note, interval=low))
    return rows + _gaps(ring, found.pieces, float(np.hypot(1.0, 2 * angle)))


def _gaps(ring: Ring, pieces: tuple[Decoration, ...], uncertainty_deg: float) -> list[Measurement]:
    """Every gap of the ring, at the clock of its middle."""
    rows = []
    for k, gap in enumerate(ring.gaps_deg):
        a, b = pieces[ring.members[k]].clock, pieces[ring.members[(k + 1) % len(ring.members)]].clock
        middle = (a - ((a - b) % 12) / 2) % 12 or 12.0
        note = f"gap of {int(ring.gap_places[k])} places" if ring.gap_places[k] != 1 else None
        rows.append(Measurement("gap", float(gap), uncertainty_deg, "deg", ("top",), note, clock=float(middle)))
    return rows


def _warnings(count: int, ring: Ring | None, odd: bool) -> tuple[str, ...]:
    out = [SAYS]
    if odd:
        out.append("The cake's outline is hardly that of a round cake: only the count is worth something.")
    if count == 0:
        out.append("No decorations were seen on the top.")
    elif ring is None:
        out.append("The decorations form no ring (fewer than three on one circle): spacing is left out.")
    return tuple(out)
